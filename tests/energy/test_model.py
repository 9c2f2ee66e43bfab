"""The energy model against the published model of Kindt et al. (arXiv 1403.2919, ACM TECS 19, 2020), the I2C-bus
specification UM10204, circuit theory and first-order propagation by the package uncertainties; figures in
tests/truth/energy.json, each with its source."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import uncertainties
from pydantic import ValidationError

from gateway.energy import (
    EnergyShape,
    Load,
    SensorLoad,
    cells,
    drawn,
    first_order,
    life_of,
    nominal,
    parts_of,
    read_profile,
)
from gateway.energy.board import Meant, Sending, findings, free_space_db, path_loss_db, reach_m
from gateway.energy.bus import pull_up_range, transfer_s
from gateway.energy.cell import under_pulse_v
from gateway.energy.draws import CAPACITY
from gateway.energy.life import brownout, total
from gateway.energy.radio import (
    ADV_DELAY_MEAN_S,
    advertising_event,
    around,
    connection_event,
    packets,
    pair,
    widening_s,
)
from tests.energy.support import TRUTH, exact, profile, published

MODEL = {check["what"]: check for check in TRUTH["ble_event_model"]["checks"]}
MICRO = 1e6


def micro(value: Any) -> float:
    return float(np.asarray(value).ravel()[0]) * MICRO


def test_the_constant_parts_of_an_event_have_the_printed_charge() -> None:
    assert micro(around(nominal(profile()))) == pytest.approx(MODEL["constant parts of an event"]["uC"], abs=1e-6)


def test_an_event_of_five_pairs_has_the_printed_charge() -> None:
    """Rx 10 and Tx 22 bytes on air are payloads of 0 and 12; sleep fills the interval."""
    draws = nominal(profile())
    event = micro(connection_event(draws, [(0, 12)] * 5, 0.1, 50))
    event_ms = 1.962 + 5 * (0.123 + 0.08 + 0.08 + 0.053 + 0.176 + 0.057) - 0.057 + (0.388 - 0.123) + 0.01
    asleep = 0.9 * (0.1 - event_ms / 1e3)
    assert event + asleep == pytest.approx(
        MODEL["peripheral, the same, interval 0.1 s, one interval with sleep"]["uC"], abs=1e-4
    )


@pytest.mark.parametrize(
    ("what", "interval_s"),
    [
        ("peripheral, one sequence Rx 10 / Tx 10, interval 1 s", 1.0),
        ("the same at 0.1 s", 0.1),
        ("the same at 4 s", 4.0),
    ],
)
def test_an_idle_connection_draws_the_mean_current_that_follows(what: str, interval_s: float) -> None:
    made = profile()
    load = Load(connected=1.0, interval_s=interval_s)
    current = micro(total(parts_of(made, load, nominal(made))))
    # sleep is counted all the time here, as it is a thousandth of what the phases draw; there it is between events only
    assert current == pytest.approx(MODEL[what]["uA_mean"], rel=3e-4)
    if "uC_event" in MODEL[what]:
        assert micro(connection_event(nominal(made), [(0, 0)], interval_s, 50)) == pytest.approx(34.4566, abs=1e-4)


def test_a_notification_a_retry_and_window_widening_add_what_is_printed() -> None:
    draws = nominal(profile())
    added = packets(draws, 0, 27, 1) - packets(draws, 0, 0, 1)
    assert micro(added) == pytest.approx(
        MODEL["a 20-byte notification in place of an empty packet adds"]["uC"], abs=1e-3
    )
    again = MODEL["an extra Rx/Tx sequence carrying it (a retry) adds"]["uC"]
    assert micro(pair(draws, 0, 27, 1)) == pytest.approx(again, abs=1e-3)
    widened = widening_s(1.0, 50) * draws["radio.before_receive.current"]
    assert micro(widened) == pytest.approx(MODEL["window widening at 1 s"]["uC"], abs=1e-4)
    for row in TRUTH["link_rules"]["window_widening_us"]:
        assert widening_s(row["t_s"], row["ppm_both"] / 2) * 1e6 == pytest.approx(row["us"])


def test_advertising_has_the_charge_that_follows() -> None:
    made = profile()
    draws = nominal(made)
    # 37 bytes on air, as there: preamble, address, header, advertiser address, CRC and 21 bytes of data
    octets = 37 - 1 - 4 - 2 - 6 - 3
    event = MODEL["advertising event, 3 channels, 37 bytes, nobody answers"]
    assert micro(advertising_event(draws, octets)) == pytest.approx(event["uC"], abs=1e-3)
    mean = micro(advertising_event(draws, octets)) / (1 + ADV_DELAY_MEAN_S) + 0.9
    assert mean == pytest.approx(MODEL["the same every 1 s plus mean advDelay 5 ms"]["uA_mean"], rel=1e-4)


def test_latency_leaves_events_out() -> None:
    assert Load(interval_s=0.1, latency=9).events_per_s == pytest.approx(1.0)
    assert Load(interval_s=0.1, latency=9, events_with_data_per_s=5).events_per_s == pytest.approx(5.0)
    assert Load(interval_s=0.1, events_with_data_per_s=50).events_per_s == pytest.approx(10.0)


@pytest.mark.parametrize("row", TRUTH["i2c"]["checks"], ids=str)
def test_the_bus_has_the_limits_of_its_specification(row: dict[str, Any]) -> None:
    if "rp_max_ohm" in row:
        mode = {300: "fast", 1000: "standard", 120: "fast-plus"}[row["tr_ns"]]
        assert pull_up_range(mode, row["cb_pF"] * 1e-12, 3.0)[1] == pytest.approx(row["rp_max_ohm"], abs=1)
    elif "rp_min_ohm" in row:
        assert pull_up_range("fast", 100e-12, row["vdd"])[0] == pytest.approx(row["rp_min_ohm"], abs=1)
    elif "us_at_400k" in row:
        assert transfer_s(9, "fast") * 1e6 == pytest.approx(row["us_at_400k"])
        assert transfer_s(9, "standard") * 1e6 == pytest.approx(row["us_at_100k"], abs=1.0)
    elif "infeasible" in row["what"]:
        least, most = pull_up_range("fast", 400e-12, 3.3)
        assert least > most and round(most) == 885 and round(least) == 967


@pytest.mark.parametrize("row", TRUTH["supply"]["checks"], ids=str)
def test_a_pulse_pulls_the_supply_down_as_circuit_theory_has_it(row: dict[str, float]) -> None:
    pulse = row["ocv_V"], row["r_ohm"], row["i_mA"] / 1e3, row.get("t_ms", 1) / 1e3
    assert under_pulse_v(*pulse, row.get("c_uF", 0) / 1e6) == pytest.approx(row["V"], abs=1e-4)
    if "V_without" in row:
        assert under_pulse_v(*pulse, 0.0) == pytest.approx(row["V_without"])


def plain_cell(capacity: str, self_discharge: float = 0.0) -> dict[str, Any]:
    made = cells()["CR2032"]
    assert made.self_discharge in (self_discharge, 0.01)
    return {"kind": "CR2032", "capacity": [capacity] * 3, "capacitor": "10 mF"}


def test_life_follows_the_formula() -> None:
    """225 mAh, 20 µA and 1 % a year of self-discharge give 11,107 h."""
    made = profile(cell=plain_cell("225 mAh"), sleep=exact("20 uA"))
    quiet = Load(connected=0.0, advertising_s=1e12)
    hours = float(life_of(made, quiet, nominal(made)).days[0]) * 24
    assert hours == pytest.approx(TRUTH["coin_cell"]["life"][0]["hours"], rel=2e-3)  # a year is 8,766 h here


def test_a_linear_case_has_the_spread_of_first_order_propagation() -> None:
    """180 mAh at 35.354 ± 2 µA, by the package uncertainties."""
    made = profile(
        cell=plain_cell("180 mAh"),
        sleep={"value": "35.354 uA", "tolerance": f"{200 * 2 / 35.354} percent", "source": "measured"},
    )
    quiet = Load(connected=0.0, advertising_s=1e12)
    days = life_of(made, quiet, drawn(made, 200_000)).days
    current = uncertainties.ufloat(35.354, 2.0)
    loss = 180e3 * 0.01 / 8766  # µA by self-discharge
    referee = 180e3 / (current + loss) / 24
    assert float(np.median(days)) == pytest.approx(referee.nominal_value, rel=2e-3)
    assert float(np.std(days)) == pytest.approx(referee.std_dev, rel=0.02)


def test_the_numbers_that_carry_the_spread_are_those_that_have_it() -> None:
    """Of a sum, first-order indices are the shares of the variance (Sobol 1993)."""
    idle = {"a": ("10 uA", "40 percent"), "b": ("20 uA", "10 percent"), "c": ("5 uA", "0 percent")}
    made = profile(
        cell=plain_cell("180 mAh"),
        sensor={
            name: {
                "idle": {"value": value, "tolerance": tolerance, "source": "measured"},
                "active": {"current": exact("0 A"), "time": exact("0 s")},
            }
            for name, (value, tolerance) in idle.items()
        },
    )
    load = Load(connected=0.0, advertising_s=1e12)
    found = first_order(made, lambda draws: total(parts_of(made, load, draws)), count=1 << 15)
    variances = {"a": 2.0**2, "b": 1.0**2}
    for name, variance in variances.items():
        assert found[f"sensor.{name}.idle"] == pytest.approx(variance / sum(variances.values()), abs=0.03)
    assert "sensor.c.idle" not in found and abs(found[CAPACITY]) < 0.02


def test_draws_are_the_same_for_a_seed_and_never_below_zero() -> None:
    made = profile(sleep={"value": "1 uA", "tolerance": "100 percent", "source": "guessed"})
    one, again = drawn(made, 5000, 7), drawn(made, 5000, 7)
    assert all(np.array_equal(one[path], again[path]) for path in one)
    assert one["sleep"].min() >= 0 and one["sleep"].std() == pytest.approx(0.5e-6, rel=0.05)


def test_a_sensor_that_needs_more_browns_out_first_and_a_capacitor_helps() -> None:
    hungry = {
        "pump": {"active": {"current": exact("20 mA"), "time": exact("2 ms")}, "supply": ["2.4 V", "3.6 V"]},
    }
    made = profile(sensor=hungry)
    what, depth = brownout(made)
    assert what == "sensor pump" and 0.5 < depth < 1
    assert brownout(profile(sensor=hungry, cell={"capacitor": "470 uF"}))[1] > depth
    load = Load(sensors={"pump": SensorLoad(0.1)})
    days = life_of(made, load, nominal(made))
    assert days.brownout == (what, depth)


@pytest.mark.parametrize("row", TRUTH["link_budget"]["checks"], ids=str)
def test_path_loss_is_that_of_the_recommendations(row: dict[str, Any]) -> None:
    if "fspl_dB" in row:
        assert free_space_db(row["d_m"]) == pytest.approx(row["fspl_dB"], abs=0.02)
    elif "dB" in row:
        place = {28: "residential", 30: "office"}[row["N"]]
        assert path_loss_db(row["d_m"], place) == pytest.approx(row["dB"], abs=0.01)
    else:
        assert reach_m(70, "residential") == pytest.approx(row["m"], abs=0.01)


def meant(**changes: Any) -> Meant:
    facts: dict[str, Any] = {
        "interval_s": 0.05, "latency": 0, "supervision_s": 4.0, "mbit": 1, "att_mtu": 247, "distance_m": 5.0,
        "place": "residential", "absence_s": 3600.0, "sendings": (Sending("climate", "climate", 1.0, 10, 0),),
    }  # fmt: skip
    return Meant(**(facts | changes))


@pytest.mark.parametrize(
    ("changes", "subject", "told"),
    [
        ({"interval_s": 1.0, "latency": 4, "supervision_s": 10.0}, "supervision timeout", "more than 10 s are needed"),
        ({"interval_s": 0.0051}, "connection interval", "5.1 ms"),
        ({"att_mtu": 23, "sendings": (Sending("a", "", 1.0, 100, 0),)}, "value of a", "carries 20"),
        ({"sendings": (Sending("a", "", 0.001, 200, 0),)}, "link", "% of the time on air"),
        ({"sendings": (Sending("a", "", 1.0, 10, 600),)}, "memory of a", "make 3600"),
        ({"distance_m": 500.0}, "reach", "of margin"),
    ],
)
def test_what_can_not_be_reached_is_named_with_what_would_have_to_change(
    changes: dict[str, Any], subject: str, told: str
) -> None:
    (found,) = [one for one in findings(profile(), meant(**changes)) if one.subject == subject]
    assert found.verdict == "fails" and told in found.found and found.change


def test_an_infeasible_bus_is_refused_with_its_numbers() -> None:
    bus = {"mode": "fast", "capacitance": "400 pF", "pull_up": "900 ohm"}
    made = profile(bus=bus, regulator={"output": "3.3 V"}, cell={"kind": "CR2032", "in_series": 2})
    (found,) = [one for one in findings(made, meant()) if one.subject == "pull-ups"]
    assert found.verdict == "fails" and "967 to 885 ohm" in found.found


def test_a_sound_board_works_throughout() -> None:
    made = profile(
        bus={"pull_up": "2.2 kohm"},
        cell={"capacitor": "470 uF"},
        radio=published()["radio"] | {"supply": ["1.7 V", "3.6 V"]},
    )
    assert {one.subject: one.verdict for one in findings(made, meant()) if one.verdict == "fails"} == {}


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ({"sleep": "1 V"}, "sleep"),
        ({"sleep": {"value": "1 uA", "tolerance": "300 percent"}}, "sleep.tolerance"),
        ({"cell": {"kind": "CR9999"}}, "cell.kind"),
        ({"cell": {"capacity": ["3 mAh", "2 mAh", "1 mAh"]}}, "cell.capacity"),
        ({"regulator": {"efficiency": "120 percent"}}, "regulator.efficiency"),
    ],
)
def test_what_is_wrong_with_a_profile_is_told_with_its_place(written: dict[str, Any], told: str) -> None:
    places: list[str] = []
    read_profile(EnergyShape.model_validate(published() | written), lambda place, *_: places.append(place))
    assert told in places


def test_a_profile_without_its_radio_is_refused() -> None:
    with pytest.raises(ValidationError):
        EnergyShape.model_validate({"sleep": "1 uA"})


def test_no_load_lives_for_ever() -> None:
    made = profile()
    life = life_of(made, Load(connected=0.0, advertising_s=1e12), drawn(made, 1000))
    assert all(math.isfinite(day) for day in life.days) and life.quantiles(0.5)[0] < 365.25 * 100
