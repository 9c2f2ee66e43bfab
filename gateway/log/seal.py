"""The seal of a run: a chain of SHA-256 digests over what was committed, a link every few seconds. Each link holds the
digest of the one before, of the frames of every channel and of the events since then, and of the facts of the run: who
changes one of them afterwards has to make all later links anew, and a head that was written down elsewhere (in a
report, a message, a test result) shows it. Ids count from the run's first frame, so that a merged run keeps its
seal. Messages are not sealed: they follow from the frames that they came in, and are cut out of them anew to be held
against."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from gateway.log.notes import newest_digest
from gateway.log.schema import quoted
from gateway.log.signature import Signature
from gateway.model.errors import LogFileError
from gateway.model.utc import utc_text

EVERY_S = 10.0  # between two links
_CHUNK = 50_000


class _Stream:
    """The digest of one channel's frames, column by column, so that it does not matter in which portions they came."""

    def __init__(self) -> None:
        self._columns = [hashlib.sha256() for _ in range(4)]
        self.count = 0

    def add(self, ids: Sequence[int], times: Sequence[int], raws: Sequence[bytes]) -> None:
        self.count += len(ids)
        lengths = np.fromiter(map(len, raws), "<u4", len(raws))
        parts = (np.array(ids, "<i8").tobytes(), np.array(times, "<i8").tobytes(), lengths.tobytes(), b"".join(raws))
        for column, part in zip(self._columns, parts, strict=True):
            column.update(part)

    def copy(self) -> _Stream:
        fresh = _Stream()
        fresh._columns, fresh.count = [one.copy() for one in self._columns], self.count
        return fresh

    def hexdigest(self) -> str:
        return hashlib.sha256(b"".join(one.digest() for one in self._columns)).hexdigest()


@dataclass(slots=True)
class Sealer:
    """The seal of a run that is being written.

    Attributes:
        run: its number in the log.
        first: its first frame.
        head: of the newest link, "" before the first.
        after: the frame after the last one that is sealed.
        events: how many events are sealed.
    """

    run: int
    first: int
    head: str
    after: int
    events: int
    _streams: dict[tuple[str, str], _Stream]
    _happened: Any
    _waiting: int = 0
    _due_s: float = 0.0
    _facts: str = ""
    _notes: str = ""

    @classmethod
    def of(cls, connection: sqlite3.Connection, run: int, first: int) -> Sealer:
        """That of a run of an open log, with what was committed behind its last link."""
        row = connection.execute(
            "SELECT head, end_frame, events, digests FROM seal WHERE run = ? ORDER BY number DESC LIMIT 1", (run,)
        ).fetchone()
        head, after, events, digests = row or ("", first, 0, '{"facts": ""}')
        made = cls(run, first, head, after, events, {}, hashlib.sha256(), _due_s=time.monotonic() + EVERY_S)
        made._facts, made._notes = _read(digests)["facts"], _read(digests).get("notes", "")
        for (node, channel), (ids, times, raws) in frames_of(connection, run, after, 2**62):
            made._stream(node, channel).add([n - first for n in ids], times, raws)
        for row in _events_of(connection, run, events, -1):
            made._happen(row)
        return made

    def _stream(self, node: str, channel: str) -> _Stream:
        return self._streams.setdefault((node, channel), _Stream())

    def _happen(self, row: Sequence[Any]) -> None:
        self._happened.update(json.dumps(row, separators=(",", ":")).encode() + b"\n")
        self._waiting += 1

    def copy(self) -> Sealer:
        """As it is now; takes its place where a batch is not committed."""
        streams = {key: one.copy() for key, one in self._streams.items()}
        happened = self._happened.copy()
        return Sealer(
            self.run,
            self.first,
            self.head,
            self.after,
            self.events,
            streams,
            happened,
            self._waiting,
            self._due_s,
            self._facts,
            self._notes,
        )

    def frames(self, key: tuple[str, str], ids: Sequence[int], times: Sequence[int], raws: Sequence[bytes]) -> None:
        """Frames of one channel, in the order of their ids."""
        self._stream(*key).add((np.array(ids, np.int64) - self.first).tolist(), times, raws)

    def event(self, t_ns: int, node: str | None, kind: str, detail: str) -> None:
        """An event."""
        self._happen((t_ns, node, kind, detail))

    def end(self, connection: sqlite3.Connection) -> int:
        """The frame after the last one of the run in the log."""
        ids = [ids[-1] for _, (ids, _, _) in frames_of(connection, self.run, self.after, 2**62)]
        return max(ids, default=self.after - 1) + 1

    def link(self, connection: sqlite3.Connection, next_frame: int, what: str = "", force: bool = False) -> None:
        """Add a link, inside the caller's transaction, where one is due and there is something to seal.

        Args:
            what: why, "" for what came over the air.
        """
        if not force and time.monotonic() < self._due_s:
            return
        notes = newest_digest(_path(connection))
        news = self._streams or self._waiting or what or notes != self._notes
        if not news and not force:
            return
        facts = facts_digest(connection, self.run)
        if not news and facts == self._facts:
            return
        digests: dict[str, Any] = {
            "frames": {f"{node}/{channel}": one.hexdigest() for (node, channel), one in sorted(self._streams.items())},
            "count": sum(one.count for one in self._streams.values()),
            "events": self._happened.hexdigest(),
            "facts": facts,
            "t_ns": time.time_ns(),
        } | ({"notes": notes} if notes else {})
        end, events = next_frame, self.events + self._waiting
        head = head_of(self.head, digests, self.after - self.first, end - self.first, events, what)
        _write(connection, self.run, (self.after, end), events, what, digests, head)
        self.head, self.after, self.events, self._facts, self._notes = head, end, events, facts, notes
        self._streams, self._happened, self._waiting = {}, hashlib.sha256(), 0
        self._due_s = time.monotonic() + EVERY_S


