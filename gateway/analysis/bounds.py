"""How far a figure that was found may lie from the true one, by 95 %: shares by exact binomial bounds (Clopper and
Pearson, Biometrika 26, 1934; the incomplete beta function by its continued fraction, DLMF 8.17.22), quantiles by the
ranks that a binomial count leaves open, means of a process by the spread of its blocks, counts in a time by exact
Poisson bounds (Garwood, Biometrika 28, 1936; the incomplete gamma function by its series and continued fraction, DLMF
8.11 and 8.9), deviations by chi-squared. Where a source is not quoted by page, it is cited from memory."""

from __future__ import annotations

import math
import operator
import statistics
from collections.abc import Callable, Sequence

CONFIDENCE = 0.975  # of each side
SHARE = "Clopper-Pearson"
SHARE_IN_BURSTS = "Clopper-Pearson with the effective number of values, as losses come in bursts"
COUNT = "exact Poisson bounds of the count (Garwood)"
DISCONNECTS = "exact Poisson bounds of the disconnects (Garwood)"
DEVIATION = "chi-squared"
QUANTILE = "ranks of order statistics"
PROCESS = "Student's t over 20 blocks of connected time"
PROCESS_OF_RUN = "Student's t over 20 blocks of the run"
PACE = "Student's t over 20 stretches of as many gaps, at least two connection intervals"
BLOCKS = 20
T_BLOCKS = 2.0930241  # Student's t, 0.975 quantile at 19 degrees of freedom, as any table has it
# The same at 8 to 18 degrees of freedom
_T_LINES = (2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101)
_Z = 1.960  # of the normal distribution
_NO_LEVEL = 0.75  # correlation of neighbouring stretches from which on their mean has no bounds
_STEPS = 200
_EXACT_RANKS = 200
_TINY = 1e-300


def share_bounds(hits: float, n: float) -> tuple[float, float]:
    """The lowest and the highest share that ``hits`` of ``n`` leave possible, each with `CONFIDENCE`, from 0 to 1; both
    may be effective numbers, which are no integers.

    Example: none of 300 leaves at most 0.0122.
    """
    if n <= 0:
        return 0.0, 1.0
    low = 0.0 if hits <= 0 else _solve(lambda p: 1 - _beta(n - hits + 1, hits, 1 - p), 1 - CONFIDENCE, rising=True)
    high = 1.0 if hits >= n else _solve(lambda p: _beta(n - hits, hits + 1, 1 - p), 1 - CONFIDENCE, rising=False)
    return low, high


def effective_number(hits: Sequence[int], sizes: Sequence[int], bursts: Sequence[int]) -> float:
    """How many independent observations tell as much of a share as those in blocks of a sequence do.

    The variance of the blocks' shares against that of independent observations is the design effect (Korn and Graubard,
    Survey Methodology 24, 1998, with their correction for its degrees of freedom; from memory). Bursts of which each
    block has few hide from it, so that it is at least what bursts of the sizes seen give: sum of squares over sum.

    Args:
        hits, sizes: of each block.
        bursts: how many hits came in a row, each time.
    """
    n, total = sum(sizes), sum(hits)
    share = total / n
    if not 0 < share < 1:
        return float(n)
    k = len(sizes)
    spread = sum((h - share * m) ** 2 for h, m in zip(hits, sizes, strict=True)) * k / (k - 1)
    effect = max(1.0, spread / (n * share * (1 - share)), sum(b * b for b in bursts) / max(sum(bursts), 1))
    return max(n / effect * (_Z / T_BLOCKS) ** 2, 1.0) if effect > 1 else float(n)


def count_bounds(count: float) -> tuple[float, float]:
    """The lowest and the highest mean that a Poisson count leaves possible, each with `CONFIDENCE`; it may be an
    effective number.

    Example: none leaves at most 3.6889, five leave 1.6235 to 11.6683.
    """
    low = 0.0 if count <= 0 else _solve_mean(lambda mean: gamma_p(count, mean), 1 - CONFIDENCE, count)
    high = _solve_mean(lambda mean: gamma_p(count + 1, mean), CONFIDENCE, count)
    return low, high


def deviation_bounds(deviation: float, freedom: float) -> tuple[float, float]:
    """Bounds of a standard or Allan deviation with so many degrees of freedom (NIST SP 1065, 5.3)."""
    low, high = (
        2 * _solve_mean(lambda half: gamma_p(freedom / 2, half), side, freedom) for side in (1 - CONFIDENCE, CONFIDENCE)
    )
    return deviation * math.sqrt(freedom / high), deviation * math.sqrt(freedom / low)


def gamma_p(a: float, x: float) -> float:
    """The regularised lower incomplete gamma function P(a, x)."""
    if x <= 0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        step = a
        while term > total * 1e-16:
            step += 1
            term *= x / step
            total += term
        return front * total
    b = x + 1 - a
    c, d = 1 / _TINY, 1 / b
    value = d
    for i in range(1, 10_000):
        factor = -i * (i - a)
        b += 2
        d = 1 / (factor * d + b)
        c = b + factor / c
        value *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return 1 - front * value


