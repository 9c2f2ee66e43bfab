"""Encrypted values by the contract's C, held against the ``cryptography`` package and the steps here: byte for byte,
whatever the message, and whatever is changed on the way. AES for one block is that of the package, asked for by the
program as a chip's own would be."""

from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from gateway.plugin import Plugin
from gateway.plugin.unpack.model import Held, Opened
from gateway.plugin.unpack.sealed import Sealed
from tests.plugin.test_contract_steps import HEX, INNER, built
from tests.support import needs_program, own_plugin

COUNTER = '{ name = "counter", type = "uint16", role = "sequence" }'
KEPT = '{ name = "kept", type = "uint32" }'
CASES = {
    "ccm": (COUNTER, 'mode = "AES-CCM", tag = 4, nonce = ["0x0102030405060708090a0b", "counter"]', 16),
    "ccm, beside": (
        f"{COUNTER}, {KEPT}",
        'mode = "AES-CCM", tag = 8, nonce = ["counter", "0x0102030405"], associated = ["kept", "counter", "0x77"]',
        24,
    ),
    "ccm, a long code": (
        COUNTER,
        'mode = "AES-CCM", tag = 16, nonce = ["counter", "0x010203040506070809"], associated = ["counter"]',
        32,
    ),
    "gcm": (COUNTER, 'mode = "AES-GCM", nonce = ["counter", "0x01020304050607080910"]', 16),
    "gcm, a short nonce and tag": (
        f"{KEPT}, {COUNTER}",
        'mode = "AES-GCM", tag = 12, nonce = ["0x010203040506", "counter"], associated = ["kept"]',
        32,
    ),
    "gcm, a long nonce": (
        f"{KEPT}, {COUNTER}",
        'mode = "AES-GCM", nonce = ["counter", "0x0102030405060708090a0b0c0d0e0f1011"], associated = ["kept", "kept", "kept", "kept", "kept"]',
        16,
    ),
    "ctr": (COUNTER, 'mode = "AES-CTR", nonce = ["0x01ffffffffffffffffffffffffff", "counter"]', 16),
    "ctr, its counter at the end": ("", 'mode = "AES-CTR", nonce = ["0xffffffffffffffffffffffffffffffff"]', 16),
}


def harness(counts: bool) -> str:
    """Reads lines "open HEX" and "seal NUMBER HEX", and asks for AES of a block with "block HEX"."""
    number = "(uint16_t)number" if counts else "0"
    set_counter = f"value.counter = {number};" if counts else "(void)number;"
    return f"""
#include "own.h"
{HEX}
#include <stdlib.h>
static void aes(const void *key, const uint8_t *in, uint8_t *out)
{{
    char line[64];
    (void)key;
    show("block ", in, 16);
    printf("\\n");
    fflush(stdout);
    if (fgets(line, sizeof line, stdin) == NULL) {{ exit(2); }}
    (void)hex(line, out);
}}
int main(void)
{{
    static char line[8192];
    static uint8_t in[4096];
    while (fgets(line, sizeof line, stdin)) {{
        unsigned number = 0;
        int at = 0;
        size_t size = 0;
        enum own_result found;
        if (sscanf(line, "seal %u %n", &number, &at) == 1) {{
            struct own_c value;
            const size_t length = hex(line + at, in);
            uint8_t *out = (uint8_t *)malloc(600);
            memset(&value, 0, sizeof value);
            {set_counter}
            found = own_c_seal(&value, in, length, aes, NULL, out, 600, &size);
            if (found == OWN_OK) {{ show("", out, size); }} else {{ printf("refused"); }}
            free(out);
        }} else {{
            const size_t length = hex(line + 5, in);
            uint8_t *held = (uint8_t *)malloc(length + 1); /* so that whatever is read or written beyond it is told */
            uint8_t *out = (uint8_t *)malloc(length + 1);
            memcpy(held, in, length);
            found = own_c_open(held, length, aes, NULL, out, length, &size);
            if (found == OWN_OK) {{ show("", out, size); }} else {{ printf("refused"); }}
            free(held);
            free(out);
        }}
        printf("\\n");
        fflush(stdout);
    }}
    return 0;
}}
"""


class Chip:
    """The program, and the AES that it asks for."""

    def __init__(self, process: subprocess.Popen[str], key: bytes) -> None:
        self._process = process
        self._aes = Cipher(algorithms.AES(key), modes.ECB()).encryptor()  # noqa: S305  one block, as a chip does it

    def said(self, line: str) -> str:
        assert self._process.stdin is not None and self._process.stdout is not None
        while True:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
            told = self._process.stdout.readline()
            assert told, "it has ended"
            if not told.startswith("block "):
                return told.strip()
            line = self._aes.update(bytes.fromhex(told.split()[1])).hex()


