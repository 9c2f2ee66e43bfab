"""Checksums of values, held against the packages crccheck and crc (from the registry) and against published check
values."""

from __future__ import annotations

import json
from pathlib import Path

import crc as crc_package
import crccheck.crc as crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.errors import DecodeError, ProblemsError
from gateway.plugin.layout.checksum import CATALOGUE, Checksum
from gateway.plugin.layout.columns import decode_columns
from tests.support import figures, own_plugin, run_bench, run_file

CHECK = b"123456789"
VECTORS = json.loads((Path(__file__).parents[1] / "truth" / "vectors.json").read_text("utf-8"))["crc_check_123456789"]
NAMES = {"CRC-8/MAXIM": "CRC-8/MAXIM-DOW", "CRC-16/IBM-SDLC(X-25)": "CRC-16/IBM-SDLC", "CRC-32": "CRC-32/ISO-HDLC"}
KNOWN = {
    name: found
    for key in dir(crccheck)
    if isinstance(found := getattr(crccheck, key), type) and getattr(found, "_check_result", None) is not None
    for name in found._names
}


def named(name: str) -> Checksum:
    width, poly, init, refin, refout, xorout = CATALOGUE[name]
    return Checksum(name, "crc", width, "little", 0, poly, init, refin, refout, xorout)


@pytest.mark.parametrize(("name", "value"), VECTORS["v"].items())
def test_the_published_check_values_are_met(name: str, value: str) -> None:
    assert named(NAMES.get(name, name)).of(CHECK) == int(value, 16)


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_named_crc_is_that_of_crccheck(name: str) -> None:
    referee = KNOWN[name]
    for data in (b"", b"\0", CHECK, bytes(range(256))):
        assert named(name).of(data) == referee.calc(data)


@given(
    st.integers(3, 64),
    st.integers(0),
    st.integers(0),
    st.booleans(),
    st.integers(0),
    st.lists(st.binary(min_size=9, max_size=9), min_size=1, max_size=5),
)
def test_a_crc_of_any_width_is_that_of_crccheck_one_by_one_and_by_the_column(
    width: int, poly: int, init: int, reflected: bool, xorout: int, bodies: list[bytes]
) -> None:
    mask = (1 << width) - 1
    made = Checksum("x", "crc", width, "big", 0, poly & mask | 1, init & mask, reflected, reflected, xorout & mask)
    many = made.of_many(np.frombuffer(b"".join(bodies), np.uint8).reshape(len(bodies), 9))
    for body, found in zip(bodies, many.tolist(), strict=True):
        referee = crccheck.Crc(width, made.poly, made.init, reflected, reflected, made.xorout)
        assert made.of(body) == found == referee.process(body).final()


@given(st.binary(max_size=40))
def test_a_crc_is_that_of_the_package_crc(data: bytes) -> None:
    for name, referee in (("CRC-16/KERMIT", crc_package.Crc16.KERMIT), ("CRC-32/ISO-HDLC", crc_package.Crc32.CRC32)):
        assert named(name).of(data) == crc_package.Calculator(referee).checksum(data)


def test_bytes_turned_in_and_the_register_not_differ_from_both() -> None:
    mixed = Checksum("x", "crc", 16, "big", 0, 0x1021, 0xFFFF, True, False, 0)
    assert mixed.of(CHECK) == crccheck.Crc(16, 0x1021, 0xFFFF, True, False, 0).process(CHECK).final()


FIELDS = """fields = [
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "level", type = "uint16", lsb = "0.1 m", limits = ["0 m", "500 m"] },
]
"""


