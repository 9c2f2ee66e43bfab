"""What a sequence counter tells of a channel: values missing, come twice, and come late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
_LATE_BY = 8  # values; one that steps back by more is taken for a restart of the node


@dataclass(frozen=True, slots=True)
class Counted:
    """Values missing within links, values whose counter did not advance, values that came after later ones."""

    lost: int
    duplicates: int
    reordered: int


def count(times: Ints, counts: Ints, span: Ints, modulus: int) -> Counted:
    """Read a counter.

    A counter tells a step only up to its wrap; how often it wrapped in a gap follows from the gap's length and
    the usual time between values. A step back, or one far beyond what the time allows, is taken for a restart,
    not for loss. Payloads that did not decode have come all the same: each takes one missing number away.

    Args:
        times: arrivals, nanoseconds, shape (n,).
        counts: counters, -1 for none, shape (n,).
        span: the link each came in, -1 for none, shape (n,).
        modulus: how many values the counter has.
    """
    kept = np.flatnonzero((counts >= 0) & (span >= 0))
    late, again, filled = _stepped_back(counts[kept], span[kept], modulus)
    kept = np.delete(kept, np.concatenate([late, again]))
    if len(kept) < 2:
        return Counted(0, len(again), len(late))
    step = np.diff(counts[kept]) % modulus
    passed = np.diff(times[kept])
    fits_not = np.cumsum(counts < 0)  # payloads without a counter, up to each frame
    between = np.diff(fits_not[kept])
    same = span[kept][1:] == span[kept][:-1]
    usual = np.median(passed[same & (step > 0)] / step[same & (step > 0)]) if (same & (step > 0)).any() else 0.0
    due = passed / usual if usual > 0 else np.ones(len(step))
    step = step + modulus * np.maximum(np.rint((due - step) / modulus), 0).astype(np.int64)
    twice = int(np.count_nonzero(same & (step == 0)))
    believable = (step <= modulus // 2) | (step <= 2 * due + 8)
    missing = np.maximum(step - 1 - between, 0)
    lost = int(missing[same & (step > 0) & believable].sum())
    return Counted(max(lost - filled, 0), twice + len(again), len(late))


def _stepped_back(counts: Ints, span: Ints, modulus: int) -> tuple[Ints, Ints, int]:
    """Indices of values that came after the next one, and of those that came a second time after it; and how many of
    the former had seemed missing, which one that belongs before the first value of its link had not."""
    if len(counts) < 3:
        return np.empty(0, np.int64), np.empty(0, np.int64), 0
    step = np.diff(counts) % modulus
    back = modulus - step[:-1]
    found = np.flatnonzero((back <= _LATE_BY) & (step[1:] > back) & (step[1:] <= back + _LATE_BY)) + 1
    found = found[(span[found] == span[found - 1]) & (span[found] == span[found + 1])]
    seen, awaited = np.zeros(len(found), bool), np.zeros(len(found), bool)
    for before in range(1, _LATE_BY + 2):
        earlier = np.maximum(found - before, 0)
        same = (found >= before) & (span[earlier] == span[found])
        ahead = (counts[found] - counts[earlier]) % modulus
        seen |= same & (ahead == 0)
        awaited |= same & (ahead > 0) & (ahead <= 2 * _LATE_BY)
    return found[~seen], found[seen], int(np.count_nonzero(awaited & ~seen))
