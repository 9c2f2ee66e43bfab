"""Commands that use a radio, or prepare that: demo, run, service, scan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.shared import RadioName, console_of, duration_ns, exit_code, make_folder, say, show_verdicts
from gateway.model.errors import InputError, LogFileError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from rich.console import Console

    from gateway.config import RunConfig
    from gateway.model.records import Outcome
    from gateway.mqtt.publish.process import Beside


def demo(
    seconds: Annotated[int, typer.Option(min=1, max=86400, help="How long to run.")] = 20,
    into: Annotated[Path, typer.Option(help="Folder for the log demo.db.")] = Path(),
) -> None:
    """Run two simulated loan crates, one sound and one faulty, and judge them. Needs no hardware."""
    from gateway.config import load_run
    from gateway.host import shipped

    config = load_run(shipped.folder("configs") / "demo.toml")
    make_folder(into, "--into")
    console = console_of()
    log = into / "demo.db"
    _run(config, log, seconds * 1_000_000_000, console)
    console.print(
        "\ncrate-b was made to fail: it loses notifications, ends its link and sends payloads "
        f"that are a byte short. Every byte is in {log}. The same verdict again: gattest judge {log}"
    )


def run(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    for_: Annotated[str | None, typer.Option("--for", help="How long, such as '20 s' or '72 h'.")] = None,
    into: Annotated[Path | None, typer.Option(help="The log; RUNFILE's name with .db here by default.")] = None,
    radio: Annotated[RadioName | None, typer.Option(help="Instead of the run file's.")] = None,
    health: Annotated[Path | None, typer.Option(help="Keep a file that says what each node is doing.")] = None,
) -> None:
    """Log the nodes of a run file until its length has passed or Ctrl-C, then judge them."""
    from gateway.config import load_run
    from gateway.host.service import is_service

    def read() -> RunConfig:
        return load_run(runfile, radio.value if radio else None)

    config = read()
    length_ns = duration_ns("--for", for_) if for_ is not None else config.length_ns
    console = console_of()
    log = into or Path(runfile.stem + ".db")
    taken = (log.resolve(), runfile.resolve())
    if health is not None and (health.resolve() in taken or not health.parent.is_dir()):
        raise InputError(f"--health {health}: give a file of its own, in a folder that is there")
    outcome = _run(config, log, length_ns, console, health, read if is_service() else None)
    raise typer.Exit(exit_code(outcome))


def service(
    runfile: Annotated[Path, typer.Argument(help="The run file.")],
    into: Annotated[Path | None, typer.Option(help="The log; RUNFILE's name with .db beside it by default.")] = None,
    user: Annotated[str, typer.Option(help="Who it runs as.")] = "gattest",
) -> None:
    """Print a systemd unit that carries out a run file; write it to /etc/systemd/system/NAME.service."""
    import sys

    from gateway.config import load_run
    from gateway.report.unit import unit_file

    config = load_run(runfile)
    log = (into or runfile.with_suffix(".db")).resolve()
    say(unit_file(config.title, Path(sys.argv[0]).resolve(), runfile.resolve(), log, user).rstrip())


def _run(
    config: RunConfig,
    log: Path,
    length_ns: int | None,
    console: Console,
    health: Path | None = None,
    again: Callable[[], RunConfig] | None = None,
) -> Outcome:
    import asyncio
    from dataclasses import replace

    from gateway.app.review import verdicts_of
    from gateway.app.run import execute
    from gateway.mqtt.publish.process import sending
    from gateway.report.health import Health
    from gateway.report.journal import Journal
    from gateway.report.live import LiveDisplay, RunView
    from gateway.report.machine import verdicts_by_node

    journal = Journal(log)
    with sending(config.mqtt, log) as beside:
        with LiveDisplay(console) as display:
            shows: list[Callable[[RunView], None]] = [journal, display]
            if health is not None:
                shows.append(Health(health))

            def look(view: RunView) -> None:
                whole = replace(view, sending=beside.line) if beside else view
                for show in shows:
                    show(whole)

            work = execute(config, lambda facts: journal.sink(facts, log), length_ns, look, again=again)
            result = asyncio.run(work)
        troubles = [*result.unfit, *([result.failed] if result.failed else [])]
        if result.dropped:
            troubles.append(f"{result.dropped} values could not be kept")
        try:
            info, verdicts = verdicts_of(log, result.run, None)
        except LogFileError as error:
            raise InputError("\n".join([*troubles, str(error)])) from None
        place = f"{log}, run {info.id}" if not result.failed else "two places, see below; judged is the first"
        console.print(f"{config.title}: {result.how}; {result.frames} values in {place}\n", soft_wrap=True)
        outcome = show_verdicts(verdicts, console)
        if beside is not None:
            _send_the_rest(beside, verdicts_by_node(info, verdicts), f"gattest forward {log} {config.path}", console)
    if troubles:
        raise InputError("\n".join(troubles))
    return outcome


def _send_the_rest(beside: Beside, verdicts: Mapping[str, list[dict[str, Any]]], later: str, console: Console) -> None:
    """Send verdicts and what is left of a run that has ended; ``later`` is the command for what that does not do."""
    for node, own in verdicts.items():
        beside.verdicts(node, own)
    beside.end()
    if not beside.progress.done:
        console.print(f"\n{beside.line}", soft_wrap=True)
        console.print(f"What was not sent is in the log: {later}", soft_wrap=True)


def scan(
    seconds: Annotated[int, typer.Option(min=1, max=3600, help="How long to listen.")] = 5,
    radio: Annotated[RadioName, typer.Option(help="Which radio; virtual shows the demo's nodes.")] = RadioName.system,
) -> None:
    """List the Bluetooth LE nodes that advertise nearby."""
    import asyncio

    from rich.table import Table

    from gateway.app.run import scan_nodes
    from gateway.config import load_run
    from gateway.host import shipped

    config = load_run(shipped.folder("configs") / "demo.toml", radio.value)
    console = console_of()
    with console.status(f"listening for {seconds} s"):
        heard = asyncio.run(scan_nodes(config, seconds))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name in ("address", "name", "dBm", "heard", "services"):
        table.add_column(name, justify="right" if name in ("dBm", "heard") else "left")
    for node in heard:
        table.add_row(node.address, node.name or "-", str(node.rssi_dbm), str(node.count), "\n".join(node.services))
    console.print(table if heard else f"nothing advertised within {seconds} s", soft_wrap=True)
