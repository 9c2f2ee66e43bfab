"""Commands about the cell: lifetime, from a log and by what if; plan, before there is a board; charge, of a measured
current."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import EXIT_FAIL, Force, OnlyNodes, Run, console_of, duration_ns, say
from gateway.model.errors import InputError

if TYPE_CHECKING:
    from gateway.app.energy import NodeLife
    from gateway.report.plots import Plot

ProfileFile = Annotated[
    Path | None, typer.Option("--profile", help="Energy profile, a TOML file; by default the plugin's [energy].")
]
CellFile = Annotated[Path | None, typer.Option("--cells", help="Table of cells, in place of the built-in one.")]
Seed = Annotated[int, typer.Option(help="Of the draws.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")]


def lifetime(
    log: Annotated[Path, typer.Argument(help="A log.")],
    profile: ProfileFile = None,
    what_if: Annotated[
        list[str] | None,
        typer.Option("--if", help="Settings to try, such as 'interval=50 ms,1 s' or 'cell=CR2450'; may be repeated."),
    ] = None,
    grid: Annotated[bool, typer.Option("--grid", help="Try all combinations instead of one at a time.")] = False,
    target: Annotated[str | None, typer.Option(help="Life that is wanted, such as '1 year'.")] = None,
    node: OnlyNodes = None,
    run: Run = None,
    cells: CellFile = None,
    png: Annotated[Path | None, typer.Option(help="Also plot life against the first setting that was tried.")] = None,
    seed: Seed = 1,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Forecast how long each node's cell lasts by what it did in a run; what if settings were others. A forecast, no
    rating."""
    import json

    from gateway.app.energy import lifetime as found_of
    from gateway.host.files import refuse_existing, write_file
    from gateway.report import energy
    from gateway.report.picture import picture

    if png is not None:
        refuse_existing(png, force)
    target_days = duration_ns("--target", target) / 8.64e13 if target is not None else None
    if grid and not what_if:
        raise InputError("--grid combines settings: give them with --if")
    found = found_of(log, profile, tuple(what_if or ()), grid, run, tuple(node or ()), cells, seed)
    if as_json:
        whole = {one.node: energy.life_json(one.life, one.load, one.carried, one.tried) for one in found}
        say(json.dumps({"nodes": whole, "caution": energy.CAUTION}, indent=1))
    console = console_of()
    for one in found if not as_json else ():
        console.print(f"{one.node}: {energy.life_text(one.life)}", highlight=False)
        console.print(energy.parts_table(one.life))
        for line in energy.life_lines(one.life, one.load, one.profile, one.carried):
            console.print(line, soft_wrap=True, highlight=False, markup=False)
        if (level := one.level) is not None:
            line = energy.level_line(level.low, level.per_day, level.high, level.said, one.life)
            console.print(line, soft_wrap=True, highlight=False, markup=False)
        if one.tried:
            console.print()
            console.print(energy.tried_table(one.tried, target_days))
            if target_days is not None:
                best = energy.just_enough(one.tried, target_days)
                words = ", ".join(f"{k} {v}" for k, v in best.settings.items()) if best else "none of these settings"
                cost = f" at {best.load.values_per_s:.3g} values/s" if best else ""
                console.print(f"just reaches {target}: {words}{cost}", highlight=False)
        console.print()
    if not as_json:
        console.print(energy.CAUTION, highlight=False)
    if png is not None:
        write_file(png, picture(_plotted(found)))


def _plotted(found: Sequence[NodeLife]) -> Plot:
    from gateway.model.units import parse_quantity
    from gateway.report import energy

    first = next((one for one in found if one.tried and one.choices), None)
    if first is None:
        return energy.parts_plot(found[0].node, found[0].life)
    name = first.choices[0][0].name
    rows = [row for row in first.tried if name in row.settings]
    quantities = [parse_quantity(row.settings[name]) for row in rows if row.settings[name][:1].isdigit()]
    if len(quantities) != len(rows) or len(rows) < 2:
        return energy.parts_plot(first.node, first.life)
    unit = quantities[0].unit
    return energy.against_plot(first.node, name, rows, [float(q.in_unit(unit)) for q in quantities], unit.symbol)


