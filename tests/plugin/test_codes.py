"""Integers in codes of their own, and dates: one by one, by the column, and as they are built again."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.errors import EncodeError
from gateway.plugin import Plugin
from gateway.plugin.layout.columns import decode_columns
from gateway.plugin.load import load_plugin_text

HEAD = """
[plugin]
kind = "own"
title = "t"
[characteristic.c]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
"""


def declared(kind: str, rest: int = 0, lsb: str = "") -> Plugin:
    pad = f", {{ rfu = {rest} }}" if rest else ""
    return load_plugin_text(HEAD + f'fields = [{{ name = "v", type = "{kind}"{lsb} }}{pad}]\n', "own.toml")


def both(plugin: Plugin, raw: bytes) -> tuple[object, str]:
    """The value, which one by one and by the column have to agree on, and why there is none."""
    item = plugin.characteristics["c"]
    (reading,) = item.codec.read(raw)
    (part,) = decode_columns(item.layout, [raw]).parts
    assert part.fields["v"].to_list() == [reading.value]
    if reading.value is not None:
        assert item.codec.build({"v": reading.value}) == raw
    return reading.value, reading.reason


@pytest.mark.parametrize(
    ("kind", "rest", "raw", "value"),
    [  # Gray's code as in US patent 2,632,058; 8-4-2-1 decimal digits; a sign in the highest bit; all worked by hand
        *(("gray3", 5, bytes([pattern]), number) for number, pattern in enumerate((0, 1, 3, 2, 6, 7, 5, 4))),
        ("gray16", 0, b"\x00\x80", 65535),
        ("bcd16", 0, b"\x34\x12", 1234),
        ("bcd8", 0, b"\x99", 99),
        ("smag16", 0, b"\x05\x80", -5),
        ("smag16", 0, b"\x05\x00", 5),
        ("smag12", 4, b"\xff\x0f", -2047),
        ("datetime", 0, bytes.fromhex("ea07 02 1c 17 3b 3b"), "2026-02-28T23:59:59"),
    ],
)
def test_a_code_by_example(kind: str, rest: int, raw: bytes, value: object) -> None:
    assert both(declared(kind, rest), raw) == (value, "")


@pytest.mark.parametrize(
    ("kind", "raw", "told"),
    [
        ("bcd8", b"\x1a", "a digit above 9"),
        ("datetime", bytes(7), "not known"),
        ("datetime", bytes.fromhex("ea07021e173b3b"), "no date and time: day"),
    ],
)
def test_a_pattern_that_stands_for_nothing_is_no_reading(kind: str, raw: bytes, told: str) -> None:
    value, why = both(declared(kind), raw)
    assert value is None and told in why


def test_a_code_is_weighed_by_its_lsb() -> None:
    assert both(declared("bcd16", lsb=', lsb = "0.1 degC"'), b"\x15\x02") == (21.5, "")


@given(st.sampled_from(["smag16", "gray16", "bcd16", "smag24", "gray32", "bcd32"]), st.data())
def test_every_number_in_range_goes_and_comes_back(kind: str, data: st.DataObject) -> None:
    plugin = declared(kind)
    (field,) = plugin.characteristics["c"].layout.fields
    number = data.draw(st.integers(*field.raw_range))
    raw = plugin.characteristics["c"].codec.build({"v": number})
    assert both(plugin, raw)[0] == number
    with pytest.raises(EncodeError, match="outside"):
        plugin.characteristics["c"].codec.build({"v": field.raw_range[1] + 1})


@given(st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31)))
def test_a_date_goes_and_comes_back(when: datetime) -> None:
    shown = when.replace(microsecond=0).isoformat()
    plugin = declared("datetime")
    assert both(plugin, plugin.characteristics["c"].codec.build({"v": shown})) == (shown, "")
