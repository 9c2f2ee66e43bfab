"""What a sequence counter tells of a channel: values missing, come twice, and come late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
_LATE_BY = 8  # values; one that steps back by more is taken for a restart of the node
_TOGETHER_NS = 5_000_000  # less than a connection interval apart, Core Specification, Vol 6, Part B, 4.5.1
_AROUND = np.arange(1, 12)  # paces looked at on either side of a long gap
_AT_ONCE = 50_000


@dataclass(frozen=True, slots=True)
class Counted:
    """Values missing within links, values whose counter did not advance, values that came after later ones.

    Attributes:
        bursts: how many were missing in a row, each time, shape (m,).
        before: how many had come before each, shape (m,).
    """

    lost: int
    duplicates: int
    reordered: int
    bursts: Ints
    before: Ints


def count(times: Ints, counts: Ints, span: Ints, modulus: int) -> Counted:
    """Read a counter.

    A counter tells a step only up to its wrap; how often it wrapped in a gap follows from the gap's length and the
    pace around it. A leap beyond what the time allows, to a counter that has hardly begun, is a restart and no loss.
    Payloads that did not decode have come all the same: each takes one missing number away.

    Args:
        times: arrivals, nanoseconds, shape (n,).
        counts: counters, -1 for a payload that did not decode, -2 for one that has none, shape (n,).
        span: the stretch each came in within which values follow each other, -1 for none, shape (n,).
        modulus: how many values the counter has.
    """
    kept = np.flatnonzero((counts >= 0) & (span >= 0))
    late, again, filled = _stepped_back(counts[kept], span[kept], modulus)
    kept = np.delete(kept, np.concatenate([late, again]))
    if len(kept) < 2:
        return Counted(0, len(again), len(late), np.empty(0, np.int64), np.empty(0, np.int64))
    step = np.diff(counts[kept]) % modulus
    passed = np.diff(times[kept])
    undecoded = np.cumsum(counts == -1)
    between = np.diff(undecoded[kept])
    same = span[kept][1:] == span[kept][:-1]
    due = _due(times[kept], passed, step, same, modulus)
    step = step + modulus * np.maximum(np.rint((due - step) / modulus), 0).astype(np.int64)
    twice = int(np.count_nonzero(same & (step == 0)))
    begun_anew = counts[kept][1:] <= _LATE_BY
    believable = (step <= 2 * due + 8) | ((step <= modulus // 2) & ~begun_anew)
    missing = np.maximum(step - 1 - between, 0)
    holes = np.flatnonzero(same & (step > 0) & believable & (missing > 0))
    lost = int(missing[holes].sum())
    return Counted(max(lost - filled, 0), twice + len(again), len(late), missing[holes], holes + 1)


def _due(times: Ints, passed: Ints, step: Ints, same: npt.NDArray[np.bool_], modulus: int) -> npt.NDArray[np.float64]:
    """How many values each gap had time for.

    Values that come at a time, in one connection event, count as one event of their last. A gap long enough for half a
    turn is held against the slower of the paces before and after it, so that a pace that changed invents no turns.
    """
    ends = np.append(passed >= _TOGETHER_NS, True)  # the last value of each event
    at = np.flatnonzero(ends)
    event_step = np.diff(np.append(0, np.cumsum(step))[at])
    event_ns = np.diff(times[at])
    whole = np.add.reduceat(~same, at[:-1]) == 0 if len(at) > 1 else np.empty(0, bool)
    known = whole & (event_step > 0)
    if not known.any():
        return np.ones(len(step))
    pace = event_ns[known] / event_step[known]
    due = passed / max(float(np.median(pace)), 1.0)
    long = np.flatnonzero(same & (due > modulus / 2))
    place = np.searchsorted(at[:-1][known], long)  # among the known paces
    for start in range(0, len(long), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        around = place[some, None]
        before = np.median(pace[np.clip(around - _AROUND, 0, len(pace) - 1)], axis=1)
        after = np.median(pace[np.clip(around + _AROUND, 0, len(pace) - 1)], axis=1)
        due[long[some]] = passed[long[some]] / np.maximum(np.maximum(before, after), 1.0)
    return due


def _stepped_back(counts: Ints, span: Ints, modulus: int) -> tuple[Ints, Ints, int]:
    """Indices of values that came after the next one, and of those that came a second time after it; and how many of
    the former had seemed missing, which one that belongs before the first value of its link had not."""
    if len(counts) < 3:
        return np.empty(0, np.int64), np.empty(0, np.int64), 0
    step = np.diff(counts) % modulus
    back = modulus - step[:-1]
    late_by = min(_LATE_BY, modulus // 4)
    found = np.flatnonzero((back <= late_by) & (step[1:] > back) & (step[1:] <= back + late_by)) + 1
    found = found[(span[found] == span[found - 1]) & (span[found] == span[found + 1])]
    seen, awaited = np.zeros(len(found), bool), np.zeros(len(found), bool)
    for before in range(1, _LATE_BY + 2):
        earlier = np.maximum(found - before, 0)
        same = (found >= before) & (span[earlier] == span[found])
        ahead = (counts[found] - counts[earlier]) % modulus
        seen |= same & (ahead == 0)
        awaited |= same & (ahead > 0) & (ahead <= 2 * _LATE_BY)
    return found[~seen], found[seen], int(np.count_nonzero(awaited & ~seen))
