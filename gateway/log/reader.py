"""Open a log to read: which runs it holds, and for one run its nodes, channels, events and rows. Reads
never change the file and may go on while a run writes it."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo, RunInfo
from gateway.log.messages import Cut
from gateway.log.schema import quoted, refusal
from gateway.model.errors import InputError, LogFileError
from gateway.model.events import EventKind, HostStalled, LinkEvent, Resumed
from gateway.model.figures import FORMER_NAMES, GUARD, Requirement
from gateway.plugin import Plugin

Ints = npt.NDArray[np.int64]
CHUNK_ROWS = 50_000
FIELDS = (
    "SELECT column_name, name, unit, low, high, role, bits, ifnull(sometimes, 0), lsb, type FROM field "
    "WHERE relation = ? ORDER BY position"
)  # the rows of a `FieldInfo`
_RECOVER = "copy what can be read with the .recover command of the sqlite3 shell"


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """What SQLite says of a file that is no log, in words."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise LogFileError(f"{path} is damaged: {error}; {_RECOVER}") from None
    except sqlite3.DatabaseError as error:
        if "malformed" in str(error):
            raise LogFileError(f"{path} is damaged: {error}; {_RECOVER}") from None
        raise LogFileError(
            f"{path} is not a gattest log: {error}; check the path, or read a capture with replay or audit"
        ) from None


