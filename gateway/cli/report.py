"""Commands that look at a run in full: report, as a page or a picture; agree, beside a calibrated instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import LIST, Force, Run, console_of, duration_ns, exit_with, say
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
    time: Annotated[str | None, typer.Option(help="CSV column of the times; the first by default.")] = None,
    zone: Annotated[str | None, typer.Option(help="Time zone of the times, such as Europe/Vienna; UTC else.")] = None,
    lag: Annotated[str, typer.Option(help="Largest lag to search for.")] = "1 min",
    uncertainty: Annotated[
        str | None, typer.Option(help="Expanded uncertainty of the reference (k = 2), such as '0.2 K'.")
    ] = None,
    limit: Annotated[str | None, typer.Option(help="Largest error that passes at any set point.")] = None,
    png: Annotated[Path | None, typer.Option(help="Also plot the error at each set point.")] = None,
    run: Run = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
    force: Force = False,
) -> None:
    """Compare a field with a reference instrument (offset, gain, residual, lag), or with set points that were held
    (error at each, correction, verdict)."""
    from gateway.app.judge import agree as agree_with
    from gateway.host.files import refuse_existing, write_file
    from gateway.report.calibrate import agreed_json, agreement_table, error_plot, set_point_table
    from gateway.report.picture import picture

    if png is not None:
        refuse_existing(png, force)
    most_lag_s = duration_ns("--lag", lag) / 1e9
    found = agree_with(log, reference, field, unit, node, column, time, zone, most_lag_s, uncertainty, limit, run)
    if png is not None and found.calibration is None:
        raise InputError("--png plots set points; this reference has none (columns from and to make them)")
    if as_json:
        say(agreed_json(found))
    elif found.agreement is not None:
        console_of().print(agreement_table(found.agreement, found.budget, found.unit, uncertainty is not None))
    if found.calibration is not None:
        if not as_json:
            table, lines = set_point_table(found.calibration, found.unit)
            console_of().print(table)
            for line in lines:
                console_of().print(line, soft_wrap=True, highlight=False)
        if png is not None:
            write_file(png, picture(error_plot(f"{found.node} {found.field}", found.calibration, found.unit)))
        if found.calibration.outcome is not None:
            raise exit_with(found.calibration.outcome)
