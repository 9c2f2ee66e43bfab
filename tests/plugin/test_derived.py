"""Derived values of the shipped plugins against published tables and an independent library.

US Standard Atmosphere 1976 and ASHRAE Handbook Fundamentals 2017, chapter 1: tests/truth/vectors.json.
psychrolib (from the registry, ASHRAE formulas) for dew point and vapour content."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import fluids
import psychrolib
import pytest

from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.plugin import Characteristic, find_plugin
from gateway.plugin.derive import read_all
from tests.support import open_database

TRUTH: dict[str, Any] = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))
CRATE = find_plugin("loan-crate").characteristics
psychrolib.SetUnitSystem(psychrolib.SI)


def derived(item: Characteristic, **values: Any) -> dict[str, Any]:
    raw = item.codec.build({"sequence": 0, **values})
    return {r.name: r.value for r in read_all(item, raw, {})}


AIRS = [
    (celsius, percent, psychrolib.GetTDewPointFromRelHum(celsius, percent / 100))
    for celsius in (0.5, 10, 20, 30, 45)
    for percent in (5, 30, 60, 100)
]


@pytest.mark.parametrize(("celsius", "percent", "wanted"), [air for air in AIRS if air[2] > 0])
def test_dew_point_is_that_of_psychrolib(celsius: float, percent: float, wanted: float) -> None:
    """Over water: below 0 degC psychrolib counts over ice."""
    got = derived(CRATE["climate"], temperature=celsius, humidity=percent, pressure=1013.25)["dew_point"]
    assert got == pytest.approx(wanted, abs=0.1)


@pytest.mark.parametrize(("celsius", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3)])
def test_vapour_content_at_saturation_is_that_of_the_ashrae_table(celsius: int, pascal: float) -> None:
    """Ideal gas of water vapour, R = 8314.46/18.015 J/(kg K), at the table's saturation pressure."""
    assert TRUTH["ashrae_2017"]["satP_Pa"][str(celsius)] == pascal
    wanted = 1000 * pascal / (8314.46 / 18.015 * (celsius + 273.15))
    got = derived(CRATE["climate"], temperature=celsius, humidity=100, pressure=1013.25)["absolute_humidity"]
    assert got == pytest.approx(wanted, rel=0.005)


@pytest.mark.parametrize(
    ("metres", "pascal"), list(zip(TRUTH["us1976_table"]["h_m"], TRUTH["us1976_table"]["P_Pa"], strict=True))[1:6]
)
def test_altitude_is_that_of_the_standard_atmosphere(metres: int, pascal: int) -> None:
    """The table's altitudes are geometric, the formula's geopotential: H = r z / (r + z), r = 6356.766 km."""
    geopotential = 6356766 * metres / (6356766 + metres)
    got = derived(CRATE["climate"], temperature=15, humidity=50, pressure=pascal / 100)["altitude"]
    assert got == pytest.approx(geopotential, abs=1.5)


@pytest.mark.parametrize("metres", range(0, 10001, 1250))
def test_altitude_is_that_of_fluids(metres: int) -> None:
    """fluids (from the registry) reckons the standard atmosphere from geometric altitude."""
    air = fluids.ATMOSPHERE_1976(metres)
    got = derived(CRATE["climate"], temperature=15, humidity=50, pressure=air.P / 100)["altitude"]
    assert got == pytest.approx(air.H, abs=1.5)


@pytest.mark.parametrize("degrees", [-60, -30, 0, 15, 45])
def test_tilt_is_the_angle_the_crate_leans_at(degrees: float) -> None:
    """Plane trigonometry; a sint12 of 1/128 g resolves half a degree near upright."""
    item = CRATE["shock"]
    x, z = math.sin(math.radians(degrees)), math.cos(math.radians(degrees))
    raw = item.codec.build({"sequence": 0}, [{"x": x, "y": 0, "z": z, "clipped": 0}] * 3)
    found = {r.name: r.value for r in read_all(item, raw, {})}
    assert found["tilt_x"] == pytest.approx(degrees, abs=0.5)
    assert found["tilt_y"] == 0


@pytest.mark.parametrize("celsius", [-200, -100, -50, 0, 100, 200, 400, 600, 850])
def test_the_formula_language_expresses_a_platinum_thermometer(celsius: int) -> None:
    """IEC 60751, Callendar-Van Dusen, against the standard's table."""
    import numpy as np

    from gateway.plugin.layout.formula import Formula

    text = "100 * (poly(t, 1, 3.9083e-3, -5.775e-7) + where(t < 0, -4.183e-12 * (t - 100) * t**3, 0))"
    ohm = float(Formula(text, {"t"})({"t": np.float64(celsius)}))
    assert round(ohm, 2) == TRUTH["iec60751"]["ohm"][str(celsius)]


