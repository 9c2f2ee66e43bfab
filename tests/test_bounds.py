"""Exact binomial bounds against scipy's (from the registry), and what they promise, tried out."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gateway.bounds import CONFIDENCE, enough_for, share_bounds


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
        assert share_bounds(0, n)[1] == pytest.approx(3 / n, rel=0.02)


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
    assert low / trials > 0.935 and high / trials > 0.935  # 0.95 less three standard deviations of 1000 trials


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
