"""Put batches of a run's records into a log, in the caller's thread. When the disk refuses, a batch is tried again for
as long as its caller can wait; what then still comes goes into a second log in the system's folder for temporary files,
and back from there once the log answers again. A log that is moved or deleted under a run is made anew, whole."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np

from gateway.host.lock import readers_of
from gateway.log.opening import WritableLog
from gateway.log.store import RunFacts, Store, discard, records_of, unused_file
from gateway.log.table import Rows
from gateway.log.timeline import Timeline
from gateway.model.errors import LogFileError
from gateway.model.events import Detail, EventKind, LinkEvent, LogTrouble
from gateway.model.figures import Requirement
from gateway.model.link import LinkState
from gateway.model.records import Frame
from gateway.plugin import Plugin
from gateway.plugin.unpack import Messages, Unpacking

PATIENCE_S = 20.0
PATIENCE_AT_END_S = 5.0
CHECKPOINT_S = 5.0  # how often what was written is moved from the write-ahead log into the file itself
WAL_BYTES = 256_000_000  # beyond it a write-ahead log is told of; it is some 16 MB where nobody holds it
_RETRY_S = 0.5
_PORTION = 20_000  # frames brought back in one transaction
_RETURN_S = 5.0  # how often a batch that the second log refuses too is tried in the first
_RESTORE_RETRY_S = 60.0  # after a log could not be made anew


Key = tuple[str, str]  # node and channel
Row = tuple[int, int, int]
Groups = dict[Key, tuple[list[int], list[int], list[bytes], list[int]]]  # ids, times, payloads, and the frames of these


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
    """How the writing goes. ``trouble`` is set while the disk refuses, ``failed`` once that is final; ``note`` is
    something that went wrong and was put right; ``rest`` a second log that holds what is not in the first, once that is
    final."""

    path: Path
    frames: int = 0
    dropped: int = 0
    trouble: str = ""
    failed: str = ""
    note: str = ""
    seal: str = ""  # head of the newest link of the run's seal
    rest: Path | None = None
    channels: dict[tuple[str, str], ChannelStatus] = field(default_factory=lambda: defaultdict(ChannelStatus))


class BatchWriter:
    """A log being written, a batch at a time. Delivery: every frame given to `write` is in the file, in the second
    file that ``status.failed`` names, or counted in ``status.dropped`` when it returns.

    Args:
        path: the log; an existing one gets a new run beside those it has.
        facts: what to keep of the run.
        ending: whether the run is ending, so that a refusing disk is given less time.
        full: whether the caller can't keep what comes any longer; None for one that is held up and can wait no longer
            than `PATIENCE_S`.

    Raises:
        LogFileError: not a log, in use, or the folder is missing or can't be written.
    """

    def __init__(
        self,
        path: Path,
        facts: RunFacts,
        ending: Callable[[], bool] = lambda: False,
        full: Callable[[], bool] | None = None,
    ) -> None:
        self._facts, self._ending, self._full = facts, ending, full
        try:
            self._store = Store(path, facts)
        except sqlite3.DatabaseError as error:
            raise LogFileError(f"{path} can't be written: {error}; check permissions and free space") from None
        self._path, self._stem = path, path.stem
        self._home: Store | None = None  # the log, while it can't be written and another takes its place
        self._first = 0  # id of the first frame there
        self._begun = 0  # events that it was given to begin with
        self._fetched = 0, 0  # numbers of frames, and events, that are back from there
        self._ended: tuple[int, str] | None = None
        self._closed: list[WritableLog] = []  # logs that are not written any more, still locked
        self.run = self._store.run
        self.status = WriterStatus(path)
        self._timeline = self._home_timeline = Timeline()
        self._unpacking = self._home_unpacking = Unpacking()
        self._constant_channels: set[tuple[str, str]] = set()
        self._expect(facts.nodes)
        self._lost = False  # nothing can be written any more, here or elsewhere
        self._next_check = self._next_restore = 0.0
        self._wal_told = WAL_BYTES / 2  # size of the write-ahead log, bytes
        self._links: dict[str, LinkState] = defaultdict(LinkState)
        self._told: list[LinkEvent] = []  # of the writing itself

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
        if self._home is not None and not self._return():
            self._say_rest()
            if not self._home.in_place():
                self.status.failed += "; what came before is in the file that was moved or deleted"
        if not self.status.failed and not self._store.in_place() and not self._restore():
            self.status.failed = f"{self._path} was moved or deleted during the run; the run is in that file"
        if (self._told or self._ended) and not self._lost:  # a log made anew does not know how the run ended
            with contextlib.suppress(sqlite3.Error):
                self._write([], self._told, self._ended)
        logs = [self._store.log, *self._closed, *([self._home.log] if self._home is not None else [])]
        for log in logs:
            log.close()

    def checkpoint(self) -> None:
        """Now and then: move what was written into the file itself, see that the file is still there, and go back to it
        from another."""
        if time.monotonic() < self._next_check or self._lost:
            return
        self._next_check = time.monotonic() + CHECKPOINT_S
        if self._home is not None:
            self._return()
            return
        try:
            self._store.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        except sqlite3.Error as error:
            self._tell(LogTrouble(reason=f"checkpoint failed: {error}"))
        self._watch_wal()
        if not self._store.in_place():
            self._restore()

    def _watch_wal(self) -> None:
        """Tell when the write-ahead log has grown to twice what was told of before: somebody keeps on reading in it."""
        path = self._store.path
        try:
            size = path.with_name(path.name + "-wal").stat().st_size
        except OSError:
            return
        if size < WAL_BYTES:
            self._wal_told = WAL_BYTES / 2
        elif size >= 2 * self._wal_told:
            self._wal_told = size
            who = ", ".join(readers_of(path)) or "another program"
            reason = (
                f"{path.name}-wal has grown to {size / 1e6:.0f} MB, because {who} has been reading the log all along"
            )
            self._tell(LogTrouble(reason=f"{reason}; it shrinks when that ends"))

    def _tell(self, detail: Detail) -> None:
        """Put an event of the run into the log, with the next batch."""
        self._told.append(LinkEvent(time.time_ns(), None, detail))

    def write(self, frames: Sequence[Frame], events: Sequence[LinkEvent], ended: tuple[int, str] | None = None) -> None:
        """Write a batch, with patience; after that elsewhere, and where that fails too, count what is dropped."""
        began_s = next_return = time.monotonic()
        refused = False
        self._ended = ended or self._ended
        while not self._lost:
            told = list(self._told)
            try:
                self._write(frames, [*events, *told], ended)
            except sqlite3.DatabaseError as error:
                refused = True
                self.status.trouble = str(error)
                if self._home is not None and time.monotonic() >= next_return:
                    next_return = time.monotonic() + _RETURN_S
                    if self._return():
                        continue
                if not self._out_of_patience(time.monotonic() - began_s):
                    time.sleep(_RETRY_S)
                elif self._home is not None or not self._move(frames):
                    self._lost = self._ending() or self._full is None
                    if not self._lost:
                        time.sleep(_RETRY_S)  # what comes meanwhile is queued, and counted where the queue is full
                continue
            self._told = self._told[len(told) :]
            if refused:
                span_s = round(time.monotonic() - began_s, 1)
                self._tell(LogTrouble(reason=self.status.trouble, span_s=span_s))
            if self._home is None:
                self.status.trouble = ""
            return
        self.status.failed = self.status.failed or (
            f"{self._path} could not be written: {self.status.trouble}; nor could {tempfile.gettempdir()}. Free disk "
            "space and run again"
        )
        self.status.dropped += len(frames)

    def _out_of_patience(self, refused_s: float) -> bool:
        if self._ending():
            return refused_s >= PATIENCE_AT_END_S
        return refused_s >= PATIENCE_S if self._full is None else self._full()

    def _move(self, frames: Sequence[Frame] = ()) -> bool:
        """Continue in a log of its own in the folder for temporary files; False where that fails too.

        It begins with the first frame it holds, and with which nodes were connected then, so that it can be judged by
        itself where the log never answers again.
        """
        started_ns = frames[0].t_ns if frames else time.time_ns()
        rescue: Path | None = None
        store: Store | None = None
        try:
            rescue = unused_file(self._stem)
            facts = replace(self._facts, started_ns=started_ns, planned_ns=None, uid=uuid4().hex)
            store = Store(rescue, facts)
            for node in (name for name, link in self._links.items() if link.up_ns is not None):
                event = (store.run, store.nodes[node], started_ns, EventKind.READY, "{}")
                store.connection.execute(
                    "INSERT INTO event (run, node, t_ns, kind, detail) VALUES (?, ?, ?, ?, ?)", event
                )
                store.sealer.event(started_ns, node, EventKind.READY.value, "{}")
                store.next_event += 1
            (self._begun,) = store.connection.execute("SELECT count(*) FROM event").fetchone()
        except (sqlite3.Error, OSError, LogFileError):
            discard(rescue, store)
            return False
        self._first, self._fetched = store.next_frame, (0, 0)
        self._home, self._store = self._store, store
        self._home_timeline, self._timeline = self._timeline, self._timeline.anew()
        self._home_unpacking, self._unpacking = self._unpacking, self._unpacking.copy()
        if self._full is None:
            self._say_rest()
        return True

    def _say_rest(self) -> None:
        """Say that a second log holds the rest of the run."""
        self.status.rest = self._store.path
        self.status.failed = f"{self._path} could not be written: {self.status.trouble}. "
        self.status.failed += f"The rest of the run is in {self._store.path}"

    def _return(self) -> bool:
        """Bring what stands in the other log into the log, made anew if need be; False where it does not answer yet."""
        rescue, timeline, unpacking = self._store, self._timeline, self._unpacking
        if self._home is None or self._full is None:
            return False
        self._store, self._timeline, self._unpacking = self._home, self._home_timeline, self._home_unpacking
        try:
            if self._home.in_place() or self._restore():
                self._home = self._store
                self._bring(rescue)
            else:
                self._store, self._timeline, self._unpacking = rescue, timeline, unpacking
                return False
        except (sqlite3.Error, OSError) as error:
            self.status.trouble = str(error)
            self._home_unpacking = self._unpacking  # as far as portions were brought back
            self._store, self._timeline, self._unpacking = rescue, timeline, unpacking
            return False
        self._home = None
        discard(rescue.path, rescue)
        self.status.trouble = ""
        if not self.status.dropped:
            self._note(f"{self._path} could not be written for a while; nothing is missing in it")
        return True

    def _bring(self, rescue: Store) -> None:
        """Write into the log, a portion of its numbers at a time, what another holds."""
        frames, events = self._fetched
        while True:
            start = self._first + frames
            batch, own = records_of(rescue, range(start, start + _PORTION), self._begun + events)
            last = start + _PORTION >= rescue.next_frame
            self._write(batch, own, self._ended if last else None, again=True)
            frames, events = frames + _PORTION, events + len(own)
            self._fetched = frames, events
            if last:
                return

    def _restore(self) -> bool:
        """Make a log anew that was moved or deleted: all that it held, beside where it stood or else in the folder for
        temporary files, and the same run. Never under the old name, where the write-ahead log of the old one is."""
        if time.monotonic() < self._next_restore and not self._ending():
            return False
        for folder in (self._path.parent, None):
            path: Path | None = None
            try:
                path = unused_file(self._stem, folder)
                with contextlib.closing(sqlite3.connect(path)) as copy:
                    self._store.connection.backup(copy)
                store = Store(path, self._facts)
            except (sqlite3.Error, OSError, LogFileError) as error:
                self.status.trouble = str(error)
                discard(path)
                continue
            self._closed.append(self._store.log)
            self._store = store
            self._note(f"{self._path} was moved or deleted during the run; the whole run is in {path}")
            self._path = self.status.path = path
            self.status.trouble = ""
            self._tell(LogTrouble(reason=self.status.note))
            return True
        self._next_restore = time.monotonic() + _RESTORE_RETRY_S
        return False

    def _note(self, text: str) -> None:
        self.status.note = f"{self.status.note}; {text}" if self.status.note else text

    def _write(
        self,
        frames: Sequence[Frame],
        events: Sequence[LinkEvent],
        ended: tuple[int, str] | None,
        again: bool = False,
    ) -> None:
        """Write a batch in one transaction; ``again`` for records that were shown and counted before."""
        store = self._store
        groups = _grouped(frames, store.next_frame)
        unpacking, after, sealer = self._unpacking.copy(), store.next_frame + len(frames), store.sealer.copy()
        messages, wrong = self._unpack(unpacking, groups, after)
        connection = store.connection
        connection.execute("BEGIN IMMEDIATE")
        known = dict(store.nodes), dict(store.tables), dict(store.made), store.rules
        try:
            store.add_nodes(self._facts)
            told = [(e.t_ns, e.node if e.node in store.nodes else None, e.kind, json.dumps(e.facts)) for e in events]
            connection.executemany(
                "INSERT INTO event (id, run, node, t_ns, kind, detail) VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (number, store.run, store.nodes.get(node or ""), t_ns, kind, detail)
                    for number, (t_ns, node, kind, detail) in enumerate(told, store.next_event)
                ],
            )
            for event in told:
                sealer.event(*event)
            connection.executemany("INSERT INTO unpacked VALUES (?, ?, ?)", messages)
            for key in groups.keys() & self._constant_channels:
                codec = store.tables[key].item.codec
                for number, raw in zip(groups[key][0], groups[key][2], strict=True):
                    self._timeline.add(key[0], number, key[1], raw, codec)
            seen = []
            for key in groups:
                ids, times, raws, heard = groups[key]
                rows = self._insert(key, ids, times, raws, heard, wrong.get(key, {}))
                if heard is ids:  # messages are not sealed: they follow from the frames
                    sealer.frames(key, ids, times, raws)
                seen.append((key, times, len(rows.refused), rows.newest))
            if ended is not None:
                connection.execute("UPDATE run SET ended_ns = ?, ended_how = ? WHERE id = ?", (*ended, store.run))
            sealer.link(connection, after + len(messages), force=ended is not None)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            store.nodes, store.tables, store.made, store.rules = known
            raise
        self._unpacking, store.sealer = unpacking, sealer
        self.status.seal = sealer.head
        store.next_frame += len(frames) + len(messages)
        store.next_event += len(events)
        if again:
            return
        self._follow(events)
        self.status.frames += len(frames)
        for key, times, faults, newest in seen:
            self._show(key, times, faults, newest)

    def _follow(self, events: Sequence[LinkEvent]) -> None:
        """Take the state of links from what was written."""
        for event in events:
            if not event.node:
                continue
            before = self._links[event.node]
            self._links[event.node] = after = before.after(event)
            if before.up_ns is not None and after.up_ns is None:
                for (owner, _), status in list(self.status.channels.items()):  # nodes may be added meanwhile
                    status.t_ns = 0 if owner == event.node else status.t_ns  # what follows is no gap of one link

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

    def _unpack(self, unpacking: Unpacking, groups: Groups, first: int) -> tuple[list[Row], dict[Key, dict[int, str]]]:
        """Add the messages in these frames as groups of their own.

        Args:
            first: the id of the first message.

        Returns:
            What to note of each message: its id, and the frames it came in; and what is wrong with frames, by channel.
        """
        found: dict[Key, Messages] = {}
        wrong: dict[Key, dict[int, str]] = {}
        for key in list(groups):
            plugin = self._facts.nodes[key[0]][0]
            if key[1] in plugin.steps:
                inner, wrong[key] = unpacking.take(key[0], plugin, key[1], list(zip(*groups[key][:3], strict=True)))
                found |= {(key[0], name): ones for name, ones in inner.items()}
        lasts = np.array([last for ones in found.values() for last in ones.last], np.int64)
        numbers = np.empty(len(lasts), np.int64)
        numbers[np.argsort(lasts, kind="stable")] = np.arange(first, first + len(lasts))
        noted: list[Row] = []
        at = 0
        for key, ones in found.items():
            ids = numbers[at : at + len(ones)].tolist()
            at += len(ones)
            groups[key] = (ids, ones.t_ns, ones.raw, ones.last)
            noted += zip(ids, ones.first, ones.last, strict=True)
        return noted, wrong

    def _insert(
        self,
        key: Key,
        ids: list[int],
        times: list[int],
        raws: list[bytes],
        heard: list[int],
        wrong: Mapping[int, str],
    ) -> Rows:
        """Add one channel's frames; what can't be kept decoded is kept as it came, with the reason.

        Args:
            heard: of messages the frames that they were whole with.
            wrong: what was found to be wrong with frames, these or earlier ones, by id.
        """
        store, table = self._store, self._store.tables[key]
        store.connection.execute("SAVEPOINT channel")
        rows = Rows()
        try:
            refused = []
            if earlier := [(number, None, None, why) for number, why in wrong.items() if number < ids[0]]:
                table.update(store.connection, store.nodes[key[0]], Rows(refused=earlier))
            for rows in table.decoded(self._timeline, key[0], ids, times, raws, heard):
                rows.refuse(wrong)
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


def _grouped(frames: Sequence[Frame], first: int) -> Groups:
    """Ids from ``first`` on, times and payloads of frames, by node and channel."""
    groups: Groups = {}
    for number, (t_ns, node, channel, raw) in enumerate(frames, first):
        group = groups.get((node, channel))
        if group is None:
            ids: list[int] = []
            group = groups[node, channel] = (ids, [], [], ids)
        group[0].append(number)
        group[1].append(t_ns)
        group[2].append(raw)
    return groups
