"""The project's own record of a byte stream: text, one frame a line, to be read and compared by people.

    # gattest capture 1
    # plugin: loan-crate
    # origin: invented
    2026-03-02T09:00:00.000Z crate-1 climate 0100 6e09 8813 cd8b01

Lines that begin with # are the header or remarks; a frame is its UTC time, node, channel and bytes in hex,
which may be spaced."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from gateway.errors import Problem, ProblemsError
from gateway.records import Frame

FIRST_LINE = "# gattest capture 1"
MAX_CAPTURE_BYTES = 64 << 20


def read_capture(path: Path) -> list[tuple[int, Frame]]:
    """The frames of a capture with their line numbers.

    Raises:
        ProblemsError: unreadable, of another format, or lines that are no frames, all of them.
    """
    try:
        if path.stat().st_size > MAX_CAPTURE_BYTES:
            raise ProblemsError([Problem(str(path), "", f"is larger than {MAX_CAPTURE_BYTES} bytes", "split it")])
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ProblemsError([Problem(str(path), "", f"can't be read: {error}", "a text file in UTF-8")]) from None
    if not lines or lines[0].strip() != FIRST_LINE:
        raise ProblemsError([Problem(str(path), "line 1", f"{lines[0][:40] if lines else ''!r}", f"{FIRST_LINE!r}")])
    frames: list[tuple[int, Frame]] = []
    problems: list[Problem] = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            moment, node, channel, *digits = line.split()
            frames.append((number, Frame(_utc_ns(moment), node, channel, bytes.fromhex("".join(digits)))))
        except ValueError as error:
            problems.append(
                Problem(
                    str(path),
                    f"line {number}",
                    f"{line[:60]!r}: {error}",
                    "time node channel bytes, as '2026-03-02T09:00:00Z crate-1 climate 0100'",
                )
            )
    if problems:
        raise ProblemsError(problems)
    return frames


def _utc_ns(text: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 UTC time with up to nine decimals."""
    whole, _, decimals = text.removesuffix("Z").partition(".")
    if not text.endswith("Z") or len(decimals) > 9 or (decimals and not decimals.isdigit()):
        raise ValueError("the time is not ISO 8601 UTC, ending in Z")
    seconds = int(datetime.fromisoformat(whole).replace(tzinfo=UTC).timestamp())
    return seconds * 1_000_000_000 + int(decimals.ljust(9, "0"))
