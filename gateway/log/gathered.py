"""A log filled from elsewhere: runs that others carry out at the same time, whose frames come in any order and more
than once. Each run has numbers of its own for its frames and events, so that a frame has the same place however often
and late it comes."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from gateway.log.messages import Cut
from gateway.log.opening import open_log
from gateway.log.schema import SPAN, quoted
from gateway.log.table import ChannelTable, Rows
from gateway.log.timeline import Timeline
from gateway.model.errors import InputError, LogFileError
from gateway.model.figures import Requirement
from gateway.plugin import Plugin, load_plugin_text
from gateway.plugin.unpack.sealed import NO_KEY

_MOST_NODES = 10_000
_MOST_RUNS = 1 << 26
MOST_UNPLACED, MOST_UNPLACED_BYTES = 100_000, 64_000_000
_TABLES = """
CREATE TABLE IF NOT EXISTS gathered (  -- what was told of each run that was gathered
    uid TEXT PRIMARY KEY,
    told TEXT NOT NULL,                -- JSON
    gateway TEXT,                      -- that opened it: nobody else can add to it
    pieces INTEGER                     -- 1 where frames came since it was last said of pieces what became of them
);
CREATE TABLE IF NOT EXISTS conflict (  -- frames that came again, with other bytes or at another time
    run TEXT NOT NULL,
    node TEXT NOT NULL,
    channel TEXT NOT NULL,
    frame INTEGER NOT NULL,            -- as its run numbers it
    t_ns INTEGER NOT NULL,
    raw BLOB NOT NULL,
    UNIQUE (run, node, channel, frame, t_ns, raw)
);
CREATE TABLE IF NOT EXISTS unplaced (  -- messages of runs of which nothing is known yet, and under ? those that failed
    id INTEGER PRIMARY KEY,
    run TEXT NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL
);
"""


def no_room(count: int, size: float) -> str:
    """Why a message more, which makes them so many bytes, can't be kept aside; "" where it can."""
    if count < MOST_UNPLACED and size <= MOST_UNPLACED_BYTES:
        return ""
    return f"it can't be placed, and {count} messages of {size / 1e6:.0f} MB are kept aside already"


def opened_by(uid: str, first: str, gateway: str) -> None:
    """See that a run is this gateway's.

    Raises:
        InputError: another one opened it.
    """
    if first != gateway:
        raise InputError(f"run {uid} was opened by the gateway {first}; this comes by the topic of {gateway}")


def as_told_first(uid: str, first: Mapping[str, Any], facts: Mapping[str, Any]) -> None:
    """See that a run is told as it was at first: it may end, and nodes may join it, with what is required of them.

    Raises:
        InputError: it is not; the text names what differs.
    """
    fixed = ("title", "started_ns", "planned_ns", "radio", "host", "system", "software", "run_file", "run_text")
    differ = [name for name in fixed if first.get(name) != facts.get(name)]
    differ += [kind for kind, text in first["plugins"].items() if facts["plugins"].get(kind) != text]
    rules = [list(rule) for rule in facts["requirements"]]
    if len(facts["nodes"]) > len(first["nodes"]):  # which brought theirs
        rules = rules[: len(first["requirements"])]
    differ += ["requirements"] if rules != [list(rule) for rule in first["requirements"]] else []
    if differ:
        raise InputError(f"run {uid} is told otherwise than at first: {', '.join(differ)}; what was told first stands")


@dataclass(slots=True)
class _Run:
    """A run that is gathered: its number here, where its frames begin here, and its tables."""

    id: int
    begins_here: int
    nodes: dict[str, int] = field(default_factory=dict)
    plugins: dict[str, Plugin] = field(default_factory=dict)
    tables: dict[tuple[str, str], ChannelTable] = field(default_factory=dict)
    constants: set[tuple[str, str]] = field(default_factory=set)
    timeline: Timeline = field(default_factory=Timeline)
    plugin_of: dict[str, Plugin] = field(default_factory=dict)  # by node