@contextmanager
def chip(program: Path, key: bytes) -> Iterator[Chip]:
    with subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield Chip(process, key)
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(20) == 0


def declared(folder: Path, case: str, key: bytes) -> tuple[Plugin, Sealed]:
    fields, how, _ = CASES[case]
    (folder / "key").write_text(key.hex())
    unpack = f'unpack = {{ by = "cipher", key_file = "{folder / "key"}", {how} }}'
    plugin = own_plugin(folder, f"fields = [{fields}]\n{unpack}\n{INNER}")
    step = plugin.characteristics["c"].step
    assert isinstance(step, Sealed)
    return plugin, step


@needs_program("gcc")
@pytest.mark.parametrize("case", CASES)
def test_values_are_encrypted_and_opened_as_here(tmp_path: Path, case: str) -> None:
    chance = random.Random(case)
    key = chance.randbytes(CASES[case][2])
    plugin, step = declared(tmp_path, case, key)
    refused = 0
    with chip(built(tmp_path, plugin, harness(bool(CASES[case][0]))), key) as own:
        for number in range(60):
            message = chance.randbytes(chance.choice([0, 1, 15, 16, 17, 32, 100, 300]))
            (value,) = step.pack(message, 500, number)
            assert own.said(f"seal {number} {message.hex()}") == value.hex()
            assert own.said(f"open {value.hex()}") == message.hex()
            changed = bytearray(value or b"\0")
            changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
            for raw in (bytes(changed), value[: chance.randrange(len(value) + 1)]):
                opened = Opened()
                step.take(Held(), number, 0, raw, opened)
                expected = opened.messages[0].raw.hex() if opened.messages else "refused"
                refused += expected == "refused"
                assert own.said(f"open {raw.hex()}") == expected
    assert refused > 10 or case == "ctr, its counter at the end"  # of which any bytes are a value


@needs_program("gcc")
def test_a_chip_makes_what_rfc_3610_and_the_gcm_paper_print(tmp_path: Path) -> None:
    """RFC 3610, 8, packet vector 1; McGrew and Viega, The Galois/Counter Mode of Operation, test cases 2 and 6."""
    ccm = 'mode = "AES-CCM", tag = 8, nonce = ["0x00000003020100a0a1a2a3a4a5"], associated = ["0x0001020304050607"]'
    given = bytes(range(8, 31)).hex()
    printed = "588c979a61c663d2f066d0c2c0f989806d5f6b61dac38417e8d12cfdf926e0"
    assert _sealed(tmp_path / "ccm", ccm, "c0c1c2c3c4c5c6c7c8c9cacbcccdcecf", given) == printed
    gcm = 'mode = "AES-GCM", nonce = ["0x000000000000000000000000"]'
    printed = "0388dace60b6a392f328c2b971b2fe78ab6e47d42cec13bdf53a67b21257bddf"
    assert _sealed(tmp_path / "gcm", gcm, "00" * 16, "00" * 16) == printed
    long = (
        'mode = "AES-GCM", nonce = ["0x9313225df88406e555909c5aff5269aa6a7a9538534f7da1e4c303d2a318a728c3c0c95156809539'
        'fcf0e2429a6b525416aedbf5a0de6a57a637b39b"], associated = ["0xfeedfacedeadbeeffeedfacedeadbeefabaddad2"]'
    )
    given = (
        "d9313225f88406e5a55909c5aff5269a86a7a9531534f7da2e4c303d8a318a721c3c0c95956809532fcf0e2449a6b525"
        "b16aedf5aa0de657ba637b39"
    )
    printed = (
        "8ce24998625615b603a033aca13fb894be9112a5c3a211a8ba262a3cca7e2ca701e4a9a4fba43c90ccdcb281d48c7c6fd62875d2aca417034c34aee5"
        "619cc5aefffe0bfa462af43c1699d050"
    )
    assert _sealed(tmp_path / "long", long, "feffe9928665731c6d6a8f9467308308", given) == printed


def _sealed(folder: Path, how: str, key: str, message: str) -> str:
    folder.mkdir()
    CASES["vector"] = ("", how, 16)
    plugin, _ = declared(folder, "vector", bytes.fromhex(key))
    del CASES["vector"]
    with chip(built(folder, plugin, harness(counts=False)), bytes.fromhex(key)) as own:
        return own.said(f"seal 0 {message}")
