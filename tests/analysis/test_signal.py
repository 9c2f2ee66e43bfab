"""What a field's values do, from logs whose truth is known by construction or published."""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Sequence
from pathlib import Path

import allantools
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.analysis.bounds import BLOCKS, slope_bounds
from gateway.analysis.measure import survey_run
from gateway.analysis.measure.allan import Allan
from gateway.analysis.measure.signal import Batches
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame, Measure
from tests.support import EPOCH_NS, figures, own_plugin

TRUTH = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))
FIELD = 'fields = [{ name = "t", type = "sint16", lsb = "0.01 degC", limits = ["-40 degC", "85 degC"] }]'


def log_of(path: Path, values: Sequence[float | None], period_s: float = 1.0, field: str = FIELD) -> Path:
    """A log of one field, each value a frame; the second half of its name says nothing of the radio."""
    plugin = own_plugin(path, field)
    writer = LogWriter(path / "x.db", RunFacts("t", EPOCH_NS, None, "none", "", "", {"a": (plugin, "A")}))
    writer.event(LinkEvent.of(EPOCH_NS, "a", EventKind.READY))
    for number, value in enumerate(values):
        raw = b"" if value is None else struct.pack("<h", round(value * 100))
        writer.frame(Frame(EPOCH_NS + round(number * period_s * 1e9), "a", "c", raw))
    writer.close(EPOCH_NS + round(len(values) * period_s * 1e9), "test")
    return path / "x.db"


def field_of(log: Path) -> dict[str, Measure]:
    return {name: m for (_, subject, name), m in figures(log).items() if subject == "c.t"}


