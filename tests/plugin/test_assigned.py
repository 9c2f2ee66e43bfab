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
    assert {f"0x{number:04X}": unit.name for number, unit in assigned_units().items()} == TRUTH
    assert len(TRUTH) == 126


@pytest.mark.parametrize("number", assigned_units(), ids=lambda n: f"0x{n:04X}")
def test_every_number_is_a_unit_we_can_compute_with(number: int) -> None:
    unit = parse_unit(assigned_units()[number].symbol)
    found = unit_number(unit)
    assert found is not None and parse_unit(assigned_units()[found].symbol).factor == unit.factor


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
