"""Encrypted links: opened with the key that is given, and told apart from what no key opens."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from bumble import crypto

from gateway.capture.cipher import LinkCipher, read_keys
from gateway.capture.discovery import tables_in
from gateway.capture.record import Trouble
from gateway.capture.summary import capture_contents
from gateway.model.errors import InputError
from tests.cli.test_cli import gattest

REAL = Path(__file__).parents[1] / "truth" / "le_discovery_and_pairing.pcap"

# Core Specification, Vol 6, Part C, 1: encryption sample data; from memory, and each packet's MIC confirms it
LTK = bytes.fromhex("4C68384139F574D836BCF34E9DFB01BF")
REQUEST = "03 9078563412efcdab 7424 1302f1e0dfcebdac 24abdcba"
RESPONSE = "04 7968574635241302 bebaafde"
PACKETS = [
    (0, 0x0F, "9fcda7f448", b"\x06"),  # LL_START_ENC_RSP of the central
    (1, 0x07, "a34c13a415", b"\x06"),
    (0, 0x0E, "7a70d66415226df26b17839a060405596bd6564f796b5b9ce6ff32f75a6d33", b"\x17\x00cdefghijklmnopq1234567890"),
    (1, 0x06, "f38881e7bd94c9c369b9a66846dd4786aa8c39ce540d0dae3adcdf89b96088", b"\x17\x0076543210ABCDEFGHIJKLMNOPQ"),
]


def agreed(*keys: bytes) -> LinkCipher:
    """A link whose sides have agreed as in the sample data."""
    cipher = LinkCipher(keys)
    cipher.requested(bytes.fromhex(REQUEST))
    cipher.responded(bytes.fromhex(RESPONSE))
    return cipher


@pytest.mark.parametrize("keys", [(LTK,), (LTK[::-1],), (bytes(16), LTK)], ids=["as printed", "reversed", "second"])
def test_the_sample_data_of_the_core_specification_opens(keys: tuple[bytes, ...]) -> None:
    cipher = agreed(*keys)
    for sender, header, packet, clear in PACKETS:
        assert cipher.open(sender, header, bytes.fromhex(packet)) == clear


def test_what_changes_when_a_packet_is_sent_again_does_not_matter() -> None:
    sender, header, packet, clear = PACKETS[0]
    assert agreed(LTK).open(sender, header ^ 0x1C, bytes.fromhex(packet)) == clear


def test_packets_that_the_recorder_missed_are_passed_over() -> None:
    sender, header, packet, clear = PACKETS[3]
    assert agreed(LTK).open(sender, header, bytes.fromhex(packet)) == clear


@pytest.mark.parametrize("keys", [(), (bytes(16),)], ids=["none", "another"])
def test_without_the_key_nothing_opens(keys: tuple[bytes, ...]) -> None:
    cipher = agreed(*keys)
    for sender, header, packet, _ in PACKETS * 40:
        assert cipher.open(sender, header, bytes.fromhex(packet)) is None


def test_a_damaged_packet_does_not_open_and_the_next_one_does() -> None:
    cipher = agreed(LTK)
    sender, header, packet, clear = PACKETS[0]
    assert cipher.open(sender, header, bytes.fromhex(packet)[:-1] + b"\0") is None
    assert cipher.open(sender, header, bytes.fromhex(packet)) == clear


def stk() -> bytes:
    """The short term key of a capture that others made: its sides paired with the passkey 000000 (LE legacy pairing),
    so that the key follows from the random values that they exchanged in clear, in packets 1275 and 1278."""
    central, peripheral = "ab9444c5b44c45feaf737f7fdc653cba", "4a19a7766178bda874b138a4bc519432"
    return crypto.s1(bytes(16), bytes.fromhex(peripheral), bytes.fromhex(central))


def test_the_encrypted_part_of_a_real_capture_opens() -> None:
    closed = capture_contents(REAL)
    assert any(line.startswith("81 x encrypted packet") for line in closed.skipped)
    opened = capture_contents(REAL, (stk(),))
    assert not any("encrypted" in line for line in opened.skipped)
    updates = [
        sum("link parameters: connection interval 45 ms" in line for peer in found.peers for line in peer.events)
        for found in (closed, opened)
    ]
    assert updates[1] > updates[0]  # there is one more inside the encrypted part


def test_a_table_that_is_discovered_again_with_packets_missing_loses_nothing() -> None:
    """Inside the encrypted part of the capture, whose recorder missed some responses."""
    for closed, opened in zip(tables_in(REAL, Trouble()), tables_in(REAL, Trouble(), (stk(),)), strict=True):
        before, after = ({(c.handle, c.uuid) for _, c in table.characteristics} for table in (closed, opened))
        assert before <= after and len(before) == 23


def test_a_key_comes_from_a_file_and_is_never_shown(tmp_path: Path) -> None:
    keys = tmp_path / "keys"
    keys.write_text(f"# of our own node\n{stk().hex()}  # board 3\n\n")
    assert read_keys(keys) == (stk(),)
    shown = gattest("show", str(REAL), "--ltk", str(keys), cwd=tmp_path)
    assert shown.returncode == 0 and "encrypted packet" not in shown.stdout
    closed = gattest("audit", str(REAL), cwd=tmp_path)
    audited = gattest("audit", str(REAL), "--ltk", str(keys), cwd=tmp_path)
    assert "81 x encrypted packet" in closed.stdout and "encrypted packet" not in audited.stdout
    assert audited.returncode == closed.returncode and audited.stdout.splitlines()[0] == closed.stdout.splitlines()[0]
    for one in (shown, audited):
        assert stk().hex() not in one.stdout + one.stderr


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no key"),
        ("00112233", "line 1: 8 characters"),
        ("x" * 32, "line 1: characters that are no hex digits"),
    ],
)
def test_a_file_without_a_key_says_what_is_expected(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "keys").write_text(text)
    with pytest.raises(InputError, match=re.escape(told)) as error:
        read_keys(tmp_path / "keys")
    assert "32 hex digits" in str(error.value) and (not text or text not in str(error.value))
