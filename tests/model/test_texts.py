"""Text from the air steers no terminal, hides nothing, and is no formula of a spreadsheet."""

from __future__ import annotations

import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table

from gateway.cli.shared import console_of
from gateway.model.texts import in_a_cell, shown


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("CRATE-1", "CRATE-1"),
        ("ä 温度 °C", "ä 温度 °C"),
        ("\x1b[31mred", "\\u001b[31mred"),
        ("\x9b2J", "\\u009b2J"),
        ("safe\u202egnp.exe", "safe\\u202egnp.exe"),
        ("a\u200bb\u2066c\u2069", "a\\u200bb\\u2066c\\u2069"),
        ("bell\x07 back\x08\r", "bell\\u0007 back\\u0008\\u000d"),
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
    ],
)
def test_what_steers_is_shown_as_its_number(text: str, expected: str) -> None:
    assert shown(text) == expected


@given(st.text())
def test_nothing_is_left_that_steers_and_json_reads_what_it_was(text: str) -> None:
    safe = shown(json.dumps(text, ensure_ascii=False))
    assert json.loads(safe) == text
    assert not any(ord(letter) < 32 or 0x7F <= ord(letter) < 0xA0 for letter in safe if letter not in "\n\t")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\tx"])
def test_a_text_that_is_a_formula_gets_an_apostrophe(text: str) -> None:
    assert in_a_cell(text) == f"'{text}" and in_a_cell("plain") == "plain"


def test_what_the_console_shows_has_no_escape_of_the_nodes_own(capsys: pytest.CaptureFixture[str]) -> None:
    table = Table("name")
    table.add_row("N\x1b]0;evil\x07")
    console = console_of()
    console.file = io.StringIO()
    console.print(table)
    console.print("plain \x1b[2J")
    told = console.file.getvalue()
    assert "\x1b" not in told and "\x07" not in told
    assert "\\u001b]" in told and "\\u001b[2J" in told
