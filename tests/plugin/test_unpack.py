"""Messages in pieces, streams, records, ciphers, text and packed integers, held against the RFCs that define them, NIST's
examples, and the packages cobs and protobuf (from the registry)."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs as cobs_package
from google.protobuf.internal.encoder import _VarintBytes  # type: ignore[import-untyped]
from google.protobuf.internal.wire_format import ZigZagEncode  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.errors import EncodeError, ProblemsError
from gateway.plugin import Plugin, find_plugin
from gateway.plugin.load import load_plugin_text
from gateway.plugin.unpack import Unpacking
from gateway.plugin.unpack.stream import cobs_decoded, cobs_encoded, slip_decoded, slip_encoded
from tests.plugin.test_contract_pieces import COUNTED
from tests.support import own_plugin

SECOND = 10**9
HEAD = """
[plugin]
kind = "probe"
title = "t"
[characteristic.outer]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
"""
INNER = '\n[characteristic.inner]\nwithin = "outer"\nfields = [{ name = "body", type = "uint8[]" }]\n'
MARKS = """fields = [{ name = "place", type = "uint6" }, { name = "last", type = "boolean" }, { name = "first", type = "boolean" }]
unpack = { by = "pieces", first = "first", last = "last", number = "place", timeout = "2 s", largest = 40 }
"""


def plugin(outer: str, inner: str = INNER) -> Plugin:
    return load_plugin_text(HEAD + outer + inner, "probe.toml")


def taken(one: Plugin, *values: str | tuple[float, str]) -> tuple[list[bytes], dict[int, str]]:
    """The messages of the channel inner in values given in hex, a tenth of a second apart or at their own seconds; and
    what is wrong with which of them."""
    frames = []
    for number, value in enumerate(values):
        second, text = value if isinstance(value, tuple) else (number / 10, value)
        frames.append((number, round(second * SECOND), bytes.fromhex(text)))
    messages, faults = Unpacking().take("a", one, "outer", frames)
    return [one.raw for one in messages.get("inner", [])], faults


def wrong(outer: str, inner: str = INNER) -> str:
    with pytest.raises(ProblemsError) as caught:
        plugin(outer, inner)
    return str(caught.value)


# Pieces: bits 0 to 5 the place, bit 6 the last, bit 7 the first


@pytest.mark.parametrize(
    ("values", "messages", "faults"),
    [
        (["80 aa", "01 bb", "42 cc"], ["aabbcc"], {}),
        (["c0 aa", "c0 bb"], ["aa", "bb"], {}),
        (["80 aa", "42 cc", "c0 dd"], ["dd"], {1: "pieces missing"}),
        (["80 aa", "01 bb", "01 bb", "42 cc"], ["aabbcc"], {2: "came twice"}),
        (["80 aa", "01 bb", "02 cc", "01 bb", "43 dd"], [], {3: "out of order", 4: "first piece is missing"}),
        (["01 bb", "c0 aa"], ["aa"], {0: "first piece is missing"}),
        (["80 aa", "80 bb", "41 cc"], ["bbcc"], {0: "broken off after 1 bytes: the next one began"}),
        ([(0, "80 aa"), (2.5, "41 bb")], [], {0: "nothing came in time", 1: "first piece is missing"}),
        (["80" + "aa" * 30, "41" + "bb" * 11, "c0 cc"], ["cc"], {1: "longer than the 40 bytes"}),
    ],
)
def test_pieces_become_messages_and_what_is_missing_is_told_where_it_is(
    values: list[str | tuple[float, str]], messages: list[str], faults: dict[int, str]
) -> None:
    found, told = taken(plugin(MARKS), *values)
    assert [one.hex() for one in found] == messages
    assert told.keys() == faults.keys() and all(text in told[place] for place, text in faults.items())


def test_a_length_in_the_first_piece_ends_a_message() -> None:
    one = plugin(
        'fields = [{ name = "first", type = "boolean" }, { rfu = 7 }, '
        '{ name = "size", type = "uint16", when = "first" }]\n'
        'unpack = { by = "pieces", first = "first", length = "size" }'
    )
    assert taken(one, "01 0500 aabb", "00 ccddee", "01 0100 ff") == ([bytes.fromhex("aabbccddee"), b"\xff"], {})
    _, told = taken(one, "01 0300 aabb", "00 ccddee")
    assert "longer than the 3 bytes" in told[1]


@given(st.binary(max_size=300), st.integers(5, 244))
def test_what_is_packed_in_pieces_comes_out_whole(message: bytes, room: int) -> None:
    one = plugin(MARKS.replace("largest = 40", "largest = 300"))
    values = one.steps["outer"].pack(message, room, 0)
    assert all(len(value) <= room for value in values)
    assert taken(one, *(value.hex() for value in values)) == ([message], {})


# Streams


@given(st.binary(max_size=600))
def test_cobs_is_that_of_the_package_cobs(message: bytes) -> None:
    assert cobs_encoded(message) == cobs_package.encode(message)
    assert cobs_decoded(cobs_encoded(message)) == message


@pytest.mark.parametrize(
    ("message", "coded"),
    [  # the rules of Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999; worked by hand
        ("", "01"),
        ("00", "0101"),
        ("112200 33".replace(" ", ""), "03112202 33".replace(" ", "")),
        ("11000000", "0211010101"),
        (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
        ((bytes(range(1, 255)) + b"\xff").hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
    ],
)
def test_cobs_by_example(message: str, coded: str) -> None:
    assert cobs_encoded(bytes.fromhex(message)).hex() == coded


@given(st.binary(max_size=100))
def test_bytes_that_are_not_cobs_are_told_as_by_the_package(coded: bytes) -> None:
    try:
        expected = cobs_package.decode(coded) if coded else b""
    except cobs_package.DecodeError:
        with pytest.raises(ValueError, match=r"zero|short"):
            cobs_decoded(coded)
    else:
        assert cobs_decoded(coded) == expected


def test_slip_is_that_of_rfc_1055() -> None:
    assert slip_encoded(b"\x01\xc0\xdb\x02").hex() == "01dbdcdbdd02"
    assert slip_decoded(bytes.fromhex("01dbdcdbdd02")) == b"\x01\xc0\xdb\x02"
    with pytest.raises(ValueError, match="escape"):
        slip_decoded(b"\xdb\x01")


STREAMS = {
    "lines": 'unpack = { by = "delimiter", ends = "0d0a", largest = 400 }',
    "COBS": 'unpack = { by = "delimiter", coding = "COBS", largest = 400 }',
    "SLIP": 'unpack = { by = "delimiter", coding = "SLIP", largest = 400 }',
    "length": 'unpack = { by = "length", length = "uint16", at = 1, adds = -2, largest = 400 }',
}


@given(
    st.sampled_from(sorted(STREAMS)),
    st.lists(st.binary(min_size=3, max_size=200), min_size=1, max_size=8),
    st.lists(st.integers(1, 40), min_size=1, max_size=9),
)
def test_a_stream_cut_anywhere_gives_the_messages_that_went_in(
    name: str, messages: list[bytes], cuts: list[int]
) -> None:
    one = plugin(STREAMS[name])
    if name == "lines":
        messages = [message.replace(b"\r", b"").replace(b"\n", b"") or b"x" for message in messages]
    if name == "length":
        messages = [m[:1] + (len(m) + 2).to_bytes(2, "little") + m[3:] for m in messages]
    stream = b"".join(b"".join(one.steps["outer"].pack(message, 1 << 20, 0)) for message in messages)
    values, at = [], 0
    while at < len(stream):
        size = cuts[len(values) % len(cuts)]
        values.append((0.0, stream[at : at + size].hex()))
        at += size
    assert taken(one, *values) == (messages, {})


def test_a_stream_goes_on_after_what_is_wrong() -> None:
    lines = plugin('unpack = { by = "delimiter", ends = "0a", largest = 8 }')
    assert taken(lines, "6f6b0a" + "78" * 9 + "0a6f6b0a")[1] == {
        0: "a message longer than the 8 bytes that it may have"
    }
    found, told = taken(lines, "78" * 30, "78" * 30, "780a6f6b0a")
    assert found == [b"ok"] and told == {0: "more than 8 bytes without a delimiter"}
    cobs = plugin('unpack = { by = "delimiter", coding = "COBS" }')
    found, told = taken(cobs, "0501020000" + "0203000203")
    assert found == [b"\x03"] and "not COBS: 2 bytes short" in told[0]
    sized = plugin('unpack = { by = "length", length = "uint8", largest = 8 }')
    found, told = taken(sized, "03aabb", "ff", "02cc")
    assert found == [b"\x03\xaa\xbb", b"\x02\xcc"] and "says to be 255 bytes long; 1 to 8 are possible" in told[1]
    found, told = taken(sized, (0, "03aa"), (9, "02cc"))
    assert found == [b"\x02\xcc"] and "nothing came in time" in told[0]


# Records


RECORDS = 'unpack = { by = "records", length = "uint8", at = 1, adds = 2, largest = 20 }'
TYPED = """
[characteristic.inner]
within = "outer"
message = 1
fields = [{ name = "kind", type = "uint8" }, { name = "size", type = "uint8" }, { name = "body", type = "uint8[]" }]
[characteristic.other]
within = "outer"
message = 2
fields = [{ name = "kind", type = "uint8" }, { name = "size", type = "uint8" }]
"""


def test_records_in_any_order_and_number_and_those_of_no_known_type_are_told() -> None:
    one = plugin(RECORDS, TYPED)
    assert taken(one, "0102aabb" + "0200" + "0101cc")[0] == [b"\x01\x02\xaa\xbb", b"\x01\x01\xcc"]
    found, told = taken(one, "0101aa" + "7f0311223344"[:10] + "0101cc")
    assert found == [b"\x01\x01\xaa", b"\x01\x01\xcc"] and "no layout is for: 7f03112233" in told[0]
    found, told = taken(one, "0101aa01", "0105aa")
    assert found == [b"\x01\x01\xaa"] and "behind the last record" in told[0] and "behind the last record" in told[1]


# Ciphers


def sealed(key: str, rest: str, tmp_path: Path) -> Plugin:
    (tmp_path / "key").write_text(key)
    key_file = json.dumps(str(tmp_path / "key"))
    return plugin(
        f'fields = [{rest.partition("|")[0]}]\nunpack = {{ by = "cipher", key_file = {key_file}, {rest.partition("|")[2]} }}'
    )


PUBLISHED: dict[str, tuple[str, str, str, str]] = {
    # RFC 3610, 8, packet vector 1: eight bytes in clear, then the packet and a code of eight bytes
    "AES-CCM": (
        "c0c1c2c3c4c5c6c7c8c9cacbcccdcecf",
        '{ name = "clear", type = "uint8[8]" } | mode = "AES-CCM", tag = 8, associated = ["clear"], '
        'nonce = ["0x00000003020100a0a1a2a3a4a5"]',
        "0001020304050607" + "588c979a61c663d2f066d0c2c0f989806d5f6b61dac384" + "17e8d12cfdf926e0",
        bytes(range(8, 31)).hex(),
    ),
    # McGrew and Viega, The Galois/Counter Mode of Operation, test case 4 (as in NIST's examples for SP 800-38D)
    "AES-GCM": (
        "feffe9928665731c6d6a8f9467308308",
        '{ name = "clear", type = "uint8[20]" } | mode = "AES-GCM", associated = ["clear"], '
        'nonce = ["0xcafebabefacedbaddecaf888"]',
        "feedfacedeadbeeffeedfacedeadbeefabaddad2"
        "42831ec2217774244b7221b784d0d49ce3aa212f2c02a4e035c17e2329aca12e"
        "21d514b25466931c7d8f6a5aac84aa051ba30b396a0aac973d58e091"
        "5bc94fbc3221a5db94fae95ae7121a47",
        "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a72"
        "1c3c0c95956809532fcf0e2449a6b525b16aedf5aa0de657ba637b39",
    ),
    # NIST SP 800-38A, F.5.1, the first two blocks
    "AES-CTR": (
        "2b7e151628aed2a6abf7158809cf4f3c",
        '| mode = "AES-CTR", nonce = ["0xf0f1f2f3f4f5f6f7f8f9fafbfcfdfeff"]',
        "874d6191b620e3261bef6864990db6ce9806f66b7970fdff8617187bb9fffdff",
        "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e51",
    ),
}


@pytest.mark.parametrize("mode", PUBLISHED)
def test_ciphers_open_and_make_the_published_vectors(mode: str, tmp_path: Path) -> None:
    key, rest, value, message = PUBLISHED[mode]
    one = sealed(key, rest, tmp_path)
    assert taken(one, value) == ([bytes.fromhex(message)], {})
    clear = bytes.fromhex(value)[: one.steps["outer"].layout.head]
    step = one.steps["outer"]
    if not clear:
        assert step.pack(bytes.fromhex(message), 244, 0) == [bytes.fromhex(value)]
    if mode != "AES-CTR":  # which authenticates nothing
        changed = bytearray.fromhex(value)
        changed[-1] ^= 1
        assert "authentication code does not fit" in taken(one, changed.hex())[1][0]


def test_a_nonce_with_a_counter_opens_what_is_packed(tmp_path: Path) -> None:
    one = sealed(
        "00" * 16,
        '{ name = "counter", type = "uint32", role = "sequence" } | mode = "AES-CCM", '
        'nonce = ["0x0011223344556677", "counter"]',
        tmp_path,
    )
    values = [one.steps["outer"].pack(b"lid", 244, number)[0].hex() for number in range(3)]
    assert len(set(values)) == 3 and taken(one, *values) == ([b"lid"] * 3, {})


@pytest.mark.parametrize(
    ("content", "told"), [(None, "No such file"), ("xyz", "not hexadecimal"), ("0011", "2 bytes found")]
)
def test_without_its_key_a_value_is_kept_and_the_reason_told(content: str | None, told: str, tmp_path: Path) -> None:
    one = sealed(content or "", '| mode = "AES-CTR", nonce = ["0x000102030405060708090a0b0c0d0e0f"]', tmp_path)
    if content is None:
        (tmp_path / "key").unlink()
    found, faults = taken(one, "00")
    assert found == [] and told in faults[0] and str(tmp_path / "key") in faults[0]


# Numbers

FLOATS = """
[characteristic.inner]
within = "outer"
fields = [{ name = "a", type = "float64" }, { name = "b", type = "float64" }]
"""


@pytest.mark.parametrize(
    ("unpack", "text", "expected"),
    [
        ('separator = ";", columns = 2', "21.5;-3\r\n", (21.5, -3.0)),
        ('separator = ",", columns = 2', "21.5,", (21.5, None)),
        ('json_paths = ["t", "in.h"]', '{"t": 21.5, "in": {"h": 48}, "more": []}', (21.5, 48.0)),
        ('json_paths = ["t", "in.h"]', '{"t": true}', (1.0, None)),
    ],
)
def test_text_becomes_columns(unpack: str, text: str, expected: tuple[float | None, float | None]) -> None:
    one = plugin(f'unpack = {{ by = "text", {unpack} }}', FLOATS)
    (message,), faults = taken(one, text.encode().hex())
    readings = one.characteristics["inner"].codec.read(message)
    assert tuple(reading.value for reading in readings) == expected and not faults
    again = one.steps["outer"].pack(message, 244, 0)
    assert taken(one, *(value.hex() for value in again))[0] == [message]


@pytest.mark.parametrize(
    ("unpack", "text"),
    [
        ('separator = ";", columns = 2', b"21.5"),
        ('separator = ";", columns = 2', b"a;b"),
        ('separator = ";", columns = 2', b"1;2_0"),
        ('separator = ";", columns = 2', b"nan;1"),
        ('json_paths = ["t"]', b"[1, 2]"),
        ('json_paths = ["t"]', b'{"t": 1'),
        ('json_paths = ["t"]', b"[" * 5000),
        ('json_paths = ["t"]', b"\xff"),
    ],
)
def test_text_that_is_not_as_declared_is_told(unpack: str, text: bytes) -> None:
    floats = FLOATS if "columns" in unpack else FLOATS.replace(', { name = "b", type = "float64" }', "")
    found, faults = taken(plugin(f'unpack = {{ by = "text", {unpack} }}', floats), text.hex())
    assert found == [] and faults[0].startswith("not the text declared")


SAMPLES = '\n[characteristic.inner]\nwithin = "outer"\nsamples = { fields = [{ name = "v", type = "sint32" }] }\n'


def numbers(one: Plugin, value: str) -> list[int]:
    (message,), faults = taken(one, value)
    assert not faults
    return [number for (number,) in struct.iter_unpack("<i", message)]


@pytest.mark.parametrize(
    ("code", "value", "expected"),
    [  # Protocol Buffers, Encoding: 150 is 96 01, 300 is AC 02; zigzag -1 is 1, 1 is 2, -2 is 3
        ("LEB128", "9601", [150]),
        ("LEB128", "ac02 01 00".replace(" ", ""), [300, 1, 0]),
        ("zigzag", "00010203feffffff0f", [0, -1, 1, -2, 0x7FFFFFFF]),
        ("zigzag", "ffffffff0f", [-0x80000000]),
    ],
)
def test_integers_of_variable_length_are_those_of_the_protocol_buffers_examples(
    code: str, value: str, expected: list[int]
) -> None:
    assert numbers(plugin(f'unpack = {{ by = "integers", code = "{code}" }}', SAMPLES), value) == expected


@given(st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=40))
def test_zigzag_is_that_of_the_package_protobuf(values: list[int]) -> None:
    one = plugin('unpack = { by = "integers", code = "zigzag" }', SAMPLES)
    coded = b"".join(_VarintBytes(ZigZagEncode(value)) for value in values)
    assert numbers(one, coded.hex()) == values
    assert one.steps["outer"].pack(struct.pack(f"<{len(values)}i", *values), 244, 0) == [coded]


@given(
    st.integers(2, 16),
    st.sampled_from(["little", "big"]),
    st.booleans(),
    st.lists(st.integers(-60, 60), min_size=1, max_size=60),
)
def test_differences_of_any_width_come_out_as_they_went_in(
    bits: int, order: str, whole_first: bool, steps: list[int]
) -> None:
    low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    values = [min(max(steps[0], low), high)]
    for step in steps[1:]:
        values.append(values[-1] + min(max(step, low), high))
    first = ', first_type = "sint16"' if whole_first else ""
    one = plugin(
        f'byte_order = "{order}"\nfields = [{{ name = "count", type = "uint8" }}]\n'
        f'unpack = {{ by = "integers", code = "sint{bits}", differences = true, count = "count"{first} }}',
        SAMPLES.replace("samples", 'fields = [{ name = "count", type = "uint8" }]\nsamples'),
    )
    message = bytes([len(values)]) + struct.pack(f"<{len(values)}i", *values)
    (value,) = one.steps["outer"].pack(message, 244, 0)
    assert len(value) == 1 + -(-(bits * len(values) + (16 - bits) * whole_first) // 8)
    assert taken(one, value.hex()) == ([message], {})


def test_packed_integers_that_do_not_fit_are_told() -> None:
    one = plugin('unpack = { by = "integers", code = "LEB128" }', SAMPLES)
    for value, told in (
        ("80", "cut off"),
        ("ffffffffffff01", "more than five bytes"),
        ("ffffffff0f", "beyond 32 bits"),
    ):
        assert told in taken(one, value)[1][0]
    with pytest.raises(EncodeError, match="below zero"):
        one.steps["outer"].pack(struct.pack("<i", -1), 20, 0)
    counted = plugin(
        'fields = [{ name = "n", type = "uint8" }]\nunpack = { by = "integers", code = "sint6", count = "n" }', SAMPLES
    )
    assert "1 numbers, n says 3" in taken(counted, "0300")[1][0]
    assert "2 bytes behind the last number" in taken(counted, "01000000")[1][0]


# Declarations


@pytest.mark.parametrize(
    ("outer", "inner", "told"),
    [
        ('unpack = { by = "delimiter", ends = "0a" }', "", "no message is declared"),
        ("", INNER.replace('"outer"', '"nobody"'), "a characteristic with unpack: none is declared"),
        ('unpack = { by = "delimiter", ends = "0a", mode = "AES-CCM" }', INNER, "mode with by = 'delimiter'"),
        ('unpack = { by = "delimiter" }', INNER, "both or none of ends and coding"),
        ('unpack = { by = "delimiter", ends = "zz" }', INNER, "bytes in hex"),
        ('unpack = { by = "pieces", number = "n" }', INNER, "an unsigned field or a boolean: none is declared"),
        ('unpack = { by = "records", length = "sint8" }', INNER, "uint8, uint16, uint24 or uint32"),
        ('unpack = { by = "cipher", mode = "AES-CCM", key_env = "K", nonce = ["0x00"] }', INNER, "1 bytes"),
        (
            'unpack = { by = "cipher", mode = "AES-CCM", nonce = ["0x00112233445566"] }',
            INNER,
            "a key stands in no plugin",
        ),
        ('unpack = { by = "integers", code = "sint40" }', INNER, "LEB128, zigzag, or uintN or sintN"),
        ('unpack = { by = "text" }', INNER, "both or none of json_paths and separator"),
        ('unpack = { by = "text", separator = "" }', INNER, "something that no number holds"),
        ('unpack = { by = "text", json_paths = ["a", "a"] }', INNER, "names, each once"),
        ('unpack = { by = "text", separator = ",", columns = 3 }', INNER, "3 numbers, each a float64: 24 bytes"),
        (MARKS.replace('last = "last"', 'last = "first"'), INNER, "one field for two marks"),
        ('unpack = { by = "delimiter", ends = "0a" }', INNER + INNER.replace("inner]", "two]"), "outer is used twice"),
        (
            'unpack = { by = "delimiter", ends = "0a" }',
            INNER + 'uuid = "0x2A19"\n',
            "uuid of a message in another",
        ),
        (
            'unpack = { by = "delimiter", ends = "0a" }\nfields = [{ name = "t", type = "utf8s" }]',
            INNER,
            "takes all that is left",
        ),
    ],
)
def test_what_is_wrong_with_a_declaration_is_told(outer: str, inner: str, told: str) -> None:
    assert told in wrong(outer, inner)


def test_messages_that_come_in_themselves_are_refused() -> None:
    ring = "".join(
        f'[characteristic.{name}]\nwithin = "{other}"\nunpack = {{ by = "delimiter", ends = "0a" }}\n'
        for name, other in (("x", "y"), ("y", "x"))
    )
    assert "comes in itself, by x and y" in wrong('unpack = { by = "delimiter", ends = "0a" }', INNER + ring)


@given(st.sampled_from(["crate-journal", "bore-station"]), st.data())
def test_no_bytes_whatever_raise(kind: str, data: Any) -> None:
    one = find_plugin(kind)
    unpacking = Unpacking()
    for number, raw in enumerate(data.draw(st.lists(st.binary(max_size=40), max_size=8))):
        for outer in one.served:
            if outer in one.steps:
                messages, _ = unpacking.take("a", one, outer, [(number, number * SECOND // 10, raw)])
                assert all(one.characteristics[name].within for name in messages)


def test_each_value_of_a_simulated_node_has_a_counter_of_its_own_however_many_carry_a_message(tmp_path: Path) -> None:
    """Pieces of one message are values, too: a counter in front of them counts each."""
    item = own_plugin(tmp_path, COUNTED).characteristics["c"]
    assert item.step is not None
    values = [*item.step.pack(bytes(60), 20, 0), *item.step.pack(bytes(5), 20, 4)]
    assert [item.codec.parse(raw)[0]["count"] for raw in values] == [0, 1, 2, 3, 4]
