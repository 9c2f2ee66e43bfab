"""The chance of a figure at a limit, held against scipy and against Holm's own procedure written out."""

from __future__ import annotations

import random

import pytest
from scipy import stats

from gateway.analysis.bounds import COUNT, DISCONNECTS, PROCESS, SHARE, T_BLOCKS, count_bounds, share_bounds, t_beyond
from gateway.analysis.chance import chance_at, holm
from gateway.analysis.judge import judge
from gateway.model.figures import Requirement
from gateway.model.records import Measure, Outcome


def share(hits: int, n: int) -> Measure:
    low, high = share_bounds(hits, n)
    return Measure("a", "climate", "loss", 100 * hits / n, "percent", n, "values", 100 * low, 100 * high, SHARE)


def rate(count: int, seconds: float) -> Measure:
    low, high = count_bounds(count)
    return Measure(
        "a", "climate", "rate", count / seconds, "1/s", count, "values", low / seconds, high / seconds, COUNT
    )


@pytest.mark.parametrize("t", [-3.0, -0.5, 0.0, 0.7, 2.093, 5.0])
def test_students_t_is_that_of_scipy(t: float) -> None:
    assert t_beyond(t, 19) == pytest.approx(float(stats.t.sf(t, 19)), rel=1e-9)


@pytest.mark.parametrize("hits", [0, 1, 10, 30])
@pytest.mark.parametrize("limit", [0.5, 1.0, 5.0])
def test_the_chance_of_a_share_is_that_of_scipys_exact_test(hits: int, limit: float) -> None:
    for above, alternative in ((True, "greater"), (False, "less")):
        p = stats.binomtest(hits, 1000, limit / 100, alternative=alternative).pvalue
        assert chance_at(share(hits, 1000), limit, above) == pytest.approx(p, rel=1e-6)


@pytest.mark.parametrize("count", [0, 1, 7, 30])
def test_the_chance_of_a_count_is_that_of_scipys_poisson(count: int) -> None:
    found, due = rate(count, 600), 0.02 * 600
    assert chance_at(found, 0.02, above=True) == pytest.approx(float(stats.poisson.sf(count - 1, due)), rel=1e-6)
    assert chance_at(found, 0.02, above=False) == pytest.approx(float(stats.poisson.cdf(count, due)), rel=1e-6)


@pytest.mark.parametrize("found", [share(3, 1000), share(40, 2000), rate(5, 100), rate(30, 50)])
def test_at_its_own_bounds_the_chance_is_what_a_side_leaves_open(found: Measure) -> None:
    assert found.low is not None and found.high is not None
    assert chance_at(found, found.low, above=True) == pytest.approx(0.025, rel=1e-3)
    assert chance_at(found, found.high, above=False) == pytest.approx(0.025, rel=1e-3)


def test_holm_is_his_step_down_procedure() -> None:
    """Written out anew: the smallest of m against risk / m, the next against risk / (m - 1), until one fails."""
    chance = random.Random(1)
    for _ in range(200):
        found = [chance.random() ** 4 for _ in range(6)]
        left, stand = dict(enumerate(found)), set()
        while left:
            place = min(left, key=lambda p: left[p])
            if left.pop(place) > 0.05 / (8 - len(stand)):
                break
            stand.add(place)
        assert holm(found, 8, 0.05) == [place in stand for place in range(6)]


def process(value: float, half: float, name: str = "rate") -> Measure:
    return Measure("a", "climate", name, value, "1/s", 1000, "values", value - half, value + half, PROCESS)


def outcome(measure: Measure, low: float | None, high: float | None, risk: float, look: int = 0) -> Outcome:
    (one,) = judge(
        [Requirement("crate", "climate", measure.name, low, high, "1/s", risk)], {"a": "crate"}, [measure], look=look
    )
    return one.outcome


