"""Lengths of time as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.utc import duration_text

SIZES = {"days": 86_400, "day": 86_400, "h": 3600, "min": 60, "s": 1, "ms": 1e-3}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.25, "250 ms"),
        (1, "1 s"),
        (59.9999, "1 min"),
        (120.5, "2 min 0.5 s"),
        (3600, "1 h"),
        (90_061.5, "1 day 1 h 1 min 1.5 s"),
        (259_200, "3 days"),
        (-90, "-1 min 30 s"),
        (float("inf"), "inf"),
    ],
)
def test_a_length_of_time_reads_as_people_write_it(seconds: float, text: str) -> None:
    assert duration_text(seconds) == text


@given(st.integers(0, 10**9))
def test_a_length_of_time_loses_no_millisecond(ms: int) -> None:
    words = duration_text(ms / 1000).split()
    total = sum(float(number) * SIZES[unit] for number, unit in zip(words[::2], words[1::2], strict=True))
    assert round(total * 1000) == ms
