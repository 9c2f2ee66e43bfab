"""How far a prototype's values agree with those of a calibrated instrument that stood beside it: offset, gain, what
remains beside them, and by how much the prototype lags. The lag is the one at which the least remains. The gain is that
of a line with errors on both sides (Deming; York et al., Am. J. Phys. 72, 2004, for errors that are the same all along;
from memory): noise of the reference would make that of a least-squares line too small. How far all three may be off
follows from leaving out each of 20 stretches in turn (the jackknife), the lag sought anew each time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS, T_BLOCKS, block_bounds
from gateway.log.info import FieldInfo, NodeInfo, RunInfo
from gateway.log.reader import Log
from gateway.log.schema import quoted
from gateway.model.errors import InputError
from gateway.model.utc import duration_text

Floats = npt.NDArray[np.float64]
FEWEST = 20
MOST_VALUES = 20_000  # evenly taken from all; more tell no more of a line
_LAGS = 400
_AS_GOOD = math.sqrt(1 + 4.41 / (BLOCKS - 2))  # F(0.95; 1, 18) = 4.41, from memory; of standard deviations
_FAR = 5.0  # times the usual distance of two reference values: nothing is known between them


@dataclass(frozen=True, slots=True)
class Agreement:
    """Of a field with a reference, in the field's unit.

    Attributes:
        n: values compared.
        offset, offset_low, offset_high: mean of value less reference, with 95 % bounds; these None where it moves
            through the whole of the comparison.
        gain, gain_low, gain_high: rise of the value for one of the reference, with 95 % bounds; None where the
            reference did not change.
        residual: standard deviation beside the line.
        lag_s, lag_low_s, lag_high_s: how much later the value follows, with 95 % bounds; None where that can't be told,
            and then offset and gain are those without a lag.
        why_no_lag: why it can't, "" where it can.
    """

    n: int
    offset: float
    offset_low: float | None
    offset_high: float | None
    gain: float | None
    residual: float
    lag_s: float | None
    lag_low_s: float | None = None
    lag_high_s: float | None = None
    why_no_lag: str = ""
    gain_low: float | None = None
    gain_high: float | None = None

    def budget(self, reference: float, lsb: float | None) -> Budget | None:
        """What the offset's uncertainty is made of; None where it has no bounds.

        Args:
            reference: expanded uncertainty of the reference (k = 2), in the field's unit.
            lsb: weight of one count of the field.
        """
        if self.offset_low is None or self.offset_high is None:
            return None
        return Budget(self.offset, reference / 2, (self.offset_high - self.offset_low) / 2 / T_BLOCKS, lsb or 0.0)


@dataclass(frozen=True, slots=True)
class Budget:
    """The standard uncertainties of an offset, in the field's unit (GUM, JCGM 100, clause 5; from memory).

    Attributes:
        offset: what it is of.
        reference: of the reference, half its expanded uncertainty.
        repeated: of the comparison itself, by its stretches, lag included (type A).
        lsb: weight of one count, which leaves LSB / sqrt(12).
    """

    offset: float
    reference: float
    repeated: float
    lsb: float

    @property
    def resolution(self) -> float:
        """Of the field's resolution."""
        return self.lsb / math.sqrt(12)

    @property
    def expanded(self) -> float:
        """All of them together, k = 2."""
        return 2 * math.sqrt(self.reference**2 + self.repeated**2 + self.resolution**2)

    @property
    def normalised_error(self) -> float | None:
        """The offset in expanded uncertainties, E_n of ISO/IEC 17043 (from memory): at most 1 agrees."""
        return self.offset / self.expanded if self.expanded else None


