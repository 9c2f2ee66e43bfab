"""A calibration by set points: the error of a field at each value that was held, the line through them, what to write
back so that it vanishes, and whether the largest error keeps a limit."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS, CONFIDENCE, block_bounds, t_beyond, t_quantile
from gateway.analysis.chance import holm
from gateway.analysis.measure.reference import Hold
from gateway.model.errors import InputError
from gateway.model.records import Outcome

Floats = npt.NDArray[np.float64]
FEWEST = 2


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A value that was held, and what the field said of it, in the field's unit.

    Attributes:
        value: what was held.
        n: values of the field meanwhile.
        mean, stddev: of these.
        error_low, error_high: 95 % bounds of the mean error; None where the field moves through the whole hold.
    """

    value: float
    n: int
    mean: float
    stddev: float
    error_low: float | None
    error_high: float | None

    @property
    def error(self) -> float:
        """Mean less what was held."""
        return self.mean - self.value

    def chance_within(self, limit: float) -> float:
        """How likely so large an error is found where the true one is just at a limit."""
        if self.error_high is None:
            return 1.0
        reach, beyond = self.error_high - self.error, abs(self.error) - limit
        if reach <= 0:
            return 0.0 if beyond > 0 else 1.0
        freedom = min(self.n, BLOCKS) - 1
        return t_beyond(t_quantile(1 - CONFIDENCE, freedom) * beyond / reach, freedom)


@dataclass(frozen=True, slots=True)
class Calibration:
    """Of a field by set points, in its unit.

    Attributes:
        points: in the order in which they were held.
        gain, zero: of the least-squares line, field = gain * value + zero.
        linearity: largest distance of a mean from that line.
        repeatability: largest difference between two holds of one value, None where none was held twice.
        limit: how large an error may be, None where none is set.
    """

    points: tuple[SetPoint, ...]
    gain: float
    zero: float
    linearity: float
    repeatability: float | None
    limit: float | None

    @property
    def largest(self) -> SetPoint:
        """The set point with the largest error."""
        return max(self.points, key=lambda point: abs(point.error))

    @property
    def correction(self) -> tuple[float, float]:
        """Gain and zero to write back: true = gain * field + zero."""
        return 1 / self.gain, -self.zero / self.gain

    @property
    def outcome(self) -> Outcome | None:
        """Whether every error keeps the limit: pass where all bounds do, fail where one lies beyond it and stands among
        all set points (Holm); None without a limit."""
        if self.limit is None:
            return None
        chances = [point.chance_within(self.limit) for point in self.points]
        if any(holm(chances, len(chances), 1 - CONFIDENCE)):
            return Outcome.FAIL
        bounds = [(point.error_low, point.error_high) for point in self.points]
        kept = all(low is not None and high is not None and max(-low, high) <= self.limit for low, high in bounds)
        return Outcome.PASS if kept else Outcome.INCONCLUSIVE


def calibration(
    times_s: Floats, values: Floats, holds: Sequence[Hold], reference: float = 0.0, limit: float | None = None
) -> Calibration:
    """Work out the errors at each set point.

    Args:
        times_s, values: of the field, shape (n,).
        holds: what was held, in the field's unit.
        reference: expanded uncertainty of the reference (k = 2), by which all bounds are wider.
        limit: how large an error may be.

    Raises:
        InputError: a hold has too few values, or all are of one value.
    """
    points = tuple(_point(values[(times_s >= hold.from_s) & (times_s <= hold.to_s)], hold, reference) for hold in holds)
    known = [point.value for point in points]
    if max(known) == min(known):
        raise InputError(f"all set points are {known[0]:g}; two different values at least are needed")
    line = statistics.linear_regression(known, [point.mean for point in points])
    if line.slope == 0:
        raise InputError("the field did not change from one set point to another; check that it is the right one")
    off = max(abs(point.mean - line.slope * point.value - line.intercept) for point in points)
    again = [
        max(one.mean for one in points if one.value == value) - min(one.mean for one in points if one.value == value)
        for value in {one for one in known if known.count(one) > 1}
    ]
    return Calibration(points, line.slope, line.intercept, off, max(again, default=None), limit)


def _point(values: Floats, hold: Hold, reference: float) -> SetPoint:
    n = len(values)
    if n < FEWEST:
        raise InputError(
            f"{n} values came while {hold.value:g} was held, at least {FEWEST} are needed; check both clocks, and the "
            "times of the file"
        )
    mean, stddev = float(values.mean()), float(values.std(ddof=1))
    low: float | None = None
    high: float | None = None
    if n < 2 * BLOCKS:
        half: float | None = t_quantile(1 - CONFIDENCE, n - 1) * stddev / math.sqrt(n)
    else:
        bounds = block_bounds([float(part.mean()) for part in np.array_split(values, BLOCKS)])
        half = None if bounds is None else (bounds[1] - bounds[0]) / 2
    if half is not None:
        half = math.hypot(half, reference)
        low, high = mean - hold.value - half, mean - hold.value + half
    return SetPoint(hold.value, n, mean, stddev, low, high)
