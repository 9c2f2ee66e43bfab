"""Put messages that were cut anew into a log, in the place of those that it has: they take the numbers of these and
further ones behind the run, and runs behind it make room."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from gateway.log.messages import Span
from gateway.log.schema import quoted

NEW = ""  # the fault of a row that is not decoded yet
_CHUNK = 50_000
Channel = tuple[int, str, str]  # node, channel, relation


class Numbers:
    """The numbers of a run, for its messages.

    Args:
        connection: the log's, inside the caller's transaction, with what `messages.Cut` cut.
        span: the numbers that the run has now, from and below.
    """

    def __init__(self, connection: sqlite3.Connection, span: Span) -> None:
        self._connection, self._first, self._after = connection, *span

    def place(self, channels: Sequence[Channel]) -> None:
        """Give channels the messages that were cut, instead of those they have. A channel with several relations gets
        all of them into the first."""
        into: dict[tuple[int, str], str] = {}
        for node, name, relation in channels:
            into.setdefault((node, name), relation)
        free = self._freed(channels)
        marks = " OR ".join(["(node = ? AND channel = ?)"] * len(into))
        keys = [value for key in into for value in key]
        (wanted,) = self._connection.execute(f"SELECT count(*) FROM cut_message WHERE {marks}", keys).fetchone()  # noqa: S608
        free += self._further(wanted - len(free))
        cut = self._connection.execute(
            "SELECT node, channel, t_ns, raw, first_frame, last_frame FROM cut_message "  # noqa: S608
            f"WHERE {marks} ORDER BY last_frame, number",
            keys,
        )
        numbers = iter(free)
        while rows := cut.fetchmany(_CHUNK):
            stamped = [(next(numbers), *row) for row in rows]
            for key, relation in into.items():
                self._connection.executemany(
                    f"INSERT INTO {quoted(relation)} (id, node, t_ns, raw, fault) VALUES (?, ?, ?, ?, ?)",  # noqa: S608
                    [(number, node, t, raw, NEW) for number, node, name, t, raw, *_ in stamped if (node, name) == key],
                )
            self._connection.executemany(
                "INSERT INTO unpacked VALUES (?, ?, ?)", [(number, first, last) for number, *_, first, last in stamped]
            )

    def _freed(self, channels: Sequence[Channel]) -> list[int]:
        """The numbers of the messages that there are, which are removed."""
        free: list[int] = []
        for node, _, relation in channels:
            where = "node = ? AND id >= ? AND id < ?"
            of = (node, self._first, self._after)
            ids = [row[0] for row in self._connection.execute(f"SELECT id FROM {quoted(relation)} WHERE {where}", of)]  # noqa: S608
            free += ids
            self._connection.execute(f"DELETE FROM {quoted(relation)} WHERE {where}", of)  # noqa: S608
            self._connection.executemany("DELETE FROM unpacked WHERE frame = ?", [(number,) for number in ids])
        return sorted(free)

    def _further(self, count: int) -> list[int]:
        """So many numbers behind the highest of the run."""
        if count <= 0:
            return []
        start = max([self._highest(relation) for relation in self._relations()], default=self._first) + 1
        if start + count > self._after:
            self._shift(start + count - self._after)
        return list(range(start, start + count))

    def _relations(self) -> list[str]:
        return [row[0] for row in self._connection.execute("SELECT relation FROM channel")]

    def _highest(self, relation: str) -> int:
        sql = f"SELECT max(id) FROM {quoted(relation)} WHERE id >= ? AND id < ?"  # noqa: S608
        return int(self._connection.execute(sql, (self._first, self._after)).fetchone()[0] or 0)

    def _shift(self, by: int) -> None:
        """Give the runs behind this one numbers that are higher by so many."""
        tables = [(name, "id") for name in self._relations()]
        samples = self._connection.execute("SELECT samples FROM channel WHERE samples IS NOT NULL").fetchall()
        tables += [(name, "frame") for (name,) in samples] + [("unpacked", "frame")]
        for table, key in tables:
            # by way of numbers below zero, as no two rows may have the same meanwhile
            for sql, *values in (("= -(# + ?) WHERE # >= ?", by, self._after), ("= -# WHERE # < 0",)):
                self._connection.execute(f"UPDATE {quoted(table)} SET {key} {sql.replace('#', key)}", values)  # noqa: S608
        later = "run IN (SELECT id FROM run WHERE first_frame >= ?)"
        for table, column, where in (
            ("unpacked", "first_frame", "first_frame >= ?"),
            ("unpacked", "last_frame", "last_frame >= ?"),
            ("seal", "from_frame", later),
            ("seal", "end_frame", later),
            ("run", "first_frame", "first_frame >= ?"),
        ):
            self._connection.execute(
                f"UPDATE {table} SET {column} = {column} + ? WHERE {where}",  # noqa: S608
                (by, self._after),
            )
        if self._connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'taken'").fetchone():
            of = "FROM taken WHERE stream = 'frame' AND last >= ?"
            ranges = self._connection.execute(f"SELECT broker, first, last {of}", (self._after,)).fetchall()
            self._connection.execute(f"DELETE {of}", (self._after,))
            moved = [(broker, first + by * (first >= self._after), last + by) for broker, first, last in ranges]
            self._connection.executemany("INSERT INTO taken VALUES (?, 'frame', ?, ?)", moved)
