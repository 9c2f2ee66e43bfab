"""Byte layouts: one model, two decoders, every bit accounted for."""

from __future__ import annotations

import math
import struct
from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.model.errors import DecodeError, EncodeError, ProblemsError
from gateway.plugin.layout.codec import Codec, fit
from gateway.plugin.layout.columns import decode_columns
from gateway.plugin.layout.compiled import MANY, flat
from gateway.plugin.layout.declare import read_layout
from gateway.plugin.layout.model import Layout, Order
from gateway.plugin.layout.shape import FieldDecl, SamplesDecl
from tests.support import own_plugin


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
    part = decode_columns(made, [data]).parts[0]
    assert {name: cut.to_list()[0] for name, cut in part.fields.items()} == wanted
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
    assert decode_columns(made, [b"\x07"]).parts[0].fields["lid"].to_list() == ["unnamed 7"]


@pytest.mark.parametrize(("kind", "code"), [("float32", "<f"), ("float64", "<d")])
def test_floats_and_their_non_values(kind: str, code: str) -> None:
    made = layout({"name": "f", "type": kind, "unit": "V"})
    both_ways(made, struct.pack(code, -2.5).hex(), {"f": -2.5})
    for odd in (math.nan, math.inf, -math.inf):
        raw = struct.pack(code, odd)
        assert values(made, raw.hex()) == {"f": None}
        assert decode_columns(made, [raw]).parts[0].fields["f"].to_list() == [None]


def test_a_signalling_nan_is_no_reading_and_no_warning() -> None:
    made = layout({"name": "a", "type": "float32"})
    assert decode_columns(made, [bytes.fromhex("0000a07f")]).parts[0].fields["a"].to_list() == [None]


def test_samples_repeat_until_the_value_ends() -> None:
    made = layout(
        {"name": "n", "type": "uint8"},
        samples={"every": "10 ms", "fields": [{"name": "x", "type": "sint16", "lsb": "1/16 g_0"}]},
    )
    assert values(made, "07 1000 f0ff".replace(" ", "")) == {"n": 7, "samples[0].x": 1.0, "samples[1].x": -1.0}
    assert values(made, "07") == {"n": 7}
    assert Codec(made, "test").build({"n": 7}, [{"x": 1}, {"x": -1}]).hex() == "071000f0ff"
    with pytest.raises(DecodeError, match="2 bytes, expected 1 byte and a multiple of 2"):
        values(made, "0700")


@pytest.mark.parametrize("raw", ["", "01", "010203"])
def test_a_payload_of_another_length_is_refused_and_named(raw: str) -> None:
    made = layout({"name": "a", "type": "uint16"})
    with pytest.raises(DecodeError, match=rf"{len(raw) // 2} bytes?, expected 2 bytes"):
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
        ([{"name": "a", "type": "uint65"}], "uintN, sintN"),
        ([{"name": "A", "type": "uint8"}], "lower-case"),
        ([{"name": "a", "type": "uint8"}, {"name": "a", "type": "uint8"}], "used twice"),
        ([{"name": "a", "type": "uint12"}], "inside a byte: pad with { rfu = 4 }"),
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
        ([{"name": "a", "type": "float32", "lsb": "1 V"}], "give it only a unit"),
        ([{"name": "b", "type": "uint4"}, {"name": "a", "type": "float32"}, {"rfu": 4}], "must start on a byte"),
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


HEART_RATE = [
    {"name": "wide", "type": "boolean"},
    {
        "name": "contact",
        "type": "uint2",
        "names": {"0": "unsupported", "1": "unsupported too", "2": "lost", "3": "good"},
    },
    {"name": "with_energy", "type": "boolean"},
    {"name": "with_rr", "type": "boolean"},
    {"rfu": 3},
    {"name": "rate", "type": "uint8", "lsb": "1 bpm", "when": "not wide"},
    {"name": "rate", "type": "uint16", "lsb": "1 bpm", "when": "wide"},
    {"name": "energy", "type": "uint16", "lsb": "1 kJ", "when": "with_energy"},
]


