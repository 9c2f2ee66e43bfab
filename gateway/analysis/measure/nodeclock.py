"""What a node's own clock did, from the time stamps it sends: how often it began anew, and how fast it ran against
the host's clock. A value is never early but often late, so in each of 20 equal stretches the value that was least
late stands for it; through these goes a straight line (least squares, its slope bounded by Student's t)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS

METHOD = "Student's t over the least delayed values of 20 segments"
# Student's t at 18 degrees of freedom, as any table has it: the 0.995 quantile, because delays are no normal
# deviates, and the 0.975 quantile held the truth in 92 % of simulated runs only
_T = 2.878
BACK_VALUES = 2 * 9  # a counter that steps back by half as many is read as reordering by `counter`, not as a restart
LEAP_VALUES = 16  # that a counter is ahead of the time: it started again
_FORWARD_S = 60.0  # a leap ahead of the host by more is a clock that was set, not one that runs fast
_FEWEST = 3 * BLOCKS


@dataclass(frozen=True, slots=True)
class NodeClock:
    """How often it stepped back, and its drift in ppm, positive for fast, with 95 % bounds; None on too few values.

    Attributes:
        n: values the drift rests on.
        jitter_s: 99th percentile of the delay beyond the least, seconds, the drift taken away.
    """

    restarts: int
    drift_ppm: float | None
    low_ppm: float | None
    high_ppm: float | None
    n: int
    jitter_s: float | None = None


def node_clock(
    times_ns: npt.NDArray[np.int64],
    node_s: npt.NDArray[np.float64],
    turn_s: float,
    step_s: float,
    leap_s: float | None = None,
) -> NodeClock:
    """Work out what a node's clock did.

    Args:
        times_ns: arrivals, shape (n,), nanoseconds.
        node_s: the node's stamps, shape (n,), seconds; NaN for none.
        turn_s: after how long its counter wraps, seconds.
        step_s: its resolution, seconds.
        leap_s: of a clock that only counts, ahead of the host by how much it must have begun anew; None for a clock
            that may be set.
    """
    there = np.isfinite(node_s)
    host = (times_ns[there] - times_ns[0]) / 1e9 if len(times_ns) else np.empty(0)
    node = node_s[there]
    step, passed = np.diff(node), np.diff(host)
    turns = np.maximum(np.rint((passed - step) / turn_s), 0)
    step = step + turns * turn_s
    back = step < -step_s / 2
    leaps = step - passed > (_FORWARD_S if leap_s is None else leap_s)
    breaks = back | leaps | (passed - step > _FORWARD_S + turn_s / 2)
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), len(node)]
    spans = [(host[end - 1] - host[start], start, end) for start, end in pairwise(edges) if end > start]
    restarts = int(np.count_nonzero(back if leap_s is None else back | leaps))
    if not spans:
        return NodeClock(restarts, None, None, None, 0)
    _, start, end = max(spans)
    if end - start < _FEWEST:
        return NodeClock(restarts, None, None, None, end - start)
    ahead = np.concatenate([[0.0], np.cumsum(step[start : end - 1])]) - (host[start:end] - host[start])
    fit = _slope(host[start:end], ahead)
    if fit is None:
        return NodeClock(restarts, None, None, None, end - start)
    slope, half = fit
    late = slope * host[start:end] - ahead
    jitter_s = float(np.percentile(late, 99) - late.min())
    return NodeClock(restarts, 1e6 * slope, 1e6 * (slope - half), 1e6 * (slope + half), end - start, jitter_s)


def _slope(host: npt.NDArray[np.float64], ahead: npt.NDArray[np.float64]) -> tuple[float, float] | None:
    """The slope of a line through the greatest of each stretch, and half the width of its bounds."""
    edges = np.linspace(host[0], host[-1], BLOCKS + 1)
    cuts = np.searchsorted(host, edges[1:-1])
    best = [
        start + int(np.argmax(ahead[start:end]))
        for start, end in zip([0, *cuts.tolist()], [*cuts.tolist(), len(host)], strict=True)
        if end > start
    ]
    if len(best) < BLOCKS:
        return None
    x, y = host[best], ahead[best]
    x = x - x.mean()
    spread = float((x**2).sum())
    slope = float((x * y).sum()) / spread
    rest = y - y.mean() - slope * x
    return slope, _T * float(np.sqrt((rest**2).sum() / (len(best) - 2) / spread))
