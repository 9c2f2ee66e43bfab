"""Exact binomial bounds against scipy's (from the registry), and what they promise, tried out."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from gateway.analysis.bounds import (
    BLOCKS,
    CONFIDENCE,
    block_bounds,
    count_bounds,
    deviation_bounds,
    effective_number,
    enough_for,
    gamma_p,
    quantile_ranks,
    share_bounds,
)

GARWOOD = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))["statistics"][
    "poisson95"
]


@given(st.integers(1, 1_000_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_bounds_are_those_of_scipy(case: tuple[int, int]) -> None:
    """Clopper-Pearson by quantiles of the beta distribution."""
    hits, n = case
    low, high = share_bounds(hits, n)
    assert low == pytest.approx(stats.beta.ppf(1 - CONFIDENCE, hits, n - hits + 1) if hits else 0, rel=1e-6, abs=1e-12)
    assert high == pytest.approx(stats.beta.ppf(CONFIDENCE, hits + 1, n - hits) if hits < n else 1, rel=1e-6, abs=1e-12)


def test_none_of_many_is_the_rule_of_three() -> None:
    """n >= 3/p: Hanley and Lippman-Hand, JAMA 249 (1983), from memory."""
    for n in (100, 1000, 100_000):
        assert share_bounds(0, n)[1] == pytest.approx(3.689 / n, rel=0.02)  # 3 at 95 % of one side, 3.689 at 97.5 %


@pytest.mark.parametrize("share", [0.005, 0.03, 0.4])
def test_the_true_share_lies_within_in_at_least_the_promised_part_of_trials(share: float) -> None:
    chance = random.Random(7)
    trials = 1000
    low = high = 0
    for _ in range(trials):
        hits = sum(chance.random() < share for _ in range(300))
        bounds = share_bounds(hits, 300)
        low += bounds[0] <= share
        high += share <= bounds[1]
    assert low / trials > 0.96 and high / trials > 0.96  # 0.975 less three standard deviations of 1000 trials


@pytest.mark.parametrize(
    ("share", "limit", "n"), [(0.0, 0.01, 100), (0.025, 0.03, 200), (0.035, 0.03, 200), (0.9, 0.5, 3)]
)
def test_so_many_observations_do_tell(share: float, limit: float, n: int) -> None:
    enough = enough_for(share, limit, n)
    assert enough is not None
    low, high = share_bounds(round(share * enough), enough)
    assert high <= limit or low > limit


def test_a_share_just_at_the_limit_never_tells() -> None:
    assert enough_for(0.03, 0.03, 100) is None


@pytest.mark.parametrize("q", [0.5, 0.99])
def test_a_quantile_lies_between_its_ranks_in_the_promised_part_of_trials(q: float) -> None:
    """Of an exponential distribution, whose quantiles are known: -ln(1 - q)."""
    chance = random.Random(3)
    within = 0
    for _ in range(400):
        values = sorted(chance.expovariate(1) for _ in range(1500))
        low, high = quantile_ranks(1500, q)
        assert low is not None and high is not None
        within += values[low] <= -math.log(1 - q) <= values[high]
    assert within / 400 > 0.917  # 0.95 less three standard deviations of 400 trials


def test_a_quantile_far_out_of_few_is_open_to_one_side() -> None:
    assert quantile_ranks(100, 0.99)[1] is None and quantile_ranks(5, 0.5) == (None, None)


def test_blocks_bound_the_mean_of_a_process_that_hangs_together() -> None:
    """A first-order autoregressive process with mean 0: a plain standard error would be far too narrow."""
    chance = random.Random(5)
    within = 0
    for _ in range(400):
        value, means = 0.0, []
        for _ in range(BLOCKS):
            total = 0.0
            for _ in range(100):
                value = 0.8 * value + chance.gauss(0, 1)
                total += value
            means.append(total / 100)
        bounds = block_bounds(means)
        within += bounds is not None and bounds[0] <= 0 <= bounds[1]
    assert within / 400 >= 0.93


@pytest.mark.parametrize("length", [0.25, 0.5, 2.0, 10.0])  # of what hangs together, in blocks
def test_bounds_of_a_mean_hold_the_truth_or_there_are_none(length: float) -> None:
    """Autoregressive means, built from 20 values a block; up to half a block is what the bounds are made for."""
    chance, told, held = random.Random(6), 0, 0
    keep = math.exp(-1 / (20 * length))
    for _ in range(400):
        value, means = chance.gauss(0, 1 / math.sqrt(1 - keep * keep)), []
        for _ in range(BLOCKS):
            total = 0.0
            for _ in range(20):
                value = keep * value + chance.gauss(0, 1)
                total += value
            means.append(total / 20)
        if (bounds := block_bounds(means)) is not None:
            told += 1
            held += bounds[0] <= 0 <= bounds[1]
    assert held + 400 - told >= (0.92 if length <= 0.5 else 0.85) * 400
    assert told > 380 if length <= 0.5 else True


@pytest.mark.parametrize("q", [0.5, 0.99])
@pytest.mark.parametrize("n", [1, 5, 6, 30, 200])
def test_ranks_of_few_values_are_those_of_the_exact_binomial(n: int, q: float) -> None:
    """scipy.stats.binom, from the registry."""
    low, high = quantile_ranks(n, q)
    assert low == max((r for r in range(n) if stats.binom.cdf(r, n, q) <= 0.025), default=None)
    assert high == min((r for r in range(n) if stats.binom.sf(r, n, q) <= 0.025), default=None)


@pytest.mark.parametrize("count", GARWOOD)
def test_bounds_of_a_count_are_those_of_the_published_table(count: str) -> None:
    assert count_bounds(int(count)) == pytest.approx(GARWOOD[count], abs=6e-5)


@given(st.integers(0, 100_000))
def test_bounds_of_a_count_are_those_of_scipy(count: int) -> None:
    """Exact Poisson bounds by quantiles of chi-squared."""
    low, high = count_bounds(count)
    assert low == pytest.approx(stats.chi2.ppf(1 - CONFIDENCE, 2 * count) / 2 if count else 0, rel=1e-6)
    assert high == pytest.approx(stats.chi2.ppf(CONFIDENCE, 2 * count + 2) / 2, rel=1e-6)


@given(st.floats(0.1, 5000), st.floats(0, 10_000))
def test_the_incomplete_gamma_function_is_that_of_scipy(a: float, x: float) -> None:
    assert gamma_p(a, x) == pytest.approx(special.gammainc(a, x), rel=1e-8, abs=1e-12)


@given(st.floats(2, 5000))
def test_bounds_of_a_deviation_are_those_of_chi_squared(freedom: float) -> None:
    low, high = deviation_bounds(1.0, freedom)
    assert low == pytest.approx(math.sqrt(freedom / stats.chi2.ppf(CONFIDENCE, freedom)), rel=1e-6)
    assert high == pytest.approx(math.sqrt(freedom / stats.chi2.ppf(1 - CONFIDENCE, freedom)), rel=1e-6)


def test_losses_that_are_independent_tell_nearly_as_much_as_their_number() -> None:
    chance = random.Random(3)
    told = []
    for _ in range(200):
        hits = [sum(chance.random() < 0.05 for _ in range(500)) for _ in range(BLOCKS)]
        told.append(effective_number(hits, [500] * BLOCKS, [1] * sum(hits)) / 10_000)
    assert 0.6 < sorted(told)[100] <= 1.0


def test_one_long_burst_tells_as_much_as_one_loss() -> None:
    hits = [50, *[0] * (BLOCKS - 1)]
    assert effective_number(hits, [500] * BLOCKS, [50]) <= 10_000 / 50