@pytest.mark.parametrize(
    ("raw", "rate", "energy", "intervals"),
    [
        (
            "1e640500000266 02",
            100,
            5,
            [0.5, 614 / 1024],
        ),  # bumble's own encoder: HR 100, contact, energy 5 kJ, RR 0.5 s and 0.6 s
        ("0164 00", 100, None, []),
        ("00 64", 100, None, []),
        ("09 6400 0500", 100, 5, []),
    ],
)
def test_fields_are_there_only_under_their_flags(
    raw: str, rate: int, energy: int | None, intervals: list[float]
) -> None:
    """Heart Rate Measurement (0x2A37) of the GATT Specification Supplement."""
    made = layout(*HEART_RATE, samples={"fields": [{"name": "rr", "type": "uint16", "lsb": "1/1024 s"}]})
    got = values(made, raw.replace(" ", ""))
    assert got["rate"] == rate and got.get("energy") == energy
    assert [value for name, value in got.items() if name.startswith("samples")] == intervals
    data = bytes.fromhex(raw.replace(" ", ""))
    samples = [{"rr": value} for value in intervals]
    assert Codec(made, "test").build({k: v for k, v in got.items() if "[" not in k}, samples) == data


def test_a_union_is_chosen_by_its_message_number() -> None:
    made = layout(
        {"name": "message", "type": "uint8"},
        {"name": "t", "type": "sint16", "lsb": "0.01 degC", "when": "message == 1"},
        {"name": "x", "type": "sint8", "when": "message == 2"},
        {"name": "y", "type": "sint8", "when": "message == 2"},
        {"name": "code", "type": "uint8", "when": "message != 1"},
    )
    assert values(made, "01d007") == {"message": 1, "t": 20.0}
    assert values(made, "02ff0107") == {"message": 2, "x": -1, "y": 1, "code": 7}
    assert values(made, "0907") == {"message": 9, "code": 7}
    payloads = [bytes.fromhex(raw) for raw in ("01d007", "0907", "02ff0107", "01d107", "01")]
    decoded = decode_columns(made, payloads)
    assert sorted(part.positions.tolist() for part in decoded.parts) == [[0, 3], [1], [2]]
    assert list(decoded.faults) == [4]


def test_a_counted_array_must_hold_what_it_announces() -> None:
    made = layout({"name": "n", "type": "uint8"}, samples={"count": "n", "fields": [{"name": "v", "type": "uint16"}]})
    assert values(made, "0201000200") == {"n": 2, "samples[0].v": 1, "samples[1].v": 2}
    assert values(made, "00") == {"n": 0}
    for raw in ("02010002", "010100020000", "ff"):
        with pytest.raises(DecodeError):
            values(made, raw)
    mixed = [b"\x02\x01\x00\x02\x00", b"\x01\x01\x00\x02\x00", b"\x00"]
    decoded = decode_columns(made, mixed)
    assert list(decoded.faults) == [1] and sorted(part.count for part in decoded.parts) == [0, 2]
    with pytest.raises(EncodeError, match="1 samples given, the value holds 2"):
        Codec(made, "test").build({"n": 2}, [{"v": 1}])


def test_text_and_bytes() -> None:
    made = layout({"name": "id", "type": "uint8[3]"}, {"name": "label", "type": "utf8s"})
    both_ways(made, "0102ff" + b"Kiste 7".hex(), {"id": "0102ff", "label": "Kiste 7"})
    both_ways(made, "0102ff", {"id": "0102ff", "label": ""})
    assert values(made, "0102ffc328") == {"id": "0102ff", "label": None}
    assert decode_columns(made, [bytes.fromhex("0102ffc328")]).parts[0].fields["label"].to_list() == [None]
    with pytest.raises(EncodeError, match="2 bytes given, the field takes 3"):
        Codec(made, "test").build({"id": "0102", "label": ""})


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        ("7200", 114),
        ("76b0", 0.00118),
        ("7af4", 114.6),
        ("ff07", None),
        ("0008", None),
        ("fe07", None),
        ("0208", None),
        ("0108", None),
    ],
)
def test_medfloat16_values_as_published(raw: str, value: float | None) -> None:
    """IEEE 11073-20601 SFLOAT, values of the Bluetooth SIG white paper "Personal Health Devices Transcoding"."""
    made = layout({"name": "a", "type": "medfloat16", "unit": "kPa"})
    assert values(made, raw) == {"a": value}
    assert decode_columns(made, [bytes.fromhex(raw)]).parts[0].fields["a"].to_list() == [value]
    if value is not None:
        assert Codec(made, "test").build({"a": value}).hex() == raw


