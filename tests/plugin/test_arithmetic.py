"""Counts, places and conditions that follow from earlier fields by arithmetic, against Python's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.errors import DecodeError, InputError, ProblemsError
from gateway.plugin.layout.arithmetic import LARGEST, read_arithmetic
from gateway.plugin.layout.columns import decode_columns
from tests.plugin.test_contract import GRID
from tests.support import own_plugin

RANGES = {"a": (0, 255), "b": (0, 15), "c": (-128, 127)}
SIGNS = st.sampled_from(["+", "-", "*", "//", "%", "&", ">>"])
TEXTS = st.recursive(
    st.sampled_from(["a", "b", "c", "1", "3", "0x0F", "7"]),
    lambda inner: st.builds("({} {} {})".format, inner, SIGNS, inner),
    max_leaves=6,
)


@given(TEXTS, st.integers(0, 255), st.integers(0, 15), st.integers(-128, 127))
def test_what_is_read_gives_what_python_gives_for_one_value_and_for_columns(text: str, a: int, b: int, c: int) -> None:
    try:
        made = read_arithmetic(text, RANGES)
    except InputError:
        return  # it may divide by zero, shift what is negative, or grow too large
    known = {"a": a, "b": b, "c": c}
    wanted = eval(text, {}, known)  # noqa: S307  the referee, on text made here
    assert made.of(known) == wanted and made.low <= wanted <= made.high
    column = made.of({name: np.full(3, number, np.int64) for name, number in known.items()})
    assert np.all(column == wanted)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a / 2", "not supported"),
        ("a ** 2", "not supported"),
        ("f(a)", "not supported"),
        ("a.b", "not supported"),
        ("'a' * 3", "not supported"),
        ("1.5 * a", "not supported"),
        ("d + 1", "'d' is not an earlier integer field: a, b, c"),
        ("a // 0", "that is not zero"),
        ("c // 2", "can't be negative"),
        ("a >> 64", "more than 63 bits"),
        ("a % b", "that is not zero"),
        ("a +", "can't be read"),
        ("*".join(["a"] * 8), "reckon with numbers up to"),
        ("1 + " * 60 + "1", "can't be read"),
        ("(" * 12 + "a" + " + 1)" * 12, "nests deeper"),
        (str(LARGEST + 1), "not supported"),
    ],
)
def test_what_can_not_be_reckoned_with_is_refused_with_its_reason(text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_arithmetic(text, RANGES)


def test_samples_are_counted_by_a_product_and_begin_where_a_field_says(tmp_path: Path) -> None:
    """Two rows of three behind five bytes, of which one is nobody's."""
    item = own_plugin(tmp_path, GRID).characteristics["c"]
    raw = bytes([0x12, 0x32, 9, 0xAA, 0xBB]) + b"".join(n.to_bytes(2, "little") for n in range(6))
    readings = {r.name: r.value for r in item.codec.read(raw)}
    assert readings["first"] == 9 and readings["samples[5].x"] == 2.5
    assert not item.codec.reserved_bits(raw)
    part = decode_columns(item.layout, [raw, raw]).parts[0]
    assert part.samples["x"].to_list() == [0, 0.5, 1, 1.5, 2, 2.5] * 2


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ("1230", "2 bytes, expected 2 to 3 bytes"),
        ("02110000", "4 bytes, but it announces 1 samples of 2 bytes"),
        ("02100000", "4 bytes, but it announces 0 samples of 2 bytes"),
        ("020f00", "said to begin at byte 18"),
        ("020f000000", "said to begin at byte 18"),
    ],
)
def test_a_value_whose_samples_can_not_be_where_it_says_is_refused_alike(tmp_path: Path, raw: str, told: str) -> None:
    item = own_plugin(tmp_path, GRID).characteristics["c"]
    with pytest.raises(DecodeError, match=told) as caught:
        item.codec.read(bytes.fromhex(raw))
    assert decode_columns(item.layout, [bytes.fromhex(raw)]).faults == {0: caught.value.reason}


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('samples = { count = "late", fields = [{ name = "x", type = "uint8" }] }', "'late' is not an earlier"),
        ('samples = { at = "text + 1", fields = [{ name = "x", type = "uint8" }] }', "'text' is not an earlier"),
        ('samples = { at = "flag % 2", fields = [{ name = "x", type = "uint8" }] }', "may lie behind the 3 bytes"),
        ('samples = { at = "1 +", fields = [{ name = "x", type = "uint8" }] }', "can't be read"),
    ],
)
def test_samples_can_only_follow_from_fields_that_are_always_there(tmp_path: Path, line: str, told: str) -> None:
    fields = """fields = [
  { name = "flag", type = "uint8" },
  { name = "text", type = "uint8[2]" },
  { name = "late", type = "uint8", when = "flag" },
]
"""
    with pytest.raises(ProblemsError, match=told):
        own_plugin(tmp_path, fields + line)
