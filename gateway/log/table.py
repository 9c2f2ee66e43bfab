"""One characteristic's relation: its columns, and how payloads become rows. Serves the writer of a live
run and everything that decodes stored bytes again."""

from __future__ import annotations

import hashlib
import sqlite3
from collections import Counter
from collections.abc import Container, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import numpy as np
from sqlite_utils import Database

from gateway.log.schema import quoted
from gateway.log.timeline import Timeline
from gateway.model.units import parse_unit
from gateway.plugin import Characteristic, Derived
from gateway.plugin.derive import NO_ANSWER, Constants, derive_part
from gateway.plugin.layout.columns import Cut, Part, decode_columns
from gateway.plugin.layout.model import Field

_NANOSECOND = parse_unit("ns")
Row = tuple[Any, ...]
OWN_COLUMNS: dict[str, type] = {"id": int, "node": int, "t_ns": int, "raw": bytes, "fault": str}
_SQL_NAMES = {int: "INTEGER", float: "REAL", str: "TEXT"}
MOST = (1 << 63) - 1
PARAMETERS = 640  # to a statement; SQLite allows 999 or more, an attribute value has at most 512 fields


@dataclass(slots=True)
class Rows:
    """Rows ready to insert and the newest values by column.

    Attributes:
        frames: (id, t_ns, raw, then a value for each column).
        refused: (id, t_ns, raw, why the payload does not fit).
        samples: (id, position, then a value for each sample column).
        absent: how many values are missing, by (relation, column, why).
    """

    frames: list[Row] = field(default_factory=list)
    refused: list[Row] = field(default_factory=list)
    samples: list[Row] = field(default_factory=list)
    newest: dict[str, Any] = field(default_factory=dict)
    absent: Counter[tuple[str, str, str]] = field(default_factory=Counter)

    def refuse(self, faults: Mapping[int, str]) -> None:
        """Keep as they came those frames that were found to be of no use otherwise, by their id."""
        if faults:
            self.refused += [(*row[:3], faults[row[0]]) for row in self.frames if row[0] in faults]
            self.frames = [row for row in self.frames if row[0] not in faults]


