"""What an export takes from a log: rows of a relation as they stand, or resampled to intervals."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.export.sinks import Batch, Column, ColumnKind
from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted

_LATE_NS = 10_000_000_000  # how far a value may stand behind its place in time and still find its interval
_MOST = 2.0**63  # beyond SQLite's integers
STATISTICS = ("mean", "min", "max", "count")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is exported: of which nodes and channels (all where empty), between which times in nanoseconds UTC, and
    the length of a resampled interval, None for every value."""

    nodes: Collection[str] = ()
    channels: Collection[str] = ()
    since_ns: int = -(2**63)
    until_ns: int = 2**63 - 1
    every_ns: int | None = None


class StoredTable:
    """One file's rows: those of a relation's frames, or of its samples."""

    def __init__(
        self, log: Log, run: RunInfo, nodes: Sequence[NodeInfo], channel: ChannelInfo, wanted: Wanted, samples: bool
    ) -> None:
        self.channel, self.samples = channel, samples
        self.relation = str(channel.samples) if samples else channel.relation
        self._log, self._run, self._nodes, self._wanted = log, run, nodes, wanted
        self._fields = channel.sample_fields if samples else channel.fields
        kinds = log.column_kinds(self.relation)
        self._values = [_column(field, kinds.get(field.column, "")) for field in self._fields]
        self.columns = [Column("utc", "time"), Column("node", "text")]
        self._beside: list[FieldInfo] = []  # of a sample: the fields of the frame it came in
        if wanted.every_ns is not None:
            self._numeric = [i for i, column in enumerate(self._values) if column.kind != "text"]
            self.columns.append(Column("count", "integer"))
            for i in self._numeric:
                column = self._values[i]
                self.columns += [
                    Column(f"{column.name}_{name}", "integer" if name == "count" else "real", column.unit)
                    for name in STATISTICS
                ]
        elif samples:
            of_frame = log.column_kinds(channel.relation)
            self._beside = [field for field in channel.fields if field.column not in {c.name for c in self._values}]
            beside = [_column(field, of_frame.get(field.column, "")) for field in self._beside]
            self.columns += [Column("frame", "integer"), Column("position", "integer"), *self._values, *beside]
        else:
            self.columns += [*self._values, Column("raw", "bytes"), Column("fault", "text")]

    def batches(self) -> Iterator[Batch]:
        """Its rows, column by column, node after node."""
        for node in self._nodes:
            rows = self._rows(node)
            if self._wanted.every_ns is not None:
                yield from self._resampled(node, rows)
                continue
            for chunk in rows:
                times, *rest = zip(*chunk, strict=True)
                yield [times, (node.name,) * len(times), *rest]

    def _rows(self, node: NodeInfo) -> Iterator[list[tuple[Any, ...]]]:
        if self.samples:
            head = [] if self._wanted.every_ns is not None else ["frame", "position"]
            columns = ", ".join(f"s.{quoted(name)}" for name in ["t_ns", *head, *(f.column for f in self._fields)])
            beside = [field.column for field in self._beside]
            chunks = self._log.sample_values(self._run, node, self.channel, columns, beside)
        else:
            names = "".join(f", {quoted(field.column)}" for field in self._fields)
            tail = "" if self._wanted.every_ns is not None else ", raw, fault"
            chunks = self._log.rows(self._run, node, self.relation, f"t_ns{names}{tail}")
        low, high = self._wanted.since_ns, self._wanted.until_ns
        for chunk in chunks:
            kept = [row for row in chunk if low <= row[0] <= high]
            if kept:
                yield kept

    def _resampled(self, node: NodeInfo, chunks: Iterator[list[tuple[Any, ...]]]) -> Iterator[Batch]:
        """Intervals of equal length, counted from 1970, each once it is complete."""
        every_ns = self._wanted.every_ns or 1
        waiting: list[tuple[Any, ...]] = []
        for chunk in chunks:
            rows = sorted(waiting + chunk, key=lambda row: row[0])  # samples of neighbouring frames overlap
            complete = (rows[-1][0] - _LATE_NS) // every_ns * every_ns
            cut = bisect_left(rows, complete, key=lambda row: row[0])
            waiting = rows[cut:]
            if cut:
                yield self._intervals(node, rows[:cut], every_ns)
        if waiting:
            yield self._intervals(node, waiting, every_ns)

    def _intervals(self, node: NodeInfo, rows: list[tuple[Any, ...]], every_ns: int) -> Batch:
        bins = np.array([row[0] for row in rows], np.int64) // every_ns
        starts = np.flatnonzero(np.r_[True, bins[1:] != bins[:-1]])
        counts = np.diff(np.r_[starts, len(rows)])
        out: list[Sequence[Any]] = [
            (bins[starts] * every_ns).tolist(), [node.name] * len(starts), counts.tolist(),
        ]  # fmt: skip
        for i in self._numeric:
            values = np.array([row[i + 1] for row in rows], dtype=np.float64)  # None becomes NaN
            out += _statistics(values, starts)
        return out


def _statistics(values: npt.NDArray[np.float64], starts: npt.NDArray[np.intp]) -> list[list[Any]]:
    """Mean, least, greatest and count of the values of each interval; None where it has none."""
    there = ~np.isnan(values)
    count = np.add.reduceat(there.astype(np.int64), starts)
    total = np.add.reduceat(np.where(there, values, 0.0), starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
    least = np.fmin.reduceat(values, starts)
    greatest = np.fmax.reduceat(values, starts)
    some = count > 0
    shown = [
        [v if known else None for v, known in zip(c.tolist(), some.tolist(), strict=True)]
        for c in (mean, least, greatest)
    ]
    return [*shown, count.tolist()]


def _column(field: FieldInfo, declared: str) -> Column:
    kind: ColumnKind = {"INTEGER": "integer", "TEXT": "text"}.get(declared, "real")  # type: ignore[assignment]
    if kind == "integer" and 2.0 ** (field.bits or 0) * abs(field.lsb or 1) > _MOST:  # then some are kept as REAL
        kind = "real"
    return Column(field.column, kind, field.unit)
