"""What a field's values do: range, noise, slow change, and the signs of a sensor that is stuck, saturated or upset.
Values are read once, in chunks, whatever their number; what is kept between two chunks is small."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS, DEVIATION, block_bounds, deviation_bounds, slope_bounds
from gateway.analysis.measure.allan import Allan
from gateway.analysis.measure.link import History
from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted
from gateway.model.figures import FEWEST_PER_CODE, FIELD_FIGURES, OF_FIELD
from gateway.model.records import Measure
from gateway.plugin.layout.types import type_labelled

Floats = npt.NDArray[np.float64]
MEAN = "Student's t over 20 or more batches of values"
DEVIATION_OF = "chi-squared, with the effective number of values"
RESOLUTION = "the resolution, LSB / sqrt(12)"
LINE = "Student's t for a line fit over up to 20 segments of the run"
_MOST_CODES = 1 << 20
LARGEST = 1e150
_EXACT = 2.0**53  # up to which every code is a number of its own
FAR = 8.0  # times the median change from one value to the next: a spike; common practice
FEWEST_LSB = 4.0
_ENOUGH_FOR_FAR = 100
NEIGHBOURS = 1.5  # times the usual time between values: further apart, one is missing between them


@dataclass(frozen=True, slots=True)
class Overview:
    """A field over time, in equal bins of the run: lowest and highest value of each, NaN for none, shape (bins,)."""

    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class FieldSurvey:
    """A field: its figures, its overview, and its Allan deviation, (averaging time in seconds, deviation, pairs) each:
    that of so many values at the time that usually lies between two."""

    info: FieldInfo
    measures: list[Measure]
    overview: Overview
    allan: list[tuple[float, float, int]]


def survey_fields(
    log: Log,
    run: RunInfo,
    node: NodeInfo,
    channel: ChannelInfo,
    history: History,
    wanted: Collection[str] | None,
    bins: int = 1,
) -> list[FieldSurvey]:
    """A channel's fields that are numbers, counters and time stamps left out.

    Args:
        wanted: the fields, written ``channel.field``; None for all.
        bins: how finely the overview is to divide the run.
    """
    found: list[FieldSurvey] = []
    for inner in (False, True):
        infos = channel.sample_fields if inner else channel.fields
        relation = channel.samples if inner else channel.relation
        kinds = log.column_kinds(relation) if relation else {}
        chosen = [
            info
            for info in infos
            if info.role not in ("sequence", "node time", "sample time")
            and kinds.get(info.column) in ("INTEGER", "REAL", "FLOAT")
            and (wanted is None or f"{channel.name}.{info.name}" in wanted)
        ]
        if not chosen:
            continue
        columns = ", ".join(["t_ns", *(quoted(info.column) for info in chosen)])
        chunks = (
            log.sample_values(run, node, channel, columns) if inner else log.rows(run, node, channel.relation, columns)
        )
        states = [_State(info, history, np.full(bins, np.inf), np.full(bins, -np.inf)) for info in chosen]
        for chunk in chunks:
            rows = np.array(chunk, dtype=np.float64)
            for number, state in enumerate(states):
                state.add(rows[:, 0], rows[:, number + 1])
        for state in states:
            there = state.low <= state.high
            overview = Overview(np.where(there, state.low, np.nan), np.where(there, state.high, np.nan))
            measures = list(state.measures(node.name, f"{channel.name}.{state.info.name}"))
            every_s = state.every_s
            allan = [(m * every_s, deviation, pairs) for m, deviation, pairs in state.allan.points if every_s > 0]
            found.append(FieldSurvey(state.info, measures, overview, allan))
    return found


class Batches:
    """Means of batches of equal size, 20 to 39 of them once there are so many values: what hangs together within a
    batch does not narrow the bounds of their mean (batch means; common practice in the analysis of simulations)."""

    def __init__(self) -> None:
        self._sums = np.empty(0)
        self._size = 1
        self._rest = np.empty(0)

    def add(self, values: Floats) -> None:
        """Take the next values."""
        self._rest = np.concatenate([self._rest, values])
        while len(self._rest) >= self._size:
            count = min(len(self._rest) // self._size, 2 * BLOCKS - len(self._sums))
            taken, self._rest = self._rest[: count * self._size], self._rest[count * self._size :]
            self._sums = np.concatenate([self._sums, taken.reshape(count, self._size).sum(axis=1)])
            if len(self._sums) == 2 * BLOCKS:
                self._sums, self._size = self._sums.reshape(-1, 2).sum(axis=1), 2 * self._size

    def half(self) -> float | None:
        """Half the width of the bounds of the mean, None for fewer than 20 batches, or where it has none."""
        bounds = block_bounds((self._sums / self._size).tolist()) if len(self._sums) >= BLOCKS else None
        return None if bounds is None else (bounds[1] - bounds[0]) / 2

    def freedom(self, variance: float) -> float | None:
        """How many independent values vary about their mean as these do, less one; None where that can't be told."""
        means = self._sums / self._size
        spread = float(np.var(means, ddof=1)) if len(means) >= BLOCKS else 0.0
        if spread <= 0 or variance <= 0 or block_bounds(means.tolist()) is None:
            return None
        return min(variance / spread, len(means) * self._size) - 1