class ChannelTable:
    """The relation of one characteristic in one log.

    Args:
        database: the log.
        kind: the plugin's kind.
        item: the characteristic.
        relation: an existing relation to give this layout, whatever it had; None to find the one that has it, or to
            make it.
        constant: whether it is read once on connecting.
    """

    def __init__(
        self,
        database: Database,
        kind: str,
        item: Characteristic,
        relation: str | None = None,
        constant: bool = False,
    ) -> None:
        self.item = item
        self._kept = {"stores": item.stores, "constant": int(constant), "within": item.within or None}
        self._kept["broadcast"] = int(item.broadcast is not None)
        self._head = [d for d in item.derived if not d.in_samples]
        self._inner = [d for d in item.derived if d.in_samples]
        self.columns = [f.column for f in item.layout.fields] + [d.column for d in self._head]
        self._sometimes = {f.name for block in item.layout.blocks if block.when for f in block.fields}
        self.counters = frozenset(f.column for f in item.layout.fields if f.role == "sequence")
        group = item.layout.samples
        self.sample_columns = [f.column for f in group.fields] + [d.column for d in self._inner] if group else []
        told: tuple[object, ...] = (
            item.layout,
            [(d.name, d.formula.text, d.unit, d.over_samples) for d in item.derived],
        )
        if item.layout.check is not None or item.layout.message is not None:
            told += (item.layout.check, item.layout.message)
        if group and group.at is not None:
            told += (group.at,)
        if item.stores:  # what one run's node stores must not be taken for what another's does
            told += (item.stores,)
        if item.within:
            told += (item.within,)
        signature = hashlib.sha256(repr(told).encode())
        layout = signature.hexdigest()[:16]
        self.relation = relation or self._claim(database, f"{kind}_{item.name}".replace("-", "_"), kind, layout)
        self.samples = f"{self.relation}_sample" if group else None
        if relation is not None:
            self._reshape(database, relation, kind, layout)

    def _claim(self, database: Database, name: str, kind: str, layout: str) -> str:
        """Find the relation for this layout, or make one; a changed layout gets a relation of its own."""
        known = {row["relation"]: row for row in database["channel"].rows}
        relation, version = name, 1
        while relation in known and known[relation]["layout"] != layout:
            version += 1
            relation = f"{name}_{version}"
        if relation not in known:
            self._create(database, relation, kind, layout)
        elif any(known[relation][key] != value for key, value in self._kept.items()):
            database["channel"].update(relation, self._kept)
        return relation

    def _types(self) -> dict[str, type]:
        return {f.column: sql_type(f) for f in self.item.layout.fields} | {d.column: float for d in self._head}

    def _create(self, database: Database, relation: str, kind: str, layout: str) -> None:
        frames = database.table(relation)
        frames.create(
            OWN_COLUMNS | self._types(),
            pk="id",
            not_null={"node", "t_ns", "raw"},
            foreign_keys=[("node", "node", "id")],
        )
        self._describe(database, relation, kind, layout)

    def _reshape(self, database: Database, relation: str, kind: str, layout: str) -> None:
        """Give an existing relation the columns of this layout; columns it keeps keep their values for now."""
        connection = database.conn
        for name in (f"{relation}_utc", f"{relation}_sample_utc"):
            connection.execute(f"DROP VIEW IF EXISTS {quoted(name)}")
        connection.execute(f"DROP TABLE IF EXISTS {quoted(relation + '_sample')}")
        wanted = {name: _SQL_NAMES[kind_of] for name, kind_of in self._types().items()}
        there = {row[1]: row[2] for row in connection.execute(f"PRAGMA table_info({quoted(relation)})")}
        for name, declared in there.items():
            if name not in OWN_COLUMNS and wanted.get(name) != declared:
                connection.execute(f"ALTER TABLE {quoted(relation)} DROP COLUMN {quoted(name)}")
        for name, declared in wanted.items():
            if there.get(name) != declared:
                connection.execute(f"ALTER TABLE {quoted(relation)} ADD COLUMN {quoted(name)} {declared}")
        for owner in (relation, f"{relation}_sample"):
            connection.execute("DELETE FROM field WHERE relation = ?", (owner,))
            connection.execute("DELETE FROM absence WHERE relation = ?", (owner,))
        connection.execute("DELETE FROM channel WHERE relation = ?", (relation,))
        self._describe(database, relation, kind, layout)

    def _describe(self, database: Database, relation: str, kind: str, layout: str) -> None:
        """Views, samples, and what the columns mean."""
        item, group = self.item, self.item.layout.samples
        self._view(database, relation, self.columns)
        if group:
            inner = {f.column: sql_type(f) for f in group.fields} | {d.column: float for d in self._inner}
            table = database.table(f"{relation}_sample")
            table.create({"frame": int, "position": int} | inner, pk=("frame", "position"))
            self._sample_view(database, relation)
        database["channel"].insert(
            {
                "relation": relation,
                "samples": f"{relation}_sample" if group else None,
                "kind": kind,
                "name": item.name,
                "title": item.title,
                "uuid": item.uuid,
                "layout": layout,
            }
            | self._kept
        )
        for rows in self.meanings(relation):
            database["field"].insert_all(rows)

    def meanings(self, relation: str) -> Iterator[Iterable[dict[str, Any]]]:
        """What the columns of its relation mean, and those of its samples, as the log holds that."""
        yield self._field_rows(relation, self.item.layout.fields, self._head, self._sometimes)
        if (group := self.item.layout.samples) is not None:
            yield self._field_rows(f"{relation}_sample", group.fields, self._inner)

    @staticmethod
    def _field_rows(
        relation: str, fields: Sequence[Field], derived: Sequence[Derived], sometimes: Container[str] = ()
    ) -> Iterable[dict[str, Any]]:
        for position, f in enumerate(fields):
            yield {
                "relation": relation,
                "column_name": f.column,
                "position": position,
                "name": f.name,
                "unit": f.unit.symbol,
                "type": f.type.label(f.bits),
                "lsb": f.scale.num / f.scale.den if f.scale else None,
                "low": f.low,
                "high": f.high,
                "role": f.role,
                "bits": f.bits,
                "sometimes": int(f.name in sometimes),
            }
        for position, d in enumerate(derived, len(fields)):
            yield {
                "relation": relation,
                "column_name": d.column,
                "position": position,
                "name": d.name,
                "unit": d.unit.symbol,
                "type": "derived",
            }

    @staticmethod
    def _view(database: Database, relation: str, columns: Sequence[str]) -> None:
        shown = "".join(f", f.{quoted(column)}" for column in columns)
        database.create_view(
            f"{relation}_utc",
            "SELECT f.id, strftime('%Y-%m-%dT%H:%M:%fZ', f.t_ns / 1e9, 'unixepoch') AS utc, "  # noqa: S608
            f"node.name AS node{shown}, hex(f.raw) AS raw, f.fault "
            f"FROM {quoted(relation)} AS f JOIN node ON node.id = f.node",
        )

    def _sample_view(self, database: Database, relation: str) -> None:
        group = self.item.layout.samples
        if group is None:
            return
        last = f"(length(f.raw) - {self.item.layout.head + self.item.layout.behind}) / {group.size} - 1"
        if self.item.layout.conditional or group.at is not None:
            last = f"(SELECT max(l.position) FROM {quoted(relation + '_sample')} AS l WHERE l.frame = f.id)"  # noqa: S608
        moment = f"f.t_ns - ({last} - s.position) * {group.every_ns or 0}"
        source = quoted(relation + "_sample")
        if (stamp := group.stamp) is not None:
            column, (gain, _) = quoted(stamp.column), stamp.unit.to(_NANOSECOND)
            source = f"({_unwrapped(source, column, stamp.turn or 0.0)})"
            moment = f"coalesce(f.t_ns - CAST(round((s._newest - s._at) * {float(gain)!r}) AS INTEGER), f.t_ns)"
        shown = "".join(f", s.{quoted(column)}" for column in self.sample_columns)
        database.create_view(
            f"{relation}_sample_utc",
            f"SELECT s.frame, s.position, {moment} AS t_ns, "  # noqa: S608
            f"strftime('%Y-%m-%dT%H:%M:%fZ', ({moment}) / 1e9, 'unixepoch') AS utc, node.name AS node{shown} "
            f"FROM {source} AS s JOIN {quoted(relation)} AS f ON f.id = s.frame "
            "JOIN node ON node.id = f.node",
        )

    def rows(self, ids: Sequence[int], t_ns: Sequence[int], raws: Sequence[bytes], constants: Constants) -> Rows:
        """Decode payloads into rows.

        Args:
            ids, t_ns, raws: frame ids, arrival times and payloads, of one length n.
            constants: the node's constants, for derived values.
        """
        decoded = decode_columns(self.item.layout, raws)
        newest = -1
        out = Rows(refused=[(ids[i], t_ns[i], raws[i], reason) for i, reason in decoded.faults.items()])
        for part in decoded.parts:
            absent = [None] * len(part.positions)
            held = [part.fields.get(f.name) for f in self.item.layout.fields]
            columns = [absent if cut is None else _storable(cut) for cut in held]
            places = part.positions.tolist()
            self._count_absent(out, self.relation, part.fields)
            columns += self._derived(out, self.relation, self._head, part, constants)
            whole = len(places) == len(raws)
            stamps = [source if whole else [source[place] for place in places] for source in (ids, t_ns, raws)]
            out.frames += zip(*stamps, *columns, strict=True)
            latest = places[-1] > newest
            if latest:
                newest = places[-1]
                out.newest = dict(zip(self.columns, (column[-1] for column in columns), strict=True))
            if part.count:
                last = self._add_samples(out, [ids[place] for place in places], part, constants)
                out.newest |= last if latest else {}
        return out

    def update(self, connection: sqlite3.Connection, node: int, rows: Rows) -> None:
        """Give the rows of one node that are there already these values, inside the caller's transaction."""
        into = f"UPDATE {quoted(self.relation)} SET fault = "  # noqa: S608  proven names
        values = ", ".join(f"{quoted(column)} = ?{number}" for number, column in enumerate(self.columns, 4))
        blank = "".join(f", {quoted(column)} = NULL" for column in self.columns)
        connection.executemany(f"{into}NULL, {values} WHERE id = ?1", rows.frames)
        connection.executemany(f"{into}?4{blank} WHERE id = ?1", rows.refused)
        self._insert_samples(connection, node, rows)

    def decoded(
        self,
        timeline: Timeline,
        node: Hashable,
        ids: Sequence[int],
        times: Sequence[int],
        raws: Sequence[bytes],
        heard: Sequence[int] | None = None,
    ) -> Iterator[Rows]:
        """The rows of frames of one node, ids rising, each stretch with the constants that held for it.

        Args:
            heard: of messages the frames that they were whole with, which rise too.
        """
        for part, constants in timeline.parts(node, ids if heard is None else heard):
            yield self.rows(ids[part], times[part], raws[part], constants)

    def insert(self, connection: sqlite3.Connection, node: int, rows: Rows) -> None:
        """Add the rows of one node, inside the caller's transaction."""
        into = f"INSERT INTO {quoted(self.relation)}"
        # what is the same for all rows is not bound for each: it is the insert that limits a log's rate
        one = f"(?, {node}, ?, ?{', ?' * len(self.columns)})"
        names = "".join(f", {quoted(column)}" for column in self.columns)
        whole = f"{into} (id, node, t_ns, raw{names}) VALUES "
        _insert(connection, whole, one, 3 + len(self.columns), rows.frames)
        _insert(connection, f"{into} (id, node, t_ns, raw, fault) VALUES ", f"(?, {node}, ?, ?, ?)", 4, rows.refused)
        self._insert_samples(connection, node, rows)

    def _insert_samples(self, connection: sqlite3.Connection, node: int, rows: Rows) -> None:
        if self.samples:
            width = 2 + len(self.sample_columns)
            one = f"({', '.join('?' * width)})"
            into = f"INSERT INTO {quoted(self.samples)} VALUES "  # noqa: S608  proven names
            _insert(connection, into, one, width, rows.samples)
        connection.executemany(
            "INSERT INTO absence VALUES (?, ?, ?, ?, ?) "
            "ON CONFLICT (node, relation, column_name, reason) DO UPDATE SET count = count + excluded.count",
            [(node, *key, count) for key, count in rows.absent.items()],
        )

    def _add_samples(self, out: Rows, ids: Sequence[int], part: Part, constants: Constants) -> dict[str, Any]:
        columns = [_storable(cut) for cut in part.samples.values()]
        self._count_absent(out, str(self.samples), part.samples)
        columns += self._derived(out, str(self.samples), self._inner, part, constants)
        owners = [number for number in ids for _ in range(part.count)]
        out.samples += zip(owners, list(range(part.count)) * len(ids), *columns, strict=True)
        return dict(zip(self.sample_columns, (column[-1] for column in columns), strict=True))

    @staticmethod
    def _count_absent(out: Rows, relation: str, cuts: Mapping[str, Cut]) -> None:
        for cut in cuts.values():
            for why, count in cut.reasons().items():
                out.absent[relation, cut.field.column, why] += count

    @staticmethod
    def _derived(
        out: Rows, relation: str, wanted: Sequence[Derived], part: Part, constants: Constants
    ) -> list[list[float | None]]:
        """A column for each derived value: of n where it belongs to the value, of n * count to the samples."""
        columns = []
        for derived in wanted:
            result = derive_part(derived, part, constants)
            values_or_none: list[float | None] = result.tolist()
            missing = np.flatnonzero(np.isnan(result)).tolist()
            for place in missing:
                values_or_none[place] = None
            if missing:
                out.absent[relation, derived.column, NO_ANSWER] += len(missing)
            columns.append(values_or_none)
        return columns


