"""The unit numbers that Bluetooth has assigned, against the list that Debian's tshark 4.0.17 prints
(tests/truth/bluetooth_units.json)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gateway.model.units import parse_quantity, parse_unit
from gateway.plugin.standard.assigned import assigned_units, unit_number

TRUTH: dict[str, str] = json.loads((Path(__file__).parents[1] / "truth" / "bluetooth_units.json").read_text("utf-8"))


def test_all_126_numbers_have_the_name_that_was_assigned() -> None:
    later = {0x27C9}  # assigned since; test_sig.py has it from the SIG's own list
    ours = {f"0x{number:04X}": unit.name for number, unit in assigned_units().items() if number not in later}
    assert ours == TRUTH and len(TRUTH) == 126


@pytest.mark.parametrize("number", assigned_units(), ids=lambda n: f"0x{n:04X}")
def test_every_number_is_a_unit_we_can_compute_with(number: int) -> None:
    unit = parse_unit(assigned_units()[number].symbol)
    assert unit_number(unit) == number or assigned_units()[number].symbol in SHARED


SHARED = {  # symbols of two numbers each: the lower one is written
    symbol
    for symbol in (one.symbol for one in assigned_units().values())
    if sum(one.symbol == symbol for one in assigned_units().values()) > 1
}


@pytest.mark.parametrize(
    ("symbol", "number"),
    [("lux", 0x2731), ("lumen", 0x2730), ("N*m", 0x2741), ("Bq", 0x2732), ("J", 0x2725), ("Hz", 0x2722)],
)
def test_units_of_one_dimension_keep_apart(symbol: str, number: int) -> None:
    assert unit_number(parse_unit(symbol)) == number


@pytest.mark.parametrize(
    ("number", "quantity", "base"),
    [
        # exact definitions: SI Brochure 9th edition, and the International Yard and Pound agreement of 1959
        (0x2781, "101325 Pa", 760.0),
        (0x2785, "1852 m/h", 1.0),
        (0x27A2, "25.4 mm", 1.0),
        (0x27A5, "6894.757293168 Pa", 1.0),
        (0x27A9, "4.184 J", 1.0),
        (0x27AB, "3600000 J", 1.0),
        (0x27AC, "100 degC", 212.0),
        (0x27B8, "0.45359237 kg", 1.0),
        (0x27B1, "0.01 kg/m**3", 1.0),
    ],
)
def test_conversions_meet_the_definitions(number: int, quantity: str, base: float) -> None:
    unit = parse_unit(assigned_units()[number].symbol)
    assert float(parse_quantity(quantity).in_unit(unit)) == pytest.approx(base, rel=1e-6)
