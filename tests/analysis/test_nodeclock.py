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
    return node_clock(((true_s + late_s) * 1e9).astype(np.int64), node_s, step_s * 2**bits, step_s)


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
