"""A prototype beside a calibrated instrument: what was put in must be found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.analysis.measure.agreement import agreement, read_reference
from gateway.model.errors import InputError

T0 = 1_767_225_600.0


def room(times_s: np.ndarray) -> np.ndarray:
    return 20 + 3 * np.sin(times_s / 700) + np.sin(times_s / 130)


@settings(max_examples=40, deadline=None)
@given(st.floats(-2, 2), st.floats(0.9, 1.1), st.floats(-40, 40), st.integers(0, 1000))
def test_offset_gain_and_lag_are_recovered(offset: float, gain: float, lag_s: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    ref_times = T0 + np.arange(-200, 7400, 10.0)
    times = T0 + np.arange(0, 7200, 1.7) + rng.uniform(-0.2, 0.2, 4236)
    values = gain * room(times - lag_s - T0) + offset + rng.normal(0, 0.05, len(times))
    found = agreement(times, values, ref_times, room(ref_times - T0), 60.0)
    assert found.gain == pytest.approx(gain, abs=0.005)
    assert found.lag_s == pytest.approx(lag_s, abs=1.0)
    assert found.residual == pytest.approx(0.05, rel=0.15)
    assert found.offset == pytest.approx(offset + (gain - 1) * 20, abs=0.15)


def test_a_reference_that_stands_still_tells_the_offset_alone() -> None:
    times = T0 + np.arange(1000.0)
    found = agreement(times, np.full(1000, 20.5), times[[0, -1]], np.array([20.0, 20.0]), 0.0)
    assert (found.offset, found.gain, found.lag_s) == (0.5, None, None)


def test_on_a_ramp_a_lag_cannot_be_told_from_an_offset_and_none_is_told() -> None:
    """Where the reference only rises, 0.3 K of offset look like a lag of 34 s, and were told as that."""
    rng = np.random.default_rng(1)
    times = T0 + np.arange(0, 7200, 2.0)
    ramp = (times - T0) * 0.01
    found = agreement(times, ramp + 0.3 + rng.normal(0, 0.02, len(times)), times, ramp, 60.0)
    assert found.lag_s is None and "rises or falls" in found.why_no_lag
    assert found.offset == pytest.approx(0.3, abs=0.01) and found.gain == pytest.approx(1, abs=0.01)


def test_the_bounds_of_a_lag_hold_it_in_95_percent_of_trials() -> None:
    rng = np.random.default_rng(2)
    ref_times = T0 + np.arange(-200, 3800, 10.0)
    times = T0 + np.arange(0, 3600, 5.0)
    within = 0
    for _ in range(60):
        lag_s = float(rng.uniform(-30, 30))
        noise = np.convolve(rng.normal(0, 0.3, len(times) + 9), np.ones(10) / 10, "valid")  # not white
        found = agreement(times, room(times - lag_s - T0) + noise, ref_times, room(ref_times - T0), 60.0)
        assert found.lag_low_s is not None and found.lag_high_s is not None
        within += found.lag_low_s <= lag_s <= found.lag_high_s
        assert found.lag_high_s - found.lag_low_s < 20
    assert within >= 56


def test_a_lag_at_the_end_of_the_search_is_refused() -> None:
    ref_times = T0 + np.arange(-500, 4000, 10.0)
    times = T0 + np.arange(0, 3600, 5.0)
    with pytest.raises(InputError, match="longer --lag"):
        agreement(times, room(times - 90 - T0), ref_times, room(ref_times - T0), 60.0)


def test_times_that_do_not_meet_are_told() -> None:
    with pytest.raises(InputError, match="0 values overlap the reference in time"):
        agreement(np.arange(100.0), np.arange(100.0), T0 + np.arange(100.0), np.arange(100.0), 0.0)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("utc,t\n", "0 readings"),
        ("", "no column 1"),
        ("utc,t\n2026-01-01T00:00:00Z,warm\n", "line 2: '2026-01-01T00:00:00Z,warm'"),
        ("utc,t\nyesterday,1\n", "line 2"),
        ("utc,t\n2026-01-01T00:00:00Z\n", "line 2"),
    ],
)
def test_what_is_wrong_with_a_reference_is_told_with_its_line(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "r.csv").write_text(text)
    with pytest.raises(InputError, match=told):
        read_reference(tmp_path / "r.csv", None, None)


def test_a_reference_is_read_by_its_columns_and_put_in_order(tmp_path: Path) -> None:
    text = "n,when,t\n1,2026-01-01T00:00:10+00:00,21\n2,1767225600,20\n3,2026-01-01T00:00:05,\n"
    (tmp_path / "r.csv").write_text(text)
    times, values = read_reference(tmp_path / "r.csv", "when", "t")
    assert times.tolist() == [T0, T0 + 10] and values.tolist() == [20, 21]
    with pytest.raises(InputError, match="no column 'T'; it has n, when, t"):
        read_reference(tmp_path / "r.csv", "when", "T")


def test_a_run_shorter_than_twice_the_lag_is_told_so(tmp_path: Path) -> None:
    times = np.arange(100.0)
    with pytest.raises(InputError, match=r"1 min 39 s in common.*shorter --lag"):
        agreement(times, times, times, times, 60.0)
