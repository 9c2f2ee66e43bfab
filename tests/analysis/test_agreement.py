"""A prototype beside a calibrated instrument: what was put in must be found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.analysis.measure.agreement import agreement
from gateway.analysis.measure.reference import Hold, read_reference
from gateway.analysis.measure.setpoints import calibration
from gateway.model.errors import InputError
from gateway.model.records import Outcome

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
        ("", "is empty"),
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
    read = read_reference(tmp_path / "r.csv", "when", "t")
    assert read.times_s.tolist() == [T0, T0 + 10] and read.values.tolist() == [20, 21]
    with pytest.raises(InputError, match="no column 'T'; it has n, when, t"):
        read_reference(tmp_path / "r.csv", "when", "T")


def test_a_run_shorter_than_twice_the_lag_is_told_so(tmp_path: Path) -> None:
    times = np.arange(100.0)
    with pytest.raises(InputError, match=r"1 min 39 s in common.*shorter --lag"):
        agreement(times, times, times, times, 60.0)


@pytest.mark.parametrize(
    "text",
    [
        "when;t\n2026-01-01 13:00:00;20,5\n2026-01-01 13:00:10;21\n",
        "when\tt\n01.01.2026 13:00\t20,5\n01.01.2026 13:00:10\t21,0\n",
        "when,t\n2026-01-01T12:00:00Z,20.5\n2026-01-01T12:00:10+00:00,21\n",
    ],
)
def test_files_are_read_as_laboratories_export_them(tmp_path: Path, text: str) -> None:
    """Semicolons or tabs with a decimal comma, local times in the time zone that is given."""
    (tmp_path / "r.csv").write_text(text)
    read = read_reference(tmp_path / "r.csv", zone="Europe/Vienna")
    assert read.times_s.tolist() == [T0 + 43200, T0 + 43210] and read.values.tolist() == [20.5, 21]


def test_a_local_time_that_comes_twice_is_refused(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text("when,t\n2026-10-25 02:30:00,20\n2026-10-25 04:30:00,20\n")
    with pytest.raises(InputError, match=r"line 2.*comes twice or never in Europe/Vienna; export in UTC"):
        read_reference(tmp_path / "r.csv", zone="Europe/Vienna")
    with pytest.raises(InputError, match="there is no time zone 'Moon/Tycho'"):
        read_reference(tmp_path / "r.csv", zone="Moon/Tycho")


def test_noise_of_the_reference_does_not_make_the_gain_smaller() -> None:
    """With as much noise as half the signal a least-squares line finds 0.8; the gain put in is 1."""
    rng = np.random.default_rng(4)
    times = T0 + np.arange(0, 7200, 2.0)
    true = 20 + np.sin((times - T0) / 400)
    gains = []
    for _ in range(20):
        reference = true + rng.normal(0, 0.35, len(times))
        found = agreement(times, true + rng.normal(0, 0.1, len(times)), times, reference, 0.0)
        assert found.gain is not None
        gains.append(found.gain)
    least_squares = np.polyfit(reference, true, 1)[0]
    assert least_squares < 0.85 and np.mean(gains) == pytest.approx(1, abs=0.02)


def test_the_line_is_that_of_total_least_squares() -> None:
    """By NumPy's singular value decomposition of both series in units of their noise (Golub and Van Loan; from
    memory)."""
    rng = np.random.default_rng(8)
    times = T0 + np.arange(0, 4000, 2.0)
    x = 20 + np.sin((times - T0) / 300) + rng.normal(0, 0.1, 2000)
    y = 1.05 * (20 + np.sin((times - T0) / 300)) + rng.normal(0, 0.2, 2000)
    noise = [np.sqrt((np.diff(one) ** 2).mean() / 2) for one in (x, y)]
    scaled = np.column_stack([(x - x.mean()) / noise[0], (y - y.mean()) / noise[1]])
    _, _, axes = np.linalg.svd(scaled, full_matrices=False)
    gain = axes[0, 1] / axes[0, 0] * noise[1] / noise[0]
    assert agreement(times, y, times, x, 0.0).gain == pytest.approx(gain, rel=1e-6)


def test_the_bounds_of_offset_and_gain_hold_them() -> None:
    rng = np.random.default_rng(9)
    times, held = T0 + np.arange(0, 3600, 5.0), [0, 0]
    for _ in range(80):
        noise = np.convolve(rng.normal(0, 0.3, len(times) + 9), np.ones(10) / 10, "valid")
        reference = room(times - T0)
        found = agreement(times, 1.02 * reference - 0.1 + noise, times, reference, 0.0)
        offset = -0.1 + 0.02 * reference.mean()
        assert found.gain_low is not None and found.gain_high is not None
        held[0] += found.offset_low is None or found.offset_low <= offset <= (found.offset_high or 0)
        held[1] += found.gain_low <= 1.02 <= found.gain_high
    assert min(held) >= 72


def test_an_uncertainty_budget_adds_its_parts_in_squares() -> None:
    """By hand: 0.2 K expanded is 0.1 K standard; LSB 0.06 K leaves 0.01732 K."""
    rng = np.random.default_rng(10)
    times = T0 + np.arange(0, 3600, 5.0)
    reference = room(times - T0)
    budget = agreement(times, reference + 0.15 + rng.normal(0, 0.05, len(times)), times, reference, 0.0).budget(
        0.2, 0.06
    )
    assert budget is not None and budget.normalised_error is not None
    assert budget.resolution == pytest.approx(0.0173205, rel=1e-5)
    assert budget.expanded == pytest.approx(2 * np.sqrt(0.1**2 + 0.0173205**2 + budget.repeated**2))
    assert budget.normalised_error == pytest.approx(0.15 / budget.expanded, rel=0.1) and budget.repeated < 0.01


HOLDS = [Hold(100.0 * n, 100.0 * n + 60, value) for n, value in enumerate([0.0, 5.0, 10.0, 20.0, 10.0])]


def scale(gain: float, zero: float, noise: float = 0.01) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    times = np.arange(0, 500, 1.0)
    held = np.array([next((h.value for h in HOLDS if h.from_s <= t <= h.to_s), 99.0) for t in times])
    return times, gain * held + zero + rng.normal(0, noise, len(times))


def test_a_calibration_by_set_points_tells_errors_line_and_what_to_write_back() -> None:
    found = calibration(*scale(1.02, -0.3), HOLDS)
    assert [point.n for point in found.points] == [61] * 5
    assert [point.error for point in found.points] == pytest.approx([-0.3, -0.2, -0.1, 0.1, -0.1], abs=0.01)
    assert (found.gain, found.zero) == (pytest.approx(1.02, abs=0.001), pytest.approx(-0.3, abs=0.01))
    gain, zero = found.correction
    assert gain * (1.02 * 7 - 0.3) + zero == pytest.approx(7, abs=0.01)
    assert found.repeatability is not None and found.repeatability < 0.01 and found.outcome is None


@pytest.mark.parametrize(
    ("limit", "reference", "outcome"),
    [
        (0.5, 0.0, Outcome.PASS),
        (0.2, 0.0, Outcome.FAIL),
        (0.302, 0.0, Outcome.INCONCLUSIVE),
        (0.5, 0.3, Outcome.INCONCLUSIVE),
    ],
)
def test_the_largest_error_is_held_against_a_limit_with_its_bounds(
    limit: float, reference: float, outcome: Outcome
) -> None:
    assert calibration(*scale(1.02, -0.3), HOLDS, reference, limit).outcome is outcome


def test_set_points_without_values_or_without_a_difference_are_told() -> None:
    with pytest.raises(InputError, match="0 values came while 7 was held"):
        calibration(*scale(1, 0), [HOLDS[0], Hold(9e5, 9e5 + 10, 7.0)])
    with pytest.raises(InputError, match="two different values"):
        calibration(*scale(1, 0), [HOLDS[2], HOLDS[4]])


def test_set_points_are_read_from_a_file_with_from_and_to(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text(
        "From;To;kg\n2026-01-01 12:00;2026-01-01 12:05;0\n2026-01-01 12:10;2026-01-01 12:15;5,25\n"
    )
    read = read_reference(tmp_path / "s.csv")
    assert read.holds == (Hold(T0 + 43200, T0 + 43500, 0.0), Hold(T0 + 43800, T0 + 44100, 5.25))
    (tmp_path / "s.csv").write_text("from,to,kg\n2026-01-01 12:05,2026-01-01 12:00,0\n")
    with pytest.raises(InputError, match="to must be later"):
        read_reference(tmp_path / "s.csv")


def test_stamps_that_only_tell_minutes_are_no_reason_to_refuse() -> None:
    times = T0 + np.arange(0, 3600, 10.0)
    minutes = np.floor((times - T0) / 60) * 60 + T0
    found = agreement(times, room(times - T0), minutes, room(times - T0), 0.0)
    assert found.n > 300


@pytest.mark.parametrize(
    "text",
    [
        '"Time, UTC";"T, degC"\n1767225600;20,5\n1767225660;21\n',
        "Zeit;Temperatur, degC\n1767225600;20,5\n1767225660;21,0\n",
    ],
)
def test_a_comma_in_a_header_does_not_part_columns(tmp_path: Path, text: str) -> None:
    (tmp_path / "r.csv").write_text(text)
    assert read_reference(tmp_path / "r.csv").values.tolist() == [20.5, 21]


def test_ten_set_points_just_at_the_limit_seldom_fail() -> None:
    rng, failed = np.random.default_rng(12), 0
    holds = [Hold(100.0 * n, 100.0 * n + 60, float(n)) for n in range(10)]
    times = np.arange(0, 1000, 1.0)
    held = np.array([next((h.value for h in holds if h.from_s <= t <= h.to_s), 99.0) for t in times])
    for _ in range(200):
        values = held + 0.3 + rng.normal(0, 0.05, len(times))
        failed += calibration(times, values, holds, 0.0, 0.3).outcome is Outcome.FAIL
    assert failed / 200 <= 0.06
