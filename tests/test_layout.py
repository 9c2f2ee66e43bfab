"""Byte layouts: one model, two decoders, every bit accounted for."""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import DecodeError, EncodeError
from gateway.layout.codec import Codec
from gateway.layout.columns import decode_columns
from gateway.layout.model import FieldDecl, Layout, Order, SamplesDecl, read_layout


def layout(
    *fields: dict[str, Any], samples: dict[str, Any] | None = None, order: Order = "little", length: int | None = None
) -> Layout:
    problems: list[str] = []
    made = read_layout(
        [FieldDecl(**field) for field in fields],
        SamplesDecl(**samples) if samples else None,
        order,
        length,
        lambda *text: problems.append(": ".join(text)),
    )
    assert not problems, problems
    return made


def problems_of(*fields: dict[str, Any], **more: Any) -> str:
    problems: list[str] = []
    samples = more.get("samples")
    read_layout(
        [FieldDecl(**field) for field in fields],
        SamplesDecl(**samples) if samples else None,
        more.get("order", "little"),
        more.get("length"),
        lambda *text: problems.append(": ".join(text)),
    )
    return "\n".join(problems)


def values(made: Layout, raw: str) -> dict[str, Any]:
    return {r.name: r.value for r in Codec(made, "test").read(bytes.fromhex(raw))}


def both_ways(made: Layout, raw: str, wanted: dict[str, Any]) -> None:
    """Parse, columns and build agree on one value."""
    codec, data = Codec(made, "test"), bytes.fromhex(raw)
    assert values(made, raw) == wanted
    block = decode_columns(made, [data]).blocks[0]
    assert {name: cut.to_list()[0] for name, cut in block.fields.items()} == wanted
    assert codec.build(wanted) == data


