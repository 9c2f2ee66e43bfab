"""A run summarised while it grows: of each field the lowest and highest value, of each channel how many values, in bins
of equal width that widen as the run gets longer. What a plot needs of a hundred million frames then fits in memory, and
no table is read twice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.log.info import FieldInfo
from gateway.log.tail import Stretch

BINS = 4096
FIRST_WIDTH_NS = 50_000_000  # of a bin at the beginning of a run: 200 s in all
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
FieldKey = tuple[str, str, str]  # node, channel, field


@dataclass(frozen=True, slots=True)
class Band:
    """Part of a trace.

    Attributes:
        start_ns, width_ns: when its first bin begins, and how wide each is.
        low, high: lowest and highest value of each bin, NaN for none, shape (n,).
        counts: values in each, shape (n,).
    """

    start_ns: int
    width_ns: int
    low: Floats
    high: Floats
    counts: Ints


@dataclass(slots=True)
class Trace:
    """Values over time in `BINS` bins from ``start_ns`` on."""

    start_ns: int
    width_ns: int = FIRST_WIDTH_NS
    low: Floats = field(default_factory=lambda: np.full(BINS, np.nan))
    high: Floats = field(default_factory=lambda: np.full(BINS, np.nan))
    counts: Ints = field(default_factory=lambda: np.zeros(BINS, np.int64))

    def reach(self, t_ns: int) -> None:
        """Widen the bins until the last one holds ``t_ns``."""
        while t_ns - self.start_ns >= self.width_ns * BINS:
            self.width_ns *= 2
            half = BINS // 2
            self.low[:half], self.low[half:] = np.fmin(self.low[::2], self.low[1::2]), np.nan
            self.high[:half], self.high[half:] = np.fmax(self.high[::2], self.high[1::2]), np.nan
            self.counts[:half], self.counts[half:] = self.counts[::2] + self.counts[1::2], 0

    def add(self, times: Ints, values: Floats | None = None) -> None:
        """Take values, arrays of shape (n,); of a channel itself only their times."""
        if not len(times):
            return
        self.reach(int(times.max()))
        place = np.clip((times - self.start_ns) // self.width_ns, 0, BINS - 1)
        if values is not None:
            there = np.isfinite(values)
            if not there.all():
                place, values = place[there], values[there]
            if not len(place):
                return
            if (place[1:] < place[:-1]).any():
                order = np.argsort(place, kind="stable")
                place, values = place[order], values[order]
            edges = np.flatnonzero(np.diff(place, prepend=-1))
            bins = place[edges]
            self.low[bins] = np.fmin(self.low[bins], np.minimum.reduceat(values, edges))
            self.high[bins] = np.fmax(self.high[bins], np.maximum.reduceat(values, edges))
        self.counts += np.bincount(place, minlength=BINS)

    def part(self, from_ns: int, to_ns: int, most: int) -> Band:
        """The bins from ``from_ns`` to ``to_ns``, joined until there are at most ``most``."""
        first = min(max((from_ns - self.start_ns) // self.width_ns, 0), BINS - 1)
        end = min(max(-(-(to_ns - self.start_ns) // self.width_ns), first + 1), BINS)
        joined = -(-(end - first) // most)
        edges = np.arange(first, end, joined)
        low, high = (np.fmin.reduceat(self.low[:end], edges), np.fmax.reduceat(self.high[:end], edges))
        counts = np.add.reduceat(self.counts[:end], edges)
        return Band(self.start_ns + first * self.width_ns, joined * self.width_ns, low, high, counts)


@dataclass(slots=True)
class Newest:
    """What a channel had last: when, and its values by field."""

    t_ns: int = 0
    values: dict[str, Any] = field(default_factory=dict)


class Traces:
    """All traces of a run, by (node, channel) or (node, channel, field).

    Args:
        start_ns: when the run began.
    """

    def __init__(self, start_ns: int) -> None:
        self.start_ns = start_ns
        self.channels: dict[tuple[str, str], Trace] = {}
        self.fields: dict[FieldKey, Trace] = {}
        self.newest: dict[tuple[str, str], Newest] = {}
        self.values: dict[tuple[str, str], int] = {}
        self.faults: dict[tuple[str, str], int] = {}

    def add(self, stretches: Iterable[Stretch]) -> None:
        """Take frames, in any order."""
        for one in stretches:
            key = (one.node, one.relation.channel)
            ids, times, _, faults, *columns = zip(*one.rows, strict=True)
            t_ns = np.array(times, np.int64)
            self.channels.setdefault(key, Trace(self.start_ns)).add(t_ns)
            self.values[key] = self.values.get(key, 0) + len(ids)
            self.faults[key] = self.faults.get(key, 0) + sum(why is not None for why in faults)
            for info, column in zip(one.relation.fields, columns, strict=True):
                self._field(key, info, t_ns, column)
            if one.samples:
                rows = [(at, row) for frame, at in zip(ids, times, strict=True) for row in one.samples.get(frame, ())]
                moments = np.array([at + row[0] for at, row in rows], np.int64)
                for place, info in enumerate(one.relation.sample_fields, 1):
                    self._field(key, info, moments, [row[place] for _, row in rows])
            newest = self.newest.setdefault(key, Newest())
            if times[-1] >= newest.t_ns:
                names = [info.name for info in one.relation.fields]
                newest.t_ns, newest.values = times[-1], dict(zip(names, one.rows[-1][4:], strict=True))
                if one.samples and (last := one.samples.get(ids[-1])):
                    inner = [info.name for info in one.relation.sample_fields]
                    newest.values |= dict(zip(inner, last[-1][1:], strict=True))

    def _field(self, key: tuple[str, str], info: FieldInfo, times: Ints, column: Sequence[Any]) -> None:
        if info.role in ("sequence", "node time", "sample time"):
            return
        name = (*key, info.name)
        try:
            numbers = np.array(column, np.float64)  # None becomes NaN
        except (TypeError, ValueError):  # text
            return
        if name not in self.fields:
            if not np.isfinite(numbers).any():
                return
            self.fields[name] = Trace(self.start_ns)
        self.fields[name].add(times, numbers)


def finer(
    stretches: Iterable[Stretch], wanted: Mapping[FieldKey, Trace], from_ns: int, to_ns: int, most: int
) -> dict[FieldKey, Band]:
    """Fields in a span that is too short for the bins of the whole run, from the frames that are in it."""
    close = Traces(from_ns)
    width_ns = max((to_ns - from_ns) // BINS, 1)
    close.fields = {name: Trace(from_ns, width_ns) for name in wanted}
    close.add(_within(one, from_ns, to_ns) for one in stretches)
    return {name: trace.part(from_ns, to_ns, most) for name, trace in close.fields.items() if name in wanted}


def _within(one: Stretch, from_ns: int, to_ns: int) -> Stretch:
    rows = [row for row in one.rows if from_ns <= row[1] < to_ns] or one.rows[:1]
    return Stretch(one.run, one.node, one.relation, rows, one.samples, one.begins)
