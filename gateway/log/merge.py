"""Put the runs of several logs into one. A run is known by when and where it started: one that is there already is
not added again, and one that has grown since is replaced. Sources are only read, and may go on being written."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.host.user import who
from gateway.log.notes import add_notes_of, notes_path
from gateway.log.opening import open_log
from gateway.log.reader import Log
from gateway.log.schema import first_after, next_event, quoted
from gateway.log.seal import add_entry, is_sealed
from gateway.model.errors import LogFileError

_IDENTITY = ("started_ns", "host", "title", "radio", "run_file")
_OF_A_RUN = ("plugin", "former_plugin", "requirement", "signature")


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of one run of a source: ``added``, ``replaced`` or ``there already``, and the frames it has."""

    source: str
    run: int
    what: str
    frames: int


def merge(sources: Sequence[Path], into: Path, on_source: Callable[[Path], None] = lambda source: None) -> list[Merged]:
    """Add the runs of logs to another, each source in one transaction.

    Args:
        sources: logs, read only.
        into: the log that takes them; made where there is none.
        on_source: called with each source before it is read.

    Raises:
        LogFileError: one can't be read, the target can't be written, or counts do not agree; then nothing of that
            source was added.
    """
    if into.resolve() in [source.resolve() for source in sources]:
        raise LogFileError(f"{into} is both a source and the target; use another file for the target")
    for source in sources:
        with Log(source):  # says what is wrong with it before anything is written
            pass
    fresh = not into.exists() and not notes_path(into).exists()
    done: list[Merged] = []
    try:
        with open_log(into) as log:
            for source in sources:
                on_source(source)
                done += _add(log.connection, source, into)
    finally:
        if fresh and not done:
            for name in (into.name, f"{into.name}-wal", f"{into.name}-shm", notes_path(into).name):
                into.with_name(name).unlink(missing_ok=True)
    return done


def _add(connection: sqlite3.Connection, source: Path, into: Path) -> list[Merged]:
    try:
        return _Source(connection, source, into).add()
    except sqlite3.DatabaseError as error:
        raise LogFileError(
            f"{into} could not take {source}: {error}; nothing of that log was added. Free space, or check it with "
            "gattest show --verify"
        ) from None


