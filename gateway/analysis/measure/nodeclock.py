"""What a node's own clock did, from the time stamps it sends: how often it began anew, and how fast it ran against
the host's clock. A value is never early but often late, so in each of 20 equal stretches the value that was least
late stands for it (the lower envelope of delay: Moon, Skelly, Towsley 1999). The drift is that from the first of these
to the last, which a crystal that wanders in between does not change; it is open by how late even these may have been:
by what the delays around them leave of a connection interval."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import BLOCKS
from gateway.analysis.measure.link import quantile_bounds

METHOD = "least delayed values of the first and last of 20 segments, open by the connection interval"
LONGEST_DEFAULT_S = 0.1  # connection interval that no system chooses a longer one than by itself; common practice
BACK_VALUES = 2 * 9  # a counter that steps back by half as many is read as reordering by `counter`, not as a restart
LEAP_VALUES = 16  # that a counter is ahead of the time: it started again
_FORWARD_S = 60.0  # a leap ahead of the host by more is a clock that was set, not one that runs fast
_FEWEST = 3 * BLOCKS
_END_VALUES = 100  # at most, in which the drift begins and ends
_SENT_AGAIN = 14 / 15  # of an interval later than the least: may have been sent again


@dataclass(frozen=True, slots=True)
class NodeClock:
    """How often it stepped back, and its drift in ppm, positive for fast, with 95 % bounds; None on too few values.

    Attributes:
        n: values the drift rests on.
        jitter_s, jitter_bounds_s: 99th percentile of the delay beyond the least, seconds, the drift taken away.
    """

    restarts: int
    drift_ppm: float | None
    low_ppm: float | None
    high_ppm: float | None
    n: int
    jitter_s: float | None = None
    jitter_bounds_s: tuple[float | None, float | None] = None, None


def node_clock(
    times_ns: npt.NDArray[np.int64],
    node_s: npt.NDArray[np.float64],
    turn_s: float,
    step_s: float,
    leap_s: float | None = None,
    interval_s: float = LONGEST_DEFAULT_S,
) -> NodeClock:
    """Work out what a node's clock did.

    Args:
        times_ns: arrivals, shape (n,), nanoseconds.
        node_s: the node's stamps, shape (n,), seconds; NaN for none.
        turn_s: after how long its counter wraps, seconds.
        step_s: its resolution, seconds.
        leap_s: of a clock that only counts, ahead of the host by how much it must have begun anew; None for a clock
            that may be set.
        interval_s: the connection interval, or the longest that it may be, seconds.
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
    return _drift(restarts, host[start:end], ahead, interval_s, step_s)


def _drift(
    restarts: int, host: npt.NDArray[np.float64], ahead: npt.NDArray[np.float64], interval_s: float, step_s: float
) -> NodeClock:
    """The drift of a clock that is so far ahead of the host at these times, all in seconds."""
    n = len(host)
    parts = np.array_split(np.arange(n), BLOCKS)
    parts[0], parts[-1] = parts[0][:_END_VALUES], parts[-1][-_END_VALUES:]
    level = ahead - host * float(np.polyfit(host, ahead, 1)[0])  # least late, not just latest where the clock runs fast
    best = np.array([part[np.argmax(level[part])] for part in parts])
    x, y = host[best], ahead[best]
    span = x[-1] - x[0]
    if span <= 0:
        return NodeClock(restarts, None, None, None, n)
    slope = float((y[-1] - y[0]) / span)
    open_s = [_unseen(ahead[part] - slope * host[part], interval_s) + step_s for part in (parts[0], parts[-1])]
    half = float(sum(open_s) / span)
    # before the first of these values and behind the last, the clock may have run as in any other part
    quarters = x[[0, 5, 10, 15, BLOCKS - 1]], y[[0, 5, 10, 15, BLOCKS - 1]]
    slopes = np.diff(quarters[1]) / np.diff(quarters[0])
    wander = max(float(np.ptp(slopes)) - 2 * sum(open_s) / float(np.diff(quarters[0]).min()), 0.0)
    half += wander * float(1 - span / (host[-1] - host[0]))
    late = np.interp(host, x, y) + slope * (np.minimum(host - x[0], 0) + np.maximum(host - x[-1], 0)) - ahead
    late = late - max(late.min(), 0.0)
    jitter_s = float(np.percentile(late, 99))
    around_s = quantile_bounds(late, 0.99)
    return NodeClock(restarts, 1e6 * slope, 1e6 * (slope - half), 1e6 * (slope + half), n, jitter_s, around_s)


def _unseen(ahead: npt.NDArray[np.float64], interval_s: float) -> float:
    """By how much even the least late value of a stretch may have been late: all come within a connection interval, but
    for those that were sent again, so that it is what the others leave of one."""
    late = ahead.max() - ahead
    first = late[late < interval_s * _SENT_AGAIN]
    return interval_s - float(first.max()) if len(first) else interval_s
