"""What of a log a broker has already taken, kept in the log itself as ranges of ids: the log is the queue. A frame is
taken once the broker has acknowledged the pack it was in."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

Stream = Literal["frame", "event"]
TABLE = """
CREATE TABLE IF NOT EXISTS taken (   -- which frames and events a broker has acknowledged
    broker TEXT NOT NULL,
    stream TEXT NOT NULL,            -- frame or event
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    PRIMARY KEY (broker, stream, first)
)
"""
_AT_THE_END_S = 5.0
_BUSY_S = 0.2  # a writer at work is not waited for longer: what is not noted now is noted with the next


class Outbox:
    """The ranges of one broker.

    Args:
        path: the log.
        broker: its name.

    Raises:
        sqlite3.Error: the log can't be used.
    """

    def __init__(self, path: Path, broker: str) -> None:
        self._connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
        self._broker = broker
        self._ranges: dict[Stream, list[tuple[int, int]]] = {"frame": [], "event": []}
        self._taken, self._noted = 0, 0  # how often something was taken, and which of those is written down
        self._noting = threading.Lock()
        try:
            self._read()
        except sqlite3.Error:
            self._connection.close()
            raise

    def _read(self) -> None:
        if self._connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'taken'").fetchone():
            for stream, own in self._ranges.items():
                own += self._connection.execute(
                    "SELECT first, last FROM taken WHERE broker = ? AND stream = ? ORDER BY first",
                    (self._broker, stream),
                ).fetchall()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        end = time.monotonic() + _AT_THE_END_S
        while not self.note() and time.monotonic() < end:
            time.sleep(_BUSY_S)
        with contextlib.suppress(sqlite3.Error):  # somebody writes or reads it: then that one does this
            self._connection.execute("PRAGMA journal_mode = DELETE")
        self._connection.close()

    def gaps(self, stream: Stream, last: int) -> list[tuple[int, int]]:
        """The ranges up to ``last`` that the broker has not taken, oldest first."""
        found, next_ = [], 1
        for first, end in self._ranges[stream]:
            if first > next_ and next_ <= last:
                found.append((next_, min(first - 1, last)))
            next_ = max(next_, end + 1)
        return [*found, (next_, last)] if next_ <= last else found

    def take(self, stream: Stream, first: int, last: int) -> None:
        """A range was acknowledged."""
        merged: list[tuple[int, int]] = []
        for one in sorted([*self._ranges[stream], (first, last)]):
            if merged and one[0] <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(merged[-1][1], one[1]))
            else:
                merged.append(one)
        self._ranges[stream] = merged
        self._taken += 1

    def note(self) -> bool:
        """Write down what was taken; False where that could not be done now. What is not written down is sent again
        after a crash, and lost to nobody. May be called while more is taken."""
        with self._noting:
            return self._note()

    def _note(self) -> bool:
        taken = self._taken
        rows = [(self._broker, stream, *one) for stream, own in self._ranges.items() for one in own]
        if taken == self._noted:
            return True
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.execute(TABLE)
                self._connection.execute("DELETE FROM taken WHERE broker = ?", (self._broker,))
                self._connection.executemany("INSERT INTO taken VALUES (?, ?, ?, ?)", rows)
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
        except sqlite3.Error:
            return False
        self._noted = taken
        return True