@pytest.mark.parametrize(
    ("raw", "value"),
    [("6c0100ff", 36.4), ("970d00fe", 34.79), ("710e00fe", 36.97), ("ffff7f00", None), ("00008000", None)],
)
def test_medfloat32_values_as_published(raw: str, value: float | None) -> None:
    """IEEE 11073-20601 FLOAT, same source; the two special values from memory."""
    made = layout({"name": "a", "type": "medfloat32", "unit": "degC"})
    assert values(made, raw) == {"a": value}
    assert decode_columns(made, [bytes.fromhex(raw)]).parts[0].fields["a"].to_list() == [value]
    if value is not None:
        assert Codec(made, "test").build({"a": value}).hex() == raw


@pytest.mark.parametrize(("bits", "step"), [(16, 1), (32, 65521)])
def test_both_decoders_agree_on_every_medfloat(bits: int, step: int) -> None:
    made = layout({"name": "a", "type": f"medfloat{bits}"})
    codec = Codec(made, "test")
    payloads = [raw.to_bytes(bits // 8, "little") for raw in range(0, 1 << bits, step)]
    column = decode_columns(made, payloads).parts[0].fields["a"].to_list()
    assert all(column[i] == codec.read(payloads[i])[0].value for i in range(0, len(payloads), 7))


def test_half_precision_floats_are_those_of_numpy() -> None:
    made = layout({"name": "a", "type": "float16"})
    payloads = [raw.to_bytes(2, "little") for raw in range(0, 65536, 5)]
    got = decode_columns(made, payloads).parts[0].fields["a"].floats()
    assert np.array_equal(
        got,
        np.where(np.isfinite(want := np.frombuffer(b"".join(payloads), "<f2").astype(float)), want, np.nan),
        equal_nan=True,
    )


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ([{"name": "a", "type": "uint8", "when": "b"}], "not an earlier integer field"),
        ([{"name": "b", "type": "uint8"}, {"name": "a", "type": "uint8", "when": "b = 3"}], "written as 'flag'"),
        ([{"name": "b", "type": "uint8"}, {"name": "a", "type": "uint8", "when": "not b == 3"}], "'not b' is not supported"),
        ([{"name": "b", "type": "uint8"}, {"name": "a", "type": "uint4", "when": "b"}, {"rfu": 4}], "inside a byte"),
        ([{"name": "b", "type": "uint8"}, {"name": "a", "type": "uint8", "when": "b"}, {"name": "a", "type": "uint8", "when": "b == 1"}], "used twice"),
        ([{"name": "b", "type": "uint8"}, {"name": "a", "type": "uint8", "lsb": "1 V", "when": "b"}, {"name": "a", "type": "uint8", "lsb": "1 A", "when": "not b"}], "the same unit in both"),
        ([{"name": "a", "type": "utf8s"}, {"name": "b", "type": "uint8"}], "not the last field"),
        ([{"name": "a", "type": "medfloat16", "lsb": "1 V"}], "give it only a unit"),
        ([{"name": "a", "type": "uint8[0]"}], "uint8[N]"),
    ],
)  # fmt: skip
def test_a_wrong_condition_is_refused(fields: list[dict[str, Any]], text: str) -> None:
    assert text in problems_of(*fields)


def test_samples_counted_by_nothing_are_refused() -> None:
    assert "'m' is not an earlier integer field: n" in problems_of(
        {"name": "n", "type": "uint8"}, samples={"count": "m", "fields": [{"name": "v", "type": "uint8"}]}
    )


# Any layout that can be written: the two decoders and the builder agree.

UNITS = ["degC", "percent", "Pa", "g_0", "V", ""]