@pytest.mark.parametrize("bits", [8, 16, 24, 32, 40, 48, 56, 64])
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("kind", ["uint", "sint"])
def test_whole_byte_integers_in_both_orders(bits: int, order: Order, kind: str) -> None:
    made = layout({"name": "a", "type": f"{kind}{bits}"}, {"name": "b", "type": "uint8"}, order=order)
    for number in (0, 1, (1 << (bits - 1)) - 1, *((-1, -(1 << (bits - 1))) if kind == "sint" else ((1 << bits) - 1,))):
        raw = number.to_bytes(bits // 8, order, signed=kind == "sint") + b"\x5a"
        both_ways(made, raw.hex(), {"a": number, "b": 0x5A})


def test_packed_fields_fill_from_the_lowest_bit_of_the_first_byte() -> None:
    made = layout(
        {"name": "a", "type": "uint12"},
        {"name": "b", "type": "sint12"},
        {"name": "c", "type": "uint3"},
        {"rfu": 4},
        {"name": "d", "type": "boolean"},
    )
    both_ways(made, "bc fa de 81".replace(" ", ""), {"a": 0xABC, "b": -0x211, "c": 1, "d": 1})


def test_packed_big_endian_fields_fill_from_the_highest_bit_of_the_first_byte() -> None:
    made = layout({"name": "a", "type": "uint12"}, {"name": "b", "type": "uint4"}, order="big")
    both_ways(made, "abcd", {"a": 0xABC, "b": 0xD})


def test_a_field_may_have_the_other_byte_order() -> None:
    made = layout({"name": "a", "type": "uint16", "byte_order": "big"}, {"name": "b", "type": "uint16"})
    both_ways(made, "01020304", {"a": 0x0102, "b": 0x0403})


def test_fields_can_be_placed_by_byte_and_bit() -> None:
    made = layout(
        {"name": "b", "type": "uint8", "at": 1},
        {"name": "a", "type": "uint4", "at": 0},
        {"rfu": 4, "at": [0, 4]},
        length=2,
    )
    both_ways(made, "0307", {"a": 3, "b": 7})


def test_scaling_is_one_correctly_rounded_step() -> None:
    made = layout({"name": "t", "type": "sint16", "lsb": "0.01 degC"})
    for raw in range(-32768, 32768, 7):
        assert values(made, struct.pack("<h", raw).hex())["t"] == float(Fraction(raw, 100))


def test_lsb_offset_and_output_unit_combine() -> None:
    made = layout({"name": "t", "type": "uint8", "lsb": "0.5 K", "offset": "233.15 K", "unit": "degC"})
    both_ways(made, "00", {"t": -40.0})
    both_ways(made, "82", {"t": 25.0})


def test_a_reserved_value_means_no_reading_by_pattern_or_by_value() -> None:
    for key in ("0x8000", "-32768"):
        made = layout({"name": "t", "type": "sint16", "reserved": {key: "not known"}})
        both_ways(made, "0080", {"t": None})
        assert Codec(made, "test").read(b"\x00\x80")[0].reason == "not known"


def test_enumerations_show_names_and_keep_unnamed_numbers() -> None:
    made = layout({"name": "lid", "type": "uint8", "names": {"0": "closed", "1": "open"}})
    both_ways(made, "01", {"lid": "open"})
    assert values(made, "07") == {"lid": "unnamed 7"}
    assert decode_columns(made, [b"\x07"]).blocks[0].fields["lid"].to_list() == ["unnamed 7"]


@pytest.mark.parametrize(("kind", "code"), [("float32", "<f"), ("float64", "<d")])
def test_floats_and_their_non_values(kind: str, code: str) -> None:
    made = layout({"name": "f", "type": kind, "unit": "V"})
    both_ways(made, struct.pack(code, -2.5).hex(), {"f": -2.5})
    for odd in (math.nan, math.inf, -math.inf):
        raw = struct.pack(code, odd)
        assert values(made, raw.hex()) == {"f": None}
        assert decode_columns(made, [raw]).blocks[0].fields["f"].to_list() == [None]


def test_samples_repeat_until_the_value_ends() -> None:
    made = layout(
        {"name": "n", "type": "uint8"},
        samples={"every": "10 ms", "fields": [{"name": "x", "type": "sint16", "lsb": "1/16 g_0"}]},
    )
    assert values(made, "07 1000 f0ff".replace(" ", "")) == {"n": 7, "samples[0].x": 1.0, "samples[1].x": -1.0}
    assert values(made, "07") == {"n": 7}
    assert Codec(made, "test").build({"n": 7}, [{"x": 1}, {"x": -1}]).hex() == "071000f0ff"
    with pytest.raises(DecodeError, match="2 bytes, expected 1 bytes and a multiple of 2"):
        values(made, "0700")


@pytest.mark.parametrize("raw", ["", "01", "010203"])
def test_a_payload_of_another_length_is_refused_and_named(raw: str) -> None:
    made = layout({"name": "a", "type": "uint16"})
    with pytest.raises(DecodeError, match=f"{len(raw) // 2} bytes, expected 2 bytes"):
        values(made, raw)
    assert list(decode_columns(made, [b"ab", bytes.fromhex(raw)]).faults) == [1]


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ({"type": "uint8"}, 256, "outside 0 to 255"),
        ({"type": "uint8"}, -1, "outside"),
        ({"type": "sint16", "lsb": "0.01 degC"}, 400.0, "becomes 40000"),
        ({"type": "uint8"}, None, "no reserved value"),
        ({"type": "uint8"}, math.nan, "not a finite"),
        ({"type": "uint8", "names": {"0": "shut"}}, "open", "none of shut"),
        ({"type": "uint8"}, "seven", "not a number"),
    ],
)
def test_a_value_that_does_not_fit_is_not_built(field: dict[str, Any], value: Any, text: str) -> None:
    with pytest.raises(EncodeError, match=text):
        Codec(layout({"name": "a", **field}), "test").build({"a": value})


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ([{"name": "a", "type": "uint65"}], "uintN or sintN"),
        ([{"name": "A", "type": "uint8"}], "lower-case"),
        ([{"name": "a", "type": "uint8"}, {"name": "a", "type": "uint8"}], "used 2 times"),
        ([{"name": "a", "type": "uint12"}], "inside a byte: fill up with { rfu = 4 }"),
        ([{"name": "a", "type": "uint16"}, {"name": "b", "type": "uint8", "at": 1}], "overlaps a"),
        ([{"name": "a", "type": "uint8", "at": 2}], "16 bits between the fields are not declared"),
        ([{"rfu": 4096}, {"name": "a", "type": "uint8"}], "at most 4096 bits"),
        ([{"name": "a", "type": "uint8", "lsb": "1 degC", "unit": "Pa"}], "unit 'Pa' does not fit lsb"),
        ([{"name": "a", "type": "uint8", "lsb": "1 degC", "limits": ["0 Pa", "1 Pa"]}], "pressure"),
        ([{"name": "a", "type": "uint8", "lsb": "1 degC", "limits": ["9 degC", "1 degC"]}], "lower limit first"),
        ([{"name": "a", "type": "uint8", "lsb": "0 degC"}], "zero"),
        ([{"name": "a", "type": "uint8", "lsb": "1 RH"}], "percent"),
        ([{"name": "a", "type": "uint8", "reserved": {"256": "x"}}], "does not fit 8 bits"),
        ([{"name": "a", "type": "uint8", "reserved": {"x": "x"}}], "an integer such as 0x8000"),
        ([{"name": "a", "type": "float32", "lsb": "1 V"}], "float its unit alone"),
        ([{"name": "b", "type": "uint4"}, {"name": "a", "type": "float32"}, {"rfu": 4}], "starts on a byte"),
        ([{"name": "a", "type": "sint8", "role": "sequence"}], "unsigned"),
        ([{"name": "a", "type": "uint8", "names": {"0": "x"}, "lsb": "1 V"}], "no unit"),
        ([], "no fields"),
    ],
)
def test_a_wrong_layout_is_refused_with_place_and_remedy(fields: list[dict[str, Any]], text: str) -> None:
    assert text in problems_of(*fields)


def test_a_declared_length_must_hold() -> None:
    assert "the fields take 2 bytes" in problems_of({"name": "a", "type": "uint16"}, length=3)


