"""Streams, records and packed integers by the contract's C, held against the steps that pack and unpack them here: byte for
byte, whatever the message, the room and what is mangled on the way."""

from __future__ import annotations

import json
import math
import random
import struct
import subprocess
from pathlib import Path

import pytest

from gateway.model.errors import EncodeError, ProblemsError
from gateway.plugin import Plugin
from gateway.plugin.unpack.model import Held, Opened
from gateway.plugin.unpack.numbers import Integers, Text
from gateway.plugin.unpack.stream import Ended, Measured
from tests.plugin.test_contract import GCC, run, written
from tests.support import needs_program, own_plugin

INNER = """
[characteristic.inner]
within = "c"
fields = [{ name = "text", type = "utf8s" }]
"""
COUNTED = 'fields = [{ name = "n", type = "uint8", role = "sequence" }, { name = "kept", type = "uint8" }]\n'
STREAMS = {
    "cobs": 'unpack = { by = "delimiter", coding = "COBS", largest = 300 }',
    "slip": 'unpack = { by = "delimiter", coding = "SLIP", largest = 40 }',
    "lines": 'unpack = { by = "delimiter", ends = "0d0a", largest = 40 }',
    "overlap": 'unpack = { by = "delimiter", ends = "aaaaab", largest = 30 }',
    "length": 'unpack = { by = "length", length = "uint16", at = 1, adds = 3, largest = 120 }',
    "big length": 'byte_order = "big"\nunpack = { by = "length", length = "uint24", adds = 0, largest = 90 }',
    "records": 'unpack = { by = "records", length = "uint8", at = 1, adds = 2, largest = 20 }',
    "less": 'unpack = { by = "records", length = "uint8", adds = -2, largest = 20 }',
    "counted cobs": COUNTED
    + 'check = { crc = "CRC-8/SMBUS" }\nunpack = { by = "delimiter", coding = "COBS", largest = 64 }',
}
INTEGERS = {
    "leb": 'unpack = { by = "integers", code = "LEB128" }',
    "zigzag": 'unpack = { by = "integers", code = "zigzag", differences = true }',
    "nibbles": 'unpack = { by = "integers", code = "uint4" }',
    "odd": 'unpack = { by = "integers", code = "sint11", first_type = "sint20", differences = true }',
    "big": 'byte_order = "big"\nunpack = { by = "integers", code = "sint13", first_type = "uint32" }',
    "counted": 'fields = [{ name = "kept", type = "uint4" }, { name = "n", type = "uint12" }]\n'
    'unpack = { by = "integers", code = "sint6", count = "n" }',
    "counted big": 'byte_order = "big"\nfields = [{ name = "kept", type = "uint5" }, { name = "n", type = "uint3" }]\n'
    'unpack = { by = "integers", code = "sint7", first_type = "sint16", count = "n" }',
}
HEX = """
#include <stdio.h>
#include <string.h>
static size_t hex(const char *text, uint8_t *out)
{
    size_t n = 0;
    unsigned byte;
    while (sscanf(text + 2 * n, "%2x", &byte) == 1) { out[n++] = (uint8_t)byte; }
    return n;
}
static void show(const char *what, const uint8_t *bytes, size_t size)
{
    printf("%s", what);
    for (size_t i = 0; i < size; i++) { printf("%02x", bytes[i]); }
    printf(" ");
}
"""


