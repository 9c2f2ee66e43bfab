"""What the commands share: output that survives a closed pipe, verdicts on the console, exit codes, times and
options."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.model.errors import InputError, OutputClosedError, UnitError
from gateway.model.radios import RadioName
from gateway.model.records import Outcome, overall
from gateway.model.texts import shown

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.table import Table

    from gateway.config import Faults as SimulatedFaults
    from gateway.model.records import Verdict

WIDTH_OF_FILES = 100  # columns where the output is no terminal
EXIT_PASS, EXIT_FAIL, EXIT_INPUT, EXIT_INCONCLUSIVE, EXIT_INTERRUPTED, EXIT_PIPE = 0, 1, 2, 3, 130, 141
LIST = "list"  # in place of a name: list them

Run = Annotated[int | None, typer.Option("--run", min=1, help="Which run; the newest by default.")]
OnlyNodes = Annotated[list[str] | None, typer.Option("--node", help="Only this node; may be repeated.")]
OnlyChannels = Annotated[list[str] | None, typer.Option("--channel", help="Only this channel; may be repeated.")]
Since = Annotated[str | None, typer.Option("--since", help="Start: UTC time, or time into the run such as '5 min'.")]
Until = Annotated[str | None, typer.Option("--until", help="End, given like --since.")]
Junit = Annotated[Path | None, typer.Option("--junit", help="Also write JUnit XML, for a CI server.")]
Ltk = Annotated[
    Path | None, typer.Option(help="File of long term keys, 32 hex digits on a line, for encrypted links of a capture.")
]
Faults = Annotated[
    list[str] | None,
    typer.Option("--fault", help="Firmware fault of simulated nodes; may be repeated; list shows them all."),
]
Force = Annotated[bool, typer.Option("--force", help="Overwrite files that exist.")]
JUNIT_MARK = b"<testsuites"


def say(text: object) -> None:
    """Print a line; click takes a closed pipe for a failed test, so it is told otherwise here."""
    try:
        print(shown(str(text)), flush=True)  # noqa: T201
    except BrokenPipeError:
        raise OutputClosedError from None


def report_problem(text: object) -> None:
    """Print a line for people beside the output of a script."""
    print(shown(f"gattest: {text}"), file=sys.stderr)  # noqa: T201


def console_of() -> Console:
    from rich.console import Console
    from rich.segment import Segment

    class OpenConsole(Console):
        """A console that says when its pipe is gone, instead of ending the process, and shows what would steer a
        terminal as text."""

        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterator[Segment]:
            for segment in super().render(renderable, options):
                yield segment if segment.control else Segment(shown(segment.text), segment.style)

        def on_broken_pipe(self) -> None:
            raise OutputClosedError

    sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]  # terminals that know few letters
    return OpenConsole(highlight=False, markup=False, width=None if sys.stdout.isatty() else WIDTH_OF_FILES)


def plain_table() -> Table:
    """A table without lines, to which columns and rows are added."""
    from rich.table import Table

    return Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")


def show_verdicts(verdicts: Sequence[Verdict], console: Console) -> None:
    from gateway.report.tables import outcome_text, verdict_table

    if not verdicts:
        console.print("The spec has no requirements for the nodes of this run, so nothing can pass.", soft_wrap=True)
        return
    console.print(verdict_table(verdicts))
    console.print()
    for verdict in verdicts:
        if verdict.why and verdict.outcome is not Outcome.PASS:
            m = verdict.measure
            console.print(f"{m.node} {m.subject} {m.name}: {verdict.why}", soft_wrap=True)
    for node in dict.fromkeys(verdict.measure.node for verdict in verdicts):
        outcomes = [verdict.outcome for verdict in verdicts if verdict.measure.node == node]
        met = sum(outcome is Outcome.PASS for outcome in outcomes)
        console.print(f"{node}: {met} of {len(outcomes)} requirements met: ", outcome_text(overall(outcomes)), sep="")


def exit_with(outcome: Outcome) -> typer.Exit:
    """The end of a command whose verdict this is."""
    codes = {Outcome.PASS: EXIT_PASS, Outcome.FAIL: EXIT_FAIL, Outcome.INCONCLUSIVE: EXIT_INCONCLUSIVE}
    return typer.Exit(codes[outcome])


def show_skipped(lines: Iterable[str], console: Console) -> None:
    """What could not be read or kept, a line each."""
    for line in lines:
        console.print(f"skipped: {line}", soft_wrap=True, markup=False)


def write_junit(path: Path | None, text: Callable[[], str], *inputs: Path) -> None:
    """Write JUnit XML where it was asked for; one that was written before is replaced.

    Raises:
        InputError: it can't be written, or another file is there.
    """
    from gateway.host.files import refuse_existing, refuse_same, write_file

    if path is not None:
        refuse_same(path, *inputs)
        refuse_existing(path, False, JUNIT_MARK)
        write_file(path, text())


def span_of(since: str | None, until: str | None) -> Callable[[int], tuple[int | None, int | None]]:
    """The two times that bound a part of a run, given its start; nanoseconds UTC, None for no bound.

    Raises:
        InputError: one is no time, or they stand the wrong way round.
    """

    def bounds(started_ns: int) -> tuple[int | None, int | None]:
        first = _moment_ns(since, started_ns) if since else None
        last = _moment_ns(until, started_ns) if until else None
        if first is not None and last is not None and first > last:
            raise InputError(f"--since {since!r} is later than --until {until!r}; swap them")
        return first, last

    return bounds


def _moment_ns(text: str, started_ns: int) -> int:
    """A UTC time, or a time since the run's start, as nanoseconds UTC."""
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
            f"{text!r} is not a time; use '2026-03-02T09:00:00Z', or '5 min' for 5 min into the run"
        ) from None