def add_entry(connection: sqlite3.Connection, run: int, what: str) -> None:
    """Add a link that says what was done to a sealed run, inside the caller's transaction; it seals the notes, and
    nothing else that was not sealed before."""
    before, after, events, told, first = connection.execute(
        "SELECT head, end_frame, events, digests, first_frame FROM seal JOIN run ON run.id = run "
        "WHERE run = ? ORDER BY number DESC LIMIT 1",
        (run,),
    ).fetchone()
    notes = newest_digest(_path(connection))
    none: dict[str, Any] = {"frames": {}, "count": 0, "events": hashlib.sha256().hexdigest()}
    digests = none | {"facts": _read(told)["facts"], "t_ns": time.time_ns()} | ({"notes": notes} if notes else {})
    head = head_of(before, digests, after - first, after - first, events, what)
    _write(connection, run, (after, after), events, what, digests, head)


def _write(
    connection: sqlite3.Connection,
    run: int,
    span: tuple[int, int],
    events: int,
    what: str,
    digests: Mapping[str, Any],
    head: str,
) -> None:
    connection.execute(
        "INSERT INTO seal (run, t_ns, from_frame, end_frame, events, what, digests, head) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (run, digests["t_ns"], *span, events, what, json.dumps(digests), head),
    )


def _path(connection: sqlite3.Connection) -> Path:
    return Path(connection.execute("PRAGMA database_list").fetchone()[2])