def stream_harness(name: str, own: str) -> str:
    """Reads lines "code HEX", "cut ROOM HEX" and "take HEX", and writes what comes of them."""
    prefix = name.upper()
    return f"""
#include "{name}.h"
{HEX}
int main(void)
{{
    static char line[8192];
    static uint8_t in[4096], out[4096];
    static struct {own}_cutting cutting;
    static struct {own}_taking taking;
    while (fgets(line, sizeof line, stdin)) {{
        unsigned room = 0;
        int at = 0;
        size_t length = 0;
        if (sscanf(line, "cut %u %n", &room, &at) == 1) {{
            const size_t size = hex(line + at, in);
            cutting.sent = 0;
            cutting.done = false;
            while (!cutting.done) {{
                if ({own}_cut(&cutting, in, size, out, room, &length) != {prefix}_OK) {{ printf("refused "); break; }}
                show("", out, length);
            }}
        }} else if (strncmp(line, "code ", 5) == 0) {{
            const size_t size = hex(line + 5, in);
            if ({own}_code(in, size, out, sizeof out, &length) != {prefix}_OK) {{ printf("refused "); }}
            else {{
                size_t again = 0;
                show("", out, length);
                if ({own}_code(in, size, out, length - 1u, &again) != {prefix}_NO_ROOM) {{ printf("wrong "); }}
                if ({own}_code(in, size, out, length, &again) != {prefix}_OK) {{ printf("wrong "); }}
            }}
        }} else {{
            const size_t n = hex(line + 5, in);
            size_t used = 0;
            enum {name}_result found = {prefix}_OK;
            while (found == {prefix}_OK || found == {prefix}_BROKEN) {{
                found = {own}_take(&taking, in, n, &used);
                if (found == {prefix}_OK) {{ show("whole:", taking.bytes, taking.size); }}
                if (found == {prefix}_BROKEN) {{ printf("broken "); }}
            }}
        }}
        printf("\\n");
    }}
    return 0;
}}
"""


def integer_harness(name: str, own: str) -> str:
    """Reads lines "expand HEX" and "compress HEX"."""
    return f"""
#include "{name}.h"
{HEX}
int main(void)
{{
    static char line[8192];
    static uint8_t in[4096], out[4096];
    while (fgets(line, sizeof line, stdin)) {{
        const bool packs = line[0] == 'c';
        const size_t n = hex(line + (packs ? 9 : 7), in);
        size_t size = 0;
        const enum {name}_result found = packs ? {own}_compress(in, n, out, sizeof out, &size)
                                               : {own}_expand(in, n, out, sizeof out, &size);
        if (found != {name.upper()}_OK) {{ printf("refused"); }} else {{ show("", out, size); }}
        printf("\\n");
    }}
    return 0;
}}
"""


def built(folder: Path, plugin: Plugin, harness: str) -> Path:
    _, sources = written(plugin, folder / "out")
    main, program = folder / "main.c", folder / "program"
    main.write_text(harness)
    run(*GCC, "-I", str(folder / "out"), *map(str, sources), str(main), "-o", str(program))
    return program


def said(program: Path, lines: list[str]) -> list[str]:
    done = subprocess.run(
        [program], input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=60, check=True
    )
    return [line.strip() for line in done.stdout.splitlines()]


def mangled(chance: random.Random, values: list[bytes]) -> list[bytes]:
    """Values of which some are missing, doubled, cut short or changed."""
    out: list[bytes] = []
    for raw in values:
        fate = chance.random()
        changed = bytearray(raw or b"\0")
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
        out += [] if fate < 0.05 else [raw, raw] if fate < 0.1 else [raw[:-1]] if fate < 0.13 else [bytes(changed)] if fate < 0.2 else [raw]  # fmt: skip
    return out