@st.composite
def fields_of(draw: st.DrawFn, prefix: str, most: int) -> list[dict[str, Any]]:
    """Lines of whole bytes, without conditions."""
    fields: list[dict[str, Any]] = []
    bit = 0
    for index in range(draw(st.integers(1, most))):
        kind = draw(st.sampled_from(["uint", "sint", "boolean", "rfu", "float", "medfloat", "timeexp", "bytes"]))
        bits = draw(st.integers(1, 64))
        name = f"{prefix}{index}"
        decl: dict[str, Any]
        if kind == "rfu":
            decl = {"rfu": bits}
        elif kind in ("float", "medfloat") and bit % 8 == 0:
            bits = draw(st.sampled_from([16, 32] if kind == "medfloat" else [16, 32, 64]))
            decl = {"name": name, "type": f"{kind}{bits}"}
        elif kind == "timeexp" and bit % 8 == 0:
            bits = 8
            decl = {"name": name, "type": "timeexp8"}
        elif kind == "bytes" and bit % 8 == 0 and prefix != "s":
            bits = draw(st.integers(1, 4)) * 8
            decl = {"name": name, "type": f"uint8[{bits // 8}]"}
        elif kind == "boolean":
            bits = 1
            decl = {"name": name, "type": "boolean"}
        else:
            kind = "sint" if kind == "sint" else "uint"
            decl = {"name": name, "type": f"{kind}{bits}"}
            if draw(st.booleans()):
                unit = draw(st.sampled_from(UNITS))
                decl["lsb"] = f"{draw(st.integers(1, 1000))}/{draw(st.integers(1, 1000))} {unit}"
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


def test_reserved_bits_alone_can_not_be_there_if_the_value_goes_on() -> None:
    """Who builds a value could not say whether they are there."""
    told = problems_of({"name": "x", "type": "uint8"}, {"rfu": 8, "when": "more"})
    assert "nothing but reserved bits where the value goes on" in told


CONDITIONS = [
    "flag", "not flag", "number == 2", "number != 1", "flag and number == 2", "number & 1 == 1", "number + flag > 2",
    "3 * number - 1 < 5", "number >= 2 and not flag", "number % 2 <= 0",
]  # fmt: skip


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    order: Order = draw(st.sampled_from(["little", "big"]))
    fields = (
        [{"name": "flag", "type": "boolean"}, {"name": "number", "type": "uint2"}, {"rfu": 5}]
        if order == "little"
        else [{"rfu": 5}, {"name": "number", "type": "uint2"}, {"name": "flag", "type": "boolean"}]
    )
    for index in range(draw(st.integers(0, 4))):
        when = draw(st.sampled_from([None, None, *CONDITIONS]))
        for decl in draw(fields_of(f"f{index}_", 3)):
            fields.append(decl | ({"when": when} if when else {}))
    samples: dict[str, Any] | None = None
    end = draw(st.sampled_from(["nothing", "samples", "counted", "fixed", "tail", "more"]))
    if end in ("samples", "counted", "fixed"):
        inner = draw(fields_of("s", 3))
        if any("name" in decl for decl in inner):
            counted = draw(st.sampled_from(["number", "2 * number", "number - 1", "(number + flag) // 2"]))
            samples = {"fields": inner} | {"counted": {"count": counted}, "fixed": {"count": 2}}.get(end, {})
            if draw(st.booleans()):
                samples["at"] = draw(st.sampled_from(["100 * number", "40 * number + 30", "99 - 8 * number", "99"]))
    elif end == "more":
        when = draw(st.sampled_from(["more", "more and flag"]))
        inner = draw(fields_of("m", 3))
        if any("name" in decl for decl in inner):
            fields += [decl | {"when": when} for decl in inner]
    elif end == "tail":
        fields.append({"name": "tail", "type": draw(st.sampled_from(["utf8s", "uint8[]"]))})
    return layout(*fields, samples=samples, order=order)


