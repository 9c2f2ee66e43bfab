"""How likely what was found is, were the truth just at a limit: what a verdict on a figure with bounds rests on, at any
risk and not just that of its 95 % bounds. Shares and counts by the same exact distributions as their bounds; all other
figures by Student's t at the distance of the limit against that of the bound on its side."""

from __future__ import annotations

import math
from collections.abc import Sequence

from gateway.analysis.bounds import (
    BLOCKS,
    COUNT,
    DISCONNECTS,
    SHARE,
    SHARE_IN_BURSTS,
    T_BLOCKS,
    at_least,
    count_bounds,
    gamma_p,
    t_beyond,
)
from gateway.model.records import Measure


def chance_at(m: Measure, limit: float, above: bool) -> float:
    """The probability of a figure as far from a limit as this one, or further, if the truth were the limit itself.

    Args:
        m: a figure with bounds.
        limit: in its unit.
        above: whether the figure speaks for a truth above the limit the more, the higher it is.

    Example: 10 lost of 1,000 speak for more than 0.5 % with a chance of 0.032 that 0.5 % does as much.
    """
    if m.value is None or not m.method:
        return 1.0
    if m.method in (SHARE, SHARE_IN_BURSTS, COUNT) and above and limit <= 0:
        return 0.0  # nothing is below it
    if m.method in (SHARE, SHARE_IN_BURSTS) and not above and limit >= 100:
        return 0.0
    if m.method == DISCONNECTS:
        due = m.value * max(m.n, 1) / limit if limit > 0 else math.inf  # in the time connected, were that the mean
        fewer = 1 - gamma_p(m.n + 1, due) if due < math.inf else 0.0
        return fewer if above else (gamma_p(m.n, due) if m.n and due < math.inf else 1.0)
    if m.method == SHARE:
        hits = round(m.value * m.n / 100)
        return at_least(hits, m.n, limit / 100) if above else 1 - at_least(hits + 1, m.n, limit / 100)
    if m.method == COUNT and m.high:
        due = limit * count_bounds(m.n)[1] / m.high  # in the time in which they were counted
        return (gamma_p(m.n, due) if m.n else 1.0) if above else 1 - gamma_p(m.n + 1, due)
    bound = m.low if above else m.high
    if bound is None:
        return 1.0
    distance, reach = (m.value - limit, m.value - bound) if above else (limit - m.value, bound - m.value)
    if reach <= 0:
        return 0.0 if distance >= 0 else 1.0
    return t_beyond(T_BLOCKS * distance / reach, BLOCKS - 1)


def holm_of_counts(chances: Sequence[float], least: Sequence[float], risk: float) -> list[bool]:
    """The same for tests of counts, which can't come out small where little happened: at each step only those take part
    that could be told at all (Tarone, Biometrics 46, 1990; from memory).

    Args:
        chances: of each test.
        least: how small each could have come out at most.
    """
    stand = [False] * len(chances)
    left = set(range(len(chances)))
    while left:
        tested = next(k for k in range(1, len(left) + 2) if sum(least[one] <= risk / k for one in left) <= k)
        able = [one for one in left if least[one] <= risk / tested]
        best = min(able, key=chances.__getitem__, default=None)
        if best is None or chances[best] > risk / tested:
            break
        stand[best] = True
        left.discard(best)
    return stand


def holm(chances: Sequence[float], tested: int, risk: float) -> list[bool]:
    """Which of so many chances stand, if each of ``tested`` might have been so small by accident: with all of them
    together, a false one is among them with the risk at most (Holm, Scandinavian Journal of Statistics 6, 1979; from
    memory).

    Example: of 0.001, 0.02 and 0.04 at a risk of 0.05, the first and the second stand among three tested.
    """
    stand = [False] * len(chances)
    for passed, place in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        if chances[place] > risk / (tested - passed):
            break
        stand[place] = True
    return stand