@needs_program("gcc")
@pytest.mark.parametrize("case", STREAMS)
def test_streams_are_coded_cut_and_taken_as_here(tmp_path: Path, case: str) -> None:
    plugin = own_plugin(
        tmp_path,
        f"fields = []\n{STREAMS[case]}\n{INNER}" if "fields" not in STREAMS[case] else f"{STREAMS[case]}\n{INNER}",
    )
    step = plugin.characteristics["c"].step
    assert isinstance(step, Ended | Measured)
    program = built(tmp_path, plugin, stream_harness("own", "own_c"))
    chance = random.Random(case)
    alphabet = bytes([0, 0, 1, 2, 0x0A, 0x0D, 0xAA, 0xAA, 0xAB, 0xC0, 0xDB, 0xDC, 0xDD, 0xFF])
    whole = isinstance(step, Measured) and not step.across
    messages, coded, expected = [], [], []
    for _ in range(300):
        size = chance.choice([0, 1, 2, 3, 5, 17, step.largest - 1, step.largest, step.largest + 1, 253, 254, 255])
        message = chance.randbytes(size) if chance.random() < 0.5 else bytes(chance.choices(alphabet, k=size))
        try:
            head = step.length.bit // 8 + step.length.bits // 8 if isinstance(step, Measured) else 0
            if not head <= len(message) <= step.largest:
                raise EncodeError("no message of this step")
            values = step.pack(message, 2000, 0)
        except (EncodeError, OverflowError):
            values = []
        messages.append(f"code {message.hex()}")
        content = b"".join(found[2] for one in values if (found := step.split(one)) is not None)
        expected.append(content.hex() if values else "refused")
        coded += [(message, content)] if values else []
    told = said(program, messages)
    assert told == expected and 20 < expected.count("refused") < 280
    lines, cuts, sent, count = [], [], [], 0
    for message, content in coded:
        room = 2000 if whole else chance.choice([20, 50, 180])
        values = step.pack(message, room, count)
        count += len(values)
        lines.append(f"cut {room} {content.hex()}")
        cuts.append(" ".join(one.hex() for one in values))
        sent += values
    told = said(program, lines)
    assert told == cuts
    held, wholes, lines = Held(), [], []
    for number, raw in enumerate([*sent, *mangled(chance, sent)]):
        opened = Opened()
        step.take(held, number, 0, raw, opened)
        lines.append(f"take {raw.hex()}")
        wholes.append([message.raw.hex() for message in opened.messages])
    taken = [[one.removeprefix("whole:") for one in line.split() if one != "broken"] for line in said(program, lines)]
    assert taken == wholes and sum(map(len, wholes)) > 100


@needs_program("gcc")
@pytest.mark.parametrize("case", INTEGERS)
def test_packed_integers_are_laid_out_and_packed_as_here(tmp_path: Path, case: str) -> None:
    text = INTEGERS[case] if "fields" in INTEGERS[case] else f"fields = []\n{INTEGERS[case]}"
    plugin = own_plugin(tmp_path, f"{text}\n{INNER}")
    step = plugin.characteristics["c"].step
    assert isinstance(step, Integers)
    program = built(tmp_path, plugin, integer_harness("own", "own_c"))
    chance, head = random.Random(case), step.layout.head
    lines, expected, values = [], [], []
    for _ in range(400):
        scale = chance.choice([3, 30, 1000, 1 << 31])
        numbers = [chance.randrange(-scale, scale) for _ in range(chance.choice([0, 1, 2, 3, 7, 20]))]
        if chance.random() < 0.5:
            numbers = [abs(number) % (1 << 31) for number in numbers]
        message = chance.randbytes(head) + b"".join(one.to_bytes(4, "little", signed=True) for one in numbers)
        try:
            (value,) = step.pack(message, 2000, 0)
        except EncodeError:
            value = None
        lines.append(f"compress {message.hex()}")
        expected.append("refused" if value is None else value.hex())
        values += [value] if value is not None else []
    values += [chance.randbytes(chance.choice([0, 1, 2, 3, 6, 30])) for _ in range(300)]
    opened_all = 0
    for number, raw in enumerate([*values, *mangled(chance, values)]):
        opened = Opened()
        step.take(Held(), number, 0, raw, opened)
        lines.append(f"expand {raw.hex()}")
        expected.append(opened.messages[0].raw.hex() if opened.messages else "refused")
        opened_all += len(opened.messages)
    assert said(program, lines) == expected and opened_all > 100


@needs_program("gcc")
def test_no_room_is_refused_and_nothing_is_written_beyond_it(tmp_path: Path) -> None:
    """The sanitizer would tell."""
    plugin = own_plugin(tmp_path, f"fields = []\n{STREAMS['slip']}\n{INNER}")
    main = """
#include "own.h"
#include <stdlib.h>
int main(void)
{
    const uint8_t message[5] = {0xC0, 1, 0xDB, 2, 0xC0};
    for (size_t room = 0; room < 9; room++) {
        uint8_t *out = malloc(room + 1);
        size_t length = 0;
        const enum own_result found = own_c_code(message, 5, out, room, &length);
        free(out);
        if (found != OWN_NO_ROOM || length != 0) { return 1; }
    }
    return 0;
}
"""
    run(str(built(tmp_path, plugin, main)))


