"""Commands that look at a run in full: report, as a page or a picture; agree, beside a calibrated instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import console_of, duration_ns, refuse_same, say, write_file
from gateway.model.errors import InputError


def report(
    log: Annotated[Path, typer.Argument(help="A log.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="The file, - for standard output; report.html by default.")
    ] = None,
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    plot: Annotated[
        str | None, typer.Option(help="Only this plot, as PNG, such as crate-a.climate.temperature; ? lists them.")
    ] = None,
) -> None:
    """Write what a run was like and how it was judged as one page that needs no network; exits 0 whatever it says."""
    from rich.console import Console

    from gateway.app.review import review
    from gateway.host.gc import settle_memory
    from gateway.report.tables import WORD

    if plot is not None and output is None and plot != "?":
        raise InputError("--plot goes with -o FILE.png; say where the picture is to go")
    path = output or Path("report.html")
    if plot is not None and path == Path("-"):
        raise InputError("a picture goes into a file; give -o FILE.png")
    if plot != "?":
        refuse_same(path, log)
    settle_memory()
    with Console(stderr=True).status("measuring"):
        found = review(log, run)
        if plot == "?":
            text = "\n".join(found.plots)
        elif plot is not None:
            write_file(path, found.picture(plot))
            text = f"{plot} of {found.info.title} in {path}"
        elif path == Path("-"):
            text = found.page()
        else:
            write_file(path, found.page())
            text = f"{found.info.title}, run {found.info.id}: {WORD[found.outcome]}; report in {path}"
    say(text)


def agree(
    log: Annotated[Path, typer.Argument(help="A log.")],
    reference: Annotated[Path, typer.Argument(help="CSV of a calibrated instrument that stood beside the node.")],
    field: Annotated[str, typer.Option(help="The field to compare, such as climate.temperature.")],
    unit: Annotated[str, typer.Option(help="The unit of the reference's numbers, such as degC.")],
    node: Annotated[str | None, typer.Option(help="Which node; needed where there are several.")] = None,
    column: Annotated[str | None, typer.Option(help="The CSV's column; the second by default.")] = None,
    time: Annotated[str | None, typer.Option(help="Its column of UTC times; the first by default.")] = None,
    lag: Annotated[str, typer.Option(help="How far a lag is looked for.")] = "1 min",
    run: Annotated[int | None, typer.Option(min=1, help="Which run; the newest by default.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Compare a field with a reference instrument: offset, gain, what remains, and the lag between them."""
    import json
    from dataclasses import asdict

    from gateway.analysis.measure.agreement import agreement, read_reference, values_of
    from gateway.log.reader import Log
    from gateway.model.units import parse_unit
    from gateway.report.tables import agreement_table

    lag_ns = duration_ns("--lag", lag)
    ref_times_s, ref_values = read_reference(reference, time, column)
    with Log(log) as opened, opened.damage_told():
        info = opened.run(run)
        nodes = info.chosen([node] if node else [], [])
        if len(nodes) != 1:
            raise InputError(f"run {info.id} has the nodes {', '.join(n.name for n in nodes)}; say which with --node")
        times_s, values, own_unit = values_of(opened, info, nodes[0], field)
    gain, zero = parse_unit(unit).to(parse_unit(own_unit))
    found = agreement(times_s, values, ref_times_s, ref_values * float(gain) + float(zero), lag_ns / 1e9)
    if as_json:
        say(json.dumps({"node": nodes[0].name, "field": field, "unit": own_unit, **asdict(found)}, indent=1))
    else:
        console_of().print(agreement_table(found, own_unit))
