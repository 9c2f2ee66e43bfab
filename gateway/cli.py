"""The command line. Each command reads its arguments, calls one thing below and shows the result; heavy
parts are imported only by the command that needs them, so that help answers at once."""

from __future__ import annotations

import os
import sys
from asyncio import CancelledError
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway import __version__
from gateway.errors import GattestError, InputError, LogFileError

if TYPE_CHECKING:
    from rich.console import Console

    from gateway.config import RunConfig
    from gateway.records import Outcome, Verdict

_NOBODY = "nobody reads the output any more"
WIDTH_OF_FILES = 100  # columns where the output is no terminal
EXIT_PASS, EXIT_FAIL, EXIT_INPUT, EXIT_INCONCLUSIVE, EXIT_BROKEN_OFF = 0, 1, 2, 3, 130

new = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Write something to start from.")
app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Prove prototype Bluetooth LE sensor nodes against their written spec.",
    epilog="Exit codes: 0 pass, 1 fail, 2 bad usage or input, 3 inconclusive; demo ends with 0.",
)


app.add_typer(new, name="new")


class RadioName(StrEnum):
    """The radios a run can use."""

    system = "system"
    virtual = "virtual"


def main() -> None:
    """Entry point: an error of ours is one clear message and exit code 2, never a traceback."""
    try:
        app()
    except GattestError as error:
        sys.exit(_refuse([error]))
    except BaseExceptionGroup as group:
        ours, others = group.split(GattestError)
        if others is not None:
            raise
        sys.exit(_refuse(_leaves(ours)))
    except OSError as error:  # what is read and written for the user has its own errors: this is the output
        sys.exit(_refuse([GattestError(f"the output can't be written: {error.strerror}")]))
    except (KeyboardInterrupt, CancelledError):
        print("gattest: broken off", file=sys.stderr)  # noqa: T201
        sys.exit(EXIT_BROKEN_OFF)


def _refuse(errors: Iterable[BaseException]) -> int:
    try:
        sys.stdout.flush()
    except OSError:  # what is held back goes nowhere, or Python would complain of it at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    for error in errors:
        print(f"gattest: {error}", file=sys.stderr)  # noqa: T201
    return EXIT_INPUT


def _leaves(group: BaseException | None) -> Iterator[BaseException]:
    if isinstance(group, BaseExceptionGroup):
        for error in group.exceptions:
            yield from _leaves(error)
    elif group is not None:
        yield group


def _say(text: object) -> None:
    """Print a line; click takes a closed pipe for a failed test, so it is told otherwise here."""
    try:
        print(text, flush=True)  # noqa: T201
    except BrokenPipeError:
        raise GattestError(_NOBODY) from None


def _console() -> Console:
    from rich.console import Console

    class OpenConsole(Console):
        """A console that says when its pipe is gone, instead of ending the process."""

        def on_broken_pipe(self) -> None:
            raise GattestError(_NOBODY)

    sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]  # terminals that know few letters
    return OpenConsole(highlight=False, width=None if sys.stdout.isatty() else WIDTH_OF_FILES)


def _version(wanted: bool) -> None:
    if wanted:
        _say(f"gattest {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show it.")] = False,
) -> None:
    """Prove prototype Bluetooth LE sensor nodes against their written spec."""


@app.command()
def demo(
    seconds: Annotated[int, typer.Option(min=1, max=86400, help="How long to run.")] = 20,
    into: Annotated[Path, typer.Option(help="Folder for the log demo.db.")] = Path(),
) -> None:
    """Run two simulated loan crates, one sound and one faulty, and judge them. Needs no hardware."""
    from gateway import shipped
    from gateway.config import load_run

    config = load_run(shipped.folder("configs") / "demo.toml")
    try:
        into.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{into} can't be used as a folder: {error.strerror}; give another with --into") from None
    console = _console()
    log = into / "demo.db"
    _run(config, log, seconds * 1_000_000_000, console)
    console.print(
        "\ncrate-b was made to fail: it loses notifications, ends its link and sends payloads "
        f"that are a byte short. Every byte is in {log}. The same verdict again: gattest judge {log}"
    )


@app.command()
def run(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    for_: Annotated[str | None, typer.Option("--for", help="How long, such as '20 s' or '72 h'.")] = None,
    into: Annotated[Path | None, typer.Option(help="The log; RUNFILE's name with .db here by default.")] = None,
    radio: Annotated[RadioName | None, typer.Option(help="Instead of the run file's.")] = None,
) -> None:
    """Log the nodes of a run file until its length has passed or Ctrl-C, then judge them."""
    from gateway.config import load_run
    from gateway.units import parse_duration_ns

    config = load_run(runfile, radio.value if radio else None)
    length_ns = parse_duration_ns(for_) if for_ is not None else config.length_ns
    console = _console()
    outcome = _run(config, into or Path(runfile.stem + ".db"), length_ns, console)
    raise typer.Exit(_exit_code(outcome))