def test_the_allan_deviation_is_that_of_nist_sp_1065() -> None:
    """NIST SP 1065, the test suite of 10 and of 1,000 values (pp. 107-108)."""
    allan = Allan()
    allan.add(np.array(TRUTH["nbs14"]["ten_freq"], dtype=float))
    deviation = {m: value for m, value, _ in allan.points}
    assert deviation[1] == pytest.approx(TRUTH["nbs14"]["ten"]["adev"][0], rel=1e-6)
    numbers = [1234567890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % 2147483647)
    allan = Allan()
    allan.add(np.array(numbers) / 2147483647)
    assert allan.points[0][1] == pytest.approx(TRUTH["nbs14"]["thousand"]["adev_1_10_100"][0], rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(st.integers(20, 3000), st.integers(1, 400), st.integers(0, 1000))
def test_octaves_are_those_of_allantools_whatever_the_chunks(n: int, chunk: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=n).cumsum()
    allan = Allan()
    for start in range(0, n, chunk):
        allan.add(values[start : start + chunk])
    taus, deviations, _, _ = allantools.adev(values, rate=1.0, data_type="freq", taus=[m for m, _, _ in allan.points])
    assert [m for m, _, _ in allan.points][: len(taus)] == list(taus)
    np.testing.assert_allclose([d for _, d, _ in allan.points][: len(taus)], deviations, rtol=1e-9)


def test_noise_is_told_from_slow_change(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    values = 20 + 5 * np.sin(np.arange(20_000) / 2000) + rng.normal(0, 0.3, 20_000)
    found = field_of(log_of(tmp_path, values.tolist()))
    assert found["noise"].value == pytest.approx(0.3, rel=0.03)
    assert found["stddev"].value == pytest.approx(np.std(values), rel=0.01)
    assert found["noise"].unit == found["stddev"].unit == "degC"


def test_range_and_mean_are_plain(tmp_path: Path) -> None:
    found = field_of(log_of(tmp_path, [20.0, 21.5, None, 19.0, 20.5]))
    assert [found[name].value for name in ("lowest", "highest", "mean")] == pytest.approx([19, 21.5, 20.25])
    assert found["mean"].n == 4


def test_drift_is_the_rise_over_the_whole_run(tmp_path: Path) -> None:
    found = field_of(log_of(tmp_path, [20 + 2.0 * i / 5000 for i in range(5000)]))
    assert found["drift"].value == pytest.approx(2.0, rel=0.01)
    assert found["drift"].low is not None and found["drift"].low <= 2.0 <= (found["drift"].high or 0)


def test_a_slope_is_bounded_as_scipy_bounds_it() -> None:
    x = (np.arange(BLOCKS) / BLOCKS).tolist()
    y = np.random.default_rng(5).normal(0, 1, BLOCKS).tolist()
    slope, half = slope_bounds(x, y)
    fit = scipy.stats.linregress(x, y)
    assert slope == pytest.approx(fit.slope)
    assert half == pytest.approx(scipy.stats.t.ppf(0.975, BLOCKS - 2) * fit.stderr, rel=1e-3)


@pytest.mark.parametrize(
    ("values", "figure", "expected"),
    [
        ([20.00, 20.05, 20.00, 20.15, 20.25], "step", 0.05),  # five counts at a time, though one is declared
        ([20.00, 20.01, 20.01, 20.02], "step", 0.01),
        ([20.0, 20.0, 20.0], "step", None),
        ([20.0, 20.0, 21.0, 21.0, 21.0, 21.0, 20.0], "stuck_longest", 3.0),
        ([20.0] * 50, "stuck_longest", 49.0),
        ([20.00, 20.02, 20.04] * 30, "codes_missing", 40.0),  # 2001 and 2003 of 2000 to 2004
        ([20.0 + 0.03 * k for k in range(200)], "codes_missing", None),  # a ramp too fast to meet each
        ([85.0, 84.0, -40.0, 20.0], "saturated", 2),
        ([20, 20.1, 20, 20.1, 45, 20.1, 20, 20.1, 20], "spikes", 1),
        ([20, 20.1, 20, 20.1, 45, 45.1, 45, 45.1, 45], "spikes", 0),  # a step stays
        ([20.0, 20.0, 20.0, 20.01, 20.0, 20.0], "spikes", 0),  # one count is no spike
    ],
)
def test_signs_of_a_sensor_in_trouble(tmp_path: Path, values: list[float], figure: str, expected: float | None) -> None:
    assert field_of(log_of(tmp_path, values))[figure].value == (None if expected is None else pytest.approx(expected))


def test_rails_are_the_ends_of_the_type_where_no_limits_are_declared(tmp_path: Path) -> None:
    field = 'fields = [{ name = "t", type = "sint16", lsb = "0.01 degC" }]'
    assert field_of(log_of(tmp_path, [327.67, 20.0, -327.68, -327.67], field=field))["saturated"].value == 2


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_few_values_raise_nothing(tmp_path: Path, n: int) -> None:
    found = field_of(log_of(tmp_path, [20.0] * n))
    assert found["lowest"].value == 20 and found["mean"].method == ""


def test_chunks_make_no_difference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.round(20 + np.random.default_rng(1).normal(0, 0.1, 1000).cumsum() / 10, 2).tolist()
    log = log_of(tmp_path, values)
    whole = field_of(log)
    monkeypatch.setattr("gateway.log.reader.CHUNK_ROWS", 7)
    parts = field_of(log)
    for name, measure in whole.items():
        if name != "spikes":  # their scale is taken from the first chunk
            assert parts[name].value == pytest.approx(measure.value), name


def test_samples_are_values_too(tmp_path: Path) -> None:
    fields = 'fields = []\nsamples = { fields = [{ name = "x", type = "uint8", lsb = "1 lux" }] }'
    plugin = own_plugin(tmp_path, fields)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for number in range(10):
        writer.frame(Frame(number * 10**9, "a", "c", bytes([number, number + 1])))
    writer.close(10 * 10**9, "test")
    found = {name: m.value for (_, subject, name), m in figures(tmp_path / "x.db").items() if subject == "c.x"}
    assert (found["lowest"], found["highest"], found["step"]) == (0, 10, 1)


def test_the_overview_keeps_every_extreme(tmp_path: Path) -> None:
    values = [20.0] * 1000
    values[317], values[802] = 60.0, -10.0
    with Log(log_of(tmp_path, values)) as log:
        (node,) = survey_run(log, log.run(), bins=10)
    overview = node.channels[0].fields[0].overview
    assert overview.high.tolist() == [20, 20, 20, 60, 20, 20, 20, 20, 20, 20]
    assert overview.low.tolist() == [20, 20, 20, 20, 20, 20, 20, 20, -10, 20]


def test_other_processes_read_what_this_one_would(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = log_of(tmp_path, [20 + i % 7 for i in range(500)])
    here = field_of(log)
    monkeypatch.setattr("gateway.analysis.measure.statistics._MANY_FRAMES", 1)
    assert field_of(log) == here


def test_percentiles_are_those_of_the_e_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2, its twelve values (from memory) by the method that
    gap_p99 names, linear interpolation between order statistics."""
    case = TRUTH["statistics"]["nist_7262"]
    assert np.percentile(case["x"], 90) == pytest.approx(case["p90_linear"], abs=1e-5)


def test_a_mean_lies_within_its_bounds_however_values_are_spread_over_the_run(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, FIELD)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    times_s = [40.0 * i for i in range(24)] + [950 + i / 100 for i in range(5000)]
    for i, second in enumerate(times_s):
        writer.frame(Frame(round(second * 1e9), "a", "c", struct.pack("<h", 1000 if i < 24 else 8000)))
    writer.close(1000 * 10**9, "test")
    found = field_of(tmp_path / "x.db")["mean"]
    assert found.low is not None and found.high is not None and found.value is not None
    assert found.low <= found.value <= found.high
    assert found.low > 70


def test_batch_means_bound_the_mean_in_the_promised_part_of_trials() -> None:
    """400 seeded series that hang together (a first-order process), the true mean 0."""
    inside = 0
    for seed in range(400):
        rng, batches = np.random.default_rng(seed), Batches()
        values = np.zeros(4000)
        for i, shock in enumerate(rng.normal(size=3999)):
            values[i + 1] = 0.8 * values[i] + shock
        for start in range(0, 4000, 333):
            batches.add(values[start : start + 333])
        half = batches.half()
        assert half is not None
        inside += abs(values.mean()) <= half
    assert inside >= 0.93 * 400


def test_a_value_is_stuck_across_links_and_the_time_between_them_does_not_count(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, FIELD)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for second, kind in ((0, EventKind.READY), (10, EventKind.LOST), (3600, EventKind.READY)):
        writer.event(LinkEvent.of(second * 10**9, "a", kind))
    for second in (*range(10), *range(3600, 3605)):
        writer.frame(Frame(second * 10**9 + 1, "a", "c", struct.pack("<h", 2000)))
    writer.close(3610 * 10**9, "test")
    assert field_of(tmp_path / "x.db")["stuck_longest"].value == pytest.approx(14)


@pytest.mark.parametrize("wild", [1e200, -1.7e308, math.nan, math.inf, 1e300])
def test_wild_floats_harm_no_figure(tmp_path: Path, wild: float) -> None:
    plugin = own_plugin(tmp_path, 'fields = [{ name = "t", type = "float64" }]')
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for i in range(60):
        writer.frame(Frame(i * 10**9, "a", "c", struct.pack("<d", wild if i == 30 else 1.0)))
    writer.close(60 * 10**9, "test")
    assert field_of(tmp_path / "x.db")["highest"].value == 1.0


def test_codes_of_64_bits_are_not_counted(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, 'fields = [{ name = "t", type = "uint64", lsb = "1 V" }]')
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for i in range(10):
        writer.frame(Frame(i * 10**9, "a", "c", struct.pack("<Q", (2**64 - 1) * (i % 2))))
    writer.close(10 * 10**9, "test")
    assert field_of(tmp_path / "x.db")["codes_missing"].value is None
