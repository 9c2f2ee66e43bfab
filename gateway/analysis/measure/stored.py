"""Values that a node kept while nobody listened and sent once somebody did: which of a channel's values these are, and
when each was sampled. At the start of a link they come faster than they were sampled, by the node's own time or by its
counter; the first that no longer does is live, and tells when those before it were sampled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from gateway.analysis.measure.link import History

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
_FASTER = 2.0  # than they were sampled: stored values come, even over a link that is slow
_LEAP = 1000.0  # times the usual step, and seconds
_LIVE_AFTER = 3  # values in a row at their own pace, as a stored one may be held up now and then


@dataclass(frozen=True, slots=True)
class Backlog:
    """What was stored of a channel.

    Attributes:
        live: of each value, whether it was sent when it was sampled, shape (n,).
        sampled_ns: when each was sampled, nanoseconds UTC, shape (n,).
        history: the link, each of its spans beginning with the first live value in it.
        depths: of each link on which some came, how many.
        catch_up_s: of each of these, how long after the link was set up its values were live.
    """

    live: Flags
    sampled_ns: Ints
    history: History
    depths: list[int]
    catch_up_s: list[float]


def backlog(times: Ints, own_s: Floats, turn_s: float, span: Ints, history: History, depth: int) -> Backlog:
    """Tell stored values from live ones.

    Args:
        times: arrivals, nanoseconds UTC, shape (n,).
        own_s: the node's time of each, seconds, NaN for none, shape (n,).
        turn_s: after how long that wraps, seconds.
        span: the span of the link in which each came, -1 for none, shape (n,).
        history: the link.
        depth: how many the node stores at most; more that come fast are no backlog.
    """
    live, sampled = np.ones(len(times), bool), times.copy()
    starts = [start for start, _ in history.spans]
    depths, catch_up_s = [], []
    for number, (start, end) in enumerate(history.spans):
        here = np.flatnonzero((span == number) & np.isfinite(own_s))
        first = _first_live(times[here], own_s[here], turn_s) if len(here) > 1 else 0
        if not 0 < first <= depth + _LIVE_AFTER:
            continue
        from_ns = int(times[here[first]]) if first < len(here) else end
        stored = here[:first]
        steps_s = np.diff(own_s[here]) % turn_s
        usual_s = float(np.median(steps_s))
        steps_s[steps_s > _LEAP * usual_s + _LEAP] = usual_s  # a clock that was set meanwhile
        passed_s = np.concatenate([[0.0], np.cumsum(steps_s)])
        last = min(first, len(here) - 1)
        sampled[stored] = times[here[last]] - np.rint((passed_s[last] - passed_s[:first]) * 1e9).astype(np.int64)
        live[(span == number) & (times < from_ns)] = False  # what did not decode among them, too
        live[stored] = False
        starts[number] = from_ns
        depths.append(first)
        catch_up_s.append((from_ns - start) / 1e9)
    spans = tuple((start, end) for start, (_, end) in zip(starts, history.spans, strict=True))
    return Backlog(live, sampled, replace(history, spans=spans), depths, catch_up_s)


def _first_live(times: Ints, own_s: Floats, turn_s: float) -> int:
    """The place of the first value of a link that is live, their number where none is."""
    fast = np.diff(times) / 1e9 * _FASTER < np.diff(own_s) % turn_s
    if not fast[:_LIVE_AFTER].any():
        return 0
    slow = np.concatenate([~fast, np.ones(_LIVE_AFTER, bool)])
    steady = np.flatnonzero(np.convolve(slow, np.ones(_LIVE_AFTER, int), "valid") == _LIVE_AFTER)
    first = int(steady[0])
    return first if first < len(fast) else len(times)