def test_all_problems_of_a_layout_come_in_one_pass() -> None:
    found = problems_of(
        {"name": "a", "type": "uint8", "lsb": "1 RH"}, {"name": "B", "type": "uint8"}, {"name": "c", "type": "uint5"}
    )
    assert len(found.splitlines()) == 3


# Any layout that can be written: the two decoders and the builder agree.

UNITS = ["degC", "percent", "Pa", "g_0", "V", ""]


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    order: Order = draw(st.sampled_from(["little", "big"]))

    def some(prefix: str, most: int) -> list[dict[str, Any]]:
        fields: list[dict[str, Any]] = []
        bit = 0
        for index in range(draw(st.integers(1, most))):
            kind = draw(st.sampled_from(["uint", "sint", "boolean", "rfu", "float"]))
            bits = draw(st.integers(1, 64))
            name = f"{prefix}{index}"
            if kind == "rfu":
                fields.append({"rfu": bits})
            elif kind == "float" and bit % 8 == 0:
                bits = draw(st.sampled_from([32, 64]))
                fields.append({"name": name, "type": f"float{bits}"})
            elif kind == "boolean":
                bits = 1
                fields.append({"name": name, "type": "boolean"})
            else:
                kind = "sint" if kind == "sint" else "uint"
                decl: dict[str, Any] = {"name": name, "type": f"{kind}{bits}"}
                if draw(st.booleans()):
                    unit = draw(st.sampled_from(UNITS))
                    top, bottom = draw(st.integers(1, 1000)), draw(st.integers(1, 1000))
                    decl["lsb"] = f"{top}/{bottom} {unit}"
                    if draw(st.booleans()):
                        decl["offset"] = f"{draw(st.integers(-1000, 1000))} {unit}"
                if draw(st.booleans()):
                    low = -(1 << (bits - 1)) if kind == "sint" else 0
                    decl["reserved"] = {str(draw(st.integers(low, low + (1 << bits) - 1))): "not known"}
                fields.append(decl)
            bit += bits
        if bit % 8:
            fields.append({"rfu": 8 - bit % 8})
        return fields

    samples = {"fields": some("s", 3)} if draw(st.booleans()) else None
    if samples and not any("name" in field for field in samples["fields"]):
        samples = None
    return layout({"name": "first", "type": "uint8"}, *some("f", 6), samples=samples, order=order)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_both_decoders_agree_on_any_layout_and_any_bytes(data: st.DataObject) -> None:
    made = data.draw(layouts())
    size = made.samples.size if made.samples else 0
    payloads = [
        data.draw(st.binary(min_size=length, max_size=length))
        for length in data.draw(
            st.lists(
                st.sampled_from([made.head + size * k for k in range(3)] + [0, made.head + 1]), min_size=1, max_size=6
            )
        )
    ]
    codec = Codec(made, "any")
    decoded = decode_columns(made, payloads)
    seen = set(decoded.faults)
    for block in decoded.blocks:
        fields = {name: cut.to_list() for name, cut in block.fields.items()}
        samples = {name: cut.to_list() for name, cut in block.samples.items()}
        for row, position in enumerate(block.positions.tolist()):
            seen.add(position)
            wanted = {r.name: r.value for r in codec.read(payloads[position])}
            got = {name: column[row] for name, column in fields.items()}
            for i in range(block.count):
                got |= {f"samples[{i}].{name}": column[row * block.count + i] for name, column in samples.items()}
            assert got == wanted
            assert {k: type(v) for k, v in got.items()} == {k: type(v) for k, v in wanted.items()}
    assert seen == set(range(len(payloads)))
    for position in decoded.faults:
        with pytest.raises(DecodeError):
            codec.read(payloads[position])


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_building_what_was_read_gives_the_same_bytes(data: st.DataObject) -> None:
    """Where no bit is reserved or scaled beyond a float's 53 bits, and no field is a float (NaN has many patterns)."""
    made = data.draw(layouts())
    exact = all(f.kind != "float" and f.bits <= 40 for f, _ in made.all_fields())
    whole = sum(f.bits for f in made.fields) == made.head * 8
    if not (exact and whole) or made.samples:
        return
    raw = data.draw(st.binary(min_size=made.head, max_size=made.head))
    codec = Codec(made, "any")
    assert codec.build({r.name: r.value for r in codec.read(raw)}) == raw


@settings(max_examples=100, deadline=None)
@given(layouts(), st.binary(max_size=600))
def test_any_bytes_give_values_or_a_decode_error(made: Layout, raw: bytes) -> None:
    try:
        Codec(made, "any").read(raw)
    except DecodeError as error:
        assert str(len(raw)) in error.reason


def test_columns_of_a_64_bit_field_keep_every_bit() -> None:
    made = layout({"name": "a", "type": "uint64"})
    assert decode_columns(made, [b"\xff" * 8]).blocks[0].fields["a"].to_list() == [2**64 - 1]
    assert isinstance(decode_columns(made, [b"\x01" + bytes(7)]).blocks[0].fields["a"].floats()[0], np.float64)
