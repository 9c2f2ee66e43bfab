"""Decode what a log holds again, by a mended plugin: columns, samples and their meanings are rebuilt from the raw
bytes in one transaction, and messages are cut out of the frames anew. What was received, its times and events stay as
they are; the plugin text that went before is kept."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from gateway.host.user import who
from gateway.log.messages import Cut, Span
from gateway.log.opening import open_log
from gateway.log.renumber import NEW, Numbers
from gateway.log.schema import next_event, quoted
from gateway.log.seal import Sealer, former_digests, is_gathered
from gateway.log.table import ChannelTable, Rows
from gateway.log.timeline import Timeline
from gateway.model.errors import InputError, LogFileError
from gateway.model.events import DecodedAgain, EventKind
from gateway.plugin import Plugin

CHUNK_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Redecoded:
    """What was done.

    Attributes:
        frames, faults: how many were decoded, and do not fit.
        left_alone: channels that no plugin has.
        changes: the columns whose values differ.
        fit_now, misfit_now: payloads that did not fit and now do, and the other way round.
        messages: how many messages of a channel there were and are now, where they were cut otherwise.
    """

    frames: int
    faults: int
    left_alone: tuple[str, ...]
    changes: tuple[ColumnChange, ...] = ()
    fit_now: int = 0
    misfit_now: int = 0
    messages: Mapping[str, tuple[int, int]] = field(default_factory=dict)


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
    within: str | None


@dataclass(frozen=True, slots=True)
class _Node:
    id: int
    kind: str
    span: Span


def redecode(path: Path, plugins: Mapping[str, Plugin], on_progress: Callable[[int, int], None]) -> Redecoded:
    """Decode a whole log again.

    Args:
        path: the log; nobody may be writing it.
        plugins: by kind; channels of other kinds are left alone.
        on_progress: called now and then with the frames done and the frames to do.

    Raises:
        InputError: the key of messages is missing; nothing was changed.
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
        self._timeline, self._cut = Timeline(), Cut(connection)
        self._frames = self._faults = self._all = self._fit_now = self._misfit_now = 0
        self._changes: dict[str, ColumnChange] = {}
        self._messages: dict[str, tuple[int, int]] = {}

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
        rows = self._connection.execute("SELECT relation, kind, name, within FROM channel ORDER BY rowid").fetchall()
        known: list[_Channel] = []
        left: list[_Channel] = []
        for channel in (_Channel(*row) for row in rows):
            plugin = self._plugins.get(channel.kind)
            item = plugin.characteristics.get(channel.name) if plugin is not None else None
            # what was received is never taken for a message, nor the other way round
            (known if item is not None and bool(item.within) == bool(channel.within) else left).append(channel)
        for nodes, gathered in self._runs():
            self._cut_out(nodes, known)
            known += [] if gathered else self._put_in_place(nodes, known)
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
            self._messages,
        )

    def _runs(self) -> Iterator[tuple[list[_Node], bool]]:
        """The nodes that there is a plugin for, of each run, and whether it came by a broker: then frames of a message
        that came whole may be missing, and messages stay as they came."""
        gathered: set[str] = set()
        if self._connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'gathered'").fetchone():
            gathered = {row[0] for row in self._connection.execute("SELECT uid FROM gathered")}
        for number, uid in self._connection.execute("SELECT id, uid FROM run ORDER BY id").fetchall():
            # asked anew for each: runs before it may have taken more numbers
            (first,) = self._connection.execute("SELECT first_frame FROM run WHERE id = ?", (number,)).fetchone()
            nodes = self._connection.execute("SELECT id, kind FROM node WHERE run = ?", (number,)).fetchall()
            (after,) = self._connection.execute(
                "SELECT min(first_frame) FROM run WHERE first_frame > ?", (first,)
            ).fetchone()
            own = [_Node(node, kind, (first, after or 2**62)) for node, kind in nodes if kind in self._plugins]
            yield own, uid in gathered

    def _cut_out(self, nodes: Sequence[_Node], known: Sequence[_Channel]) -> None:
        """Cut the messages of a run's nodes out of their frames."""
        for node in nodes:
            plugin = self._plugins[node.kind]
            for channel in [one for one in known if one.kind == node.kind and not one.within]:
                if channel.name in plugin.steps and self._count(channel.relation, node):
                    self._see_keys(plugin, channel.name)
                    self._cut.add(node.id, plugin, channel.relation, channel.name, node.span)

    def _put_in_place(self, nodes: Sequence[_Node], known: Sequence[_Channel]) -> list[_Channel]:
        """Give a run the messages that were cut and that it has otherwise; their values are decoded later. The channels
        that are new with that."""
        added: list[_Channel] = []
        otherwise: list[tuple[int, str, str]] = []
        for node in nodes:
            plugin = self._plugins[node.kind]
            for name in [name for name, item in plugin.characteristics.items() if item.within]:
                relations = [one.relation for one in (*known, *added) if (one.kind, one.name) == (node.kind, name)]
                if not relations and self._cut.count(node.id, name):
                    table = ChannelTable(self._database, node.kind, plugin.characteristics[name])
                    added.append(_Channel(table.relation, node.kind, name, table.item.within))
                    relations = [table.relation]
                used = [one for one in relations if self._count(one, node)] or relations[:1]
                if len(used) > 1 or (used and self._cut.differs(node.id, name, used[0], node.span)):
                    what = f"{node.kind} {name}"
                    before, now = self._messages.get(what, (0, 0))
                    before += sum(self._count(one, node) for one in used)
                    self._messages[what] = before, now + self._cut.count(node.id, name)
                    otherwise += [(node.id, name, one) for one in used]
        if otherwise:
            Numbers(self._connection, nodes[0].span).place(otherwise)
        return added

    @staticmethod
    def _see_keys(plugin: Plugin, outer: str) -> None:
        """See that all can be unpacked: what can't be would be lost to the log."""
        for name in plugin.characteristics:
            carriers = [one.name for one in plugin.carriers(name)]
            if outer in carriers and (reason := plugin.lacks(name)):
                raise InputError(f"{plugin.kind} {name} can't be decoded again: {reason}; nothing was changed")

    def _count(self, relation: str, node: _Node) -> int:
        sql = f"SELECT count(*) FROM {quoted(relation)} WHERE node = ? AND id >= ? AND id < ?"  # noqa: S608
        return int(self._connection.execute(sql, (node.id, *node.span)).fetchone()[0])

    def _note(self, kinds: list[str]) -> None:
        """Leave an event in every run that has such nodes."""
        differing = {change.column: change.count for change in self._changes.values()}
        by = who()
        messages = {name: list(counts) for name, counts in self._messages.items()}
        number, now_ns = next_event(self._connection), time.time_ns()
        marks = ", ".join("?" * len(kinds))
        runs = self._connection.execute(
            f"SELECT DISTINCT run FROM node WHERE kind IN ({marks}) ORDER BY run",  # noqa: S608
            kinds,
        ).fetchall()
        for place, (run,) in enumerate(runs):
            (first,) = self._connection.execute("SELECT first_frame FROM run WHERE id = ?", (run,)).fetchone()
            former = former_digests(self._connection, run)
            told = DecodedAgain(kinds=kinds, by=by, differing=differing, messages=messages, former=former)
            detail = json.dumps(told.facts())
            sealer = Sealer.of(self._connection, run, first)
            self._connection.execute(
                "INSERT INTO event (id, run, node, t_ns, kind, detail) VALUES (?, ?, NULL, ?, ?, ?)",
                (number + place, run, now_ns, EventKind.DECODED_AGAIN.value, detail),
            )
            if is_gathered(self._connection, run):  # more of it may come, and nothing sealed it before
                continue
            sealer.event(now_ns, None, EventKind.DECODED_AGAIN.value, detail)
            sealer.link(self._connection, sealer.end(self._connection), f"decoded again by {by}", force=True)

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
        heard = "ifnull((SELECT last_frame FROM unpacked WHERE frame = id), id)" if item.within else "id"
        sql = (
            f"SELECT id, node, t_ns, raw, {heard}, fault{former} FROM {quoted(channel.relation)} WHERE id > ? "  # noqa: S608
            f"ORDER BY id LIMIT {CHUNK_ROWS}"
        )
        names = [f"{channel.kind} {channel.name} {table.columns[place]}" for place in kept]
        while chunk := self._connection.execute(sql, (last,)).fetchall():
            last = chunk[-1][0]
            nodes = sorted({row[1] for row in chunk})
            faults = self._cut.faults(chunk[0][0], last) if item.step and not item.within else {}
            for node in nodes:
                own = chunk if len(nodes) == 1 else [row for row in chunk if row[1] == node]
                ids, _, times, raws, frames, *_ = zip(*own, strict=True)
                before = {row[0]: row[5:] for row in own}
                for made in table.decoded(self._timeline, node, ids, times, raws, frames):
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
            if fault == NEW:
                continue
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