def agreement(times_s: Floats, values: Floats, ref_times_s: Floats, ref_values: Floats, most_lag_s: float) -> Agreement:
    """Compare two series of the same quantity in the same unit.

    Args:
        times_s, values: of the prototype, shape (n,), times in order.
        ref_times_s, ref_values: of the reference, shape (m,), times in order.
        most_lag_s: how far a lag is looked for, seconds, to both sides.

    Raises:
        InputError: the two have too little time in common, or the lag is beyond what was looked for.
    """
    times_s, values = _beside(times_s, values, ref_times_s, most_lag_s)
    pairs = _Pairs(times_s, values, ref_times_s, ref_values)
    everywhere = np.ones(len(values), bool)
    moves = pairs.fit(0.0, everywhere).gain is not None
    found = _lag(lambda lag: pairs.fit(lag, everywhere).residual, most_lag_s) if moves and most_lag_s > 0 else _NO_LAG
    told = moves and most_lag_s > 0 and not found.why_not
    lag_s = round(found.best_s, 9) if told else 0.0
    fit = pairs.fit(lag_s, everywhere)
    offset, gain = _jackknife(pairs, fit, found if told else _NO_LAG)
    blocks = block_bounds([float(part.mean()) for part in np.array_split(pairs.apart(lag_s), BLOCKS)])
    if blocks is not None and offset is not None:  # the wider of both
        half = max(offset, (blocks[1] - blocks[0]) / 2)
        sides: tuple[float | None, float | None] = fit.offset - half, fit.offset + half
    else:
        sides = None, None
    gains = (None, None) if fit.gain is None or gain is None else (fit.gain - gain, fit.gain + gain)
    why = "the reference did not change" if not moves else found.why_not or "none was looked for"
    return Agreement(
        len(values),
        fit.offset,
        *sides,
        fit.gain,
        fit.residual,
        lag_s if told else None,
        found.low_s if told else None,
        found.high_s if told else None,
        "" if told else why,
        *gains,
    )


