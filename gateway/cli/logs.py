"""Commands on logs and captures: judge."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import console_of, exit_code, show_verdicts


def judge(
    log: Annotated[Path, typer.Argument(help="A log.")],
    spec: Annotated[Path | None, typer.Option(help="A run file whose spec to use instead of the log's own.")] = None,
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
) -> None:
    """Judge a log again, against its own spec or another; exit 0 pass, 1 fail, 3 inconclusive."""
    from gateway.config import load_run
    from gateway.runner import verdicts_of

    info, verdicts = verdicts_of(log, run, load_run(spec) if spec else None)
    console = console_of()
    ended = (
        info.ended_how if info.ended_ns is not None else "has not ended, or was killed; judged up to its last record"
    )
    console.print(f"{info.title}, run {info.id} of {log}: {ended}\n", soft_wrap=True)
    raise typer.Exit(exit_code(show_verdicts(verdicts, console)))
