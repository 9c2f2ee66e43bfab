"""Decode what a log holds again, by a mended plugin: columns, samples and their meanings are rebuilt from the raw
bytes in one transaction. Raw bytes, times and events stay as they are; the plugin text that went before is kept."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sqlite_utils import Database

from gateway.log.opening import open_log
from gateway.log.schema import quoted
from gateway.log.table import ChannelTable
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.plugin import Plugin

CHUNK_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Redecoded:
    """What was done: frames decoded, those that do not fit, and the channels left alone because no plugin has them."""

    frames: int
    faults: int
    left_alone: tuple[str, ...]


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
        self._timeline = Timeline()
        self._frames = self._faults = self._all = 0

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
        for kind in {channel.kind for channel in known}:
            self._keep_text(self._plugins[kind])
        return Redecoded(self._frames, self._faults, tuple(f"{c.kind} {c.name}" for c in left))

    def _read_constants(self, channel: _Channel) -> None:
        item = self._plugins[channel.kind].characteristics[channel.name]
        for frame, node, raw in self._connection.execute(
            f"SELECT id, node, raw FROM {quoted(channel.relation)} ORDER BY id"  # noqa: S608
        ):
            self._timeline.add(node, frame, channel.name, raw, item.codec)

    def _channel(self, channel: _Channel) -> None:
        item = self._plugins[channel.kind].characteristics[channel.name]
        table = ChannelTable(self._database, channel.kind, item, channel.relation)
        last = -1
        sql = f"SELECT id, node, t_ns, raw FROM {quoted(channel.relation)} WHERE id > ? ORDER BY id LIMIT {CHUNK_ROWS}"  # noqa: S608
        while chunk := self._connection.execute(sql, (last,)).fetchall():
            last = chunk[-1][0]
            nodes = {row[1] for row in chunk}
            for node in nodes:
                own = chunk if len(nodes) == 1 else [row for row in chunk if row[1] == node]
                ids, _, times, raws = zip(*own, strict=True)
                for made in table.decoded(self._timeline, node, ids, times, raws):
                    table.update(self._connection, node, made)
                    self._faults += len(made.refused)
            self._frames += len(chunk)
            self._on_progress(self._frames, self._all)

    def _keep_text(self, plugin: Plugin) -> None:
        self._connection.execute(
            "INSERT INTO former_plugin SELECT run, kind, title, text, ? FROM plugin WHERE kind = ? AND text <> ?",
            (time.time_ns(), plugin.kind, plugin.text),
        )
        self._connection.execute(
            "UPDATE plugin SET title = ?, text = ? WHERE kind = ?", (plugin.title, plugin.text, plugin.kind)
        )