def _run(config: RunConfig, log: Path, length_ns: int | None, console: Console) -> Outcome:
    import asyncio

    from gateway.report.live import LiveDisplay
    from gateway.runner import execute, verdicts_of

    with LiveDisplay(console) as display:
        result = asyncio.run(execute(config, log, length_ns, display))
    troubles = [*result.unfit, *([result.failed] if result.failed else [])]
    if result.dropped:
        troubles.append(f"{result.dropped} values could not be kept")
    try:
        info, verdicts = verdicts_of(log, result.run, None)
    except LogFileError as error:
        raise InputError("\n".join([*troubles, str(error)])) from None
    place = f"{log}, run {info.id}" if not result.failed else "two places, see below; judged is the first"
    console.print(f"{config.title}: {result.how}; {result.frames} values in {place}\n", soft_wrap=True)
    outcome = _show(verdicts, console)
    if troubles:
        raise InputError("\n".join(troubles))
    return outcome


def _show(verdicts: Sequence[Verdict], console: Console) -> Outcome:
    from gateway.judge import overall
    from gateway.records import Outcome
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


def _exit_code(outcome: Outcome) -> int:
    from gateway.records import Outcome

    return {Outcome.PASS: EXIT_PASS, Outcome.FAIL: EXIT_FAIL, Outcome.INCONCLUSIVE: EXIT_INCONCLUSIVE}[outcome]


@app.command()
def judge(
    log: Annotated[Path, typer.Argument(help="A log.")],
    spec: Annotated[Path | None, typer.Option(help="A run file whose spec to use instead of the log's own.")] = None,
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
) -> None:
    """Judge a log again, against its own spec or another; exit 0 pass, 1 fail, 3 inconclusive."""
    from gateway.config import load_run
    from gateway.runner import verdicts_of

    info, verdicts = verdicts_of(log, run, load_run(spec) if spec else None)
    console = _console()
    ended = (
        info.ended_how if info.ended_ns is not None else "has not ended, or was killed; judged up to its last record"
    )
    console.print(f"{info.title}, run {info.id} of {log}: {ended}\n", soft_wrap=True)
    raise typer.Exit(_exit_code(_show(verdicts, console)))


@app.command()
def scan(
    seconds: Annotated[int, typer.Option(min=1, max=3600, help="How long to listen.")] = 5,
    radio: Annotated[RadioName, typer.Option(help="Which radio; virtual shows the demo's nodes.")] = RadioName.system,
) -> None:
    """List the Bluetooth LE nodes that advertise nearby."""
    import asyncio

    from rich.table import Table

    from gateway import shipped
    from gateway.config import load_run
    from gateway.runner import scan_nodes

    config = load_run(shipped.folder("configs") / "demo.toml", radio.value)
    console = _console()
    with console.status(f"listening for {seconds} s"):
        heard = asyncio.run(scan_nodes(config, seconds))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in ("address", "name", "dBm", "heard", "services"):
        table.add_column(name, justify="right" if name in ("dBm", "heard") else "left")
    for node in heard:
        table.add_row(node.address, node.name or "-", str(node.rssi_dbm), str(node.count), "\n".join(node.services))
    console.print(table if heard else f"nothing advertised within {seconds} s", soft_wrap=True)


@app.command()
def check(paths: Annotated[list[Path], typer.Argument(help="Plugin folders, run files, or folders of them.")]) -> None:
    """Report everything that is wrong with plugins and run files, and check recorded streams."""
    from gateway.inspection import inspect

    results = [result for path in paths for result in inspect(path)]
    for result in results:
        for problem in result.problems:
            _say(problem if problem.fatal else f"{problem} (a warning)")
        if not any(problem.fatal for problem in result.problems):
            _say(f"{result.path}: good, {result.summary}")
    wrong = sum(problem.fatal for result in results for problem in result.problems)
    if wrong:
        raise InputError(f"{wrong} problem{'s' if wrong > 1 else ''} found")


@app.command()
def decode(
    plugin: Annotated[str, typer.Argument(help="A plugin's kind or folder, or 'adopted'.")],
    characteristic: Annotated[str, typer.Argument(help="Its name in the plugin, or an adopted number.")],
    hexdigits: Annotated[list[str], typer.Argument(metavar="HEX...", help="The bytes of one value; may be spaced.")],
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Decode one value by its declared layout."""
    import json
    import math

    from gateway.decode import read_all
    from gateway.errors import PayloadError
    from gateway.inspection import find_characteristic, parse_hex

    item = find_characteristic(plugin, characteristic)
    raw = parse_hex(hexdigits)
    try:
        readings = read_all(item, raw, {})
    except PayloadError as error:
        raise InputError(f"{error}; found {raw.hex(' ') or 'no bytes'}") from None
    if as_json:
        names = ("name", "raw", "value", "unit", "bit", "bits", "reason")
        rows = [{name: getattr(r, name) for name in names} for r in readings]
        for row in rows:
            if row["raw"] is not None and not math.isfinite(row["raw"]):
                row["raw"] = str(row["raw"])  # JSON has no NaN
        _say(json.dumps(rows, indent=1))
        return
    from gateway.report.tables import reading_table

    _console().print(reading_table(readings, raw))


@new.command("plugin")
def new_plugin(
    name: Annotated[str, typer.Argument(help="The kind of node, such as door-post.")],
    into: Annotated[Path, typer.Option(help="The folder that holds your plugins.")] = Path("plugins"),
) -> None:
    """Write a commented plugin that passes check, to be made your own."""
    from gateway.starter import write_plugin

    folder = write_plugin(name, into)
    _say(f"{folder / 'plugin.toml'} written. Make it your own, then: gattest check {folder}")
