"""The report command: a run of a log as a page, or a plot of it as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import console_of, refuse_same, write_file
from gateway.errors import InputError


def report(
    log: Annotated[Path, typer.Argument(help="A log.")],
    output: Annotated[Path | None, typer.Option("--output", "-o", help="The file; report.html by default.")] = None,
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    plot: Annotated[
        str | None, typer.Option(help="Only this plot, as PNG, such as crate-a.climate.temperature; ? lists them.")
    ] = None,
) -> None:
    """Write what a run was like and how it was judged as one page that needs no network; exits 0 whatever it says."""
    from rich.console import Console

    from gateway.memory import settle_memory
    from gateway.report.tables import WORD
    from gateway.review import review

    if plot is not None and output is None and plot != "?":
        raise InputError("--plot goes with -o FILE.png; say where the picture is to go")
    path = output or Path("report.html")
    refuse_same(path, log)
    settle_memory()
    with Console(stderr=True).status("measuring"):
        found = review(log, run)
        if plot == "?":
            text = "\n".join(found.plots)
        elif plot is not None:
            write_file(path, found.picture(plot))
            text = f"{plot} of {found.info.title} in {path}"
        else:
            write_file(path, found.page())
            text = f"{found.info.title}, run {found.info.id}: {WORD[found.outcome]}; report in {path}"
    console_of().print(text, soft_wrap=True)