def _beside(times_s: Floats, values: Floats, ref_times_s: Floats, most_lag_s: float) -> tuple[Floats, Floats]:
    """The values beside which the reference was read, at any lag that is looked for.

    Raises:
        InputError: there are too few of them.
    """
    apart_s = np.diff(ref_times_s)
    usual_s = float(np.median(apart_s[apart_s > 0])) if (apart_s > 0).any() else 0.0  # some stamps only tell minutes
    common_s = min(times_s[-1], ref_times_s[-1]) - max(times_s[0], ref_times_s[0]) if len(times_s) else 0.0
    if 0 < common_s <= 2 * most_lag_s:
        raise InputError(
            f"the values and the reference have {duration_text(round(common_s))} in common, no longer than twice the "
            f"lag of {duration_text(most_lag_s)} that is looked for; give a shorter --lag, or compare a longer run"
        )
    inside = (times_s >= ref_times_s[0] + most_lag_s) & (times_s <= ref_times_s[-1] - most_lag_s)
    beside = np.clip(np.searchsorted(ref_times_s, times_s), 1, len(ref_times_s) - 1)
    inside &= ref_times_s[beside] - ref_times_s[beside - 1] <= _FAR * usual_s
    times_s, values = times_s[inside], values[inside]
    if len(values) < FEWEST:
        raise InputError(
            f"{len(values)} values overlap the reference in time, at least {FEWEST} are needed; check both clocks, "
            "and that the reference starts before and ends after the values"
        )
    step = -(-len(values) // MOST_VALUES)
    times_s, values = times_s[::step], values[::step]
    return times_s, values


@dataclass(frozen=True, slots=True)
class _Fit:
    offset: float
    gain: float | None
    residual: float


class _Pairs:
    """Values beside the reference at their times, less a lag."""

    def __init__(self, times_s: Floats, values: Floats, ref_times_s: Floats, ref_values: Floats) -> None:
        self._times_s, self._values, self._ref_times_s, self._ref_values = times_s, values, ref_times_s, ref_values
        self._noise = _noise(values)
        place = np.clip(np.searchsorted(ref_times_s, times_s), 1, len(ref_times_s) - 1)
        before_s, after_s = ref_times_s[place - 1], ref_times_s[place]
        share = np.clip((times_s - before_s) / np.maximum(after_s - before_s, 1e-9), 0, 1)
        # between two readings the noise of both is averaged
        self._ref_noise = _noise(ref_values) * math.sqrt(float((share**2 + (1 - share) ** 2).mean()))

    def _reference(self, lag_s: float) -> Floats:
        reference: Floats = np.interp(self._times_s - lag_s, self._ref_times_s, self._ref_values)
        return reference

    def apart(self, lag_s: float) -> Floats:
        """Value less reference."""
        return self._values - self._reference(lag_s)

    def fit(self, lag_s: float, kept: npt.NDArray[np.bool_]) -> _Fit:
        """The line with errors on both sides through those kept; its residual is along the values."""
        x, y = self._reference(lag_s)[kept], self._values[kept]
        offset = float((y - x).mean())
        dx, dy = x - x.mean(), y - y.mean()
        xx, yy, xy = float((dx**2).mean()), float((dy**2).mean()), float((dx * dy).mean())
        if xx <= 1e-18 * max(float((x**2).mean()), 1.0):
            return _Fit(offset, None, float(y.std()))
        gain = xy / xx
        if self._ref_noise > 0 and self._noise > 0 and xy != 0:
            ratio = (self._noise / self._ref_noise) ** 2
            gain = (yy - ratio * xx + math.sqrt((yy - ratio * xx) ** 2 + 4 * ratio * xy**2)) / (2 * xy)
        return _Fit(offset, gain, float(np.std(dy - gain * dx)))


def _noise(values: Floats) -> float:
    """From one value to the next (Allan deviation), which slow change hardly touches."""
    return float(np.sqrt((np.diff(values) ** 2).mean() / 2)) if len(values) > 1 else 0.0


def _jackknife(pairs: _Pairs, whole: _Fit, lag: _Lag) -> tuple[float | None, float | None]:
    """Half the widths of the bounds of offset and gain, each of `BLOCKS` stretches left out in turn and the lag sought
    anew within its bounds."""
    n, offsets, gains = len(pairs.apart(0.0)), [], []
    lags = np.linspace(lag.low_s, lag.high_s, 9) if lag.high_s > lag.low_s else [lag.best_s]
    for part in np.array_split(np.arange(n), BLOCKS):
        kept = np.ones(n, bool)
        kept[part] = False
        best = min((pairs.fit(float(one), kept) for one in lags), key=lambda fit: fit.residual)
        offsets.append(best.offset)
        gains.append(best.gain)
    told = [gain for gain in gains if gain is not None]
    return _half(offsets), _half(told) if whole.gain is not None and len(told) == BLOCKS else None


def _half(left_out: list[float]) -> float:
    """Of the jackknife's standard error, with Student's t."""
    mean, m = sum(left_out) / len(left_out), len(left_out)
    return T_BLOCKS * math.sqrt((m - 1) / m * sum((one - mean) ** 2 for one in left_out))


@dataclass(frozen=True, slots=True)
class _Lag:
    best_s: float
    low_s: float
    high_s: float
    why_not: str = ""


_NO_LAG = _Lag(0.0, 0.0, 0.0)


def _lag(rest: Callable[[float], float], most_s: float) -> _Lag:
    """The lag at which the least remains, and those at which not significantly more does: by the F test of one more
    parameter with as many degrees of freedom as there are blocks, since neighbouring values are no news.

    Raises:
        InputError: the least remains at an end of the search.
    """
    grid = np.linspace(-most_s, most_s, _LAGS + 1)
    remains = np.array([rest(float(lag_s)) for lag_s in grid])
    as_good = np.flatnonzero(remains <= remains.min() * _AS_GOOD + 1e-12 * remains.max())
    low_s, high_s = float(grid[as_good[0]]), float(grid[as_good[-1]])
    if high_s - low_s > most_s:  # half of all that was looked at
        return _Lag(0.0, low_s, high_s, "any lag fits as well as any other, as where the reference only rises or falls")
    best = int(np.argmin(remains))
    if best in (0, _LAGS):
        raise InputError(
            f"the values fit the reference best at {grid[best]:g} s, the end of the search; give a longer --lag, "
            "or check both clocks"
        )
    lag_s, step_s = float(grid[best]), float(grid[1] - grid[0])
    for _ in range(2):  # each time closer around the best
        near = np.linspace(lag_s - 2 * step_s, lag_s + 2 * step_s, 21)
        lag_s, step_s = float(min(near, key=lambda one: rest(float(one)))), step_s / 5
    return _Lag(lag_s, min(low_s, lag_s), max(high_s, lag_s))


def values_of(log: Log, run: RunInfo, node: NodeInfo, field: str) -> tuple[Floats, Floats, FieldInfo]:
    """Times (seconds UTC) and values of a field written ``channel.field``, and what it is.

    Raises:
        InputError: the node has no such field.
    """
    known = {
        f"{c.name}.{f.name}": (c, f)
        for c in node.channels
        for kinds in [log.column_kinds(c.relation)]
        for f in c.fields
        if not f.role and kinds.get(f.column) in ("INTEGER", "REAL", "FLOAT")
    }
    if field not in known:
        raise InputError(f"{node.name} has no field {field!r}; it has {', '.join(known) or 'none'}")
    channel, info = known[field]
    chunks = log.rows(run, node, channel.relation, f"t_ns / 1e9, {quoted(info.column)}")
    rows = np.concatenate([np.empty((0, 2)), *(np.array(chunk, dtype=np.float64) for chunk in chunks)])
    rows = rows[np.isfinite(rows[:, 1])]
    return rows[:, 0], rows[:, 1], info