@pytest.mark.parametrize(
    ("check", "last"),
    [
        ('{ crc = "CRC-16/KERMIT" }', bytes.fromhex("31db")),  # of 01 2c 01, by crccheck below
        ("{ sum = 8 }", b"\x2e"),  # 0x01 + 0x2c + 0x01
        ("{ sum = 8, negated = true }", b"\xd2"),
        ('{ sum = 16, byte_order = "big" }', b"\x00\x2e"),
        ("{ xor = true }", b"\x2c"),
        ("{ xor = true, first = 1 }", b"\x2d"),
        ("{ crc = { width = 4, poly = 0x3 } }", None),
    ],
)
def test_a_value_carries_its_checksum_and_is_refused_with_another(
    tmp_path: Path, check: str, last: bytes | None
) -> None:
    item = own_plugin(tmp_path, f"{FIELDS}check = {check}\n").characteristics["c"]
    raw = item.codec.build({"sequence": 1, "level": 30})
    body, told = raw[:3], raw[3:]
    assert body == bytes.fromhex("012c01")
    if "KERMIT" in check:
        last = KNOWN["CRC-16/KERMIT"].calc(body).to_bytes(2, "little")
    assert last is None or told == last
    assert [r.value for r in item.codec.read(raw)] == [1, 30]
    wrong = raw[:1] + b"\x2d" + raw[2:]
    with pytest.raises(DecodeError, match="follows from the bytes before it"):
        item.codec.read(wrong)
    patched = item.codec.patch(raw, {"level": 31})
    assert [r.value for r in item.codec.read(patched)] == [1, 31]
    decoded = decode_columns(item.layout, [raw, wrong, raw[:-1], b"", patched])
    assert set(decoded.faults) == {1, 2, 3}
    (part,) = decoded.parts
    assert part.positions.tolist() == [0, 4] and part.fields["level"].to_list() == [30, 31]


def test_one_by_one_and_by_the_column_values_are_refused_with_the_same_words(tmp_path: Path) -> None:
    fields = FIELDS + 'samples = { fields = [{ name = "x", type = "sint12" }, { rfu = 4 }] }\n'
    item = own_plugin(tmp_path, f'{fields}check = {{ crc = "CRC-8/SMBUS" }}\n').characteristics["c"]
    good = item.codec.build({"sequence": 9, "level": 2}, [{"x": 5}, {"x": -6}])
    payloads = [good, good[:-1], good + b"\0", b"\0" * 4, good[:4] + item.layout.check.of(good[:4]).to_bytes(1, "big")]  # type: ignore[union-attr]
    decoded = decode_columns(item.layout, payloads)
    for place, raw in enumerate(payloads):
        try:
            item.codec.read(raw)
            assert place not in decoded.faults
        except DecodeError as error:
            assert decoded.faults[place] in str(error)


@pytest.mark.parametrize(
    ("check", "told"),
    [
        ("{ }", "0 kinds of checksum"),
        ('{ crc = "CRC-16/KERMIT", xor = true }', "2 kinds of checksum"),
        ('{ crc = "CRC-99" }', "one of CRC-8/SMBUS"),
        ("{ crc = { width = 8, poly = 0x1021 } }", "at most 8 bits"),
        ("{ xor = true, negated = true }", "no sum to negate"),
        ("{ xor = true, first = 9 }", "a byte that every value has"),
    ],
)
def test_a_checksum_that_can_not_be_is_refused(tmp_path: Path, check: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        own_plugin(tmp_path, f"{FIELDS}check = {check}\n")


def test_a_simulated_node_sends_right_ones_and_a_damaged_value_is_kept_and_counted(tmp_path: Path) -> None:
    own_plugin(tmp_path, f'{FIELDS}check = {{ crc = "CRC-16/KERMIT" }}\n')
    text = '[run]\ntitle = "t"\nradio = "virtual"\nplugins = ["plugins"]\n[node.a]\nplugin = "own"\n'
    config = run_file(tmp_path, text + 'find = { name = "A" }\n[twin.a]\nfaults = { wrong_length_every = 10 }\n')
    run_bench(config, tmp_path / "x.db", 60)
    found = figures(tmp_path / "x.db")
    assert found["a", "c", "decode_errors"].value == 5 and found["a", "c", "decode_errors"].n >= 55
    assert found["a", "c", "loss"].value == 0