class Log:
    """An open log.

    Args:
        path: the file.

    Raises:
        LogFileError: missing, unreadable, or not a log.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.is_file():
            what = "is a folder; name a log in it" if path.is_dir() else "there is no such log; check the path"
            raise LogFileError(f"{path}: {what}")
        uri = path.resolve().as_uri()
        with contextlib.ExitStack() as unless_usable:
            with _told(path):
                self._connection = sqlite3.connect(f"{uri}?mode=ro", uri=True)
                unless_usable.callback(lambda: self._connection.close())
                reason = self._refusal(path, uri)
            if not reason and not self._connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'run'").fetchone():
                reason = "contains no run; was it copied without the -wal file next to it"
            if reason:
                raise LogFileError(f"{path} {reason}; check the path")
            unless_usable.pop_all()

    def _refusal(self, path: Path, uri: str) -> str:
        try:
            return refusal(self._connection)
        except sqlite3.OperationalError:  # a read-only folder has no room for the shared-memory file
            self._connection.close()
            wal = path.with_name(path.name + "-wal")
            if wal.exists() and wal.stat().st_size:
                raise LogFileError(
                    f"{path} was not closed and is in a read-only folder; copy it and {wal.name} to "
                    "a writable folder and read it there"
                ) from None
            self._connection = sqlite3.connect(f"{uri}?immutable=1", uri=True)
            return refusal(self._connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    @contextlib.contextmanager
    def damage_reported(self) -> Iterator[None]:
        """Turns what a log with damaged content makes of the code that reads it into an error that says so.

        Raises:
            LogFileError: the content can't be what was written.
        """
        try:
            yield
        except (ValueError, TypeError, OverflowError, ArithmeticError, LookupError, sqlite3.Error) as error:
            raise LogFileError(f"{self.path} is damaged: {error}; {_RECOVER}") from error

    def run_ids(self) -> list[int]:
        """The ids of its runs, oldest first."""
        return [row[0] for row in self._query("SELECT id FROM run ORDER BY id")]

    def run(self, run: int | None = None) -> RunInfo:
        """One run, the newest by default.

        Raises:
            LogFileError: no such run, or the file is damaged.
        """
        known = self.run_ids()
        if not known:
            raise LogFileError(f"{self.path} contains no run; use another log")
        if run is not None and run not in known:
            raise LogFileError(f"{self.path} has no run {run}; it has {', '.join(map(str, known))}")
        wanted = run if run is not None else known[-1]
        number, title, radio, host, started_ns, planned_ns, ended_ns, ended_how, first, text = next(
            self._query(
                "SELECT id, title, radio, host, started_ns, planned_ns, ended_ns, ended_how, first_frame, "
                "run_text FROM run WHERE id = ?",
                wanted,
            )
        )
        later = next(self._query("SELECT min(first_frame) FROM run WHERE id > ?", wanted))[0]
        nodes = tuple(
            NodeInfo(id_, name if isinstance(name, str) else repr(name), kind, tuple(self._channels(kind, id_)))
            for id_, name, kind in self._query("SELECT id, name, kind FROM node WHERE run = ? ORDER BY id", wanted)
        )
        risk = "ifnull(risk, ?)" if self._has("requirement", "risk") else "?"
        requirements = tuple(
            Requirement(whom, subject, FORMER_NAMES.get(figure, figure), *bounds)
            for whom, subject, figure, *bounds in self._query(
                f"SELECT kind, subject, figure, low, high, unit, {risk} FROM requirement WHERE run = ? ORDER BY rowid",  # noqa: S608
                GUARD,
                wanted,
            )
        )
        end_frame = max(self._next_frame(later or 2**62), first)
        return RunInfo(
            number,
            title,
            radio,
            host,
            started_ns,
            planned_ns,
            ended_ns,
            ended_how or "",
            first,
            end_frame,
            nodes,
            requirements,
            self._uid(number),
            ended_ns if ended_ns is not None else self._last_ns(number, started_ns, nodes, first, end_frame),
            self._paused_ns(number),
            text or "",
            self._stalls(number),
            self._seal(number),
        )

    def part(self, run: RunInfo, from_ns: int, to_ns: int) -> RunInfo:
        """The part of a run between two moments.

        Raises:
            InputError: nothing of the run lies between them.
        """
        from_ns, to_ns = max(from_ns, run.started_ns), min(to_ns, run.end_ns)
        if to_ns <= from_ns:
            raise InputError(f"nothing of run {run.id} of {self.path} lies in that time")
        ends = [run.end_frame, run.end_frame]
        for relation in dict.fromkeys(channel.relation for node in run.nodes for channel in node.channels):
            for place, t_ns in enumerate((from_ns, to_ns)):
                first = f"SELECT min(id) FROM {quoted(relation)} WHERE id >= ? AND id < ? AND t_ns >= ?"  # noqa: S608
                (found,) = next(self._query(first, run.first_frame, run.end_frame, t_ns))
                ends[place] = ends[place] if found is None else min(ends[place], found)
        stalls = tuple((start, end) for start, end in run.stalls if start < to_ns and from_ns < end)
        return replace(
            run,
            started_ns=from_ns,
            end_ns=to_ns,
            ended_ns=to_ns,
            planned_ns=None,
            paused_ns=0,
            first_frame=ends[0],
            end_frame=ends[1],
            stalls=stalls,
            cut=True,
        )

    def _seal(self, run: int) -> str:
        """The head of its seal; none in a log of an earlier version."""
        if not self._has("seal", "head"):
            return ""
        newest = "SELECT head FROM seal WHERE run = ? ORDER BY number DESC LIMIT 1"
        return next((str(row[0]) for row in self._query(newest, run)), "")

    def _uid(self, run: int) -> str:
        """What tells a run from any other; a log of an earlier version has none."""
        uid = next(self._query("SELECT uid FROM run WHERE id = ?", run))[0] if self._has("run", "uid") else None
        return str(uid or f"run {run}")

    def _has(self, table: str, column: str) -> bool:
        """Whether a table has a column; a log of an earlier version may not."""
        return column in [row[1] for row in self._query(f"PRAGMA table_info({table})")]

    def _next_frame(self, below: int) -> int:
        """One beyond the highest id of any frame below a limit."""
        relations = [str(row[0]) for row in self._query("SELECT relation FROM channel")]
        highest = [
            next(self._query(f"SELECT max(id) FROM {quoted(name)} WHERE id < ?", below))[0]  # noqa: S608
            for name in relations
        ]
        return max((number for number in highest if number is not None), default=0) + 1

    def _channels(self, kind: str, node: int) -> Iterator[ChannelInfo]:
        """The channels of a kind; of several versions of one, the version this node wrote."""
        versions: dict[str, list[ChannelInfo]] = {}
        kept_of = ("stores", "constant", "within", "broadcast")
        more = [f"ifnull({name}, 0)" if self._has("channel", name) else "0" for name in kept_of]
        for relation, samples, name, title, *kept in self._query(
            f"SELECT relation, samples, name, title, {', '.join(more)} FROM channel WHERE kind = ? ORDER BY rowid",  # noqa: S608
            kind,
        ):
            own = self._fields(relation), self._fields(samples)
            within = str(kept[2] or "")
            info = ChannelInfo(relation, samples, name, title, *own, int(kept[0]), bool(kept[1]), within, bool(kept[3]))
            versions.setdefault(name, []).append(info)
        newest = {name: self._version_of(node, several) for name, several in versions.items()}
        for info in newest.values():
            outermost = info
            while outermost.within in newest:
                outermost = newest[outermost.within]
            yield replace(info, broadcast=outermost.broadcast)

    def _version_of(self, node: int, versions: Sequence[ChannelInfo]) -> ChannelInfo:
        """Of several versions of a channel the last that a node wrote, or else the first; only asked where there are
        several, as a node that wrote none makes this a look at every row."""
        for info in reversed(versions[1:]):
            if next(self._query(f"SELECT 1 FROM {quoted(info.relation)} WHERE node = ? LIMIT 1", node), None):  # noqa: S608
                return info
        return versions[0]

    def _fields(self, relation: str | None) -> tuple[FieldInfo, ...]:
        return tuple(FieldInfo(*row) for row in self._query(FIELDS, relation))

    def uuid_of(self, channel: ChannelInfo) -> str:
        """The UUID of a channel's characteristic."""
        return str(next(self._query("SELECT uuid FROM channel WHERE relation = ?", channel.relation))[0])

    def events(self, run: RunInfo, node: NodeInfo | None = None) -> Iterator[LinkEvent]:
        """The events of a run (of one node), in the order they happened."""
        for _, event in self.numbered_events(run, -(1 << 62), node):
            yield event

    def numbered_events(
        self, run: RunInfo, first: int, node: NodeInfo | None = None
    ) -> Iterator[tuple[int, LinkEvent]]:
        """The same from the id ``first`` on, each with its id."""
        names = {info.id: info.name for info in run.nodes}
        only = "" if node is None else " AND node = ?"
        rows = self._query(
            f"SELECT id, t_ns, node, kind, detail FROM event WHERE run = ? AND id >= ?{only} ORDER BY id",  # noqa: S608
            run.id,
            first,
            *(() if node is None else (node.id,)),
        )
        for number, t_ns, owner, kind, detail in rows:
            told = json.loads(detail)
            if not isinstance(told, dict):
                raise LogFileError(f"{self.path} is damaged: the details of an event are not an object; {_RECOVER}")
            yield number, LinkEvent.of(t_ns, names.get(owner), EventKind(kind), told)

    def rows(self, run: RunInfo, node: NodeInfo, relation: str, columns: str) -> Iterator[list[tuple[Any, ...]]]:
        """Chunks of rows of one node's frames in the order they came; ``columns`` is an SQL list."""
        yield from self._chunks(
            f"SELECT {columns} FROM {quoted(relation)} WHERE id >= ? AND id < ? AND node = ? ORDER BY id",  # noqa: S608
            (run.first_frame, run.end_frame, node.id),
        )

    def messages(
        self, run: RunInfo, node: NodeInfo, plugin: Plugin, channel: str
    ) -> Iterator[list[tuple[int, int, bytes, int]]]:
        """Chunks of the messages of one node's channel, cut out of its frames anew by a plugin: a number of each, when,
        its bytes, and the frame it was whole with.

        Raises:
            InputError: the key of messages is missing.
        """
        if reason := plugin.lacks(channel):
            raise InputError(f"{node.name} {channel} can't be decoded again: {reason}")
        yield from self._cut(run, node, plugin, plugin.on_air(channel).name).messages(node.id, channel)

    def misfits(self, run: RunInfo, node: NodeInfo, plugin: Plugin, channel: str) -> dict[int, str]:
        """Why frames of a channel did not become part of a message, by a plugin."""
        return self._cut(run, node, plugin, channel).faults(run.first_frame, run.end_frame)

    def _cut(self, run: RunInfo, node: NodeInfo, plugin: Plugin, outer: str) -> Cut:
        cut = Cut(self._connection)
        for relation in [one.relation for one in node.channels if one.name == outer]:
            cut.add(node.id, plugin, relation, outer, (run.first_frame, run.end_frame))
        return cut

    def integers(self, run: RunInfo, node: NodeInfo, relation: str, columns: Sequence[str]) -> list[Ints]:
        """Whole columns of one node's frames in the order they came, arrays of shape (n,).

        Args:
            columns: SQL expressions that are integers in every row.

        SQLite joins them to text and numpy reads that: twice as fast as a row at a time.
        """
        joined = ", ".join(f"group_concat({column})" for column in columns)
        sql = f"SELECT count(*), {joined} FROM {quoted(relation)} WHERE id >= ? AND id < ? AND node = ?"  # noqa: S608
        parts: list[list[Ints]] = [[np.empty(0, np.int64)] for _ in columns]
        for start in range(run.first_frame, run.end_frame, CHUNK_ROWS):
            count, *texts = next(self._query(sql, start, min(start + CHUNK_ROWS, run.end_frame), node.id))
            for part, text in zip(parts, texts if count else [], strict=bool(count)):
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore", DeprecationWarning)  # numpy's, where a text holds something else
                    numbers = np.fromstring(text or "", np.int64, sep=",")
                if len(numbers) != count:
                    raise LogFileError(
                        f"{self.path} is damaged: {relation} contains values that are not numbers; {_RECOVER}"
                    )
                part.append(numbers)
        return [np.concatenate(part) for part in parts]

    def sample_rows(
        self, run: RunInfo, node: NodeInfo, channel: ChannelInfo, columns: str
    ) -> Iterator[list[tuple[Any, ...]]]:
        """Chunks of rows of one node's samples; ``columns`` is an SQL list over ``s`` (samples)."""
        yield from self._chunks(
            f"SELECT {columns} FROM {quoted(channel.relation)} AS f JOIN {quoted(channel.samples or '')} AS s "  # noqa: S608
            "ON s.frame = f.id WHERE f.id >= ? AND f.id < ? AND f.node = ? ORDER BY f.id, s.position",
            (run.first_frame, run.end_frame, node.id),
        )

    def column_kinds(self, relation: str) -> dict[str, str]:
        """The declared SQL type of each column of a relation."""
        return {row[1]: row[2] for row in self._query(f"PRAGMA table_info({quoted(relation)})")}

    def absences(self, node: NodeInfo, channel: ChannelInfo) -> Iterator[tuple[str, str, int]]:
        """How often a value of a node's channel is missing: column, reason, count."""
        if next(self._query("SELECT 1 FROM sqlite_master WHERE name = 'absence'"), None):
            yield from self._query(
                "SELECT column_name, reason, count FROM absence WHERE node = ? AND relation IN (?, ?) ORDER BY 1, 2",
                node.id,
                channel.relation,
                channel.samples,
            )

    def newest(self, run: RunInfo, relation: str, columns: str, node: str | None, count: int) -> list[tuple[Any, ...]]:
        """The last rows of a relation's view, newest first; ``columns`` is an SQL list."""
        only, names = (" AND node = ?", [node]) if node is not None else ("", [])
        sql = (
            f"SELECT {columns} FROM {quoted(f'{relation}_utc')} WHERE id >= ? AND id < ?{only} ORDER BY id DESC LIMIT ?"  # noqa: S608
        )
        return list(self._query(sql, run.first_frame, run.end_frame, *names, count))

    def newest_samples(
        self,
        run: RunInfo,
        channel: ChannelInfo,
        own: Sequence[str],
        beside: Sequence[str],
        node: str | None,
        count: int,
    ) -> list[tuple[Any, ...]]:
        """The last samples of a channel, newest first: these columns of their view, their fields, and these of the
        frame that each came in."""
        only, names = (" AND s.node = ?", [node]) if node is not None else ("", [])
        inner = [f"s.{quoted(name)}" for name in (*own, *(field.column for field in channel.sample_fields))]
        columns = ", ".join([*inner, *(f"f.{quoted(name)}" for name in beside)])
        sql = (
            f"SELECT {columns} FROM {quoted(f'{channel.samples}_utc')} AS s JOIN {quoted(channel.relation)} AS f "  # noqa: S608
            f"ON f.id = s.frame WHERE s.frame >= ? AND s.frame < ?{only} ORDER BY s.frame DESC, s.position DESC LIMIT ?"
        )
        return list(self._query(sql, run.first_frame, run.end_frame, *names, count))

    def problems(self) -> list[str]:
        """What SQLite's own check of the whole file finds, [] for a sound one."""
        found = [str(row[0]) for row in self._query("PRAGMA integrity_check(20)")]
        return [] if found == ["ok"] else found

    def sample_values(
        self, run: RunInfo, node: NodeInfo, channel: ChannelInfo, columns: str, of_frame: Sequence[str] = ()
    ) -> Iterator[list[tuple[Any, ...]]]:
        """Chunks of rows of one node's samples with their own times; ``columns`` is an SQL list over their view ``s``,
        and ``of_frame`` names columns of the frame that each came in, which follow."""
        beside = f"JOIN {quoted(channel.relation)} AS f ON f.id = s.frame " if of_frame else ""
        more = "".join(f", f.{quoted(name)}" for name in of_frame)
        yield from self._chunks(
            f"SELECT {columns}{more} FROM {quoted(f'{channel.samples}_utc')} AS s {beside}"  # noqa: S608
            "WHERE s.frame >= ? AND s.frame < ? AND s.node = ? ORDER BY s.frame, s.position",
            (run.first_frame, run.end_frame, node.name),
        )

    def plugin_texts(self, run: RunInfo) -> dict[str, str]:
        """The plugins of a run, by kind."""
        return dict(self._query("SELECT kind, text FROM plugin WHERE run = ?", run.id))

    def _paused_ns(self, run: int) -> int:
        details = self._query("SELECT detail FROM event WHERE run = ? AND kind = ?", run, EventKind.RESUMED.value)
        return sum(round(Resumed.of(json.loads(detail)).paused_s * 1e9) for (detail,) in details)

    def _stalls(self, run: int) -> tuple[tuple[int, int], ...]:
        found = self._query(
            "SELECT t_ns, detail FROM event WHERE run = ? AND kind = ? ORDER BY t_ns", run, EventKind.HOST_STALL.value
        )
        return tuple((t_ns - round(HostStalled.of(json.loads(d)).span_s * 1e9), t_ns) for t_ns, d in found)

    def _last_ns(self, run: int, started_ns: int, nodes: Sequence[NodeInfo], first: int, end: int) -> int:
        """Time of the last record of a run."""
        came = "SELECT max(t_ns) FROM event WHERE run = ? AND kind <> ?"
        newest = next(self._query(came, run, EventKind.DECODED_AGAIN.value))[0] or started_ns
        for relation in {channel.relation for node in nodes for channel in node.channels}:
            sql = f"SELECT t_ns FROM {quoted(relation)} WHERE id >= ? AND id < ? ORDER BY id DESC LIMIT 1"  # noqa: S608
            row = next(self._query(sql, first, end), None)
            newest = max(newest, row[0]) if row else newest
        return int(newest)

    def _chunks(self, sql: str, parameters: tuple[Any, ...]) -> Iterator[list[tuple[Any, ...]]]:
        try:
            cursor = self._connection.execute(sql, parameters)
            while chunk := cursor.fetchmany(CHUNK_ROWS):
                yield chunk
        except sqlite3.DatabaseError as error:
            raise LogFileError(f"{self.path} is damaged: {error}; {_RECOVER}") from None

    def _query(self, sql: str, *parameters: Any) -> Iterator[tuple[Any, ...]]:
        for chunk in self._chunks(sql, parameters):
            yield from chunk