def duration_ns(option: str, text: str) -> int:
    """A duration that an option gives, nanoseconds.

    Raises:
        InputError: it is none.
    """
    from gateway.model.units import parse_duration_ns

    try:
        return parse_duration_ns(text)
    except UnitError as error:
        raise InputError(f"{option} {text!r}: {error}; write a time such as '20 s' or '72 h'") from None


def listed(faults: list[str] | None) -> bool:
    """Whether the faults that simulated nodes know were asked for; then they are shown."""
    from gateway.config import FIRMWARE_FAULTS

    if LIST not in (faults or ()):
        return False
    say("\n".join(f"{key}: {meaning}" for key, meaning in FIRMWARE_FAULTS.items()))
    return True


def firmware_faults(faults: list[str] | None, radio: RadioName) -> SimulatedFaults:
    """What simulated nodes are to do wrong when they are set.

    Raises:
        InputError: there is no such fault, or the nodes are not simulated.
    """
    from gateway.config import FIRMWARE_FAULTS
    from gateway.config import Faults as Simulated

    for name in faults or ():
        if name not in FIRMWARE_FAULTS:
            raise InputError(f"there is no firmware fault {name!r}; --fault {LIST} shows them all")
    if faults and radio is not RadioName.VIRTUAL:
        raise InputError("--fault is for simulated nodes; add --radio virtual")
    return Simulated(firmware=tuple(faults or ()))


def share_of(option: str, text: str | None) -> float | None:
    """A share that an option gives, such as 10percent or 0.1; None for none.

    Raises:
        InputError: it is none.
    """
    from gateway.model.units import parse_quantity, parse_unit

    if text is None:
        return None
    try:
        share = float(parse_quantity(text).in_unit(parse_unit("percent"))) / 100
    except UnitError as error:
        raise InputError(f"{option} {text!r}: {error}; write a share such as 10percent") from None
    if share < 0:
        raise InputError(f"{option} {text!r} is below zero; write a share such as 10percent")
    return share


def length_of(for_: str | None, planned_ns: int | None) -> int | None:
    """How long a run is to last, nanoseconds: as an option says, or else as its run file does."""
    return duration_ns("--for", for_) if for_ is not None else planned_ns


def file_name(text: str) -> str:
    """What stands for a name or an address in the name of a file."""
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in text).strip(".") or "node"
