"""Times as people and files write them: ISO 8601 UTC, from and to nanoseconds since 1970; and lengths of time."""

from __future__ import annotations

import math
from datetime import UTC, datetime

LATEST_NS = (1 << 63) - 1
_FULL = len("2026-03-02T09:00:00.000000000Z")
_seconds: tuple[str, int] = ("", 0)  # the whole second read last: most records share it with their neighbours


def utc_ns(text: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 UTC time with up to nine decimals.

    Raises:
        ValueError: it is none.
    """
    global _seconds
    if len(text) == _FULL and text[:19] == _seconds[0] and text[19::10] == ".Z" and text[20:29].isdecimal():
        return _seconds[1] * 1_000_000_000 + int(text[20:29])
    whole, _, decimals = text.removesuffix("Z").partition(".")
    if text[-1:] != "Z" or len(decimals) > 9 or (decimals and not (decimals.isascii() and decimals.isdigit())):
        raise ValueError("the time is not ISO 8601 UTC, ending in Z")
    known, seconds = _seconds
    if whole != known:
        seconds = int(datetime.fromisoformat(whole).replace(tzinfo=UTC).timestamp())
        _seconds = (whole, seconds)
    t_ns = seconds * 1_000_000_000 + (int(decimals.ljust(9, "0")) if decimals else 0)
    if not -LATEST_NS <= t_ns <= LATEST_NS:
        raise ValueError("the time is out of range for 64-bit nanoseconds")
    return t_ns


def utc_text(t_ns: int) -> str:
    """ISO 8601 UTC with all nine decimals."""
    seconds, rest = divmod(t_ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def duration_text(seconds: float) -> str:
    """A length of time for people: ``2 min 0.5 s``, ``3 days 4 h``, ``250 ms``; exact to the millisecond."""
    if not math.isfinite(seconds):
        return str(seconds)
    if 0 < abs(seconds) < 1:
        return f"{seconds * 1e3:.6g} ms"
    rest = abs(seconds)
    parts = []
    for size, unit in ((86_400, "day"), (3600, "h"), (60, "min")):
        count, rest = divmod(round(rest, 3), size)
        if count:
            parts.append(f"{count:.0f} {unit}{'s' if unit == 'day' and count != 1 else ''}")
    rest = round(rest, 3)
    if rest or not parts:
        parts.append(f"{rest:g} s" if rest else "0 s")
    return ("-" if seconds < 0 else "") + " ".join(parts)
