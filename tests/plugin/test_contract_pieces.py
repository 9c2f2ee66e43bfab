"""Messages in pieces by the contract's C, held against the step that joins and cuts them here: byte for byte, whatever the
message, the room and what is lost on the way."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from gateway.plugin import Plugin, find_plugin
from gateway.plugin.unpack.model import Held, Opened
from gateway.plugin.unpack.pieces import Pieces
from tests.plugin.test_contract import GCC, run, written
from tests.support import needs_program, own_plugin

COUNTED = """
fields = [
  { name = "total", type = "uint16" },
  { name = "count", type = "uint8", role = "sequence" },
  { name = "part",  type = "uint4" },
  { name = "more",  type = "boolean" },
  { rfu = 3 },
]
check = { crc = "CRC-8/SMBUS" }
unpack = { by = "pieces", more = "more", number = "part", length = "total", largest = 200 }

[characteristic.inner]
within = "c"
fields = [{ name = "text", type = "utf8s" }]
"""


def harness(name: str, own: str) -> str:
    """Reads lines "cut ROOM HEX" and "join HEX", and writes what comes of them."""
    return f"""
#include "{name}.h"
#include <stdio.h>
#include <string.h>
static size_t hex(const char *text, uint8_t *out)
{{
    size_t n = 0;
    unsigned byte;
    while (sscanf(text + 2 * n, "%2x", &byte) == 1) {{ out[n++] = (uint8_t)byte; }}
    return n;
}}
int main(void)
{{
    static char line[4096];
    static uint8_t in[2048], out[2048];
    static struct {own}_cutting cutting;
    static struct {own}_joining joining;
    while (fgets(line, sizeof line, stdin)) {{
        unsigned room = 0;
        int at = 0;
        if (sscanf(line, "cut %u %n", &room, &at) == 1) {{
            const size_t size = hex(line + at, in);
            cutting.sent = 0;
            cutting.pieces = 0;
            cutting.done = false;
            while (!cutting.done) {{
                size_t length = 0;
                if ({own}_cut(&cutting, in, size, out, room, &length) != {name.upper()}_OK) {{ printf("refused "); break; }}
                for (size_t i = 0; i < length; i++) {{ printf("%02x", out[i]); }}
                printf(" ");
            }}
            printf("\\n");
            continue;
        }}
        const size_t n = hex(line + 5, in);
        const enum {name}_result found = {own}_join(&joining, in, n);
        if (found == {name.upper()}_OK) {{
            printf("whole ");
            for (size_t i = 0; i < joining.size; i++) {{ printf("%02x", joining.bytes[i]); }}
            printf("\\n");
        }} else {{
            printf("%s\\n", found == {name.upper()}_PIECE ? "piece" : "no");
        }}
    }}
    return 0;
}}
"""


@pytest.fixture(params=["journal", "counted"])
def plugin(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Plugin, str]:
    if request.param == "journal":
        return find_plugin("crate-journal"), "parcel"
    return own_plugin(tmp_path, COUNTED), "c"


@needs_program("gcc")
def test_pieces_are_cut_and_joined_as_here(plugin: tuple[Plugin, str], tmp_path: Path) -> None:
    made, channel = plugin
    name, sources = written(made, tmp_path / "out")
    own, step = f"{name}_{channel}", made.characteristics[channel].step
    assert isinstance(step, Pieces)
    (tmp_path / "out" / "main.c").write_text(harness(name, own))
    program = tmp_path / "program"
    run(*GCC, "-I", str(tmp_path / "out"), *map(str, sources), str(tmp_path / "out" / "main.c"), "-o", str(program))
    chance = random.Random(1)
    lines, expected, values, count = [], [], [], 0
    for _ in range(300):
        room, message = chance.choice([20, 50, 180]), chance.randbytes(chance.choice([0, 1, 15, 40, 199]))
        pieces = step.pack(message, room, count)
        count += len(pieces)
        lines.append(f"cut {room} {message.hex()}")
        expected.append("".join(f"{one.hex()} " for one in pieces))
        values += pieces
    held, wholes = Held(), []
    for number, raw in enumerate(values):
        fate = chance.random()
        for one in [] if fate < 0.05 else [raw, raw] if fate < 0.1 else [raw[:-1]] if fate < 0.12 else [raw]:
            opened = Opened()
            step.take(held, number, 0, one, opened)
            lines.append(f"join {one.hex()}")
            wholes += [message.raw.hex() for message in opened.messages]
    done = subprocess.run(
        [program], input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=60, check=True
    )
    told = done.stdout.splitlines()
    for got, wanted in zip(told, expected, strict=False):
        assert got.split() == wanted.split()
    joined = [line.removeprefix("whole ").strip() for line in told[300:] if line.startswith("whole")]
    assert joined == wholes and len(wholes) > 100


@needs_program("gcc")
def test_a_message_that_is_too_long_or_has_no_room_is_refused(tmp_path: Path) -> None:
    made = find_plugin("crate-journal")
    name, sources = written(made, tmp_path / "out")
    (tmp_path / "out" / "main.c").write_text(harness(name, f"{name}_parcel"))
    program = tmp_path / "program"
    run(*GCC, "-I", str(tmp_path / "out"), *map(str, sources), str(tmp_path / "out" / "main.c"), "-o", str(program))
    lines = [f"cut 20 {bytes(301).hex()}", "cut 1 aa", "cut 0 aa"]
    done = subprocess.run(
        [program], input="\n".join(lines) + "\n", capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.split() == ["refused"] * 3
