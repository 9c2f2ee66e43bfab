"""Put batches of a run's records into a log, in the caller's thread. When the disk refuses, a batch is tried again
for a while; when it keeps refusing, what is left goes into a second log in the system's folder for temporary files."""

from __future__ import annotations

import contextlib
import json
import os
import platform
import sqlite3
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from uuid import uuid4

from sqlite_utils import Database

from gateway.log.opening import WritableLog, open_log
from gateway.log.schema import SPAN, first_after, next_event
from gateway.log.table import ChannelTable, Rows
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.link import LinkState
from gateway.model.records import Frame
from gateway.model.utc import duration_text
from gateway.model.version import __version__
from gateway.plugin import Plugin

PATIENCE_S = 20.0
PATIENCE_AT_END_S = 5.0
CHECKPOINT_S = 5.0  # how often what was written is moved from the write-ahead log into the file itself
_RETRY_S = 0.5


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What a log keeps of a run besides its records."""

    title: str
    started_ns: int
    planned_ns: int | None  # how long it is to last, None for until somebody ends it
    radio: str
    run_file: str
    run_text: str
    nodes: Mapping[str, tuple[Plugin, str]]  # by name: what it is, and what it is sought by
    requirements: Sequence[Requirement] = ()


@dataclass(slots=True)
class ChannelStatus:
    """What a live display shows of a node's channel."""

    frames: int = 0
    faults: int = 0
    t_ns: int = 0  # of the last, 0 for none on this link
    gap_longest_ns: int = 0
    newest: dict[str, Any] = field(default_factory=dict)
    counters: frozenset[str] = frozenset()  # columns that only count


@dataclass(slots=True)
class WriterStatus:
    """How the writing goes. ``trouble`` is set while the disk refuses, ``failed`` once that is final."""

    path: Path
    frames: int = 0
    dropped: int = 0
    trouble: str = ""
    failed: str = ""
    channels: dict[tuple[str, str], ChannelStatus] = field(default_factory=lambda: defaultdict(ChannelStatus))


class _Store:
    """The open file and what was looked up in it: ids of run and nodes, tables of channels."""

    def __init__(self, path: Path, facts: RunFacts) -> None:
        self.path = path
        self.log = open_log(path)
        self.connection = self.log.connection
        try:
            self._open(facts)
        except BaseException:
            self.log.close()
            raise

    def in_place(self) -> bool:
        """Whether the file that was opened still stands under its name."""
        try:
            return self.path.stat().st_ino == self._inode
        except OSError:
            return False

    def _open(self, facts: RunFacts) -> None:
        self._inode = self.path.stat().st_ino
        self._database = Database(self.connection)
        self.connection.execute("BEGIN IMMEDIATE")
        self.nodes: dict[str, int] = {}
        self.rules = 0  # requirements that are in the file
        self.tables: dict[tuple[str, str], ChannelTable] = {}
        try:
            self.run, self.next_frame = self._add_run(facts)
            self.next_event = next_event(self.connection)
            self.add_nodes(facts)
            self.connection.execute("COMMIT")
        except BaseException:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    def add_nodes(self, facts: RunFacts) -> None:
        """Add the nodes that are not there yet, inside the caller's transaction."""
        self.connection.executemany(
            "INSERT INTO requirement VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(self.run, *rule) for rule in facts.requirements[self.rules :]],
        )
        self.rules = len(facts.requirements)
        for name, (plugin, sought) in facts.nodes.items():
            if name in self.nodes:
                continue
            added = self.connection.execute(
                "INSERT INTO node (run, name, kind, sought) VALUES (?, ?, ?, ?)", (self.run, name, plugin.kind, sought)
            )
            self.nodes[name] = added.lastrowid or 0
            self.connection.execute(
                "INSERT OR IGNORE INTO plugin VALUES (?, ?, ?, ?)", (self.run, plugin.kind, plugin.title, plugin.text)
            )
            for channel in (*plugin.constants, *plugin.channels):
                item = plugin.characteristics[channel]
                self.tables[name, channel] = ChannelTable(self._database, plugin.kind, item)

    def _add_run(self, facts: RunFacts) -> tuple[int, int]:
        relations = [row[0] for row in self.connection.execute("SELECT relation FROM channel")]
        highest = [self.connection.execute(f'SELECT max(id) FROM "{name}"').fetchone()[0] for name in relations]  # noqa: S608
        (latest,) = self.connection.execute("SELECT ifnull(max(first_frame), 0) FROM run").fetchone()
        frames = max((number for number in highest if number), default=0)
        first = first_after(max(frames, latest if latest >= SPAN else 0))
        added = self.connection.execute(
            "INSERT INTO run (title, started_ns, planned_ns, first_frame, radio, host, system, software, run_file, "
            "run_text, uid) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                facts.title,
                facts.started_ns,
                facts.planned_ns,
                first,
                facts.radio,
                platform.node(),
                platform.platform(),
                f"gattest {__version__}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}",
                facts.run_file,
                facts.run_text,
                uuid4().hex,
            ),
        )
        return added.lastrowid or 0, first