Received = tuple[int, int, bytes]  # frame as its run numbers it, t_ns, raw


class GatheredLog:
    """The log, open for gathering.

    Args:
        path: made where there is none.

    Raises:
        LogFileError: not a log, in use, or it can't be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._runs: dict[str, _Run] = {}
        self._log = open_log(path)
        self._connection = self._log.connection
        try:
            self._connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk before it is acknowledged
            self._connection.executescript(_TABLES)
            there = [row[1] for row in self._connection.execute("PRAGMA table_info(gathered)")]
            for name, declared in (("gateway", "TEXT"), ("pieces", "INTEGER")):
                if name not in there:  # a log of an earlier version
                    self._connection.execute(f"ALTER TABLE gathered ADD COLUMN {name} {declared}")
            self._database = Database(self._connection)
        except sqlite3.DatabaseError as error:
            self._log.close()
            raise LogFileError(f"{path} can't be written: {error}; give another file name") from None

    def begin(self) -> None:
        """Begin a batch."""
        self._connection.execute("BEGIN IMMEDIATE")

    def commit(self) -> None:
        """The batch is safe once this returns.

        Raises:
            sqlite3.Error: it is not; nothing of the batch is kept.
        """
        self._connection.execute("COMMIT")

    def mark(self) -> None:
        """Begin a message of a batch."""
        self._connection.execute("SAVEPOINT message")

    def take_back(self) -> None:
        """Keep nothing of the message, nor of what was learned from it."""
        self._runs.clear()
        self._connection.execute("ROLLBACK TO message")
        self._connection.execute("RELEASE message")

    def keep_it(self) -> None:
        """Keep the message."""
        self._connection.execute("RELEASE message")

    def abandon(self) -> None:
        """Keep nothing of the batch, nor of what was learned in it."""
        self._runs.clear()
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def close(self) -> None:
        """Close the file."""
        self._log.close()

    def knows(self, uid: str) -> bool:
        """Whether frames of this run can be taken."""
        told = "SELECT 1 FROM gathered WHERE uid = ?"
        return uid in self._runs or self._connection.execute(told, (uid,)).fetchone() is not None

    def _run(self, uid: str) -> _Run:
        """A known run; it becomes one of the log's with its first frame or event."""
        if uid not in self._runs:
            (told,) = self._connection.execute("SELECT told FROM gathered WHERE uid = ?", (uid,)).fetchone()
            self._take_run(json.loads(told))
        return self._runs[uid]

    def belongs(self, uid: str, gateway: str) -> None:
        """See that a known run is this gateway's.

        Raises:
            InputError: another one opened it.
        """
        told = "SELECT gateway FROM gathered WHERE uid = ?"
        row = self._connection.execute(told, (uid,)).fetchone()
        if row is not None and row[0] is not None:
            opened_by(uid, row[0], gateway)

    def conflicts(self) -> int:
        """How many frames came again otherwise than they are kept."""
        return int(self._connection.execute("SELECT count(*) FROM conflict").fetchone()[0])

    def keep(self, uid: str, topic: str, payload: bytes) -> None:
        """Keep a message of a run of which nothing is known yet, or one that failed, inside a batch.

        Raises:
            InputError: there are too many.
        """
        count, size = self._connection.execute("SELECT count(*), total(length(payload)) FROM unplaced").fetchone()
        if reason := no_room(count, size + len(payload)):
            raise InputError(reason)
        self._connection.execute("INSERT INTO unplaced (run, topic, payload) VALUES (?, ?, ?)", (uid, topic, payload))

    def kept(self, uid: str) -> list[tuple[str, bytes]]:
        """The messages kept of a run, oldest first; they are not kept any longer. Inside a batch."""
        found = self._connection.execute("SELECT topic, payload FROM unplaced WHERE run = ? ORDER BY id", (uid,))
        messages = [(str(topic), bytes(payload)) for topic, payload in found]
        self._connection.execute("DELETE FROM unplaced WHERE run = ?", (uid,))
        return messages

    def run(self, facts: Mapping[str, Any], gateway: str) -> None:
        """Take what there is to know of a run, for the first time or again; inside a batch. What was told first stands:
        a run may end and nodes may join it, with what is required of them.

        Args:
            facts: as `tail.Tail.runs` gives them.

        Raises:
            InputError: these are no such facts, a plugin among them can't be used, another gateway opened the run, or
                they contradict what was told first.
        """
        try:
            uid, nodes = str(facts["run"]), facts["nodes"]
            if not 0 < len(uid) <= 64 or len(nodes) > _MOST_NODES:
                raise InputError(f"a run {uid[:70]!r} with {len(nodes)} nodes is not accepted")
            self.belongs(uid, gateway)
            self._as_told_first(uid, facts)
            there = self._connection.execute("SELECT 1 FROM run WHERE uid = ?", (uid,)).fetchone() is not None
            self._connection.execute("SAVEPOINT facts")
            self._take_run(facts)  # shows whether all of it can be used, before a frame needs it
            if not there:
                self._connection.execute("ROLLBACK TO facts")
                self._runs.pop(uid, None)
            self._connection.execute("RELEASE facts")
            self._connection.execute(
                "INSERT INTO gathered (uid, told, gateway) VALUES (?, ?, ?) "
                "ON CONFLICT (uid) DO UPDATE SET told = excluded.told, gateway = excluded.gateway",
                (uid, json.dumps(facts), gateway),
            )
        except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
            raise InputError(f"the description of a run can't be used: {error!r}") from None

    def _as_told_first(self, uid: str, facts: Mapping[str, Any]) -> None:
        row = self._connection.execute("SELECT told FROM gathered WHERE uid = ?", (uid,)).fetchone()
        if row is not None:
            as_told_first(uid, json.loads(row[0]), facts)

    def _take_run(self, facts: Mapping[str, Any]) -> None:
        uid, nodes = str(facts["run"]), facts["nodes"]
        known = "SELECT id, first_frame FROM run WHERE uid = ?"
        if (row := self._connection.execute(known, (uid,)).fetchone()) is None:
            self._add(uid, facts)
            row = self._connection.execute(known, (uid,)).fetchone()
        number, begins_here = row
        run = self._runs.get(uid) or _Run(number, begins_here)
        ended = (facts["ended_ns"], facts["ended_how"])
        self._connection.execute("UPDATE run SET ended_ns = ?, ended_how = ? WHERE id = ?", (*ended, number))
        for kind, text in facts["plugins"].items():
            if kind not in run.plugins:
                plugin = load_plugin_text(text, f"plugin {kind} of run {uid}")
                run.plugins[kind] = plugin
                entry = (number, plugin.kind, plugin.title, plugin.text)
                self._connection.execute("INSERT OR IGNORE INTO plugin VALUES (?, ?, ?, ?)", entry)
        for name, node in nodes.items():
            if name not in run.nodes:
                self._add_node(run, str(name), str(node["kind"]), str(node["sought"]))
        self._connection.execute("DELETE FROM requirement WHERE run = ?", (number,))
        rules = [Requirement(*rule) for rule in facts["requirements"]]
        self._connection.executemany(
            "INSERT INTO requirement VALUES (?, ?, ?, ?, ?, ?, ?, ?)", [(number, *rule) for rule in rules]
        )
        self._runs[uid] = run

    def _add(self, uid: str, facts: Mapping[str, Any]) -> None:
        highest = self._connection.execute("SELECT ifnull(max(first_frame), 0) FROM run").fetchone()[0]
        relations = [row[0] for row in self._connection.execute("SELECT relation FROM channel")]
        for name in relations:
            (last,) = self._connection.execute(f"SELECT max(id) FROM {quoted(name)}").fetchone()  # noqa: S608
            highest = max(highest, last or 0)
        names = ("title", "started_ns", "planned_ns", "radio", "host", "system", "software", "run_file", "run_text")
        self._connection.execute(
            f"INSERT INTO run (uid, first_frame, {', '.join(names)}) VALUES (?, ?{', ?' * len(names)})",  # noqa: S608
            (uid, (highest // SPAN + 1) * SPAN + 1, *(facts[name] for name in names)),
        )

    def _add_node(self, run: _Run, name: str, kind: str, sought: str) -> None:
        plugin = run.plugins[kind]
        row = self._connection.execute("SELECT id FROM node WHERE run = ? AND name = ?", (run.id, name)).fetchone()
        if row is None:
            added = self._connection.execute(
                "INSERT INTO node (run, name, kind, sought) VALUES (?, ?, ?, ?)", (run.id, name, kind, sought)
            )
            row = (added.lastrowid or 0,)
        run.nodes[name], run.plugin_of[name] = row[0], plugin
        for channel in (*plugin.constants, *plugin.channels):
            table = ChannelTable(
                self._database, kind, plugin.characteristics[channel], constant=channel in plugin.constants
            )
            run.tables[name, channel] = table
            if channel in plugin.constants:
                run.constants.add((name, channel))
                for number, raw in self._connection.execute(
                    f"SELECT id, raw FROM {quoted(table.relation)} WHERE node = ? ORDER BY id",  # noqa: S608
                    row,
                ).fetchall():
                    run.timeline.add(name, number, channel, raw, table.item.codec)

    def frames(self, uid: str, node: str, channel: str, received: Sequence[Received]) -> int:
        """Take frames of a known run, inside a batch; how many of them were new.

        Raises:
            InputError: the run has no such node or channel, or a frame's number can't be one of its.
        """
        run = self._run(uid)
        table = run.tables.get((node, channel))
        if table is None:
            raise InputError(f"run {uid} has no channel {channel} of {node}")
        shift = run.begins_here - 1
        once = {number: (number + shift, t_ns, raw) for number, t_ns, raw in reversed(received)}
        rows = sorted(once.values())
        low, high = rows[0][0], rows[-1][0]
        if low <= shift or high - shift >= SPAN:
            raise InputError(f"frames {low - shift} to {high - shift} do not belong to run {uid}")
        there = {
            one[0]: one[1:]
            for one in self._connection.execute(
                f"SELECT id, t_ns, raw, node FROM {quoted(table.relation)} WHERE id BETWEEN ? AND ?",  # noqa: S608
                (low, high),
            )
        }
        new = [row for row in rows if row[0] not in there]
        own = run.nodes[node]
        odd = [row for row in rows if there.get(row[0], (*row[1:], own)) != (*row[1:], own)]
        odd += [(n + shift, t, raw) for n, t, raw in received if once[n] != (n + shift, t, raw)]  # twice in one message
        self._connection.executemany(
            "INSERT OR IGNORE INTO conflict VALUES (?, ?, ?, ?, ?, ?)",
            [(uid, node, channel, n - shift, t, raw) for n, t, raw in odd],
        )
        if not new:
            return 0
        ids, times, raws = (list(column) for column in zip(*new, strict=True))
        if (node, channel) in run.constants:
            for number, raw in zip(ids, raws, strict=True):
                run.timeline.add(node, number, channel, raw, table.item.codec)
            self._derive_again(run, node)
        for made in table.decoded(run.timeline, node, ids, times, raws):
            table.insert(self._connection, run.nodes[node], made)
        if table.item.step is not None and not table.item.within:
            self._connection.execute("UPDATE gathered SET pieces = 1 WHERE uid = ? AND pieces IS NOT 1", (uid,))
        return len(new)

    def say_of_pieces(self, ended: bool) -> None:
        """Note with each frame that did not become part of a message why, inside a batch: only once all of a run is
        there can that be told, as frames come in any order.

        Args:
            ended: only in runs that have ended.
        """
        due = "SELECT gathered.uid FROM gathered JOIN run USING (uid) WHERE pieces = 1"
        for (uid,) in self._connection.execute(due + " AND ended_ns IS NOT NULL" * ended).fetchall():
            run, cut = self._run(uid), Cut(self._connection)
            for (name, channel), table in run.tables.items():
                plugin, node = run.plugin_of[name], run.nodes[name]
                if table.item.step is None or table.item.within:
                    continue
                bounds = (run.begins_here, run.begins_here + SPAN)
                cut.add(node, plugin, table.relation, channel, bounds)
                rows = self._connection.execute(
                    f"SELECT id, why FROM {quoted(table.relation)} JOIN cut_fault ON frame = id "  # noqa: S608
                    "WHERE node = ? AND fault IS NOT why",
                    (node,),
                ).fetchall()
                refused = Rows(refused=[(number, None, None, why) for number, why in rows])
                table.update(self._connection, node, refused)
                self._take_back(run, table, node)
            self._connection.execute("UPDATE gathered SET pieces = 0 WHERE uid = ?", (uid,))

    def _take_back(self, run: _Run, table: ChannelTable, node: int) -> None:
        """Decode values again that were found to be of no use before what they lacked had come."""
        rows = self._connection.execute(
            f"SELECT id, t_ns, raw FROM {quoted(table.relation)} WHERE node = ? AND fault IS NOT NULL "  # noqa: S608
            "AND instr(fault, ?) <> 1 AND NOT EXISTS (SELECT 1 FROM cut_fault WHERE frame = id) ORDER BY id",
            (node, NO_KEY),
        ).fetchall()
        if rows:
            ids, times, raws = ([row[place] for row in rows] for place in range(3))
            for made in table.decoded(run.timeline, node, ids, times, raws):
                table.update(self._connection, node, replace(made, absent=Counter()))

    def _derive_again(self, run: _Run, node: str) -> None:
        """Decode what came before the constants it needs."""
        for (owner, channel), table in run.tables.items():
            needs = any(one.constant for derived in table.item.derived for one in derived.inputs.values())
            if owner != node or (node, channel) in run.constants or not needs:
                continue
            bounds = (run.nodes[node], run.begins_here, run.begins_here + SPAN)
            where = "node = ? AND id >= ? AND id < ?"
            if table.samples:
                self._connection.execute(
                    f"DELETE FROM {quoted(table.samples)} WHERE frame IN "  # noqa: S608  proven names
                    f"(SELECT id FROM {quoted(table.relation)} WHERE {where})",
                    bounds,
                )
            self._connection.execute(
                "DELETE FROM absence WHERE node = ? AND relation IN (?, ?)",
                (run.nodes[node], table.relation, table.samples),
            )
            rows = self._connection.execute(
                f"SELECT id, t_ns, raw FROM {quoted(table.relation)} WHERE {where} ORDER BY id",  # noqa: S608
                bounds,
            ).fetchall()
            if rows:
                ids, times, raws = (list(column) for column in zip(*rows, strict=True))
                for made in table.decoded(run.timeline, node, ids, times, raws):
                    table.update(self._connection, run.nodes[node], made)

    def events(self, received: Sequence[Mapping[str, Any]]) -> int:
        """Take events of known runs, inside a batch; how many of them were new.

        Raises:
            InputError: these are no events.
        """
        new = 0
        try:
            for event in received:
                run = self._run(str(event["run"]))
                number = int(event["id"])
                # below zero, where no run of this machine's own puts its events
                row = (
                    (run.id - _MOST_RUNS) * SPAN + number,
                    run.id,
                    run.nodes.get(event["node"] or ""),
                    int(event["t_ns"]),
                )
                new += self._connection.execute(
                    "INSERT OR IGNORE INTO event (id, run, node, t_ns, kind, detail) VALUES (?, ?, ?, ?, ?, ?)",
                    (*row, str(event["kind"]), json.dumps(dict(event["detail"]))),
                ).rowcount
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(f"the message is not a valid event: {error!r}") from None
        return new