def _insert(connection: sqlite3.Connection, into: str, one: str, width: int, rows: Sequence[Row]) -> None:
    """Insert rows, many to a statement: a third faster than one by one, and the lock of the interpreter, which
    the event loop waits for, changes hands that much less often."""
    many = max(PARAMETERS // width, 1)
    whole = len(rows) - len(rows) % many
    statement = into + ", ".join([one] * many)
    for start in range(0, whole, many):
        connection.execute(statement, list(chain.from_iterable(rows[start : start + many])))
    connection.executemany(into + one, rows[whole:])


def _storable(cut: Cut) -> list[Any]:
    """Values that SQLite can hold: integers beyond its 64 bits as the nearest REAL (the raw bytes are exact)."""
    values = cut.to_list()
    if cut.values.dtype == np.uint64 or cut.values.dtype == object:
        return [float(v) if isinstance(v, int) and not -MOST - 1 <= v <= MOST else v for v in values]
    return values


def sql_type(f: Field) -> type:
    """What a field's values are in SQL: str, float or int."""
    if f.names is not None:
        return str
    return float if f.scale is not None and f.scale.den != 1 else f.type.sql


def _unwrapped(relation: str, column: str, turn: float) -> str:
    """Samples with ``_at``, their own time with its wraps counted in, and ``_newest``, the largest of their value, as a
    query; a step back by more than half a turn is a wrap, and samples that do not tell are passed over.
    No field's name begins so."""
    of_frame = "OVER (PARTITION BY frame ORDER BY position)"
    told = f"SELECT *, count({column}) {of_frame} AS _telling FROM {relation}"  # noqa: S608  proven names
    known = (
        f"SELECT *, first_value({column}) OVER (PARTITION BY frame, _telling ORDER BY position) AS _known FROM ({told})"  # noqa: S608
    )
    steps = f"SELECT *, _known - lag(_known) {of_frame} AS _step FROM ({known})"  # noqa: S608
    wraps = f"{turn!r} * ifnull(sum(_step < {-turn / 2!r}) {of_frame}, 0)"
    taken = f"SELECT *, {column} + {wraps} AS _at FROM ({steps})"  # noqa: S608
    return f"SELECT *, max(_at) OVER (PARTITION BY frame) AS _newest FROM ({taken})"  # noqa: S608
