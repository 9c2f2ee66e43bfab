"""Decode what a log holds again, by a mended plugin: columns, samples and their meanings are rebuilt from the raw
bytes in one transaction. Raw bytes, times and events stay as they are; the plugin text that went before is kept."""

from __future__ import annotations

import json
import platform
import sqlite3
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from gateway.host.user import user_name
from gateway.log.opening import open_log
from gateway.log.schema import next_event, quoted
from gateway.log.seal import Sealer
from gateway.log.table import ChannelTable, Rows
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.model.events import DecodedAgain, EventKind
from gateway.plugin import Plugin
from gateway.plugin.unpack import Unpacking

CHUNK_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Redecoded:
    """What was done.

    Attributes:
        frames, faults: how many were decoded, and do not fit.
        left_alone: channels that no plugin has.
        changes: the columns whose values differ.
        fit_now, misfit_now: payloads that did not fit and now do, and the other way round.
    """

    frames: int
    faults: int
    left_alone: tuple[str, ...]
    changes: tuple[ColumnChange, ...] = ()
    fit_now: int = 0
    misfit_now: int = 0


@dataclass(slots=True)
class ColumnChange:
    """A column with values that differ from what they were: how many, and the sums of those that are numbers, before
    and after, with how many these are."""

    column: str
    count: int = 0
    before: float = 0.0
    before_n: int = 0
    after: float = 0.0
    after_n: int = 0

    def add(self, before: object, after: object) -> None:
        self.count += 1
        if isinstance(before, int | float):
            self.before, self.before_n = self.before + before, self.before_n + 1
        if isinstance(after, int | float):
            self.after, self.after_n = self.after + after, self.after_n + 1

    @property
    def means(self) -> tuple[float | None, float | None]:
        """Of those that differ, before and after."""
        before = self.before / self.before_n if self.before_n else None
        return before, self.after / self.after_n if self.after_n else None


@dataclass(frozen=True, slots=True)
class _Channel:
    relation: str
    kind: str
    name: str


def redecode(path: Path, plugins: Mapping[str, Plugin], on_progress: Callable[[int, int], None]) -> Redecoded:
    """Decode a whole log again.

    Args:
        path: the log; nobody may be writing it.
        plugins: by kind; channels of other kinds are left alone.
        on_progress: called now and then with the frames done and the frames to do.

    Raises:
        LogFileError: not a log, in use, damaged, or the disk refuses; then nothing was changed.
    """
    with open_log(path, existing=True) as log:
        try:
            return _Work(log.connection, plugins, on_progress).run()
        except sqlite3.DatabaseError as error:
            raise LogFileError(f"{path} could not be decoded again: {error}; nothing was changed") from None