def head_of(before: str, digests: Mapping[str, Any], start: int, end: int, events: int, what: str) -> str:
    """The head of a link from the one before and its digests; frames count from the run's first."""
    told = json.dumps([before, digests, start, end, events, what], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(told.encode()).hexdigest()


def facts_digest(connection: sqlite3.Connection, run: int) -> str:
    """The digest of what a run is said to be: its row, its nodes, plugins and requirements."""
    told: list[Any] = []
    for sql in (
        "SELECT title, started_ns, planned_ns, ended_ns, ended_how, radio, host, system, software, run_file, run_text, "
        "uid FROM run WHERE id = ?",
        "SELECT name, kind, sought FROM node WHERE run = ? ORDER BY id",
        "SELECT kind, title, text FROM plugin WHERE run = ? ORDER BY kind",
        "SELECT kind, subject, figure, low, high, unit, risk FROM requirement WHERE run = ? ORDER BY rowid",
    ):
        told.append(connection.execute(sql, (run,)).fetchall())
    return hashlib.sha256(json.dumps(told, separators=(",", ":")).encode()).hexdigest()


def former_digests(connection: sqlite3.Connection, run: int) -> dict[str, str]:
    """Digests of the plugins that the values of a run were decoded by before, by kind."""
    texts: dict[str, Any] = {}
    for kind, title, text in connection.execute(
        "SELECT kind, title, text FROM former_plugin WHERE run = ? ORDER BY rowid", (run,)
    ):
        texts.setdefault(kind, hashlib.sha256()).update(json.dumps([title, text]).encode())
    return {kind: digest.hexdigest() for kind, digest in texts.items()}


def is_sealed(connection: sqlite3.Connection, run: int) -> bool:
    """Whether a run was sealed as it was written; one of an earlier version was not, nor one that came by a broker."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'seal'").fetchone()
    return bool(there and connection.execute("SELECT 1 FROM seal WHERE run = ?", (run,)).fetchone())


Rows = tuple[list[int], list[int], list[bytes]]


def frames_of(connection: sqlite3.Connection, run: int, start: int, end: int) -> Iterator[tuple[tuple[str, str], Rows]]:
    """Received frames of a run by node and channel, in portions, ids rising within each."""
    nodes = connection.execute("SELECT id, name FROM node WHERE run = ?", (run,)).fetchall()
    for relation, channel in connection.execute("SELECT relation, name FROM channel WHERE within IS NULL").fetchall():
        for node, name in nodes:
            last = start - 1
            of = f"SELECT id, t_ns, raw FROM {quoted(relation)}"  # noqa: S608  proven names
            sql = f"{of} WHERE node = ? AND id > ? AND id < ? ORDER BY id LIMIT {_CHUNK}"
            while rows := connection.execute(sql, (node, last, end)).fetchall():
                last = rows[-1][0]
                ids, times, raws = (list(column) for column in zip(*rows, strict=True))
                yield (name, channel), (ids, times, [raw if isinstance(raw, bytes) else b"?" for raw in raws])


def _events_of(connection: sqlite3.Connection, run: int, skip: int, most: int) -> Iterator[tuple[Any, ...]]:
    yield from connection.execute(
        "SELECT t_ns, node.name, event.kind, detail FROM event LEFT JOIN node ON node.id = event.node "
        "WHERE event.run = ? ORDER BY event.id LIMIT ? OFFSET ?",
        (run, most, skip),
    )


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of a run's seal.

    Attributes:
        head: of the last link, "" for a run without a seal.
        same: the heads since which nothing was sealed but what was done to the log, the last one among them.
        links: how many.
        unsealed: frames behind the last one.
        wrong: everything that differs.
        trail: what was done to the run after it was written, when, a line each.
        signatures: who signed a head of it.
        heads: of all links.
        notes: digests of notes that were sealed, each with the place of its link.
    """

    run: int
    head: str
    links: int
    unsealed: int
    wrong: tuple[str, ...]
    trail: tuple[str, ...]
    signatures: tuple[Signature, ...] = ()
    heads: tuple[str, ...] = ()
    notes: tuple[tuple[int, str], ...] = ()
    same: tuple[str, ...] = ()

    def notes_until(self, heads: Collection[str] | None) -> set[str]:
        """Digests of the notes that were sealed up to the last of some heads; None for all."""
        last = max((place for place, head in enumerate(self.heads) if heads is None or head in heads), default=-1)
        return {digest for place, digest in self.notes if place <= last}


def check(connection: sqlite3.Connection, run: int) -> Checked:
    """Work the chain of a run out again, and hold it against what is written.

    Raises:
        LogFileError: the log holds no seals, as it is of an earlier version.
    """
    try:
        links = connection.execute(
            "SELECT number, t_ns, from_frame, end_frame, events, what, digests, head FROM seal WHERE run = ? "
            "ORDER BY number",
            (run,),
        ).fetchall()
    except sqlite3.OperationalError:
        raise LogFileError("the log is of a version that sealed nothing; there is no seal to check") from None
    first, ended = connection.execute("SELECT first_frame, ended_ns FROM run WHERE id = ?", (run,)).fetchone()
    wrong: list[str] = []
    same: list[str] = []
    trail: list[str] = []
    head, after, events, facts = "", first, 0, ""
    for number, when_ns, start, end, count, what, told, sealed in links:
        digests = _read(told)
        if what:
            trail.append(f"{utc_text(when_ns)[:19]}Z: {what}; the seal was {head or 'none'}")
        place = f"link {number} (frames {start} to {end - 1})"
        if when_ns != digests.get("t_ns", when_ns):
            wrong.append(f"{place}: its time is not the one that was sealed")
        if start != after:
            wrong.append(f"{place}: begins at frame {start}, but the link before ends at {after}")
        if head_of(head, digests, start - first, end - first, count, what) != sealed:
            wrong.append(f"{place}: its head does not follow from the link before it")
        wrong += _differs(connection, run, first, (start, end), (events, count), digests, place)
        if not (what and start == end and count == events and digests["facts"] == facts):
            same = []
        same.append(sealed)
        head, after, events, facts = sealed, end, count, digests["facts"]
    if links and _read(links[-1][6])["facts"] != facts_digest(connection, run):
        wrong.append("the facts of the run (its run file, nodes, plugins, requirements) are not those that were sealed")
    again = connection.execute(
        "SELECT detail FROM event WHERE run = ? AND kind = 'decoded again' ORDER BY id DESC LIMIT 1", (run,)
    ).fetchone()
    if again is not None and json.loads(again[0]).get("former", {}) not in ({}, former_digests(connection, run)):
        wrong.append("what its values were decoded by before is not what stood there when they were decoded again")
    unsealed = sum(len(rows[0]) for _, rows in frames_of(connection, run, after, 2**62))
    if ended is not None and links:
        (happened,) = connection.execute("SELECT count(*) FROM event WHERE run = ?", (run,)).fetchone()
        if happened != events:
            wrong.append(f"the run has ended with {events} events sealed, and {happened} are there")
    if ended is not None and (unsealed or not links) and (links or not is_gathered(connection, run)):
        behind = f"{unsealed} frames behind its last link" if links else "no seal at all"
        wrong.append(f"the run has ended and has {behind}: added or removed afterwards, or of an earlier version")
    notes = tuple((place, one) for place, row in enumerate(links) if (one := _read(row[6]).get("notes")))
    heads = tuple(row[7] for row in links)
    return Checked(
        run, head, len(links), unsealed, tuple(wrong), tuple(trail), heads=heads, notes=notes, same=tuple(same)
    )


def _read(told: str) -> dict[str, Any]:
    """The digests of a link; what can't be read is as good as other ones."""
    try:
        digests = json.loads(told)
        read: dict[str, Any] = {
            "frames": dict(digests["frames"]),
            "events": str(digests["events"]),
            "facts": str(digests["facts"]),
        }
        read |= {key: int(digests[key]) for key in ("count", "t_ns") if key in digests}
        return read | ({"notes": str(digests["notes"])} if "notes" in digests else {})
    except (ValueError, TypeError, KeyError):
        return {"frames": {}, "events": "", "facts": ""}


def is_gathered(connection: sqlite3.Connection, run: int) -> bool:
    """Whether a run came by a broker, which seals nothing."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'gathered'").fetchone()
    of = "SELECT 1 FROM gathered JOIN run USING (uid) WHERE run.id = ?"
    return bool(there and connection.execute(of, (run,)).fetchone())


def _differs(
    connection: sqlite3.Connection,
    run: int,
    first: int,
    span: tuple[int, int],
    count: tuple[int, int],
    digests: Mapping[str, Any],
    place: str,
) -> Iterator[str]:
    """What of the frames and events of a link is not what was sealed."""
    streams: dict[str, _Stream] = {}
    for (node, channel), (ids, times, raws) in frames_of(connection, run, *span):
        streams.setdefault(f"{node}/{channel}", _Stream()).add([n - first for n in ids], times, raws)
    now = {name: one.hexdigest() for name, one in streams.items()}
    held, sealed = sum(one.count for one in streams.values()), digests.get("count")
    if sealed is not None and held != sealed:
        yield f"{place}: {held} frames are there, {sealed} were sealed"
    messages: set[str] = set()
    if sealed is None:  # a link of an earlier version, which sealed messages too
        messages = {name for (name,) in connection.execute("SELECT name FROM channel WHERE within IS NOT NULL")}
    for name in sorted(now.keys() | digests["frames"].keys()):
        if name.rpartition("/")[2] not in messages and now.get(name) != digests["frames"].get(name):
            yield f"{place}: frames of {name} are not those that were sealed"
    happened = hashlib.sha256()
    for row in _events_of(connection, run, count[0], count[1] - count[0]):
        happened.update(json.dumps(row, separators=(",", ":")).encode() + b"\n")
    if happened.hexdigest() != digests["events"]:
        yield f"{place}: its events are not those that were sealed"
