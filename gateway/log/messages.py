"""Messages cut anew out of the frames that stand in a log, into temporary tables: a message is no evidence of its own,
so whoever checks a log or decodes it again holds what it has of messages against this."""

from __future__ import annotations

import sqlite3
from collections.abc import Container, Iterator
from itertools import zip_longest

from gateway.log.schema import quoted
from gateway.model.events import EventKind
from gateway.plugin import Plugin
from gateway.plugin.unpack import Unpacking
from gateway.plugin.unpack.sealed import NO_KEY

_CHUNK = 50_000
_TABLES = """
CREATE TEMP TABLE cut_message (
    number INTEGER PRIMARY KEY, node INTEGER NOT NULL, channel TEXT NOT NULL, t_ns INTEGER NOT NULL, raw BLOB NOT NULL,
    first_frame INTEGER NOT NULL, last_frame INTEGER NOT NULL
);
CREATE INDEX temp.cut_message_of ON cut_message (node, channel);
CREATE TEMP TABLE cut_fault (frame INTEGER PRIMARY KEY, why TEXT NOT NULL);
"""
_RESUMED = "SELECT t_ns FROM event WHERE kind = ? AND run = (SELECT run FROM node WHERE id = ?) ORDER BY t_ns"

Span = tuple[int, int]  # the numbers of a run's frames, from and below


class Cut:
    """The messages of some nodes, and why frames did not become part of one. Where a key is missing (`Plugin.lacks`)
    there are none, and no reasons.

    Args:
        connection: the log's; it may be open for reading only.
        as_logged: leave out what could not be decrypted when it came.
    """

    def __init__(self, connection: sqlite3.Connection, as_logged: bool = False) -> None:
        self._connection, self._as_logged = connection, as_logged
        for name in ("cut_message", "cut_fault"):
            connection.execute(f"DROP TABLE IF EXISTS temp.{name}")
        for statement in _TABLES.split(";\n")[:-1]:  # executescript would commit
            connection.execute(statement)

    def add(self, node: int, plugin: Plugin, relation: str, channel: str, span: Span) -> None:
        """Cut the messages of a node out of the frames of a channel, which stand in a relation. A run that was cut off
        and continued begins each message anew."""
        unpacking, last = Unpacking(), span[0] - 1
        lacks = {step.lacks for step in plugin.steps.values()} - {""}
        begins = [t_ns for (t_ns,) in self._connection.execute(_RESUMED, (EventKind.RESUMED.value, node))]
        sql = (
            f"SELECT id, t_ns, raw, ifnull(instr(fault, ?) = 1, 0) FROM {quoted(relation)} "  # noqa: S608
            f"WHERE node = ? AND id > ? AND id < ? ORDER BY id LIMIT {_CHUNK}"
        )
        while rows := self._connection.execute(sql, (NO_KEY, node, last, span[1])).fetchall():
            last = rows[-1][0]
            locked = {row[0] for row in rows if row[3]} if self._as_logged else set()
            frames = [row[:3] for row in rows if isinstance(row[2], bytes)]
            while frames:
                end = len(frames)
                if begins and frames[-1][1] >= begins[0]:
                    end = next(place for place, frame in enumerate(frames) if frame[1] >= begins[0])
                self._take(unpacking, node, plugin, channel, frames[:end], locked, lacks)
                frames = frames[end:]
                if frames:
                    unpacking = Unpacking()
                    del begins[0]

    def _take(
        self,
        unpacking: Unpacking,
        node: int,
        plugin: Plugin,
        channel: str,
        frames: list[tuple[int, int, bytes]],
        locked: Container[int],
        lacks: Container[str],
    ) -> None:
        found, faults = unpacking.take(node, plugin, channel, frames)
        self._connection.executemany(
            "INSERT INTO cut_message (node, channel, t_ns, raw, first_frame, last_frame) VALUES (?, ?, ?, ?, ?, ?)",
            (
                (node, name, *one)
                for name, ones in found.items()
                for one in ones
                if one.last not in locked or not plugin.behind_key(name)
            ),
        )
        wrong = [(frame, why) for frame, why in faults.items() if why not in lacks and frame not in locked]
        self._connection.executemany("INSERT OR REPLACE INTO cut_fault VALUES (?, ?)", wrong)

    def faults(self, first: int, last: int) -> dict[int, str]:
        """Why frames with ids from ``first`` to ``last`` did not become part of a message."""
        sql = "SELECT frame, why FROM cut_fault WHERE frame BETWEEN ? AND ?"
        return dict(self._connection.execute(sql, (first, last)))

    def count(self, node: int, channel: str) -> int:
        """How many messages of a channel a node has."""
        sql = "SELECT count(*) FROM cut_message WHERE node = ? AND channel = ?"
        return int(self._connection.execute(sql, (node, channel)).fetchone()[0])

    def messages(self, node: int, channel: str) -> Iterator[list[tuple[int, int, bytes, int]]]:
        """Chunks of the messages of a channel: a number of each, when, its bytes, and the frame it was whole with."""
        found = self._connection.execute(
            "SELECT number, t_ns, raw, last_frame FROM cut_message WHERE node = ? AND channel = ? ORDER BY number",
            (node, channel),
        )
        while rows := found.fetchmany(_CHUNK):
            yield rows

    def differs(self, node: int, channel: str, relation: str, span: Span) -> str:
        """The first message of a channel that the log has otherwise; "" where it has them all, and no others."""
        cut = self._connection.execute(
            "SELECT t_ns, raw, first_frame, last_frame FROM cut_message WHERE node = ? AND channel = ? ORDER BY number",
            (node, channel),
        )
        kept = self._connection.execute(
            f"SELECT t_ns, raw, first_frame, last_frame, id FROM {quoted(relation)} "  # noqa: S608
            "LEFT JOIN unpacked ON frame = id WHERE node = ? AND id >= ? AND id < ? ORDER BY id",
            (node, *span),
        )
        for should, row in zip_longest(cut, kept):
            if row is None:
                return f"the message in frames {should[2]} to {should[3]} is missing"
            if should is None:
                return f"frame {row[4]}: no message that its frames hold"
            if row[:4] != should:
                what = "is another" if row[:2] != should[:2] else f"came in frames {should[2]} to {should[3]}"
                return f"frame {row[4]}: the message that its frames hold {what}"
        return ""
