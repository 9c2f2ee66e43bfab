"""Commands at a broker: forward sends a log, gather takes what many gateways send."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import console_of, duration_ns

if TYPE_CHECKING:
    from rich.console import Console

    from gateway.config import BrokerFile
    from gateway.mqtt.gather.receive import Gathered

_SHOWN_REASONS = 10


def forward(
    log: Annotated[Path, typer.Argument(help="The log.")],
    runfile: Annotated[Path, typer.Argument(help="The run file whose [mqtt] names the broker.")],
) -> None:
    """Send the unsent part of a log to the broker, and the verdicts of its newest run; Ctrl-C stops it."""
    import asyncio

    from gateway.app.broker import forward as forward_log
    from gateway.config import load_broker

    broker = load_broker(runfile).mqtt
    console = console_of()
    news = _News(console)
    with console.status(f"{broker.host}:{broker.port}") as status:

        def show(line: str) -> None:
            status.update(line)
            if not line.endswith("values sent"):
                news.show(line)

        frames = asyncio.run(forward_log(log, broker, show))
    console.print(f"{frames} values sent; {broker.host}:{broker.port} has received everything in {log}", soft_wrap=True)


def gather(
    runfile: Annotated[Path, typer.Argument(help="The run file whose [mqtt] names the broker.")],
    into: Annotated[Path, typer.Option(help="Log file; with [gather] postgres only the gatherer's identity.")] = Path(
        "gathered.db"
    ),
    for_: Annotated[str | None, typer.Option("--for", help="Duration, such as '20 s'; default: until Ctrl-C.")] = None,
    fetch: Annotated[bool, typer.Option("--fetch", help="Copy the database's contents into the log and exit.")] = False,
    again: Annotated[bool, typer.Option("--retry", help="Place once more what was kept aside, and exit.")] = False,
) -> None:
    """Collect what gateways publish, drop duplicates, and store it in one log or in PostgreSQL."""
    import asyncio
    import contextlib

    from gateway.app.broker import fetch as fetch_database
    from gateway.app.broker import gather as gather_messages
    from gateway.app.broker import retry
    from gateway.config import load_broker
    from gateway.mqtt.gather.receive import Gathered

    file = load_broker(runfile)
    length_s = duration_ns("--for", for_) / 1e9 if for_ is not None else None
    console = console_of()
    if fetch:
        done = fetch_database(file, into)
        console.print(f"{done.frames} values of {done.runs} runs copied into {into}", soft_wrap=True)
        for why, count in done.left_out.most_common(_SHOWN_REASONS):
            console.print(f"left out: {why} ({count}x)", soft_wrap=True, markup=False)
        return
    if again:
        _told(console, asyncio.run(retry(file, into)), file, into)
        return
    broker = f"{file.mqtt.host}:{file.mqtt.port}"
    news, last = _News(console), Gathered()
    with console.status(broker) as status:

        def show(progress: Gathered) -> None:
            nonlocal last
            last = progress
            status.update(_line(progress))
            news.show(progress.trouble or f"{broker}: connected")

        with contextlib.suppress(KeyboardInterrupt):  # how it is meant to end
            asyncio.run(gather_messages(file, into, length_s, show))
    _told(console, last, file, into)


def _told(console: Console, last: Gathered, file: BrokerFile, into: Path) -> None:
    """What came of gathering."""
    console.print(f"{_line(last)}; in {into if file.postgres is None else 'the database'}", soft_wrap=True)
    for why, count in last.skipped.most_common(_SHOWN_REASONS):
        console.print(f"kept aside: {why} ({count}x)", soft_wrap=True)
    if last.conflicts:
        console.print(
            f"{last.conflicts} values came again with other bytes or at another time; what came first stands, the "
            "others are in the table conflict",
            soft_wrap=True,
        )
    if last.skipped:
        console.print(
            "They are in the table unplaced, with ? as their run: topic and payload as they came.", soft_wrap=True
        )


class _News:
    """Prints what changes, where the output is no terminal that shows it in place."""

    def __init__(self, console: Console) -> None:
        self._console, self._last = console, ""

    def show(self, text: str) -> None:
        if not self._console.is_terminal and text != self._last:
            self._console.print(text, soft_wrap=True)
            self._last = text


def _line(progress: Gathered) -> str:
    duplicates = f", {progress.duplicates} of them duplicates" if progress.duplicates else ""
    skipped = f", {sum(progress.skipped.values())} messages kept aside" if progress.skipped else ""
    return f"{progress.frames} values, {progress.events} events from {progress.messages} messages{duplicates}{skipped}"
