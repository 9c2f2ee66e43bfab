"""Before and after: what changed is told, and what only varies is not."""

from __future__ import annotations

import random
import statistics

import pytest
from scipy import stats

from gateway.analysis.bounds import BLOCKS, SHARE, T_BLOCKS, block_bounds, share_bounds
from gateway.analysis.compare import Pair, compare, flips
from gateway.log.info import NodeInfo, RunInfo
from gateway.model.records import Measure, Outcome, Verdict


def run(*nodes: tuple[str, str], lasted_s: float = 100) -> RunInfo:
    infos = tuple(NodeInfo(number, name, kind, ()) for number, (name, kind) in enumerate(nodes, 1))
    return RunInfo(1, "t", "none", "host", 0, None, 10, "", 1, 2, infos, (), "uid", round(lasted_s * 1e9))


def measure(
    figure: str, value: float | None, n: int = 1000, node: str = "a", subject: str = "climate", **more: object
) -> Measure:
    return Measure(node, subject, figure, value, "", n, "values", **more)  # type: ignore[arg-type]


def share(hits: int, n: int) -> Measure:
    low, high = share_bounds(hits, n)
    return measure("loss", 100 * hits / n, n, low=100 * low, high=100 * high, method=SHARE)


def one(a: Measure, b: Measure, lasted_s: tuple[float, float] = (100, 100)) -> Pair:
    first, second = (run(("a", "crate"), lasted_s=seconds) for seconds in lasted_s)
    (pair,) = compare((first, [a]), (second, [b]))
    return pair


@pytest.mark.parametrize(
    ("a", "b", "change"),
    [
        (share(10, 1000), share(100, 1000), "higher"),
        (share(100, 1000), share(10, 1000), "lower"),
        (share(10, 1000), share(12, 1000), "no change seen"),
        (measure("decode_errors", 0), measure("decode_errors", 20), "higher"),
        (measure("decode_errors", 0), measure("decode_errors", 2), "no change seen"),
        (measure("decode_errors", 50), measure("decode_errors", 50, n=10_000), "lower"),
        (measure("gap_longest", 1.0), measure("gap_longest", 2.0), "not comparable"),
        (measure("loss", None, 0), share(10, 1000), "not comparable"),
    ],
)
def test_a_change_is_told_only_beyond_the_uncertainty_of_both(a: Measure, b: Measure, change: str) -> None:
    assert one(a, b).change == change


def test_counts_are_compared_as_scipys_exact_binomial_test_does() -> None:
    """scipy.stats.binomtest (from the registry) on the share that fell to the second run."""
    chance = random.Random(2)
    for _ in range(300):
        a, b = chance.randrange(30), chance.randrange(30)
        if a + b == 0:
            continue
        seconds = (chance.uniform(10, 1000), chance.uniform(10, 1000))
        found = one(
            measure("disconnects", a, subject="link"), measure("disconnects", b, subject="link"), seconds
        ).change
        alike = seconds[1] / sum(seconds)
        p_more = stats.binomtest(b, a + b, alike, alternative="greater").pvalue
        p_less = stats.binomtest(b, a + b, alike, alternative="less").pvalue
        assert found == ("higher" if p_more <= 0.05 else "lower" if p_less <= 0.05 else "no change seen")


def test_two_runs_of_the_same_firmware_seldom_differ() -> None:
    chance = random.Random(4)
    told = 0
    for _ in range(300):
        hits = [sum(chance.random() < 0.05 for _ in range(500)) for _ in range(2)]
        told += one(share(hits[0], 500), share(hits[1], 500)).change != "no change seen"
    assert told / 300 < 0.05


def test_nodes_meet_by_name_or_as_the_only_one_of_their_kind() -> None:
    first, second = run(("a", "crate"), ("g1", "gauge")), run(("a", "crate"), ("b", "crate"), ("g2", "gauge"))
    measures = [measure("decode_errors", 0, node=name) for name in ("a", "b", "g1", "g2")]
    pairs = compare((first, measures), (second, measures))
    assert [pair.node for pair in pairs] == ["a", "g1"] and all(pair.after for pair in pairs)
    assert compare((run(("x", "crate"), ("y", "crate")), measures), (second, measures)) == []


@pytest.mark.parametrize(
    ("figure", "subject", "a", "b", "direction"),
    [
        ("settings_differ", "link", 0, 7, "worse"),
        ("decode_errors", "climate", 0, 5, "worse"),
        ("decode_errors", "climate", 9, 0, "better"),
        ("decode_errors", "climate", 0, 1, ""),
    ],
)
def test_what_got_worse_is_told_from_what_got_better(figure: str, subject: str, a: int, b: int, direction: str) -> None:
    assert one(measure(figure, a, subject=subject), measure(figure, b, subject=subject)).direction == direction


@pytest.mark.parametrize(("a", "b", "direction"), [(-5.0, 1.0, "better"), (1.0, -5.0, "worse"), (1.0, 5.0, "worse")])
def test_of_a_figure_that_is_best_at_zero_what_is_further_from_it_is_worse(a: float, b: float, direction: str) -> None:
    def drift(value: float) -> Measure:
        return measure(
            "drift", value, subject="climate.temperature", low=value - 0.1, high=value + 0.1, method="blocks"
        )

    assert one(drift(a), drift(b)).direction == direction


def test_a_sensor_that_froze_is_a_change() -> None:
    """Its noise is less than a resolution of 0.01 could hide."""
    before = measure("noise", 0.05, subject="climate.temperature", low=0.045, high=0.055, method="chi-squared")
    after = measure("noise", 0.0, subject="climate.temperature", low=0.0, high=0.0029, method="resolution")
    assert one(before, after).direction == "changed"


