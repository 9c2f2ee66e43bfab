"""Commands that look at a run in full: report, as a page or a picture; agree, beside a calibrated instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import LIST, Force, Run, console_of, duration_ns, say
from gateway.model.errors import InputError


def report(
    log: Annotated[Path, typer.Argument(help="A log.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Output file, - for standard output; report.html by default.")
    ] = None,
    run: Run = None,
    plot: Annotated[
        str | None, typer.Option(help="Only this plot, as PNG, such as crate-a.climate.temperature; list shows all.")
    ] = None,
    force: Force = False,
) -> None:
    """Write a report of a run as one self-contained HTML page; exits 0 whatever the verdict."""
    from rich.console import Console

    from gateway.app.report import review
    from gateway.host.files import refuse_existing, refuse_same, write_file
    from gateway.host.gc import freeze_gc
    from gateway.report.tables import WORD

    pictured = plot is not None and plot != LIST
    if pictured and output is None:
        raise InputError("--plot needs -o FILE.png; specify the image file")
    path = output or Path("report.html")
    if pictured and path == Path("-"):
        raise InputError("an image can't go to standard output; use -o FILE.png")
    if plot != LIST:
        refuse_same(path, log)
    if pictured:
        refuse_existing(path, force)
    freeze_gc()
    with Console(stderr=True).status("measuring"):
        found = review(log, run)
        if plot == LIST:
            text = "\n".join(found.plots)
        elif plot is not None:
            write_file(path, found.picture(plot))
            text = f"{plot} of {found.info.title} in {path}"
        elif path == Path("-"):
            text = found.page()
        else:
            found.write_page(path, force)
            text = f"{found.info.title}, run {found.info.id}: {WORD[found.outcome]}; report in {path}"
    say(text)


def agree(
    log: Annotated[Path, typer.Argument(help="A log.")],
    reference: Annotated[Path, typer.Argument(help="CSV file from a calibrated instrument next to the node.")],
    field: Annotated[str, typer.Option(help="The field to compare, such as climate.temperature.")],
    unit: Annotated[str, typer.Option(help="Unit of the reference values, such as degC.")],
    node: Annotated[str | None, typer.Option(help="Which node; required if there are several.")] = None,
    column: Annotated[str | None, typer.Option(help="CSV column of the values; the second by default.")] = None,
    time: Annotated[str | None, typer.Option(help="CSV column of the UTC times; the first by default.")] = None,
    lag: Annotated[str, typer.Option(help="Largest lag to search for.")] = "1 min",
    run: Run = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Compare a field with a reference instrument: offset, gain, residual, and the lag between them."""
    import json
    from dataclasses import asdict

    from gateway.app.judge import agree as agree_with
    from gateway.report.tables import agreement_table

    most_lag_s = duration_ns("--lag", lag) / 1e9
    found = agree_with(log, reference, field, unit, node, column, time, most_lag_s, run)
    if as_json:
        facts = {"node": found.node, "field": found.field, "unit": found.unit}
        say(json.dumps(facts | asdict(found.agreement), indent=1))
    else:
        console_of().print(agreement_table(found.agreement, found.unit))
