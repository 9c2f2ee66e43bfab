"""Follow a log while it is written, or read it again from any frame on: stretches of frames by their ids, events by
theirs. Reads only, and sees what is committed."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from gateway.log.info import FieldInfo
from gateway.log.reader import FIELDS
from gateway.log.schema import quoted

_OWN = ("id", "node", "t_ns", "raw", "fault")


@dataclass(frozen=True, slots=True)
class Relation:
    """A table of frames as it is sent: its channel, its fields, and those of its samples."""

    name: str
    samples: str | None
    channel: str
    fields: tuple[FieldInfo, ...]
    sample_fields: tuple[FieldInfo, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames of one channel of one node, in order.

    Attributes:
        run: the uid of their run.
        rows: (id, t_ns, raw, fault, then a value for each field).
        samples: for each frame that has some: (time after the frame in ns, then a value for each field).
        begins: id of the first frame of the run; counted from there a frame has the same number in every log.
    """

    run: str
    node: str
    relation: Relation
    rows: list[tuple[Any, ...]]
    samples: dict[int, list[tuple[Any, ...]]]
    begins: int


class Tail:
    """A log to follow.

    Raises:
        sqlite3.Error: it can't be read (yet).
    """

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, check_same_thread=False)
        self._relations: list[Relation] = []
        self._nodes: dict[int, tuple[str, str, int]] = {}
        self._event_begins: dict[int, int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def _query(self, sql: str, *parameters: object) -> list[tuple[Any, ...]]:
        return self._connection.execute(sql, parameters).fetchall()

    def heads(self) -> tuple[int, int]:
        """The highest id of any frame, and of any event."""
        self._look_again()
        found = [self._query(f"SELECT max(id) FROM {quoted(r.name)}")[0][0] or 0 for r in self._relations]  # noqa: S608
        return max(found, default=0), self._query("SELECT ifnull(max(id), 0) FROM event")[0][0]

    def _look_again(self) -> None:
        """Learn of tables and nodes that are new."""
        if self._query("SELECT count(*) FROM channel")[0][0] != len(self._relations):
            self._relations = [
                Relation(name, samples, channel, self._fields(name), self._fields(samples))
                for name, samples, channel in self._query("SELECT relation, samples, name FROM channel ORDER BY rowid")
            ]
        if self._query("SELECT count(*) FROM node")[0][0] != len(self._nodes):
            rows = self._query(
                "SELECT node.id, ifnull(uid, 'run ' || run.id), name, first_frame FROM node JOIN run ON run.id = run"
            )
            self._nodes = {number: (uid, name, first) for number, uid, name, first in rows}

    def _fields(self, relation: str | None) -> tuple[FieldInfo, ...]:
        return tuple(FieldInfo(*row) for row in self._query(FIELDS, relation))

    def following(self, stream: str, first: int) -> int | None:
        """The lowest id of a frame, or of an event, from ``first`` on; None for none."""
        tables = [relation.name for relation in self._relations] if stream == "frame" else ["event"]
        found = [self._query(f"SELECT min(id) FROM {quoted(name)} WHERE id >= ?", first)[0][0] for name in tables]  # noqa: S608
        return min((number for number in found if number is not None), default=None)

    def stretches(self, first: int, last: int) -> Iterator[Stretch]:
        """The frames with ids from ``first`` to ``last``, a stretch for each channel of each node."""
        for relation in self._relations:
            columns = ", ".join(map(quoted, (*_OWN, *(field.column for field in relation.fields))))
            rows = self._query(
                f"SELECT {columns} FROM {quoted(relation.name)} WHERE id BETWEEN ? AND ? ORDER BY id",  # noqa: S608
                first,
                last,
            )
            if not rows:
                continue
            samples = self._samples(relation, first, last)
            groups: dict[int, list[tuple[Any, ...]]] = {}
            for row in rows:
                groups.setdefault(row[1], []).append((row[0], *row[2:]))
            for node, own in groups.items():
                run, name, begins = self._nodes[node]
                yield Stretch(run, name, relation, own, samples, begins)

    def _samples(self, relation: Relation, first: int, last: int) -> dict[int, list[tuple[Any, ...]]]:
        if relation.samples is None:
            return {}
        columns = "".join(f", s.{quoted(field.column)}" for field in relation.sample_fields)
        found: dict[int, list[tuple[Any, ...]]] = {}
        for frame, *row in self._query(
            f"SELECT s.frame, s.t_ns - f.t_ns{columns} FROM {quoted(relation.samples + '_utc')} AS s "  # noqa: S608
            f"JOIN {quoted(relation.name)} AS f ON f.id = s.frame WHERE s.frame BETWEEN ? AND ? "
            "ORDER BY s.frame, s.position",
            first,
            last,
        ):
            found.setdefault(frame, []).append(tuple(row))
        return found

    def events(self, first: int, last: int) -> list[dict[str, Any]]:
        """The events with ids from ``first`` to ``last``: id (in its run, from 1 on), run, node, t_ns, kind, detail."""
        rows = self._query(
            "SELECT event.id, run.id, ifnull(run.uid, 'run ' || run.id), node.name, t_ns, event.kind, detail "
            "FROM event JOIN run ON run.id = event.run LEFT JOIN node ON node.id = event.node "
            "WHERE event.id BETWEEN ? AND ? ORDER BY event.id",
            first,
            last,
        )
        for run in {row[1] for row in rows} - self._event_begins.keys():
            self._event_begins[run] = self._query("SELECT min(id) FROM event WHERE run = ?", run)[0][0]
        return [
            {"id": id_ - self._event_begins[run] + 1, "run": uid, "node": node, "t_ns": t_ns, "kind": kind}
            | {"detail": json.loads(detail)}
            for id_, run, uid, node, t_ns, kind, detail in rows
        ]

    def changes(self) -> tuple[object, ...]:
        """What differs when a run began, ended or was joined."""
        return self._query(
            "SELECT max(id), max(ended_ns), (SELECT count(*) FROM node), (SELECT count(*) FROM requirement) FROM run"
        )[0]

    def _seal(self, run: int) -> str:
        """The newest head of a run's seal, "" in a log of an earlier version."""
        if not self._query("SELECT 1 FROM sqlite_master WHERE name = 'seal'"):
            return ""
        newest = self._query("SELECT head FROM seal WHERE run = ? ORDER BY number DESC LIMIT 1", run)
        return str(newest[0][0]) if newest else ""

    def runs(self, frame: int, event: int) -> list[dict[str, Any]]:
        """What a log keeps of runs besides their records, oldest first.

        Args:
            frame, event: only of those that hold one of these or a later one, and of the newest.
        """
        found = []
        of_frame, of_event, newest = self._query(
            "SELECT (SELECT max(id) FROM run WHERE first_frame <= ?), (SELECT run FROM event WHERE id = ?), max(id) "
            "FROM run",
            frame,
            event,
        )[0]
        first = min(one for one in (of_frame, of_event, newest, 1 << 62) if one is not None)
        for row in self._query(
            "SELECT id, ifnull(uid, 'run ' || id), title, started_ns, planned_ns, ended_ns, ended_how, "
            "radio, host, system, software, run_file, run_text FROM run WHERE id >= ? ORDER BY id",
            first,
        ):
            number, uid, title, started_ns, planned_ns, ended_ns, ended_how, *rest = row
            names = ("radio", "host", "system", "software", "run_file", "run_text")
            nodes = self._query("SELECT name, kind, sought FROM node WHERE run = ? ORDER BY id", number)
            plugins = self._query("SELECT kind, text FROM plugin WHERE run = ?", number)
            rules = "SELECT kind, subject, figure, low, high, unit, risk FROM requirement WHERE run = ? ORDER BY rowid"
            found.append(
                {"run": uid, "title": title, "started_ns": started_ns, "planned_ns": planned_ns}
                | {"ended_ns": ended_ns, "ended_how": ended_how}
                | dict(zip(names, rest, strict=True))
                | {"nodes": {name: {"kind": kind, "sought": sought} for name, kind, sought in nodes}}
                | {"plugins": dict(plugins), "requirements": [list(rule) for rule in self._query(rules, number)]}
                | {"seal": self._seal(number)}
            )
        return found