def test_verdicts_that_differ_are_found() -> None:
    def verdict(outcome: Outcome) -> Verdict:
        return Verdict(measure("loss", 1.0), None, 3.0, outcome, 1.0)

    runs = run(("a", "crate")), run(("a", "crate"))
    (flip,) = flips((runs[0], [verdict(Outcome.PASS)]), (runs[1], [verdict(Outcome.FAIL)]))
    assert flip.worse
    assert flips((runs[0], [verdict(Outcome.PASS)]), (runs[1], [verdict(Outcome.PASS)])) == []


def test_the_same_firmware_is_seldom_found_changed_whatever_the_number_of_figures() -> None:
    """Eighty figures a run, of a process whose blocks vary; without a correction nearly every pair would differ."""
    chance = random.Random(11)

    def figures() -> list[Measure]:
        made = []
        for number in range(80):
            blocks = [chance.gauss(10, 1) for _ in range(BLOCKS)]
            low, high = block_bounds(blocks) or (0.0, 20.0)
            subject = f"climate.field_{number}"
            made.append(measure("mean", sum(blocks) / BLOCKS, subject=subject, low=low, high=high, method="blocks"))
        return made

    told = 0
    for _ in range(100):
        runs = run(("a", "crate")), run(("a", "crate"))
        told += any(pair.direction for pair in compare((runs[0], figures()), (runs[1], figures())))
    assert told <= 8


def test_a_change_as_large_as_is_said_to_be_told_is_told_four_times_of_five() -> None:
    chance, told = random.Random(12), 0

    def process(level: float) -> Measure:
        blocks = [chance.gauss(level, 1) for _ in range(BLOCKS)]
        mean, half = sum(blocks) / BLOCKS, T_BLOCKS * statistics.stdev(blocks) / BLOCKS**0.5
        return measure("mean", mean, subject="climate.temperature", low=mean - half, high=mean + half, method="blocks")

    sizes = [one(process(10), process(10)).seen_from or 0.0 for _ in range(100)]
    size = statistics.fmean(sizes)
    for _ in range(300):
        told += one(process(10), process(10 + size)).change == "higher"
    assert 0.75 <= told / 300 <= 0.95


def test_errors_that_were_not_there_before_are_told_among_counts_that_never_happened() -> None:
    """Counts that can't tell a change whatever happens take nothing from those that can (Tarone)."""
    counts = ["duplicates", "reordered", "while_off", "decode_errors", "outside_limits"]
    before = [measure(name, 0) for name in counts]
    after = [measure(name, 5 if name == "decode_errors" else 0) for name in counts]
    pairs = compare((run(("a", "crate")), before), (run(("a", "crate")), after))
    assert [pair.figure for pair in pairs if pair.direction == "worse"] == ["decode_errors"]
    few = compare((run(("a", "crate")), before), (run(("a", "crate")), [measure("duplicates", 2)]))
    assert [pair.figure for pair in few if pair.new] == ["duplicates"] and not any(pair.direction for pair in few)


@pytest.mark.parametrize(
    ("a", "b", "no_worse"),
    [
        (share(100, 10_000), share(100, 10_000), True),
        (share(100, 10_000), share(90, 10_000), True),
        (share(100, 10_000), share(140, 10_000), False),
        (share(2, 200), share(2, 200), False),  # too few to show anything
        (measure("decode_errors", 400), measure("decode_errors", 410), True),
        (measure("decode_errors", 4), measure("decode_errors", 4), False),
        (measure("decode_errors", 0), measure("decode_errors", 0), False),
    ],
)
def test_no_worse_by_more_than_a_margin_has_to_be_shown(a: Measure, b: Measure, no_worse: bool) -> None:
    """At a margin of a half of what was found before."""
    (pair,) = compare((run(("a", "crate")), [a]), (run(("a", "crate")), [b]), margin=0.5)
    assert pair.no_worse is no_worse


def test_beside_counts_that_changed_those_that_did_not_are_seldom_told() -> None:
    """Four counts from 0 to 30, and twenty whose six events fell to one run or the other by chance (seeded)."""
    chance, told = random.Random(21), 0
    for _ in range(300):
        before, after = [], []
        for number in range(24):
            a, b = (0, 30) if number < 4 else (split := sum(chance.random() < 0.5 for _ in range(6)), 6 - split)
            before.append(measure("decode_errors", a, subject=f"c{number}"))
            after.append(measure("decode_errors", b, subject=f"c{number}"))
        pairs = compare((run(("a", "crate")), before), (run(("a", "crate")), after))
        changed = {pair.subject for pair in pairs if pair.change == "higher"}
        assert {f"c{number}" for number in range(4)} <= changed
        told += len(changed) > 4
    assert told / 300 <= 0.05


def test_figures_with_bounds_and_counts_together_are_seldom_told_to_be_worse() -> None:
    """Two runs of one firmware (seeded): four figures whose blocks vary and four counts of about a thousand."""
    chance = random.Random(31)

    def figures() -> list[Measure]:
        made = [
            measure("decode_errors", round(chance.gauss(1000, 1000**0.5)), n=10**6, subject=f"c{n}") for n in range(4)
        ]
        for number in range(4):
            blocks = [chance.gauss(10, 1) for _ in range(BLOCKS)]
            low, high = block_bounds(blocks) or (0.0, 20.0)
            made.append(
                measure("loss", sum(blocks) / BLOCKS, subject=f"s{number}", low=low, high=high, method="blocks")
            )
        return made

    told = 0
    for _ in range(1000):
        pairs = compare((run(("a", "crate")), figures()), (run(("a", "crate")), figures()))
        told += any(pair.direction == "worse" for pair in pairs)
    assert told / 1000 <= 0.05, told