class _Source:
    """One log being added, attached as ``src``."""

    def __init__(self, connection: sqlite3.Connection, path: Path, into: Path) -> None:
        self._connection, self._path, self._into = connection, path, into
        self._added: list[int] = []

    def add(self) -> list[Merged]:
        self._connection.execute("ATTACH DATABASE ? AS src", (f"{self._path.resolve().as_uri()}?mode=ro",))
        try:
            self._has_uid = any(row[1] == "uid" for row in self._all("PRAGMA src.table_info(run)"))
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                done = [self._run(run) for (run,) in self._all("SELECT id FROM src.run ORDER BY id")]
                add_notes_of(self._path, self._into)
                for number in self._added:
                    if is_sealed(self._connection, number):
                        what = f"merged from {self._path.name} by {who()}"
                        add_entry(self._connection, number, what)
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        finally:
            self._connection.execute("DETACH DATABASE src")
        return done

    def _all(self, sql: str, *parameters: object) -> list[tuple[object, ...]]:
        return self._connection.execute(sql, parameters).fetchall()

    def _run(self, run: object) -> Merged:
        first, last = self._range("src", run)
        relations = [(str(r), s) for r, s in self._all("SELECT relation, samples FROM src.channel ORDER BY rowid")]
        frames = sum(self._count("src", relation, first, last) for relation, _ in relations)
        there = self._same(run)
        what = "added"
        if there:
            own = self._range("main", there[0][0])
            held = sum(self._count("main", str(r), *own) for (r,) in self._all("SELECT relation FROM main.channel"))
            ended = self._all("SELECT 1 FROM main.run WHERE id = ? AND ended_ns IS NOT NULL", there[0][0])
            if held > frames or (held == frames and ended):
                return Merged(str(self._path), int(str(run)), "already there", held)
            self._remove(there[0][0], *own)
            what = "replaced"
        self._copy(run, first, last, relations)
        return Merged(str(self._path), int(str(run)), what, frames)

    def _same(self, run: object) -> list[tuple[object, ...]]:
        """The target's run that this one is; logs of earlier versions are told apart by their facts and nodes."""
        (uid,) = self._all("SELECT uid FROM src.run WHERE id = ?", run)[0] if self._has_uid else (None,)
        if uid is not None:
            return self._all("SELECT id FROM main.run WHERE uid = ?", uid)
        same = " AND ".join(f"m.{name} = s.{name}" for name in _IDENTITY)
        found = self._all(f"SELECT m.id FROM main.run m JOIN src.run s ON {same} WHERE s.id = ?", run)  # noqa: S608
        nodes = "SELECT name, kind FROM {}.node WHERE run = ? ORDER BY name, kind"
        own = self._all(nodes.format("src"), run)
        return [row for row in found if self._all(nodes.format("main"), row[0]) == own]

    def _range(self, schema: str, run: object) -> tuple[int, int]:
        """The frame ids of a run, from and below."""
        (first,) = self._all(f"SELECT first_frame FROM {schema}.run WHERE id = ?", run)[0]  # noqa: S608
        (after,) = self._all(f"SELECT min(first_frame) FROM {schema}.run WHERE id > ?", run)[0]  # noqa: S608
        return int(str(first)), int(str(after)) if after is not None else 2**62

    def _count(self, schema: str, relation: str, first: int, after: int) -> int:
        sql = f"SELECT count(*) FROM {schema}.{quoted(relation)} WHERE id >= ? AND id < ?"  # noqa: S608
        return int(str(self._all(sql, first, after)[0][0]))

    def _highest(self, relation: str) -> int:
        (number,) = self._all(f"SELECT max(id) FROM main.{quoted(relation)}")[0]  # noqa: S608
        return int(str(number or 0))

    def _remove(self, run: object, first: int, after: int) -> None:
        for relation, samples in self._all("SELECT relation, samples FROM main.channel"):
            if samples:
                self._all(f"DELETE FROM main.{quoted(str(samples))} WHERE frame >= ? AND frame < ?", first, after)  # noqa: S608
            self._all(f"DELETE FROM main.{quoted(str(relation))} WHERE id >= ? AND id < ?", first, after)  # noqa: S608
        self._all("DELETE FROM main.unpacked WHERE frame >= ? AND frame < ?", first, after)
        self._all("DELETE FROM main.absence WHERE node IN (SELECT id FROM main.node WHERE run = ?)", run)
        for name in ("event", "node", "seal", *_OF_A_RUN):
            self._all(f"DELETE FROM main.{name} WHERE run = ?", run)  # noqa: S608
        self._all("DELETE FROM main.run WHERE id = ?", run)

    def _copy(self, run: object, first: int, after: int, relations: list[tuple[str, object]]) -> None:
        targets = {relation: self._relation(relation, samples is not None) for relation, samples in relations}
        highest = [self._highest(str(name)) for (name,) in self._all("SELECT relation FROM main.channel")]
        (latest,) = self._all("SELECT max(first_frame) FROM main.run")[0]
        begin = first_after(max(*highest, int(str(latest or 0)), 0))
        shift = begin - first
        columns = self._columns("run", "id", "first_frame")
        added = self._connection.execute(
            f"INSERT INTO main.run (first_frame, {columns}) SELECT ?, {columns} FROM src.run WHERE id = ?",  # noqa: S608
            (begin, run),
        ).lastrowid
        self._added.append(int(str(added)))
        self._connection.execute("CREATE TEMP TABLE IF NOT EXISTS moved (old INTEGER PRIMARY KEY, new INTEGER)")
        self._connection.execute("DELETE FROM moved")
        columns = self._columns("node", "id", "run")
        for (node,) in self._all("SELECT id FROM src.node WHERE run = ? ORDER BY id", run):
            new = self._connection.execute(
                f"INSERT INTO main.node (run, {columns}) SELECT ?, {columns} FROM src.node WHERE id = ?",  # noqa: S608
                (added, node),
            ).lastrowid
            self._connection.execute("INSERT INTO moved VALUES (?, ?)", (node, new))
        for name in _OF_A_RUN:
            if self._all("SELECT 1 FROM src.sqlite_master WHERE name = ?", name):
                columns = self._columns(name, "run")
                self._all(
                    f"INSERT INTO main.{name} (run, {columns}) SELECT ?, {columns} FROM src.{name} WHERE run = ?",  # noqa: S608
                    added,
                    run,
                )
        self._all(
            "INSERT INTO main.event (id, run, node, t_ns, kind, detail) "
            "SELECT ? + row_number() OVER (ORDER BY id), ?, new, t_ns, kind, detail "
            "FROM src.event LEFT JOIN moved ON old = node WHERE run = ? ORDER BY id",
            next_event(self._connection) - 1,
            added,
            run,
        )
        if self._all("SELECT 1 FROM src.sqlite_master WHERE name = 'unpacked'"):
            self._all(
                "INSERT INTO main.unpacked SELECT frame + ?1, first_frame + ?1, last_frame + ?1 FROM src.unpacked "
                "WHERE frame >= ?2 AND frame < ?3",
                shift,
                first,
                after,
            )
        if self._all("SELECT 1 FROM src.sqlite_master WHERE name = 'seal'"):
            self._all(
                "INSERT INTO main.seal (run, t_ns, from_frame, end_frame, events, what, digests, head) "
                "SELECT ?1, t_ns, from_frame + ?2, end_frame + ?2, events, what, digests, head FROM src.seal "
                "WHERE run = ?3 ORDER BY number",
                added,
                shift,
                run,
            )
        self._gathered(run)
        for relation, samples in relations:
            self._frames(relation, targets[relation], samples, first, after, shift)

    def _gathered(self, run: object) -> None:
        """That a run came by a broker, and so has no seal."""
        made = self._all("SELECT sql FROM src.sqlite_master WHERE name = 'gathered'")
        if not made:
            return
        if not self._all("SELECT 1 FROM main.sqlite_master WHERE name = 'gathered'"):
            self._connection.execute(str(made[0][0]))
        columns = self._columns("gathered")
        self._all(
            f"INSERT OR IGNORE INTO main.gathered ({columns}) SELECT {columns} FROM src.gathered "  # noqa: S608
            "WHERE uid = (SELECT uid FROM src.run WHERE id = ?)",
            run,
        )

    def _frames(self, old: str, new: str, samples: object, first: int, after: int, shift: int) -> None:
        columns = self._columns(old, "id", "node")
        added = self._connection.execute(
            f"INSERT INTO main.{quoted(new)} (id, node, {columns}) "  # noqa: S608
            f"SELECT id + ?, moved.new, {columns} FROM src.{quoted(old)} JOIN moved ON moved.old = node "
            "WHERE id >= ? AND id < ? ORDER BY id",
            (shift, first, after),
        ).rowcount
        if added != self._count("src", old, first, after):
            raise LogFileError(
                f"{self._path}: frames of {old} belong to no node; it is damaged, nothing of it was added"
            )
        if samples:
            columns = self._columns(str(samples), "frame")
            self._all(
                f"INSERT INTO main.{quoted(f'{new}_sample')} (frame, {columns}) SELECT frame + ?, {columns} "  # noqa: S608
                f"FROM src.{quoted(str(samples))} WHERE frame >= ? AND frame < ?",
                shift,
                first,
                after,
            )
        if self._all("SELECT 1 FROM src.sqlite_master WHERE name = 'absence'"):
            for owner, target in ((old, new), (f"{old}_sample", f"{new}_sample")):
                self._all(
                    "INSERT INTO main.absence SELECT moved.new, ?, column_name, reason, count "
                    "FROM src.absence JOIN moved ON moved.old = node WHERE relation = ? "
                    "ON CONFLICT (node, relation, column_name, reason) DO UPDATE SET count = count + excluded.count",
                    target,
                    owner,
                )

    def _columns(self, table: str, *but: str) -> str:
        """The columns of a table of the source, as an SQL list."""
        names = [str(row[1]) for row in self._all(f"PRAGMA src.table_info({quoted(table)})")]
        return ", ".join(quoted(name) for name in names if name not in but)

    def _relation(self, relation: str, sampled: bool) -> str:
        """The target's relation of the same layout; made like the source's where it has none."""
        same = self._all(
            "SELECT m.relation FROM main.channel m JOIN src.channel s USING (kind, name, layout) WHERE s.relation = ?",
            relation,
        )
        if same:
            own = str(same[0][0])
            if '"constant"' in self._columns("channel"):
                told = "ifnull((SELECT constant FROM src.channel WHERE relation = ?), 0)"
                self._all(
                    f"UPDATE main.channel SET constant = max(ifnull(constant, 0), {told}) WHERE relation = ?",  # noqa: S608
                    relation,
                    own,
                )
            return own
        taken = {str(name) for (name,) in self._all("SELECT relation FROM main.channel")}
        base = re.sub(r"_\d+$", "", relation) if relation in taken else relation
        new, version = relation, 1
        while new in taken:
            version += 1
            new = f"{base}_{version}"
        pattern = re.compile(rf"\b{re.escape(relation)}(?=(_sample)?(_utc)?\b)")
        names = [relation, *([f"{relation}_sample"] if sampled else [])]
        for name in (*names, *(f"{name}_utc" for name in names)):
            (sql,) = self._all("SELECT sql FROM src.sqlite_master WHERE name = ?", name)[0]
            self._connection.execute(pattern.sub(new, str(sql)))
        for table in ("channel", "field"):
            columns = self._columns(table, "relation", *(("samples",) if table == "channel" else ()))
            extra, value = (
                (", samples", f", {_text(f'{new}_sample') if sampled else 'NULL'}") if table == "channel" else ("", "")
            )
            for owner, target in zip(names, [new, f"{new}_sample"], strict=False):
                self._all(
                    f"INSERT INTO main.{table} (relation, {columns}{extra}) SELECT ?, {columns}{value} "  # noqa: S608
                    f"FROM src.{table} WHERE relation = ?",
                    target,
                    owner,
                )
        return new


def _text(name: str) -> str:
    return "'" + name.replace("'", "''") + "'"
