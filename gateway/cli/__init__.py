"""The command line. Each command reads its arguments, calls one thing below and shows the result; heavy
parts are imported only by the command that needs them, so that help answers at once."""

from __future__ import annotations

import os
import sys
from asyncio import CancelledError
from collections.abc import Iterable, Iterator
from typing import Annotated

import typer

from gateway.cli import captures, energy, files, firmware, logs, messages, page, report, runs
from gateway.cli.shared import EXIT_INPUT, EXIT_INTERRUPTED, EXIT_PIPE, report_problem, say
from gateway.model.errors import GattestError, OutputClosedError
from gateway.model.version import __version__

new = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Create a template to start from.")
app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Verify prototype Bluetooth LE sensor nodes against their written spec.",
    epilog="Exit codes: 0 pass, 1 fail, 2 bad usage or input, 3 inconclusive; demo always exits with 0.",
)
for command in (
    runs.demo,
    runs.scan,
    runs.run,
    runs.sweep,
    runs.service,
    runs.record,
    captures.replay,
    captures.extract,
    logs.judge,
    firmware.audit,
    firmware.exercise,
    firmware.contract,
    firmware.twin,
    report.report,
    report.agree,
    page.serve,
    energy.lifetime,
    energy.plan,
    energy.charge,
    logs.compare,
    logs.show,
    logs.export,
    logs.redecode,
    logs.merge,
    messages.forward,
    messages.gather,
    files.check,
    files.decode,
):
    app.command()(command)
new.command("plugin")(files.new_plugin)
app.add_typer(new, name="new")


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
    except BrokenPipeError:
        sys.exit(_refuse([OutputClosedError()]))
    except OSError as error:  # what is read and written for the user has its own errors: this is the output
        sys.exit(_refuse([GattestError(f"the output can't be written: {error.strerror}")]))
    except (KeyboardInterrupt, CancelledError):
        sys.exit(_interrupted())
    except SystemExit as end:
        if end.code == EXIT_INTERRUPTED:  # typer has taken the interrupt, and says nothing
            _interrupted()
        raise


def _interrupted() -> int:
    report_problem("interrupted")
    return EXIT_INTERRUPTED


def _refuse(errors: Iterable[BaseException]) -> int:
    try:
        sys.stdout.flush()
    except OSError:  # what is held back goes nowhere, or Python would complain of it at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    told = [error for error in errors if not isinstance(error, OutputClosedError)]
    for error in told:
        report_problem(error)
    return EXIT_INPUT if told else EXIT_PIPE


def _leaves(group: BaseException | None) -> Iterator[BaseException]:
    if isinstance(group, BaseExceptionGroup):
        for error in group.exceptions:
            yield from _leaves(error)
    elif group is not None:
        yield group


def _version(wanted: bool) -> None:
    if wanted:
        say(f"gattest {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show it.")] = False,
) -> None:
    """Verify prototype Bluetooth LE sensor nodes against their written spec."""
