"""Adopted characteristics against what Bluetooth has published.

Source: GATT Specification Supplement, scalings and reserved values as in tests/truth/vectors.json (gss_text,
sig_xml_examples), and raw integers that Debian's tshark 4.0.17 read from what a bumble server sent
(tshark_crosscheck).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gateway.app.check import find_characteristic
from gateway.plugin.layout.columns import decode_columns
from gateway.plugin.standard.adopted import adopted

TRUTH: dict[str, Any] = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))
SCALINGS = TRUTH["gss_text"]["v"]
UNITS = {"%": "percent"}


@pytest.mark.parametrize("number", SCALINGS)
def test_type_scaling_and_unit_are_those_of_the_supplement(number: str) -> None:
    kind, multiplier, decimal, binary, unit, *_ = SCALINGS[number]
    field = find_characteristic("adopted", f"0x{number}").layout.fields[0]
    assert field.type.label(field.bits) == kind
    assert field.scale is not None
    assert field.scale.num / field.scale.den == multiplier * 10.0**decimal * 2.0**binary
    assert field.unit.symbol == UNITS.get(unit, unit)


@pytest.mark.parametrize(("number", "raw"), [("2A6E", "0080"), ("2A6F", "ffff")])
def test_the_reserved_value_means_not_known(number: str, raw: str) -> None:
    reading = find_characteristic("adopted", number).codec.read(bytes.fromhex(raw))[0]
    assert (reading.value, reading.reason) == (None, "not known")


@pytest.mark.parametrize("row", [row for row in TRUTH["tshark_crosscheck"]["v"] if row[:4] != "2A37"])
def test_raw_integers_are_those_that_tshark_reads(row: str) -> None:
    number, raw = row.split(" ", 1)
    readings = find_characteristic("adopted", number).codec.read(bytes.fromhex(raw))
    wanted = TRUTH["tshark_crosscheck"]["v"][row]
    assert [r.raw for r in readings] == (wanted if isinstance(wanted, list) else [wanted])


def test_a_heart_rate_measurement_is_what_tshark_reads() -> None:
    (row,) = [row for row in TRUTH["tshark_crosscheck"]["v"] if row[:4] == "2A37"]
    wanted = TRUTH["tshark_crosscheck"]["v"][row]
    readings = find_characteristic("adopted", "2A37").codec.read(bytes.fromhex(row[5:].replace(" ", "")))
    found = {r.name: r.raw for r in readings}
    assert (found["rate"], found["energy"]) == (wanted["hr"], wanted["energy"])
    assert [found["samples[0].rr_interval"], found["samples[1].rr_interval"]] == wanted["rr"]


@pytest.mark.parametrize(
    "example", [row for row in TRUTH["sig_xml_examples"]["v"] if row["what"].startswith("2A07")], ids=str
)
def test_the_transmit_power_examples_read_as_published(example: dict[str, Any]) -> None:
    reading = find_characteristic("adopted", "2A07").codec.read(bytes.fromhex(example["hex"]))[0]
    assert (reading.value, reading.unit) == (example["value"], example["unit"])


def test_at_least_120_are_known_and_all_of_them_can_be_used() -> None:
    known = adopted()
    assert len(known) >= 120
    assert len({decl.name for decl in known.values()}) == len(known)
    for uuid in known:
        item = find_characteristic("adopted", uuid[4:8])
        assert item.layout.fields and item.codec
        decode_columns(item.layout, [bytes(length) for length in range(40)])


@pytest.mark.parametrize(("number", "raw"), [("2B0D", "7f"), ("2BDF", "0080"), ("2BDF", "0180")])
def test_more_reserved_values_of_the_supplement(number: str, raw: str) -> None:
    assert find_characteristic("adopted", number).codec.read(bytes.fromhex(raw))[0].value is None


@pytest.mark.parametrize(("raw", "percent"), [("00", 0), ("64", 100), ("2a", 42)])
def test_battery_level_is_whole_percent(raw: str, percent: int) -> None:
    reading = find_characteristic("adopted", "Battery Level").codec.read(bytes.fromhex(raw))[0]
    assert (reading.value, reading.unit) == (percent, "percent")


def test_the_humidity_example_of_the_cross_check_is_50_60_percent() -> None:
    assert find_characteristic("adopted", "0x2A6F").codec.read(bytes.fromhex("c413"))[0].value == 50.6


def _examples(prefix: str) -> list[dict[str, Any]]:
    return [row for row in TRUTH["sig_xml_examples"]["v"] if row["what"].startswith(prefix)]


def test_the_valid_range_examples_read_as_published() -> None:
    """Valid Range (0x2906) holds two values of the characteristic it describes: a pair of the same field."""
    from tests.plugin.test_layout import layout, values

    minutes, degrees = _examples("2906")
    pair = layout({"name": "low", "type": "uint16", "lsb": "1 s"}, {"name": "high", "type": "uint16", "lsb": "1 s"})
    assert list(values(pair, minutes["hex"]).values()) == minutes["value"]
    pair = layout(
        {"name": "low", "type": "sint16", "lsb": "0.1 degC"}, {"name": "high", "type": "sint16", "lsb": "0.1 degC"}
    )
    assert list(values(pair, degrees["hex"]).values()) == degrees["value"]


@pytest.mark.parametrize("example", _examples("2904"), ids=str)
def test_the_presentation_format_exponent_examples_read_as_published(example: dict[str, Any]) -> None:
    """Presentation format (0x2904): value = raw * 10^exponent."""
    from tests.plugin.test_layout import layout, values

    made = layout({"name": "a", "type": "uint16", "lsb": f"1e{example['exp']}"})
    assert values(made, example["raw"].to_bytes(2, "little").hex())["a"] == example["value"]


def test_a_presentation_format_names_format_exponent_and_unit() -> None:
    """0x2A6E as presented: sint16 is format 0x0E, exponent -2, degree Celsius is unit 0x272F (Assigned Numbers)."""
    from gateway.plugin.standard.assigned import presentation_format

    field = find_characteristic("adopted", "0x2A6E").layout.fields[0]
    assert presentation_format(field) == bytes.fromhex("0efe2f27010000")