def test_the_formula_language_expresses_steinhart_and_hart() -> None:
    """A thermistor's three calibration points come back; the coefficients are solved from them with numpy."""
    import numpy as np

    from gateway.plugin.layout.formula import Formula

    kelvin, ohm = np.array([273.15, 298.15, 343.15]), np.array([32650.0, 10000.0, 1752.0])
    logs = np.log(ohm)
    a, b, c = np.linalg.solve(np.column_stack([np.ones(3), logs, logs**3]), 1 / kelvin)
    formula = Formula("1 / (a + b * ln(r) + c * ln(r)**3)", {"a", "b", "c", "r"})
    assert formula({"a": a, "b": b, "c": c, "r": ohm}) == pytest.approx(kelvin, rel=1e-12)


GAUGE = find_plugin("bore-gauge").characteristics
CALIBRATION = {"zero": 0.0, "gain": 1.0, "thermal": 0.0}


def gauge(calibration: dict[str, float], **values: Any) -> dict[str, Any]:
    at_rest = {
        "age": 0,
        "counts": 0,
        "temperature": 20,
        "state": "good",
        "wet": 1,
        "thermistor": 10000,
        "barometer": 1000,
    }
    raw = GAUGE["reading"].codec.build({**at_rest, **values})
    return {r.name: r.value for r in read_all(GAUGE["reading"], raw, {"calibration": calibration})}


@pytest.mark.parametrize(("metres", "pascal"), [(0.0, 0.0), (1.0, 9806.65), (25.0, 245166.25)])
def test_level_is_counted_in_conventional_metres_of_water(metres: float, pascal: float) -> None:
    """NIST SP 811, appendix B.8: a conventional metre of water is 9806.65 Pa (from memory)."""
    found = gauge({**CALIBRATION, "a": 1e-3, "b": 2e-4, "c": 1e-7}, counts=round(pascal) + 100000)
    assert found["level"] == pytest.approx(metres, abs=1e-4)


def test_level_does_not_follow_the_weather() -> None:
    """The gauge and the barometer at the bore's head rise together."""
    calibration = {**CALIBRATION, "a": 1e-3, "b": 2e-4, "c": 1e-7}
    low, high = (gauge(calibration, counts=hpa * 100 + 50000, barometer=hpa)["level"] for hpa in (960, 1040))
    assert low == high == pytest.approx(50000 / 9806.65)


@pytest.mark.parametrize(("ohm", "celsius"), [(32650, 0), (10000, 25), (1752, 70)])
def test_water_temperature_meets_the_points_its_constants_come_from(ohm: int, celsius: int) -> None:
    """A common 10 kohm thermistor's table (from memory), its coefficients solved with numpy."""
    import numpy as np

    logs, kelvin = np.log([32650.0, 10000.0, 1752.0]), np.array([273.15, 298.15, 343.15])
    a, b, c = np.linalg.solve(np.column_stack([np.ones(3), logs, logs**3]), 1 / kelvin)
    found = gauge({**CALIBRATION, "a": a, "b": b, "c": c}, thermistor=ohm)
    assert found["water_temperature"] == pytest.approx(celsius, abs=1e-6)


def test_the_log_holds_what_single_decoding_gives(tmp_path: Path) -> None:
    plugin = find_plugin("loan-crate")
    log = tmp_path / "x.db"
    writer = LogWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    climate = [
        bytes.fromhex(raw)
        for raw in ("01006e098813cd8b01", "020018fcffff0f8b01", "030000801027905f01", "04006e090000000000")
    ]
    shock = [bytes.fromhex(raw) for raw in ("070000008000800f10001c", "08", "091020304000")]
    for raw in climate:
        writer.frame(Frame(1, "a", "climate", raw))
    for raw in shock:
        writer.frame(Frame(1, "a", "shock", raw))
    writer.close(2, "test")
    with open_database(log) as connection:
        connection.row_factory = sqlite3.Row
        for table, payloads in (("climate", climate), ("shock", shock)):
            rows = connection.execute(f"SELECT * FROM loan_crate_{table} ORDER BY id").fetchall()
            item = plugin.characteristics[table]
            columns = {f.name: f.column for f in item.layout.fields} | {d.name: d.column for d in item.derived}
            for row, raw in zip(rows, payloads, strict=True):
                for reading in read_all(item, raw, {}):
                    if "[" not in reading.name:
                        assert row[columns[reading.name]] == reading.value, (raw.hex(), reading)
