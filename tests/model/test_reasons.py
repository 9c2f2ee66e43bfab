"""The reasons of a lost link against two readings of the Core Specification, Vol 1, Part F, 1.3, that we did not
make: the names that tshark prints, and bumble's constants."""

from __future__ import annotations

import re
import subprocess

import pytest
from bumble.hci import HCI_Constant

from gateway.model.reasons import REASONS, reason_text
from tests.support import needs_program


def words(text: str) -> set[str]:
    """The words of a name, without those that the two readings add or leave out."""
    return set(re.findall(r"[a-z]+", text.lower())) - {"error", "ll", "lmp", "or"}


@pytest.mark.parametrize("code", REASONS, ids=lambda code: f"0x{code:02X}")
def test_a_reason_has_the_name_that_bumble_gives_it(code: int) -> None:
    assert words(reason_text(code)) == words(HCI_Constant.error_name(code))


@needs_program("tshark")
def test_every_reason_has_the_name_that_tshark_prints() -> None:
    listed = subprocess.run(["tshark", "-G", "values"], capture_output=True, text=True, check=True).stdout
    rows = [line.split("\t") for line in listed.splitlines() if line.startswith("V\tbthci_evt.status\t")]
    names = {int(row[2], 0): row[3] for row in rows}
    assert {code: words(reason_text(code)) for code in REASONS} == {code: words(names[code]) for code in REASONS}


def test_a_code_without_a_meaning_for_a_link_shows_its_number() -> None:
    assert reason_text(0xEE) == "error code 0xEE"