@pytest.mark.parametrize(
    ("low", "risk", "expected"),
    [
        (9.9, 0.025, Outcome.INCONCLUSIVE),  # the interval reaches down to 9.8
        (9.9, 0.2, Outcome.PASS),
        (9.9, 0.5, Outcome.PASS),
        (10.1, 0.5, Outcome.FAIL),
        (9.79, 0.025, Outcome.PASS),
        (9.79, 0.001, Outcome.INCONCLUSIVE),
    ],
)
def test_a_decision_rule_takes_just_its_risk(low: float, risk: float, expected: Outcome) -> None:
    assert outcome(process(10.0, 0.2), low, None, risk) is expected


def test_a_look_before_the_end_asks_for_more_with_each_look() -> None:
    found = process(10.0, 0.2)
    assert outcome(found, 9.7, None, 0.025) is Outcome.PASS
    assert outcome(found, 9.7, None, 0.025, look=1) is Outcome.PASS
    assert outcome(found, 9.7, None, 0.025, look=20) is Outcome.INCONCLUSIVE


def test_looks_together_have_the_risk_of_one() -> None:
    """A node exactly at its limit, looked at 25 times while values come (seeded; means of independent values)."""
    chance, wrong = random.Random(3), 0
    for _ in range(300):
        blocks: list[float] = []
        for look in range(1, 26):
            blocks += [chance.gauss(10.0, 1.0) for _ in range(20)]
            size = len(blocks) // 20
            means = [sum(blocks[n * size : (n + 1) * size]) / size for n in range(20)]
            mean = sum(means) / 20
            half = T_BLOCKS * (sum((m - mean) ** 2 for m in means) / 19 / 20) ** 0.5
            if outcome(process(mean, half), 10.0, None, 0.025, look) is Outcome.PASS:
                wrong += 1
                break
    assert wrong / 300 <= 0.05


def test_one_failure_among_many_has_to_be_beyond_accident() -> None:
    measures = [process(10.0, 0.2, name) for name in ("rate", "gap_median", "gap_p99", "period_error")]
    rules = [Requirement("crate", "climate", m.name, 9.0, None, "1/s") for m in measures]
    slight = [rules[0]._replace(low=10.22), *rules[1:]]
    first, *others = judge(slight, {"a": "crate"}, measures)
    assert (
        first.outcome is Outcome.INCONCLUSIVE
        and "4 requirements are tested at once" in first.why
        and "Holm" in first.why
    )
    assert all(one.outcome is Outcome.PASS for one in others)
    (alone,) = judge(slight[:1], {"a": "crate"}, measures)
    assert alone.outcome is Outcome.FAIL
    plain = judge([rules[0]._replace(low=10.8), *rules[1:]], {"a": "crate"}, measures)
    assert plain[0].outcome is Outcome.FAIL


def test_a_lower_limit_of_nothing_is_met_by_nothing() -> None:
    rules = [Requirement("crate", "climate", "loss", 0.0, 3.0, "percent")]
    for hits in (0, 1):
        (one,) = judge(rules, {"a": "crate"}, [share(hits, 5000)])
        assert one.outcome is Outcome.PASS


@pytest.mark.parametrize("count", [0, 1, 4])
@pytest.mark.parametrize("limit_s", [100.0, 1000.0, 20_000.0])
def test_the_chance_of_a_time_between_disconnects_is_that_of_their_count(count: int, limit_s: float) -> None:
    """scipy.stats.poisson, in 10,000 s connected."""
    linked_s = 10_000.0
    low, high = count_bounds(count)
    m = Measure(
        "a", "link", "time_between_disconnects", linked_s / max(count, 1), "s", count, "disconnects",
        linked_s / high, linked_s / low if low else None, DISCONNECTS,
    )  # fmt: skip
    due = linked_s / limit_s
    assert chance_at(m, limit_s, above=True) == pytest.approx(float(stats.poisson.cdf(count, due)), rel=1e-6)
    assert chance_at(m, limit_s, above=False) == pytest.approx(float(stats.poisson.sf(count - 1, due)), rel=1e-6)
