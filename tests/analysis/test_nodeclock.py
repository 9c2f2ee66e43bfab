"""A node's clock, simulated with a known drift, delays, wraps and restarts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gateway.analysis.measure.nodeclock import NodeClock, node_clock
from tests.support import figures, run_bench, run_file


def simulated(
    chance: np.random.Generator,
    ppm: float,
    step_s: float = 0.001,
    bits: int = 32,
    count: int = 3000,
    period_s: float = 1.0,
) -> NodeClock:
    """A node that stamps on its own clock; values come up to 50 ms late, as connection events and retries have it."""
    true_s = np.arange(count) * period_s
    node_s = np.floor(true_s * (1 + ppm / 1e6) / step_s) * step_s % (step_s * 2**bits)
    late_s = 0.015 * chance.random(count) + 0.05 * (chance.random(count) < 0.1)
    times_ns = ((true_s + late_s) * 1e9).astype(np.int64)
    return node_clock(times_ns, node_s, step_s * 2**bits, step_s, None, 0.015)


@pytest.mark.parametrize("ppm", [-250.0, 0.0, 20.0, 1500.0])
def test_the_drift_lies_within_its_bounds_in_95_percent_of_200_trials(ppm: float) -> None:
    chance = np.random.default_rng(8)
    within = 0
    for _ in range(200):
        found = simulated(chance, ppm)
        assert found.low_ppm is not None and found.high_ppm is not None and found.restarts == 0
        assert found.high_ppm - found.low_ppm < 6
        within += found.low_ppm <= ppm <= found.high_ppm
    assert within >= 190


def on_events(
    chance: np.random.Generator, hours: float, period_s: float, ppm: float, interval_s: float, swing_k: float = 0.0
) -> tuple[NodeClock, float]:
    """What is found, and the truth: values leave with the next connection event, one in ten an event later, and the
    crystal slows down by 0.035 ppm/K² off its turning point (typical of tuning forks) as the day warms and cools it."""
    seconds = hours * 3600
    grid = np.linspace(0, seconds * 1.01, 20_001)
    middle = (grid[1:] + grid[:-1]) / 2
    rate = ppm - 0.035 * (swing_k * np.sin(2 * np.pi * middle / 86_400 + chance.uniform(0, 2 * np.pi))) ** 2
    node = np.concatenate([[0.0], np.cumsum((1 + rate / 1e6) * np.diff(grid))])
    stamps = np.arange(int(seconds / period_s)) * period_s
    sampled = np.interp(stamps, node, grid)
    first = chance.uniform(0, interval_s)
    sent = first + np.ceil((sampled - first) / interval_s) * interval_s
    came = sent + (chance.geometric(0.9, len(sent)) - 1) * interval_s + 2e-4 * chance.random(len(sent))
    truth = (stamps[-1] - stamps[0]) / (sampled[-1] - sampled[0]) - 1
    return node_clock((came * 1e9).astype(np.int64), stamps, 2.0**32, 0.001, None, interval_s), 1e6 * truth


@pytest.mark.parametrize(
    ("hours", "period_s", "ppm", "interval_s", "swing_k", "widest_ppm"),
    [
        (1, 1.0, -40, 0.03, 0, 15),
        (1, 0.99, 5, 0.03, 0, 40),  # a multiple of the interval: all values are equally late
        (1 / 6, 0.99, -40, 0.03, 0, 250),
        (24, 10.0, 20, 0.05, 8, 2.5),
    ],
    ids=["off the interval", "on the interval", "on the interval, short", "a day of 8 K"],
)
def test_the_drift_lies_within_its_bounds_whatever_the_connection_interval_does_to_the_arrivals(
    hours: float, period_s: float, ppm: float, interval_s: float, swing_k: float, widest_ppm: float
) -> None:
    chance = np.random.default_rng(3)
    within = 0
    for _ in range(100):
        found, truth = on_events(chance, hours, period_s, ppm, interval_s, swing_k)
        assert found.low_ppm is not None and found.high_ppm is not None
        assert found.high_ppm - found.low_ppm < widest_ppm
        within += found.low_ppm <= truth <= found.high_ppm
    assert within >= 93


def test_a_crystal_that_wanders_is_no_delay() -> None:
    """The 99th percentile of the delay is that of the link, 100 ms where one value in ten waits an interval of 50 ms."""
    found, _ = on_events(np.random.default_rng(4), 24, 10.0, 20, 0.05, 8)
    assert found.jitter_s == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize("bits", [16, 20])
def test_a_counter_that_wraps_is_no_restart(bits: int) -> None:
    """2**16 ms is a little more than a minute."""
    found = simulated(np.random.default_rng(1), 40.0, bits=bits)
    assert found.restarts == 0 and found.drift_ppm == pytest.approx(40, abs=3)


def test_restarts_are_counted_and_do_not_spoil_the_drift() -> None:
    true_s = np.arange(5000.0)
    node_s = np.where(true_s < 700, true_s, true_s - 700) * (1 + 30e-6)
    node_s[4900:] = np.arange(100.0)
    found = node_clock((true_s * 1e9).astype(np.int64), node_s, 2.0**32, 0.001)
    assert found.restarts == 2 and found.drift_ppm == pytest.approx(30, abs=0.1) and found.n == 4200


@pytest.mark.parametrize("count", [0, 1, 59])
def test_too_few_values_give_no_drift(count: int) -> None:
    stamps = np.arange(count)
    assert node_clock(stamps * 10**9, stamps.astype(float), 2.0**32, 1.0).drift_ppm is None


def test_values_without_a_stamp_are_left_out() -> None:
    true_s = np.arange(500.0)
    node_s = np.where(true_s % 3 == 0, np.nan, true_s)
    assert node_clock((true_s * 1e9).astype(np.int64), node_s, 2.0**32, 1e-3).drift_ppm == pytest.approx(0, abs=1e-6)


def test_a_simulated_gauge_has_no_drift_and_no_restarts(tmp_path: Path) -> None:
    config = run_file(
        tmp_path,
        '[run]\ntitle = "t"\nradio = "virtual"\n[node.g]\nplugin = "bore-gauge"\nfind = { name = "G" }\n'
        'poll = { reading = "2 s", battery = "1 min" }\n',
    )
    run_bench(config, tmp_path / "x.db", 1200)
    found = figures(tmp_path / "x.db")
    drift = found["g", "reading", "clock_drift"]
    assert found["g", "reading", "restarts"].value == 0
    assert (
        drift.low is not None and drift.high is not None and drift.low < 1000 and drift.high > -1000 and drift.n > 500
    )