@st.composite
def payloads_for(draw: st.DrawFn, made: Layout) -> list[bytes]:
    """Bytes of lengths that fit some shape of the layout, and some that do not."""
    low = sum(block.size for block in made.blocks if block.when is None)
    size = made.samples.size if made.samples else 1
    lengths = sorted(
        {
            low,
            made.head,
            0,
            *(block.size + low for block in made.blocks),
            *(made.head + size * k for k in range(1, 4)),
            *(low + size * k for k in range(1, 4)),
            *(99 + size * k for k in (range(4) if made.samples and made.samples.at else ())),
        }
    )
    return [
        draw(st.binary(min_size=length, max_size=length))
        for length in draw(st.lists(st.sampled_from(lengths), min_size=1, max_size=8))
    ]


def same(got: Any, wanted: Any) -> bool:
    return got == wanted and type(got) is type(wanted)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_both_decoders_agree_on_any_layout_and_any_bytes(data: st.DataObject) -> None:
    made = data.draw(layouts())
    payloads = data.draw(payloads_for(made))
    codec = Codec(made, "any")
    decoded = decode_columns(made, payloads)
    seen = list(decoded.faults)
    absent: Counter[str] = Counter()
    for part in decoded.parts:
        for cut in (*part.fields.values(), *part.samples.values()):
            absent.update(cut.reasons())
        fields = {name: cut.to_list() for name, cut in part.fields.items()}
        samples = {name: cut.to_list() for name, cut in part.samples.items()}
        for row, position in enumerate(part.positions.tolist()):
            seen.append(position)
            wanted = {r.name: r.value for r in codec.read(payloads[position])}
            got = {name: column[row] for name, column in fields.items()}
            for i in range(part.count):
                got |= {f"samples[{i}].{name}": column[row * part.count + i] for name, column in samples.items()}
            assert got.keys() == wanted.keys()
            assert all(same(got[name], wanted[name]) for name in wanted), (got, wanted)
    assert sorted(seen) == list(range(len(payloads)))
    told = [
        r.reason
        for i, raw in enumerate(payloads)
        if i not in decoded.faults
        for r in codec.read(raw)
        if r.value is None
    ]
    assert absent == Counter(told)
    for position, reason in decoded.faults.items():
        with pytest.raises(DecodeError) as caught:
            codec.read(payloads[position])
        assert caught.value.reason == reason


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_single_values_are_what_construct_parses(data: st.DataObject) -> None:
    made = data.draw(layouts())
    codec = Codec(made, "any")
    for raw in data.draw(payloads_for(made)):
        try:
            head, samples = codec.parse(raw)
        except DecodeError:
            continue
        found = codec.construct.parse(raw)
        wanted, rows = flat(found), [flat(one) for one in found.get(MANY) or ()]
        assert repr(sorted(head.items())) == repr(sorted(wanted.items()))  # a NaN equals nothing, but is written alike
        assert repr([sorted(one.items()) for one in samples]) == repr([sorted(one.items()) for one in rows])


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_building_what_was_read_gives_the_same_bytes(data: st.DataObject) -> None:
    """Where every bit has a meaning of its own: not reserved, not one of many NaNs or of a float's many spellings."""
    made = data.draw(layouts())
    if any(not f.type.integer or f.bits > 40 for f, _ in made.all_fields()):
        return
    codec = Codec(made, "any")
    for raw in data.draw(payloads_for(made)):
        try:
            readings = codec.read(raw)
        except DecodeError:
            continue
        if any(r.value is None and r.raw is None for r in readings):
            continue  # text that is not UTF-8
        head = {r.name: r.value for r in readings if "[" not in r.name}
        samples: dict[str, dict[str, Any]] = {}
        for r in readings:
            if "[" in r.name:
                samples.setdefault(r.name.split(".")[0], {})[r.name.split(".")[1]] = r.value
        again = codec.build(head, list(samples.values()) or [{}] * fit(made, raw, "any").count)
        assert {r.name: r.raw for r in codec.read(again)} == {r.name: r.raw for r in readings}
        assert len(again) == len(raw)


@settings(max_examples=200, deadline=None)
@given(layouts(), st.binary(max_size=600))
def test_any_bytes_give_values_or_a_decode_error(made: Layout, raw: bytes) -> None:
    try:
        Codec(made, "any").read(raw)
    except DecodeError as error:
        assert str(len(raw)) in error.reason