class _Work:
    """One transaction over one log."""

    def __init__(
        self, connection: sqlite3.Connection, plugins: Mapping[str, Plugin], on_progress: Callable[[int, int], None]
    ) -> None:
        self._connection, self._plugins, self._on_progress = connection, plugins, on_progress
        self._database = Database(connection)
        self._timeline, self._unpacking = Timeline(), Unpacking()
        self._frames = self._faults = self._all = self._fit_now = self._misfit_now = 0
        self._changes: dict[str, ColumnChange] = {}

    def run(self) -> Redecoded:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            result = self._run()
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        return result

    def _run(self) -> Redecoded:
        rows = self._connection.execute("SELECT relation, kind, name FROM channel ORDER BY rowid").fetchall()
        known: list[_Channel] = []
        left: list[_Channel] = []
        for channel in (_Channel(*row) for row in rows):
            plugin = self._plugins.get(channel.kind)
            kept = plugin is not None and channel.name in plugin.characteristics
            (known if kept else left).append(channel)
        for channel in known:
            (count,) = self._connection.execute(f"SELECT count(*) FROM {quoted(channel.relation)}").fetchone()  # noqa: S608
            self._all += count
            if channel.name in self._plugins[channel.kind].constants:
                self._read_constants(channel)
        for channel in known:
            self._channel(channel)
        kinds = sorted({channel.kind for channel in known})
        for kind in kinds:
            self._keep_text(self._plugins[kind])
        if kinds:
            self._note(kinds)
        return Redecoded(
            self._frames,
            self._faults,
            tuple(f"{c.kind} {c.name}" for c in left),
            tuple(self._changes.values()),
            self._fit_now,
            self._misfit_now,
        )

    def _note(self, kinds: list[str]) -> None:
        """Leave an event in every run that has such nodes."""
        differing = {change.column: change.count for change in self._changes.values()}
        who = f"{user_name()}@{platform.node()}"
        detail = json.dumps(DecodedAgain(kinds=kinds, by=who, differing=differing).facts())
        number, now_ns = next_event(self._connection), time.time_ns()
        marks = ", ".join("?" * len(kinds))
        runs = self._connection.execute(
            f"SELECT DISTINCT run FROM node WHERE kind IN ({marks}) ORDER BY run",  # noqa: S608
            kinds,
        ).fetchall()
        for place, (run,) in enumerate(runs):
            (first,) = self._connection.execute("SELECT first_frame FROM run WHERE id = ?", (run,)).fetchone()
            sealer = Sealer.of(self._connection, run, first)
            self._connection.execute(
                "INSERT INTO event (id, run, node, t_ns, kind, detail) VALUES (?, ?, NULL, ?, ?, ?)",
                (number + place, run, now_ns, EventKind.DECODED_AGAIN.value, detail),
            )
            sealer.event(now_ns, None, EventKind.DECODED_AGAIN.value, detail)
            sealer.link(self._connection, sealer.end(self._connection), f"decoded again by {who}", force=True)

    def _read_constants(self, channel: _Channel) -> None:
        item = self._plugins[channel.kind].characteristics[channel.name]
        for frame, node, raw in self._connection.execute(
            f"SELECT id, node, raw FROM {quoted(channel.relation)} ORDER BY id"  # noqa: S608
        ):
            self._timeline.add(node, frame, channel.name, raw, item.codec)

    def _channel(self, channel: _Channel) -> None:
        plugin = self._plugins[channel.kind]
        item = plugin.characteristics[channel.name]
        there = self._columns_of(channel.relation)
        table = ChannelTable(
            self._database,
            channel.kind,
            item,
            channel.relation,
            channel.name in plugin.constants,
        )
        now = self._columns_of(channel.relation)
        kept = [place for place, column in enumerate(table.columns) if there.get(column) == now[column]]
        former = "".join(f", {quoted(table.columns[place])}" for place in kept)
        last = -1
        sql = (
            f"SELECT id, node, t_ns, raw, fault{former} FROM {quoted(channel.relation)} WHERE id > ? ORDER BY id "  # noqa: S608
            f"LIMIT {CHUNK_ROWS}"
        )
        names = [f"{channel.kind} {channel.name} {table.columns[place]}" for place in kept]
        while chunk := self._connection.execute(sql, (last,)).fetchall():
            last = chunk[-1][0]
            nodes = sorted({row[1] for row in chunk})
            for node in nodes:
                own = chunk if len(nodes) == 1 else [row for row in chunk if row[1] == node]
                ids, _, times, raws, *_ = zip(*own, strict=True)
                before = {row[0]: row[4:] for row in own}
                faults: dict[int, str] = {}
                if channel.name in plugin.steps:
                    faults = self._unpacking.take(node, plugin, channel.name, list(zip(ids, times, raws, strict=True)))[
                        1
                    ]
                for made in table.decoded(self._timeline, node, ids, times, raws):
                    made.refuse(faults)
                    table.update(self._connection, node, made)
                    self._compare(names, kept, before, made)
                    self._faults += len(made.refused)
            self._frames += len(chunk)
            self._on_progress(self._frames, self._all)

    def _columns_of(self, relation: str) -> dict[str, str]:
        """The columns of a relation with their types; one whose type changes is made anew."""
        return {row[1]: row[2] for row in self._connection.execute(f"PRAGMA table_info({quoted(relation)})")}

    def _compare(self, names: list[str], kept: list[int], before: Mapping[int, tuple[Any, ...]], made: Rows) -> None:
        """Count what differs from the values that were there."""
        for row in made.frames:
            fault, *old = before[row[0]]
            if fault is not None:
                self._fit_now += 1
                continue
            for name, place, was in zip(names, kept, old, strict=True):
                if row[3 + place] != was:
                    self._changes.setdefault(name, ColumnChange(name)).add(was, row[3 + place])
        self._misfit_now += sum(before[row[0]][0] is None for row in made.refused)

    def _keep_text(self, plugin: Plugin) -> None:
        self._connection.execute(
            "INSERT INTO former_plugin SELECT run, kind, title, text, ? FROM plugin WHERE kind = ? AND text <> ?",
            (time.time_ns(), plugin.kind, plugin.text),
        )
        self._connection.execute(
            "UPDATE plugin SET title = ?, text = ? WHERE kind = ?", (plugin.title, plugin.text, plugin.kind)
        )