class BatchWriter:
    """A log being written, a batch at a time. Delivery: every frame given to `write` is in the file, in the second
    file that ``status.failed`` names, or counted in ``status.dropped`` when it returns.

    Args:
        path: the log; an existing one gets a new run beside those it has.
        facts: what to keep of the run.
        ending: whether the run is ending, so that a refusing disk is given less time.

    Raises:
        LogFileError: not a log, in use, or the folder is missing or can't be written.
    """

    def __init__(self, path: Path, facts: RunFacts, ending: Callable[[], bool] = lambda: False) -> None:
        self._facts, self._ending = facts, ending
        try:
            self._store = _Store(path, facts)
        except sqlite3.DatabaseError as error:
            raise LogFileError(f"{path} can't be written: {error}; check permissions and free space") from None
        self._given_up: list[WritableLog] = []  # logs that could not be written any more, still locked
        self.run = self._store.run
        self.status = WriterStatus(path)
        self._timeline = Timeline()
        self._constant_channels: set[tuple[str, str]] = set()
        self._expect(facts.nodes)
        self._lost = False  # nothing can be written any more, here or elsewhere
        self._next_check = 0.0
        self._links: dict[str, LinkState] = defaultdict(LinkState)

    @property
    def path(self) -> Path:
        """The file being written now."""
        return self._store.path

    def add_node(self, name: str, plugin: Plugin, sought: str, rules: Sequence[Requirement] = ()) -> None:
        """Tell of a node that was not known when the run began, before its first record, and of what is required of
        it."""
        self._expect({name: (plugin, sought)})
        nodes = {**self._facts.nodes, name: (plugin, sought)}
        self._facts = replace(self._facts, nodes=nodes, requirements=(*self._facts.requirements, *rules))

    def _expect(self, nodes: Mapping[str, tuple[Plugin, str]]) -> None:
        for name, (plugin, _) in nodes.items():
            self._constant_channels |= {(name, channel) for channel in plugin.constants}
            for channel in (*plugin.constants, *plugin.channels):
                _ = self.status.channels[name, channel]  # all there from the start: others look while we write

    @property
    def lost(self) -> bool:
        """Whether nothing can be written any more, here or elsewhere."""
        return self._lost

    def close(self) -> None:
        """Close the file."""
        if not self.status.failed and not self._store.in_place():
            self.status.failed = f"{self._store.path} was moved or deleted during the run; the run is in that file"
        for log in (self._store.log, *self._given_up):
            log.close()

    def checkpoint(self) -> None:
        """Now and then: move what was written into the file itself, and see that the file is still there."""
        if time.monotonic() < self._next_check or self._lost:
            return
        self._next_check = time.monotonic() + CHECKPOINT_S
        with contextlib.suppress(sqlite3.Error):
            self._store.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        if not self.status.failed and not self._store.in_place():
            self._lost = not self._move("it was moved or deleted")

    def write(self, frames: Sequence[Frame], events: Sequence[LinkEvent], ended: tuple[int, str] | None = None) -> None:
        """Write a batch, with patience; after that elsewhere, and where that fails too, count what is dropped."""
        moved = False
        patience_ends = time.monotonic() + (PATIENCE_AT_END_S if self._ending() else PATIENCE_S)
        while not self._lost:
            try:
                self._write(frames, events, ended)
                self.status.trouble = ""
                return
            except sqlite3.DatabaseError as error:
                left_s = max(patience_ends - time.monotonic(), 0)
                self.status.trouble = f"{error}, retrying for another {duration_text(round(left_s))}"
                if time.monotonic() >= patience_ends:
                    self._lost = moved or bool(self.status.failed) or not self._move(str(error), frames)
                    moved = True
                else:
                    time.sleep(_RETRY_S)
        self.status.dropped += len(frames)

    def _move(self, why: str, frames: Sequence[Frame] = ()) -> bool:
        """Continue in a log of its own in the folder for temporary files; False where that fails too.

        It begins with the first frame it holds, and with which nodes were connected then, so that it can be judged by
        itself.
        """
        rescue = Path(tempfile.gettempdir()) / f"{self._store.path.stem}-rest-{os.getpid()}.db"
        where = f"{self._store.path} could not be written: {why}"
        started_ns = frames[0].t_ns if frames else time.time_ns()
        try:
            store = _Store(rescue, replace(self._facts, started_ns=started_ns, planned_ns=None))
            for node in (name for name, link in self._links.items() if link.up_ns is not None):
                event = (store.run, store.nodes[node], started_ns, EventKind.READY, "{}")
                store.connection.execute(
                    "INSERT INTO event (run, node, t_ns, kind, detail) VALUES (?, ?, ?, ?, ?)", event
                )
                store.next_event += 1
        except (sqlite3.Error, OSError, LogFileError):
            self.status.failed = f"{where}; {rescue.parent} could not be written either. Free disk space and run again"
            return False
        self._given_up.append(self._store.log)
        self._store = store
        self._timeline.start_anew()
        self.status.failed = f"{where}. The rest of the run is in {rescue}"
        return True

    def _write(self, frames: Sequence[Frame], events: Sequence[LinkEvent], ended: tuple[int, str] | None) -> None:
        store = self._store
        groups = _grouped(frames, store.next_frame)
        connection = store.connection
        connection.execute("BEGIN IMMEDIATE")
        known = dict(store.nodes), dict(store.tables), store.rules
        try:
            store.add_nodes(self._facts)
            connection.executemany(
                "INSERT INTO event (id, run, node, t_ns, kind, detail) VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (number, store.run, store.nodes.get(e.node or ""), e.t_ns, e.kind, json.dumps(e.facts))
                    for number, e in enumerate(events, store.next_event)
                ],
            )
            for key in groups.keys() & self._constant_channels:
                codec = store.tables[key].item.codec
                for number, raw in zip(groups[key][0], groups[key][2], strict=True):
                    self._timeline.add(key[0], number, key[1], raw, codec)
            seen = []
            for key in groups:
                ids, times, raws = groups[key]
                rows = self._insert(key, ids, times, raws)
                seen.append((key, times, len(rows.refused), rows.newest))
            if ended is not None:
                connection.execute("UPDATE run SET ended_ns = ?, ended_how = ? WHERE id = ?", (*ended, store.run))
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            store.nodes, store.tables, store.rules = known
            raise
        store.next_frame += len(frames)
        store.next_event += len(events)
        for event in events:
            if not event.node:
                continue
            before = self._links[event.node]
            self._links[event.node] = after = before.after(event)
            if before.up_ns is not None and after.up_ns is None:
                for (owner, _), status in list(self.status.channels.items()):  # nodes may be added meanwhile
                    status.t_ns = 0 if owner == event.node else status.t_ns  # what follows is no gap of one link
        self.status.frames += len(frames)
        for key, times, faults, newest in seen:
            self._show(key, times, faults, newest)

    def _show(self, key: tuple[str, str], times: Sequence[int], faults: int, newest: dict[str, Any]) -> None:
        """Take what was written of a channel into what a display shows."""
        status = self.status.channels[key]
        status.frames += len(times)
        status.faults += faults
        before_ns = times[0] - status.t_ns if status.t_ns else 0
        longest_ns = max(map(int.__sub__, times[1:], times), default=0)
        status.gap_longest_ns = max(status.gap_longest_ns, longest_ns, before_ns)
        status.t_ns = times[-1]
        status.newest = newest or status.newest
        status.counters = self._store.tables[key].counters

    def _insert(self, key: tuple[str, str], ids: list[int], times: list[int], raws: list[bytes]) -> Rows:
        """Add one channel's frames; what can't be kept decoded is kept as it came, with the reason."""
        store, table = self._store, self._store.tables[key]
        store.connection.execute("SAVEPOINT channel")
        rows = Rows()
        try:
            refused = []
            for rows in table.decoded(self._timeline, key[0], ids, times, raws):
                table.insert(store.connection, store.nodes[key[0]], rows)
                refused += rows.refused
            rows.refused = refused
        except (sqlite3.OperationalError, sqlite3.InternalError):
            raise  # the disk, not the values
        except Exception as error:
            store.connection.execute("ROLLBACK TO channel")
            rows = Rows(
                refused=[(*stamp, f"can't be stored decoded: {error}") for stamp in zip(ids, times, raws, strict=True)]
            )
            table.insert(store.connection, store.nodes[key[0]], rows)
        store.connection.execute("RELEASE channel")
        return rows


def _grouped(frames: Sequence[Frame], first: int) -> dict[tuple[str, str], tuple[list[int], list[int], list[bytes]]]:
    """Ids from ``first`` on, times and payloads of frames, by node and channel."""
    groups: dict[tuple[str, str], tuple[list[int], list[int], list[bytes]]] = {}
    for number, (t_ns, node, channel, raw) in enumerate(frames, first):
        group = groups.get((node, channel))
        if group is None:
            group = groups[node, channel] = ([], [], [])
        group[0].append(number)
        group[1].append(t_ns)
        group[2].append(raw)
    return groups