def plan(
    plugin: Annotated[str, typer.Argument(help="A plugin's kind, or its folder.")],
    profile: ProfileFile = None,
    period: Annotated[
        list[str] | None, typer.Option(help="Period of a sensor, such as 'climate=10 s'; may be repeated.")
    ] = None,
    interval: Annotated[str, typer.Option(help="Connection interval.")] = "100 ms",
    latency: Annotated[int, typer.Option(min=0, help="Peripheral latency, connection events.")] = 0,
    timeout: Annotated[str, typer.Option(help="Supervision timeout.")] = "4 s",
    phy: Annotated[str, typer.Option(help="1M or 2M.")] = "1M",
    mtu: Annotated[int, typer.Option(min=23, max=517, help="ATT_MTU to count on.")] = 247,
    distance: Annotated[float, typer.Option(min=0.01, help="How far the link is to reach, metres.")] = 5.0,
    place: Annotated[str, typer.Option(help="free space, residential, office or commercial.")] = "residential",
    absence: Annotated[str, typer.Option(help="Longest time without a connection.")] = "1 h",
    target: Annotated[str | None, typer.Option(help="Life that is wanted, such as '1 year'.")] = None,
    cells: CellFile = None,
    seed: Seed = 1,
    as_json: AsJson = False,
) -> None:
    """Check before there is a board whether it can work as its plugin declares: supplies, I²C bus, link, timing, reach,
    memory, life; exits 1 if something can't."""
    import json

    from gateway.app.energy import plan as planned
    from gateway.energy.board import LOSS_EXPONENTS
    from gateway.report import energy

    if phy not in ("1M", "2M"):
        raise InputError(f"--phy {phy!r}: 1M or 2M")
    if place not in LOSS_EXPONENTS:
        raise InputError(f"--place {place!r}: one of {', '.join(LOSS_EXPONENTS)}")
    periods: dict[str, float] = {}
    for text in period or ():
        name, equals, value = text.partition("=")
        if not equals:
            raise InputError(f"--period {text!r}: write sensor=time, such as 'climate=10 s'")
        periods[name.strip()] = duration_ns("--period", value.strip()) / 1e9
    found = planned(
        plugin,
        profile,
        periods,
        duration_ns("--interval", interval) / 1e9,
        latency,
        duration_ns("--timeout", timeout) / 1e9,
        int(phy[0]),
        mtu,
        distance,
        place,
        duration_ns("--absence", absence) / 1e9,
        cells,
        seed,
    )
    target_days = duration_ns("--target", target) / 8.64e13 if target is not None else None
    missed = target_days is not None and found.life.quantiles(0.05)[0] < target_days
    if as_json:
        life = energy.life_json(found.life, found.load, {}, ())
        told = {"plugin": found.plugin, "findings": energy.findings_json(found.findings), **life}
        say(json.dumps(told | {"target_missed": missed, "caution": energy.CAUTION}, indent=1))
    else:
        console = console_of()
        console.print(energy.findings_table(found.findings))
        console.print()
        console.print(energy.parts_table(found.life))
        for line in energy.life_lines(found.life, found.load, found.profile, {}):
            console.print(line, soft_wrap=True, highlight=False, markup=False)
        if target_days is not None:
            reached = "reached in fewer than 95 of 100 draws" if missed else "reached in at least 95 of 100 draws"
            console.print(f"target of {target}: {reached}", highlight=False)
        console.print(energy.CAUTION, highlight=False)
    if missed or not found.works:
        raise typer.Exit(EXIT_FAIL)


def charge(
    recording: Annotated[Path, typer.Argument(help="CSV, WAV, Parquet, or a session of samples in a ZIP file.")],
    rate: Annotated[float | None, typer.Option(min=1e-3, help="Samples a second, if the file does not tell.")] = None,
    full_scale: Annotated[
        float | None, typer.Option(help="Amperes at full scale (WAV), or for a unit of a column without one.")
    ] = None,
    column: Annotated[str | None, typer.Option(help="Which column or channel.")] = None,
    apart: Annotated[str, typer.Option(help="Events closer than this count as one.")] = "0.5 ms",
    png: Annotated[Path | None, typer.Option(help="Also plot the mean current over an event.")] = None,
    as_json: AsJson = False,
    force: Force = False,
) -> None:
    """Find the events in a measured current: baseline, and the charge of each with its spread."""
    from gateway.app.energy import charge as found_of
    from gateway.host.files import refuse_existing, write_file
    from gateway.report import energy
    from gateway.report.picture import picture

    if png is not None:
        refuse_existing(png, force)
    found = found_of(recording, rate, full_scale, column, duration_ns("--apart", apart) / 1e9)
    if as_json:
        say(energy.charge_json(found))
    else:
        for line in energy.charge_lines(found):
            say(line)
    if png is not None:
        write_file(png, picture(energy.charge_plot(found)))
