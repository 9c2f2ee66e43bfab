"""TOML of anybody's is read in bounded time and memory."""

from __future__ import annotations

import time
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.host.toml import parse_toml
from gateway.model.errors import ProblemsError


@pytest.mark.parametrize(
    "text",
    [
        "x" + ".a" * 60_000 + "=1",
        "[" + "a." * 40_000 + "a]",
        "x={" + "a . " * 40_000 + "a=1}",
        'x."a"' + ".'b'" * 20 + "=1",
    ],
    ids=["dotted key", "table", "inline table", "quoted parts"],
)
def test_a_key_of_very_many_parts_is_refused_before_it_is_parsed(text: str) -> None:
    """The parser's time and memory grow with the square of the parts: 120 kB took 6 GB."""
    begun = time.monotonic()
    with pytest.raises(ProblemsError, match="a key of more than 16 parts in line 1"):
        parse_toml(text, "here")
    assert time.monotonic() - begun < 1


@pytest.mark.parametrize("text", ['"' + '\\"' * 400_000, "'" * 900_000, '"""' + '"' * 300_000, "x=" + "[" * 50_000])
def test_what_has_no_end_is_refused_in_good_time(text: str) -> None:
    begun = time.monotonic()
    with pytest.raises(ProblemsError, match="is not TOML"):
        parse_toml(text, "here")
    assert time.monotonic() - begun < 5


def test_dots_inside_texts_numbers_and_comments_are_no_keys() -> None:
    dots = ".".join("abcdefghijklmnopqrstuvwxyz")
    text = f'# {dots}\nx = "{dots}"\ny = \'{dots}\'\nz = """\n{dots}\n"""\nn = [{", ".join(["1.5"] * 40)}]\n'
    assert parse_toml(text, "here")["x"] == dots


@given(st.text(alphabet="ab.=\"'#[]{}\n\\ 1,", max_size=60))
def test_what_is_read_is_what_the_library_reads(text: str) -> None:
    try:
        wanted = tomllib.loads(text)
    except ValueError:
        with pytest.raises(ProblemsError):
            parse_toml(text, "here")
    else:
        assert parse_toml(text, "here") == wanted
