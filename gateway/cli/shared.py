"""What the commands share: output that survives a closed pipe, verdicts on the console, exit codes."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from gateway.model.errors import GattestError, InputError

if TYPE_CHECKING:
    from rich.console import Console

    from gateway.model.records import Outcome, Verdict

NOBODY = "nobody reads the output any more"
WIDTH_OF_FILES = 100  # columns where the output is no terminal
EXIT_PASS, EXIT_FAIL, EXIT_INPUT, EXIT_INCONCLUSIVE, EXIT_BROKEN_OFF = 0, 1, 2, 3, 130


class RadioName(StrEnum):
    """The radios a run can use."""

    system = "system"
    virtual = "virtual"


def say(text: object) -> None:
    """Print a line; click takes a closed pipe for a failed test, so it is told otherwise here."""
    try:
        print(text, flush=True)  # noqa: T201
    except BrokenPipeError:
        raise GattestError(NOBODY) from None


def console_of() -> Console:
    from rich.console import Console

    class OpenConsole(Console):
        """A console that says when its pipe is gone, instead of ending the process."""

        def on_broken_pipe(self) -> None:
            raise GattestError(NOBODY)

    sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]  # terminals that know few letters
    return OpenConsole(highlight=False, markup=False, width=None if sys.stdout.isatty() else WIDTH_OF_FILES)


def show_verdicts(verdicts: Sequence[Verdict], console: Console) -> Outcome:
    from gateway.analysis.judge import overall
    from gateway.model.records import Outcome
    from gateway.report.tables import outcome_text, verdict_table

    if not verdicts:
        console.print("The spec requires nothing of the nodes of this run, so nothing can pass.", soft_wrap=True)
        return Outcome.INCONCLUSIVE
    console.print(verdict_table(verdicts))
    console.print()
    for verdict in verdicts:
        if verdict.why and verdict.outcome is not Outcome.PASS:
            m = verdict.measure
            console.print(f"{m.node} {m.subject} {m.name}: {verdict.why}", soft_wrap=True)
    for node in dict.fromkeys(verdict.measure.node for verdict in verdicts):
        own = [verdict for verdict in verdicts if verdict.measure.node == node]
        met = sum(verdict.outcome is Outcome.PASS for verdict in own)
        console.print(f"{node}: {met} of {len(own)} requirements met: ", outcome_text(overall(own)), sep="")
    return overall(verdicts)


def exit_code(outcome: Outcome) -> int:
    from gateway.model.records import Outcome

    return {Outcome.PASS: EXIT_PASS, Outcome.FAIL: EXIT_FAIL, Outcome.INCONCLUSIVE: EXIT_INCONCLUSIVE}[outcome]


def show_troubles(lines: Iterable[str], console: Console) -> None:
    """What could not be read or kept, a line each."""
    for line in lines:
        console.print(f"left out: {line}", soft_wrap=True, markup=False)


def span_ns(since: str | None, until: str | None, started_ns: int) -> tuple[int | None, int | None]:
    """The two times that bound a part of a run, nanoseconds UTC; None for no bound.

    Raises:
        InputError: one is no time, or they stand the wrong way round.
    """
    first = _moment_ns(since, started_ns) if since else None
    last = _moment_ns(until, started_ns) if until else None
    if first is not None and last is not None and first > last:
        raise InputError(f"--since {since!r} is later than --until {until!r}; nothing lies between them")
    return first, last


def make_folder(path: Path, option: str) -> None:
    """See that a folder is there.

    Raises:
        InputError: it can't be.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path} can't be used as a folder: {error.strerror}; give another with {option}") from None


def _moment_ns(text: str, started_ns: int) -> int:
    """A UTC time, or a time since the run's start, as nanoseconds UTC."""
    from gateway.model.errors import UnitError
    from gateway.model.units import parse_duration_ns
    from gateway.model.utc import utc_ns

    try:
        return utc_ns(text)
    except ValueError:
        pass
    try:
        return started_ns + parse_duration_ns(text)
    except UnitError:
        raise InputError(
            f"{text!r} is no time; write '2026-03-02T09:00:00Z', or '5 min' for that long after the run's start"
        ) from None


def duration_ns(option: str, text: str) -> int:
    """A duration that an option gives, nanoseconds.

    Raises:
        InputError: it is none.
    """
    from gateway.model.errors import UnitError
    from gateway.model.units import parse_duration_ns

    try:
        return parse_duration_ns(text)
    except UnitError as error:
        raise InputError(f"{option} {text!r}: {error}; write a time such as '20 s' or '72 h'") from None


def refuse_same(output: Path, *inputs: Path) -> None:
    """See that an output does not take the place of what it is made from.

    Raises:
        InputError: it would.
    """
    for source in inputs:
        if output.exists() and source.exists() and output.samefile(source):
            raise InputError(f"{output} is what is read; give another file for the output")


def file_name(text: str) -> str:
    """What stands for a name or an address in the name of a file."""
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in text).strip(".") or "node"


def write_file(path: Path, content: str | bytes) -> None:
    """Write a file at once; text as UTF-8.

    Raises:
        InputError: it can't be written.
    """
    try:
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    except OSError as error:
        raise InputError(f"{path} can't be written: {error.strerror}; check the folder") from None