def _solve_mean(function: Callable[[float], float], target: float, near: float) -> float:
    """Where a rising function of a mean meets a value, by halving."""
    low, high = 0.0, 2 * near + 40.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) < target else (low, middle)
    return (low + high) / 2


def quantile_ranks(n: int, q: float) -> tuple[int | None, int | None]:
    """Between which of n sorted observations, counted from 0, the true q-quantile lies; None for beyond them.

    Source: order statistics, the count below the quantile being binomial (David and Nagaraja, Order Statistics, 7.1;
    from memory); of many by its normal approximation, which is a rank wide of it.
    """
    if n <= _EXACT_RANKS:
        beyond = [at_least(rank + 1, n, q) for rank in range(n)]  # how likely more than so many lie below it
        lower = [rank for rank in range(n) if 1 - beyond[rank] <= 1 - CONFIDENCE]
        upper = [rank for rank in range(n) if beyond[rank] <= 1 - CONFIDENCE]
        return max(lower, default=None), min(upper, default=None)
    middle, spread = n * q, _Z * math.sqrt(n * q * (1 - q))
    low, high = math.floor(middle - spread) - 1, math.ceil(middle + spread)
    return (low if low >= 0 else None), (high if high < n else None)


def block_bounds(means: Sequence[float]) -> tuple[float, float] | None:
    """Bounds of a mean from the means of `BLOCKS` or more equal stretches of a process, by Student's t: what hangs
    together within a stretch does not narrow them, and what hangs together across two widens them, as in a first-order
    autoregression. None where that goes further: then the process has no level yet (both common practice in the
    analysis of simulations; coverage is in DEVELOPERS.md)."""
    mean, n = statistics.fmean(means), len(means)
    apart = [one - mean for one in means]
    squares = sum(a * a for a in apart)
    # estimated from so few, a correlation comes out too low by (1 + 3 r) / n (Marriott and Pope, 1954; from memory)
    together = (sum(map(operator.mul, apart, apart[1:])) / squares + 1 / n) / (1 - 3 / n) if squares else 0.0
    if together > _NO_LEVEL:
        return None
    wider = math.sqrt((1 + together) / (1 - together)) if together > 0 else 1.0
    half = T_BLOCKS * wider * math.sqrt(squares / (n - 1) / n)
    return mean - half, mean + half


def slope_bounds(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The slope of the least-squares line through the means of 10 to 20 stretches, and half the width of its bounds by
    Student's t."""
    mean_x, mean_y = statistics.fmean(x), statistics.fmean(y)
    spread = sum((a - mean_x) ** 2 for a in x)
    slope = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    rest = sum((b - mean_y - slope * (a - mean_x)) ** 2 for a, b in zip(x, y, strict=True))
    return slope, _T_LINES[len(x) - 10] * math.sqrt(rest / (len(x) - 2) / spread)


def at_least(hits: int, n: int, share: float) -> float:
    """How likely so many hits or more of n are, where each comes with this probability."""
    return 1.0 if hits <= 0 else _beta(hits, n - hits + 1, share)


def t_beyond(t: float, freedom: int) -> float:
    """How likely Student's t is so high or higher (by the incomplete beta function: DLMF 8.17, from memory).

    Example: 2.093 with 19 degrees of freedom is met or exceeded with 0.025.
    """
    half = _beta(freedom / 2, 0.5, freedom / (freedom + t * t)) / 2
    return half if t >= 0 else 1 - half


def t_quantile(chance: float, freedom: int) -> float:
    """Which Student's t is met or exceeded with a chance, by halving."""
    low, high = -1e4, 1e4
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if t_beyond(middle, freedom) > chance else (low, middle)
    return high


def enough_for(share: float, limit: float, n: int) -> int | None:
    """How many observations would tell on which side of ``limit`` a ``share`` lies, if it stays what it was in ``n``;
    None where that can't be told by any number that a run could have."""
    low, high = n, n
    while not _tells(share, limit, high):
        low, high = high, high * 2
        if high > 1 << 40:
            return None
    while high - low > max(low // 1000, 1):
        middle = (low + high) // 2
        low, high = (low, middle) if _tells(share, limit, middle) else (middle, high)
    return high


def _tells(share: float, limit: float, n: int) -> bool:
    low, high = share_bounds(round(share * n), n)
    return high <= limit or low > limit


def _solve(function: Callable[[float], float], target: float, rising: bool) -> float:
    """Where a monotone function of a share meets a value, by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if (function(middle) < target) is rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b)."""
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1) / (a + b + 2):
        return front * _fraction(a, b, x) / a
    return 1 - front * _fraction(b, a, 1 - x) / b


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction, from the front (Lentz's method)."""
    c, d = 1.0, 1 - (a + b) * x / (a + 1)
    d = 1 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, _STEPS + int(math.sqrt(max(a, b))) * 5):
        for part in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 + part * d
            c = 1 + part / c
            d = 1 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            value *= c * d
        if abs(c * d - 1) < 1e-14:
            break
    return value