@given(st.data())
def test_reserved_bits_are_those_that_change_no_value(data: st.DataObject) -> None:
    made = data.draw(layouts())
    if any(not f.type.integer for f, _ in made.all_fields()):  # a NaN has bits that change nothing
        return
    if made.samples is not None and made.samples.at is not None:  # bytes in front of them are nobody's
        return
    codec = Codec(made, "any")
    for raw in data.draw(payloads_for(made)):
        try:
            parsed = codec.parse(raw)
        except DecodeError:
            continue
        reserved = codec.reserved_bits(raw)
        for bit in range(len(raw) * 8):
            if raw[bit // 8] >> bit % 8 & 1:
                cleared = bytearray(raw)
                cleared[bit // 8] ^= 1 << bit % 8
                try:
                    same = codec.parse(bytes(cleared)) == parsed
                except DecodeError:  # a flag or a count
                    same = False
                assert same == bool(reserved.get(bit // 8, 0) >> bit % 8 & 1), (raw.hex(), bit)


def test_columns_of_a_64_bit_field_keep_every_bit() -> None:
    made = layout({"name": "a", "type": "uint64"})
    assert decode_columns(made, [b"\xff" * 8]).parts[0].fields["a"].to_list() == [2**64 - 1]
    assert isinstance(decode_columns(made, [b"\x01" + bytes(7)]).parts[0].fields["a"].floats()[0], np.float64)


def test_a_line_with_each_stands_for_as_many_fields_in_a_row(tmp_path: Path) -> None:
    """Eight bands of sound in half decibels, and three cells by name, one byte each."""
    plugin = own_plugin(
        tmp_path,
        """
fields = [
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "band", type = "uint8", lsb = "0.5 dB", each = 8, limits = ["0 dB", "120 dB"] },
  { name = "cell", type = "uint12", lsb = "1 mV", each = ["top", "middle", "low"] },
  { rfu = 4 },
]
""",
    )
    item = plugin.characteristics["c"]
    names = ["sequence", *(f"band_{n}" for n in range(8)), "cell_top", "cell_middle", "cell_low"]
    assert [field.name for field in item.layout.fields] == names and item.layout.head == 14
    readings = {
        r.name: r.value for r in item.codec.read(bytes([7, 0, 2, 4, 6, 8, 10, 12, 14]) + bytes([1, 32, 0, 3, 0]))
    }
    assert [readings[f"band_{n}"] for n in range(8)] == [n * 1.0 for n in range(8)]
    assert [readings[f"cell_{name}"] for name in ("top", "middle", "low")] == [1, 2, 3]
    assert item.layout.fields[1].column == "band_0_dB"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('{ name = "x", type = "uint8", each = 1 }', "each"),
        ('{ name = "x", type = "uint8", each = ["a", "a"] }', "x_a"),
        ('{ name = "x", type = "uint8", each = ["A b", "c"] }', "x_A b"),
        ('{ name = "x", type = "uint8", each = 2, role = "sequence" }', "each for plain fields only"),
        ('{ name = "x", type = "utf8s", each = 2 }', "each for plain fields only"),
        ('{ name = "x", type = "uint8", each = 600 }', "each"),
    ],
)
def test_what_each_can_not_stand_for_is_refused(tmp_path: Path, line: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        own_plugin(tmp_path, f"fields = [{line}]\n")


@pytest.mark.parametrize(
    ("raw", "told"),
    [("0001", "2 bytes, but its flags tell of 1 byte"), ("0101", "2 bytes, but its flags tell of 3 bytes")],
)
def test_what_does_not_fit_its_own_flags_is_told_by_them(tmp_path: Path, raw: str, told: str) -> None:
    fields = 'fields = [{ name = "f", type = "boolean" }, { rfu = 7 }, { name = "x", type = "uint16", when = "f" }]\n'
    item = own_plugin(tmp_path, fields).characteristics["c"]
    with pytest.raises(DecodeError, match=told):
        item.codec.read(bytes.fromhex(raw))
    assert decode_columns(item.layout, [bytes.fromhex(raw)]).faults == {0: told}
