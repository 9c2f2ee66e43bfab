"""Verdicts: pass only on enough data, fail only on proof, inconclusive otherwise."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.analysis.bounds import SHARE, share_bounds
from gateway.analysis.judge import judge
from gateway.model.figures import CHANNEL_FIGURES, LINK_FIGURES, Requirement
from gateway.model.records import Measure, Outcome, Verdict, overall


def verdict(
    figure: str, value: float | None, n: int, low: float | None = None, high: float | None = None, *more: Measure
) -> Verdict:
    subject = "link" if figure in LINK_FIGURES else "climate"
    unit = (LINK_FIGURES if subject == "link" else CHANNEL_FIGURES)[figure].unit
    bounds: tuple[Any, ...] = ()
    if figure in ("loss", "no_reading") and value is not None:
        share = share_bounds(round(value * n / 100), n)
        bounds = (100 * share[0], 100 * share[1], SHARE)
    measures = [Measure("a", subject, figure, value, unit, n, "things", *bounds), *more]
    (one,) = judge([Requirement("crate", subject, figure, low, high, unit)], {"a": "crate"}, measures)
    return one


@pytest.mark.parametrize(
    ("figure", "value", "n", "low", "high", "outcome"),
    [
        ("rate", 10.0, 1000, 9.9, 10.1, Outcome.PASS),
        ("rate", 9.0, 1000, 9.9, 10.1, Outcome.FAIL),
        ("gap_median", 10.0, 19, 9.0, 11.0, Outcome.INCONCLUSIVE),
        ("rate", 9.91, 100, 9.9, 10.1, Outcome.INCONCLUSIVE),  # one value more or less decides
        ("rate", None, 0, 9.0, 11.0, Outcome.INCONCLUSIVE),
        ("gap_p99", 0.1, 99, None, 1.0, Outcome.INCONCLUSIVE),
        ("gap_p99", 0.1, 100, None, 1.0, Outcome.PASS),
        ("gap_longest", 0.5, 1000, None, 1.0, Outcome.PASS),
        ("gap_longest", 1.5, 3, None, 1.0, Outcome.FAIL),  # one long gap is proof
        ("loss", 0.0, 367, None, 1.0, Outcome.INCONCLUSIVE),  # 0.99 ** 368 < 0.025: 368 are needed
        ("loss", 0.0, 368, None, 1.0, Outcome.PASS),
        ("loss", 2.5, 200, None, 3.0, Outcome.INCONCLUSIVE),  # found below, but 5.2 % is possible
        ("loss", 3.5, 200, None, 3.0, Outcome.INCONCLUSIVE),
        ("loss", 2.0, 10000, None, 3.0, Outcome.PASS),
        ("loss", 5.0, 100, None, 1.0, Outcome.FAIL),
        ("loss", 0.0, 3687, None, 0.0, Outcome.INCONCLUSIVE),  # "none at all" asks for most
        ("loss", 0.0, 3688, None, 0.0, Outcome.PASS),
        ("loss", 0.1, 5000, None, 0.0, Outcome.FAIL),
        ("loss", 0.088, 10_000, None, 0.01, Outcome.FAIL),  # a limit below 0.1 % is what it says
        ("loss", 0.0, 3688, None, 0.01, Outcome.INCONCLUSIVE),
        ("no_reading", 50.0, 200, 20.0, 40.0, Outcome.FAIL),
        ("no_reading", 30.0, 1000, 20.0, 40.0, Outcome.PASS),
        ("decode_errors", 0, 10, None, 0, Outcome.INCONCLUSIVE),
        ("decode_errors", 0, 50, None, 0, Outcome.PASS),
        ("decode_errors", 1, 5, None, 0, Outcome.FAIL),
        ("disconnects", 0, 0, None, 0, Outcome.INCONCLUSIVE),  # never linked at all
        ("disconnects", 0, 1, None, 0, Outcome.PASS),
        ("duplicates", 0, 3, 1, None, Outcome.INCONCLUSIVE),  # more may come: only too many is proof
        ("connected", 100.0, 5, 99.0, None, Outcome.INCONCLUSIVE),
        ("connected", 98.0, 3600, 99.0, None, Outcome.FAIL),
        ("settings_differ", 0, 0, None, 0, Outcome.INCONCLUSIVE),
    ],
)
def test_outcomes(
    figure: str, value: float | None, n: int, low: float | None, high: float | None, outcome: Outcome
) -> None:
    assert verdict(figure, value, n, low, high).outcome is outcome


def test_returning_is_met_by_a_link_that_was_never_lost_but_not_by_one_that_never_was() -> None:
    for links, outcome in ((1, Outcome.PASS), (0, Outcome.INCONCLUSIVE)):
        losses = Measure("a", "link", "disconnects", 0, "", links, "links")
        assert verdict("reconnect_time_longest", None, 0, None, 5.0, losses).outcome is outcome


@pytest.mark.parametrize("figure", ["disconnects", "gap_longest", "decode_errors", "duplicates"])
def test_a_run_cut_short_can_break_a_bound_on_a_count_but_not_keep_it(figure: str) -> None:
    subject = "link" if figure in LINK_FIGURES else "climate"
    for value, outcome in ((0.0, Outcome.INCONCLUSIVE), (9.0, Outcome.FAIL)):
        measures = [Measure("a", subject, figure, value, "", 1000, "things")]
        (one,) = judge(
            [Requirement("crate", subject, figure, None, 3.0, "")],
            {"a": "crate"},
            measures,
            "the run lasted 60 s of 3600 s",
        )
        assert one.outcome is outcome
        assert outcome is Outcome.FAIL or one.why == "the run lasted 60 s of 3600 s"


@pytest.mark.parametrize("figure", ["disconnects", "gap_longest"])
def test_a_few_seconds_keep_no_bound_on_a_count(figure: str) -> None:
    subject = "link" if figure in LINK_FIGURES else "climate"
    measures = [
        Measure("a", subject, figure, 0.0, "", 1000, "things"),
        Measure("a", "link", "connected", 100.0, "percent", 4, "s"),
    ]
    (one,) = judge([Requirement("crate", subject, figure, None, 3.0, "")], {"a": "crate"}, measures)
    assert one.outcome is Outcome.INCONCLUSIVE and "at least 10" in one.why


def test_the_margin_is_to_the_nearer_bound_and_negative_outside() -> None:
    assert verdict("rate", 10.0, 1000, 9.5, 11.0).margin == pytest.approx(0.5)
    assert verdict("rate", 12.0, 1000, 9.5, 11.0).margin == pytest.approx(-1.0)


def test_an_inconclusive_verdict_says_what_is_missing() -> None:
    assert (
        verdict("loss", 0.0, 100, None, 1.0).why == "100 things leave 0 to 3.622 % possible; about 368 would be enough"
    )
    assert "would be enough" in verdict("loss", 2.5, 200, None, 3.0).why
    assert verdict("gap_median", 10.0, 19, 9.0, 11.0).why == "19 things, at least 20 are needed"


def test_nothing_required_is_nothing_passed() -> None:
    assert overall(v.outcome for v in []) is Outcome.INCONCLUSIVE


def test_one_failure_fails_the_whole_and_one_doubt_holds_back_a_pass() -> None:
    passed, failed = verdict("disconnects", 0, 1, None, 0), verdict("disconnects", 1, 1, None, 0)
    doubt = verdict("disconnects", 0, 0, None, 0)
    assert overall(v.outcome for v in [passed, passed]) is Outcome.PASS
    assert overall(v.outcome for v in [passed, doubt]) is Outcome.INCONCLUSIVE
    assert overall(v.outcome for v in [passed, doubt, failed]) is Outcome.FAIL


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        (9.0, 11.0, Outcome.PASS),
        (9.9, 11.0, Outcome.INCONCLUSIVE),
        (10.3, 12.0, Outcome.FAIL),
        (None, 9.7, Outcome.FAIL),
    ],
)
def test_bounds_that_straddle_a_limit_are_inconclusive(low: float | None, high: float | None, outcome: Outcome) -> None:
    measure = Measure("a", "climate", "rate", 10.0, "1/s", 1000, "values", 9.8, 10.2, "some method")
    (one,) = judge([Requirement("crate", "climate", "rate", low, high, "1/s")], {"a": "crate"}, [measure])
    assert one.outcome is outcome
    if outcome is Outcome.INCONCLUSIVE:
        assert one.why == "1000 values leave 9.8 to 10.2 /s possible; about 4,400 would be enough"