@dataclass(slots=True)
class _State:
    """What is known of a field after so many chunks; sums are of differences from the first value."""

    info: FieldInfo
    history: History
    low: Floats
    high: Floats
    n: int = 0
    first: float = 0.0
    first_ns: float = 0.0
    total: float = 0.0
    squares: float = 0.0
    lowest: float = math.inf
    highest: float = -math.inf
    allan: Allan = field(default_factory=Allan)
    batches: Batches = field(default_factory=lambda: Batches())
    pairs: int = 0
    changes: float = 0.0  # squares of differences of true neighbours
    usual_ns: float = math.inf
    step: float = math.inf
    codes: npt.NDArray[np.int64] | None = field(default_factory=lambda: np.empty(0, np.int64))
    since_ns: float = 0.0
    stuck_ns: float = 0.0
    spikes: int = 0
    decreases: int = 0
    far: float | None = None
    saturated: int = 0
    sums: Floats = field(default_factory=lambda: np.zeros(BLOCKS))
    counts: Floats = field(default_factory=lambda: np.zeros(BLOCKS))
    last: Floats = field(default_factory=lambda: np.empty(0))
    last_ns: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, t_ns: Floats, values: Floats) -> None:
        """Take a chunk: times and values in the field's unit, NaN for none, shape (n,)."""
        there = np.abs(values) < LARGEST  # NaN is not; beyond it squares leave what a number holds
        t_ns, values = t_ns[there], values[there]
        if not len(values):
            return
        if not self.n:
            self.first, self.since_ns = float(values[0]), float(t_ns[0])
            self.first_ns = self.since_ns
        from_first = values - self.first
        self.allan.add(values)
        self.batches.add(from_first)
        self.n += len(values)
        self.total += float(from_first.sum())
        self.squares += float((from_first**2).sum())
        self.lowest, self.highest = min(self.lowest, float(values.min())), max(self.highest, float(values.max()))
        low, high = rails(self.info)
        self.saturated += int(np.count_nonzero((values <= low) | (values >= high)))
        block = self._part(t_ns, BLOCKS)
        self.sums += np.bincount(block, from_first, BLOCKS)
        self.counts += np.bincount(block, minlength=BLOCKS)
        fine = self._part(t_ns, len(self.low))
        edges = np.flatnonzero(np.diff(fine, prepend=-1))  # times run forward, but for odd captures
        np.minimum.at(self.low, fine[edges], np.minimum.reduceat(values, edges))
        np.maximum.at(self.high, fine[edges], np.maximum.reduceat(values, edges))
        if self.info.lsb and self.codes is not None and np.abs(values).max() / self.info.lsb >= _EXACT:
            self.codes = None
        if self.info.lsb and self.codes is not None:
            seen = np.unique(np.rint(values / self.info.lsb).astype(np.int64))
            self.codes = np.union1d(self.codes, seen)
            self.codes = self.codes if len(self.codes) <= _MOST_CODES else None
        self._neighbours(np.concatenate([self.last_ns, t_ns]), np.concatenate([self.last, values]))

    @property
    def every_s(self) -> float:
        """The time that usually lies between two values, seconds; of few values their mean, 0 for one."""
        if self.usual_ns < math.inf:
            return self.usual_ns / 1e9
        return float(self.last_ns[-1] - self.first_ns) / 1e9 / (self.n - 1) if self.n > 1 else 0.0

    def _part(self, t_ns: Floats, parts: int) -> npt.NDArray[np.int64]:
        """In which of so many equal parts of the run each time lies."""
        start, length = self.history.start_ns, max(self.history.end_ns - self.history.start_ns, 1)
        return np.clip((t_ns - start) * parts / length, 0, parts - 1).astype(np.int64)

    def _neighbours(self, t_ns: Floats, values: Floats) -> None:
        """Differences between values next to each other; of a chunk before, the last two are there again."""
        old = len(self.last)
        change, apart_ns = np.diff(values), np.diff(t_ns)
        span = np.searchsorted([start for start, _ in self.history.spans], t_ns, side="right")
        near = np.diff(span) == 0  # true neighbours: of one link, and none missing between them
        near &= apart_ns <= NEIGHBOURS * self._usual_ns(apart_ns)
        fresh, beside = change[max(old - 1, 0) :], near[max(old - 1, 0) :]
        self.pairs += int(np.count_nonzero(beside))
        self.changes += float((fresh[beside] ** 2).sum())
        self.decreases += int(np.count_nonzero(beside & (fresh < 0)))
        size = np.abs(fresh[beside & (fresh != 0)])
        self.step = min(self.step, float(size.min(initial=math.inf)))
        moved = np.flatnonzero(fresh != 0) + max(old, 1)
        edges = np.concatenate([[self.since_ns], t_ns[moved]])
        ends = np.concatenate([t_ns[moved - 1], t_ns[-1:]])
        away_ns = self._away_ns(ends) - self._away_ns(edges)  # between links nothing is known
        self.stuck_ns = max(self.stuck_ns, float((ends - edges - away_ns).max()))
        self.since_ns = float(edges[-1])
        if len(change) > (2 if self.far is None else _ENOUGH_FOR_FAR):
            usual = float(np.median(np.abs(change)))
            self.far = max(FAR * usual, FEWEST_LSB * (self.info.lsb or (self.step if self.step < math.inf else 0.0)))
        if self.far is not None and len(change) > 1:
            there, back = change[:-1], change[1:]
            apart = np.minimum(np.abs(there), np.abs(back))
            self.spikes += int(
                np.count_nonzero(
                    (apart > self.far) & (there * back < 0) & (np.abs(there + back) <= apart / 2) & near[:-1] & near[1:]
                )
            )
        self.last, self.last_ns = values[-2:], t_ns[-2:]

    def _usual_ns(self, apart_ns: Floats) -> Floats:
        """The usual time between values around each: a sensor that is slowed down has neighbours further apart."""
        whole = len(apart_ns) // _ENOUGH_FOR_FAR * _ENOUGH_FOR_FAR
        if whole:
            medians = np.median(apart_ns[:whole].reshape(-1, _ENOUGH_FOR_FAR), axis=1)
            medians[medians == 0] = math.inf  # stamps that stand still tell nothing
            usual = np.repeat(medians, _ENOUGH_FOR_FAR)
            self.usual_ns = float(medians[-1])
        else:
            usual = np.empty(0)
        rest = np.full(len(apart_ns) - whole, self.usual_ns)
        return np.concatenate([usual, rest])

    def _away_ns(self, t_ns: Floats) -> Floats:
        """For how long there had been no link by then, from the first one on."""
        spans = self.history.spans
        if len(spans) < 2:
            return np.zeros(len(t_ns))
        away = np.cumsum([0, 0, *(start - end for (_, end), (start, _) in pairwise(spans))])
        return away[np.searchsorted([start for start, _ in spans], t_ns, side="right")]

    def measures(self, node: str, subject: str) -> Iterator[Measure]:
        """All figures, in the field's unit."""
        n, mean = self.n, self.total / self.n if self.n else 0.0
        variance = (self.squares - n * mean**2) / (n - 1) if n > 1 else None
        half = self.batches.half()
        mean_low, mean_high = (None, None) if half is None else (self.first + mean - half, self.first + mean + half)
        drift: tuple[float | None, float | None, float | None] = (None, None, None)
        filled = np.flatnonzero(self.counts)
        if len(filled) > BLOCKS // 2:
            means = self.sums[filled] / self.counts[filled]
            slope, reach = slope_bounds((filled / BLOCKS).tolist(), means.tolist())
            drift = slope, slope - reach, slope + reach
        step = self.step if self.step < math.inf else None
        if step is not None and self.info.lsb:
            step = float(np.rint(step / self.info.lsb)) * self.info.lsb
        span = int(self.codes[-1] - self.codes[0]) + 1 if self.codes is not None and len(self.codes) else 0
        told = self.codes is not None and span and n >= FEWEST_PER_CODE * span
        missing = 100 * (1 - len(self.codes) / span) if told and self.codes is not None else None
        noise = math.sqrt(self.changes / 2 / self.pairs) if self.pairs else None
        noise_bounds: tuple[float | None, float | None, str] = (None, None, "")
        if noise and self.pairs >= BLOCKS:
            count = self.pairs + 1  # degrees of freedom for white noise of count values: NIST SP 1065, table 5
            noise_bounds = (*deviation_bounds(noise, 2 * (count - 1) ** 2 / (3 * count - 4)), DEVIATION)
        elif noise == 0 and self.pairs >= BLOCKS and self.info.lsb:  # what a step of this size hides
            noise_bounds = (0.0, self.info.lsb / math.sqrt(12), RESOLUTION)
        found: dict[str, tuple[float | None, int, float | None, float | None, str]] = {
            "lowest": (self.lowest if n else None, n, None, None, ""),
            "highest": (self.highest if n else None, n, None, None, ""),
            "mean": (self.first + mean if n else None, n, mean_low, mean_high, MEAN if half is not None else ""),
            "stddev": (
                math.sqrt(max(variance, 0.0)) if variance is not None else None,
                n,
                *self._stddev_bounds(variance),
            ),
            "noise": (noise, self.pairs, *noise_bounds),
            "drift": (drift[0], n, drift[1], drift[2], LINE if drift[0] is not None else ""),
            "decreases": (self.decreases, self.pairs, None, None, ""),
            "step": (step, self.pairs, None, None, ""),
            "codes_missing": (missing, span, None, None, ""),
            "stuck_longest": (self.stuck_ns / 1e9 if n else None, n, None, None, ""),
            "spikes": (self.spikes, n, None, None, ""),
            "saturated": (self.saturated, n, None, None, ""),
        }
        for name, figure in FIELD_FIGURES.items():
            if name == "codes_missing" and not self.info.lsb:
                continue
            value, count, low, high, method = found[name]
            unit = self.info.unit if figure.unit == OF_FIELD else figure.unit
            yield Measure(node, subject, name, value, unit, count, figure.basis, low, high, method)

    def _stddev_bounds(self, variance: float | None) -> tuple[float | None, float | None, str]:
        """By chi-squared, with as many degrees of freedom as the values leave that hang together."""
        if variance is not None and variance <= 0 and self.info.lsb and self.n >= BLOCKS:
            return 0.0, self.info.lsb / math.sqrt(12), RESOLUTION
        freedom = self.batches.freedom(variance) if variance is not None else None
        if variance is None or freedom is None or freedom < 1:
            return None, None, ""
        return *deviation_bounds(math.sqrt(variance), freedom), DEVIATION_OF


def rails(info: FieldInfo) -> tuple[float, float]:
    """Where a field's values can't go beyond: its limits, or the ends of its integer type; infinite for none."""
    low, high = -math.inf, math.inf
    if info.lsb and (known := type_labelled(info.kind)) is not None:
        kind, bits = known
        low, high = sorted(end * info.lsb for end in kind.raw_range(bits))
    return (info.low if info.low is not None else low), (info.high if info.high is not None else high)
