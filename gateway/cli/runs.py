"""Commands that use a radio, or prepare that: demo, scan, run, record, service."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import (
    Faults,
    Force,
    console_of,
    exit_with,
    firmware_faults,
    length_of,
    listed,
    plain_table,
    say,
    show_verdicts,
)
from gateway.model.errors import InputError
from gateway.model.radios import RadioName
from gateway.model.utc import duration_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from gateway.app.run import Finished
    from gateway.config import RunConfig
    from gateway.log.info import RunInfo

For = Annotated[str | None, typer.Option("--for", help="Duration, such as '20 s' or '72 h'.")]
OtherRadio = Annotated[RadioName | None, typer.Option(help="Overrides the radio of the run file.")]


def demo(
    seconds: Annotated[int, typer.Option(min=1, max=86400, help="Seconds to run.")] = 20,
    into: Annotated[Path, typer.Option(help="Folder for the log demo.db.")] = Path(),
) -> None:
    """Run two simulated loan crates, one sound and one faulty, and judge them. Needs no hardware."""
    from gateway.config import load_run
    from gateway.host.files import make_folder
    from gateway.host.shipped import folder

    config = load_run(folder("configs") / "demo.toml")
    make_folder(into, "--into")
    console = console_of()
    log = into / "demo.db"
    _run(config, log, seconds * 1_000_000_000, console)
    console.print(
        "\ncrate-b is set up to fail: it loses notifications, drops its link and sends payloads "
        f"that are a byte short. Every byte is in {log}. To judge it again: gattest judge {log}"
    )


def scan(
    seconds: Annotated[int, typer.Option(min=1, max=3600, help="Seconds to listen.")] = 5,
    radio: Annotated[RadioName, typer.Option(help="Which radio; virtual shows the demo's nodes.")] = RadioName.SYSTEM,
) -> None:
    """List the Bluetooth LE nodes that advertise nearby."""
    import asyncio

    from gateway.app.scan import scan as scan_air
    from gateway.config import load_run
    from gateway.host.shipped import folder

    config = load_run(folder("configs") / "demo.toml", radio)
    console = console_of()
    with console.status(f"listening for {seconds} s"):
        found = asyncio.run(scan_air(config, seconds))
    table = plain_table()
    for name in ("address", "name", "dBm", "received", "services"):
        table.add_column(name, justify="right" if name in ("dBm", "received") else "left")
    for node in found:
        table.add_row(node.address, node.name or "-", str(node.rssi_dbm), str(node.count), "\n".join(node.services))
    console.print(table if found else f"no advertisements received within {seconds} s", soft_wrap=True)


def run(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    for_: For = None,
    into: Annotated[Path | None, typer.Option(help="Log file; RUNFILE's name with .db by default.")] = None,
    radio: OtherRadio = None,
    health: Annotated[Path | None, typer.Option(help="Keep a status file with what each node is doing.")] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Continue the newest run of the log if it was cut off.")
    ] = False,
    fault: Faults = None,
) -> None:
    """Log the nodes of a run file for its length or until Ctrl-C, then judge them."""
    from gateway.app.run import cut_off_run
    from gateway.config import load_run
    from gateway.host.service import is_service
    from gateway.report.health import may_replace

    def read() -> RunConfig:
        config = load_run(runfile, radio)
        wrong = firmware_faults(fault, config.radio).firmware
        twins = {
            name: replace(twin, faults=replace(twin.faults, firmware=(*twin.faults.firmware, *wrong)))
            for name, twin in config.twins.items()
        }
        return replace(config, twins=twins) if wrong else config

    if listed(fault):
        return
    config = read()
    log = into or Path(runfile.stem + ".db")
    taken = (log.resolve(), runfile.resolve())
    if health is not None and (health.resolve() in taken or not health.parent.is_dir()):
        raise InputError(f"--health {health} can't be used; give a separate file in an existing folder")
    if health is not None and not may_replace(health):
        raise InputError(f"--health {health} exists and is not a status file of gattest; give another name")
    length_ns = length_of(for_, config.length_ns)
    console = console_of()
    before = cut_off_run(config, log) if resume else None
    if before is not None:
        console.print(
            f"continuing run {before.id} of {log}, which was cut off after {duration_text(round(before.lasted_s))}",
            soft_wrap=True,
        )
    elif resume:
        console.print(f"no run of {runfile} was cut off at the end of {log}: starting a new one", soft_wrap=True)
    finished = _run(config, log, length_ns, console, health, read if is_service() else None, before)
    raise exit_with(finished.judged.outcome)


def _run(
    config: RunConfig,
    log: Path,
    length_ns: int | None,
    console: Console,
    health: Path | None = None,
    reload: Callable[[], RunConfig] | None = None,
    before: RunInfo | None = None,
) -> Finished:
    import asyncio

    from gateway.app.run import run as run_nodes
    from gateway.report.live import LiveDisplay

    display = LiveDisplay(console)

    def show(finished: Finished) -> None:
        display.close()
        result = finished.result
        place = f"{finished.log}, run {result.run}"
        if result.failed:
            place = "two files, see below; the first one is judged"
        since = " since it was continued" if before is not None else ""
        console.print(f"{config.title}: {result.how}; {result.frames} values{since} in {place}\n", soft_wrap=True)
        show_verdicts(finished.judged.verdicts, console)
        if result.note:
            console.print(f"\n{result.note}", soft_wrap=True)

    with display:
        finished = asyncio.run(run_nodes(config, log, length_ns, display, health, reload, before, show))
    if finished.unsent:
        console.print(f"\n{finished.sending}", soft_wrap=True)
        console.print(f"Unsent values are in the log; send them: gattest forward {log} {config.path}", soft_wrap=True)
    if finished.troubles:
        raise InputError("\n".join(finished.troubles))
    return finished


def sweep(
    runfile: Annotated[Path, typer.Argument(help="The run file, with a table [sweep].")],
    into: Annotated[Path | None, typer.Option(help="Log file; RUNFILE's name with -sweep.db by default.")] = None,
    radio: OtherRadio = None,
    png: Annotated[Path | None, typer.Option(help="Also plot the figures over the connection interval.")] = None,
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, every setting with its figures.")] = False,
) -> None:
    """Repeat a run with each connection interval and PHY of its [sweep]; exit 0 if all pass, 1 fail, 3 inconclusive."""
    import asyncio

    from gateway.app.sweep import sweep as sweep_settings
    from gateway.config import load_run
    from gateway.host.files import refuse_existing, write_file
    from gateway.model.records import overall
    from gateway.report.live import LiveDisplay
    from gateway.report.picture import picture
    from gateway.report.sweep import sweep_json, sweep_plot, sweep_tables

    config = load_run(runfile, radio)
    log = into or Path(f"{runfile.stem}-sweep.db")
    if png is not None:
        refuse_existing(png, force)
    console = console_of()
    with LiveDisplay(console) as display:
        tried = asyncio.run(sweep_settings(config, log, display))
    if as_json:
        say(sweep_json(tried))
    else:
        for table in sweep_tables(tried):
            console.print(table)
            console.print()
        runs = [one.run for one in tried]
        console.print(f"Each setting is a run of {log}: {', '.join(map(str, runs))}", soft_wrap=True)
    if png is not None:
        write_file(png, picture(sweep_plot(config.title, tried)))
    raise exit_with(overall(outcome for one in tried for outcome in one.outcomes.values()))


def record(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Capture file; .gz or .zst compresses it.")],
    for_: For = None,
    radio: OtherRadio = None,
    force: Force = False,
) -> None:
    """Record the nodes of a run file to a capture, a text file with one record per line, instead of a log."""
    import asyncio

    from gateway.app.record import record as record_nodes
    from gateway.config import load_run
    from gateway.report.live import LiveDisplay

    config = load_run(runfile, radio)
    console = console_of()
    with LiveDisplay(console) as display:
        result = asyncio.run(record_nodes(config, output, length_of(for_, config.length_ns), display, force))
    console.print(f"{config.title}: {result.how}; {result.frames} values in {output}", soft_wrap=True)
    if result.troubles:
        raise InputError("\n".join(result.troubles))


def service(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    into: Annotated[Path | None, typer.Option(help="Log file; RUNFILE's name with .db beside it by default.")] = None,
    user: Annotated[str, typer.Option(help="User the service runs as.")] = "gattest",
) -> None:
    """Print a systemd unit for a run file; save it as /etc/systemd/system/NAME.service."""
    import sys

    from gateway.config import load_run
    from gateway.report.unit import unit_file

    config = load_run(runfile)
    log = (into or runfile.with_suffix(".db")).resolve()
    say(unit_file(config.title, Path(sys.argv[0]).resolve(), runfile.resolve(), log, user).rstrip())