TEXTS = {
    "comma": ("", 'separator = ","', b","),
    "wide": ('fields = [{ name = "n", type = "uint16", role = "sequence" }]\n', 'separator = " ; "', b" ; "),
    "beyond ascii": ("", 'separator = "→"', "→".encode()),
    "blank": ("", 'separator = " "', b" "),
    "json": ("", 'json_paths = ["t", "deep.er.x", "y", "deep.z", "what?? \\"so\\" é"]', b","),
}


def text_harness(scans: bool) -> str:
    """Reads lines "print HEX" and "scan HEX"."""
    scan = "own_c_scan(held, n, out, 600, &size)" if scans else "OWN_BROKEN"
    return f"""
#include "own.h"
{HEX}
#include <stdlib.h>
int main(void)
{{
    static char line[8192];
    static uint8_t in[4096];
    while (fgets(line, sizeof line, stdin)) {{
        const bool prints = line[0] == 'p';
        const size_t n = hex(line + (prints ? 6 : 5), in);
        size_t size = 0;
        uint8_t *held = (uint8_t *)malloc(n + 1);
        uint8_t *out = (uint8_t *)malloc(600);
        memcpy(held, in, n);
        const enum own_result found = prints ? own_c_print(held, n, out, 600, &size) : {scan};
        if (found != OWN_OK) {{ printf("refused"); }} else {{ show("", out, size); }}
        printf("\\n");
        if (prints && found == OWN_OK) {{
            size_t again = 0;
            if (size > 0 && own_c_print(held, n, out, size - 1u, &again) != OWN_NO_ROOM) {{ printf("wrong"); }}
        }}
        free(held);
        free(out);
    }}
    return 0;
}}
"""


def doubles(chance: random.Random) -> float:
    """Numbers as sensors tell them, and any that 64 bits can hold."""
    kind = chance.randrange(5)
    if kind == 0:
        return struct.unpack("<d", chance.randbytes(8))[0]
    if kind == 1:
        return chance.choice([math.nan, math.inf, -math.inf, 0.0, -0.0, 5e-324, 1.7976931348623157e308, 1e22, 1e23])
    return round(chance.uniform(-1000, 1000), chance.randrange(8))


@needs_program("gcc")
@pytest.mark.parametrize("case", TEXTS)
def test_text_is_written_and_read_as_here(tmp_path: Path, case: str) -> None:
    fields, how, between = TEXTS[case]
    reals = ", ".join(f'{{ name = "v{n}", type = "float64" }}' for n in range(5 if case == "json" else 3))
    head = '{ name = "n", type = "uint16" }, ' if fields else ""
    inner = f'[characteristic.inner]\nwithin = "c"\nfields = [{head}{reals}]\n'
    columns = "" if case == "json" else ", columns = 3"
    unpack = f'unpack = {{ by = "text", {how}{columns} }}\n'
    plugin = own_plugin(tmp_path, f"{fields or 'fields = []' + chr(10)}{unpack}{inner}")
    step = plugin.characteristics["c"].step
    assert isinstance(step, Text)
    program = built(tmp_path, plugin, text_harness(case != "json"))
    chance, size = random.Random(case), step.layout.head
    lines, expected, read = [], [], 0
    for _ in range(400):
        message = chance.randbytes(size) + struct.pack(f"<{step.count}d", *(doubles(chance) for _ in range(step.count)))
        (value,) = step.pack(message, 2000, 0)
        lines.append(f"print {message.hex()}")
        expected.append(value.hex())
        opened = Opened()
        step.take(Held(), 0, 0, value, opened)
        numbers = struct.unpack(f"<{step.count}d", message[size:])
        if case != "blank" or all(map(math.isfinite, numbers)):
            again = struct.unpack(f"<{step.count}d", opened.messages[0].raw[size:])
            assert all(a == b or (math.isnan(b) and not math.isfinite(a)) for a, b in zip(numbers, again, strict=True))
        if case == "json":
            json.loads(value[size:], parse_constant=lambda text: pytest.fail(text))
            continue
        parts = [str(doubles(chance)).encode() if chance.random() < 0.8 else chance.choice([b"", b" 7 ", b"1.", b".5", b".", b"+1e5", b"1e", b"-", b"\xc2\xa0 1", b"1" * 64, b"1" * 65, b"0x10", b"1_0"]) for _ in range(chance.choice([2, 3, 3, 3, 3, 4]))]  # fmt: skip
        raw = (
            chance.randbytes(size) + b" \r\n"[: chance.randrange(4)] + between.join(parts) + chance.choice([b"", b"\n"])
        )
        for one in (value, raw, *mangled(chance, [value])):
            opened = Opened()
            step.take(Held(), 0, 0, one, opened)
            lines.append(f"scan {one.hex()}")
            expected.append(opened.messages[0].raw.hex() if opened.messages else "refused")
            read += len(opened.messages)
    assert said(program, lines) == expected and (read > 400 or case == "json")


