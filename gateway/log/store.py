"""An open log with what was looked up in it to add to one run: ids, tables, the next free numbers. Also the second log
that can take its place for a while: a new file of its own, its records read back, and the file deleted."""

from __future__ import annotations

import contextlib
import json
import os
import platform
import sqlite3
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from uuid import uuid4

from sqlite_utils import Database

from gateway.log.opening import open_log
from gateway.log.schema import SPAN, first_after, next_event
from gateway.log.seal import Sealer
from gateway.log.table import ChannelTable
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.model.version import __version__
from gateway.plugin import Plugin


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
    uid: str = field(default_factory=lambda: uuid4().hex)  # tells it from any other; a run that is in the log goes on


class Store:
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
        self.made: dict[tuple[str, str], ChannelTable] = {}  # by kind and channel: nodes of a kind share them
        try:
            self.run, self.next_frame = self._known_run(facts.uid) or self._add_run(facts)
            self.next_event = next_event(self.connection)
            (first,) = self.connection.execute("SELECT first_frame FROM run WHERE id = ?", (self.run,)).fetchone()
            self.sealer = Sealer.of(self.connection, self.run, first)
            self.add_nodes(facts)
            self.connection.execute("COMMIT")
        except BaseException:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    def add_nodes(self, facts: RunFacts) -> None:
        """Add the nodes that are not there yet, inside the caller's transaction."""
        self.connection.executemany(
            "INSERT INTO requirement VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [(self.run, *rule) for rule in facts.requirements[self.rules :]],
        )
        self.rules = len(facts.requirements)
        for name, (plugin, sought) in facts.nodes.items():
            if any(owner == name for owner, _ in self.tables):
                continue
            if name not in self.nodes:
                added = self.connection.execute(
                    "INSERT INTO node (run, name, kind, sought) VALUES (?, ?, ?, ?)",
                    (self.run, name, plugin.kind, sought),
                )
                self.nodes[name] = added.lastrowid or 0
            self.connection.execute(
                "INSERT OR IGNORE INTO plugin VALUES (?, ?, ?, ?)", (self.run, plugin.kind, plugin.title, plugin.text)
            )
            for channel in (*plugin.constants, *plugin.channels):
                item = plugin.characteristics[channel]
                own = plugin.kind, channel
                if own not in self.made:
                    self.made[own] = ChannelTable(
                        self._database, plugin.kind, item, constant=channel in plugin.constants
                    )
                self.tables[name, channel] = self.made[own]

    def _known_run(self, uid: str) -> tuple[int, int] | None:
        """The run of this identity where it is in the file: its number and the id of its next frame."""
        found = self.connection.execute("SELECT id, first_frame FROM run WHERE uid = ?", (uid,)).fetchone()
        if found is None:
            return None
        run, first = found
        self.nodes = dict(self.connection.execute("SELECT name, id FROM node WHERE run = ?", (run,)).fetchall())
        (self.rules,) = self.connection.execute("SELECT count(*) FROM requirement WHERE run = ?", (run,)).fetchone()
        relations = [row[0] for row in self.connection.execute("SELECT relation FROM channel")]
        highest = [
            self.connection.execute(f'SELECT max(id) FROM "{name}" WHERE id >= ?', (first,)).fetchone()[0]  # noqa: S608
            for name in relations
        ]
        self.connection.execute("UPDATE run SET ended_ns = NULL, ended_how = NULL WHERE id = ?", (run,))
        return run, max((number + 1 for number in highest if number), default=first)

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
                facts.uid,
            ),
        )
        return added.lastrowid or 0, first


def unused_file(stem: str, folder: Path | None = None) -> Path:
    """A new file with a name that nobody can foresee, which only this user may read; by default in the folder for
    temporary files."""
    handle, name = tempfile.mkstemp(prefix=f"{stem}-rest-", suffix=".db", dir=folder)
    os.close(handle)
    return Path(name)


def discard(path: Path | None, store: Store | None = None) -> None:
    """Close and delete a second log that is not needed, or that could not be made."""
    if store is not None:
        store.log.close()
    if path is not None:
        with contextlib.suppress(OSError):
            for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
                path.with_name(name).unlink(missing_ok=True)


def records_of(store: Store, ids: range, done: int) -> tuple[list[Frame], list[LinkEvent]]:
    """What a log holds in the order it was given: the frames of some ids, and the events after the first ``done``."""
    names = {number: name for name, number in store.nodes.items()}
    rows: list[tuple[int, Frame]] = []
    received = "SELECT relation, name FROM channel WHERE within IS NULL"  # messages are unpacked anew
    for relation, channel in store.connection.execute(received).fetchall():
        found = store.connection.execute(
            f'SELECT id, t_ns, node, raw FROM "{relation}" WHERE id >= ? AND id < ?',  # noqa: S608
            (ids.start, ids.stop),
        )
        rows += [(number, Frame(t_ns, names[node], channel, raw)) for number, t_ns, node, raw in found]
    rows.sort(key=lambda row: row[0])
    events = store.connection.execute(
        "SELECT t_ns, node, kind, detail FROM event ORDER BY id LIMIT -1 OFFSET ?", (done,)
    )
    return [frame for _, frame in rows], [
        LinkEvent.of(t_ns, names.get(node), EventKind(kind), json.loads(detail)) for t_ns, node, kind, detail in events
    ]