def test_reading_json_is_left_to_a_library_and_said_so(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, 'fields = []\nunpack = { by = "text", json_paths = ["t"] }\n[characteristic.inner]\nwithin = "c"\nfields = [{ name = "t", type = "float64" }]\n')  # fmt: skip
    written(plugin, tmp_path)
    assert "Reading JSON is left to a library of yours." in (tmp_path / "own.h").read_text()


@needs_program("gcc")
def test_a_value_that_is_none_ends_the_taking_of_messages(tmp_path: Path) -> None:
    """Whoever calls again until PIECE comes to an end, whatever the bytes."""
    plugin = own_plugin(tmp_path, f"{STREAMS['counted cobs']}\n{INNER}")
    main = """
#include "own.h"
#include <string.h>
int main(void)
{
    struct own_c_taking taking;
    memset(&taking, 0, sizeof taking);
    for (size_t length = 0; length < 9; length++) {
        const uint8_t in[9] = {1, 2, 3, 4, 5, 6, 7, 8, 9};
        size_t used = 0;
        unsigned calls = 0;
        while (own_c_take(&taking, in, length, &used) != OWN_PIECE) {
            if (++calls > 20) { return 1; }
        }
        if (calls != 1) { return 2; }
    }
    return 0;
}
"""
    run(str(built(tmp_path, plugin, main)))


@pytest.mark.parametrize(
    ("unpack", "told"),
    [
        ('unpack = { by = "length", length = "uint64", adds = 8 }', "uint8, uint16, uint24 or uint32"),
        ('unpack = { by = "pieces", more = "more" }', "which is not in every value"),
    ],
)
def test_what_c_and_python_could_read_differently_is_refused(tmp_path: Path, unpack: str, told: str) -> None:
    fields = '{ name = "flag", type = "uint8" }, { name = "more", type = "uint8", when = "flag == 1" }'
    with pytest.raises(ProblemsError, match=told):
        own_plugin(tmp_path, f"fields = [{fields}]\n{unpack}\n{INNER}")


def test_pieces_longer_than_they_may_be_or_more_than_they_can_be_numbered_are_refused(tmp_path: Path) -> None:
    marks = '{ name = "n", type = "uint4" }, { name = "last", type = "uint4" }, { name = "size", type = "uint32" }'
    unpack = 'unpack = { by = "pieces", number = "n", last = "last", length = "size", largest = 300 }'
    step = own_plugin(tmp_path, f"fields = [{marks}]\n{unpack}\n{INNER}").characteristics["c"].step
    assert step is not None
    with pytest.raises(EncodeError, match="more pieces than n can number"):
        step.pack(bytes(300), 20, 0)
    opened = Opened()
    step.take(Held(), 1, 0, bytes.fromhex("10 ffffffff aa"), opened)
    assert opened.faults == {1: "a message of 4294967295 bytes, longer than the 300 that it may have"}
