"""The command that takes what many gateways send: gather."""

from __future__ import annotations

import hashlib
import platform
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.shared import console_of, duration_ns
from gateway.model.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from gateway.mqtt.gather.receive import Gathered, Gatherer

_LOOK_EVERY_S = 0.25


def gather(
    runfile: Annotated[Path, typer.Argument(help="The run file whose [mqtt] names the broker.")],
    into: Annotated[Path, typer.Option(help="The log; with [gather] postgres it names the gatherer.")] = Path(
        "gathered.db"
    ),
    for_: Annotated[str | None, typer.Option("--for", help="How long, such as '20 s'; until Ctrl-C without.")] = None,
    fetch: Annotated[bool, typer.Option("--fetch", help="Put what the database holds into the log, and end.")] = False,
) -> None:
    """Take what gateways publish, drop doubles, and put it into one log, or into PostgreSQL."""
    import asyncio

    from gateway.config import load_broker
    from gateway.host.lock import FileLock
    from gateway.mqtt.gather.receive import Gatherer
    from gateway.mqtt.gather.store import LogStore, Store

    file = load_broker(runfile)
    length_s = duration_ns("--for", for_) / 1e9 if for_ is not None else None
    console = console_of()
    if fetch and file.postgres is None:
        raise InputError(f"{runfile} names no database; --fetch needs [gather] postgres")
    store: Store
    lock: FileLock | None = None
    if file.postgres is not None:
        from gateway.mqtt.gather.postgres import PostgresStore, fetch_into

        if fetch:
            frames, runs = fetch_into(file.postgres, LogStore(into))
            console.print(f"{frames} values of {runs} runs put into {into}", soft_wrap=True)
            return
        lock = FileLock(into)  # two gatherers of one name would take each other's place at the broker
        store, where = PostgresStore(file.postgres), "the database"
    else:
        store, where = LogStore(into), str(into)
    own = hashlib.sha256(f"{platform.node()} {into.resolve()} {file.postgres}".encode()).hexdigest()[:12]
    gatherer = Gatherer(file, store, shared=file.postgres is not None, name=f"gattest-gather-{own}")
    broker = f"{file.mqtt.host}:{file.mqtt.port}"
    try:
        asyncio.run(_watched(gatherer, broker, console, length_s))
    except KeyboardInterrupt:
        pass  # how it is meant to end
    finally:
        store.close()
        if lock is not None:
            lock.release()
    console.print(f"{_line(gatherer.progress)}; in {where}", soft_wrap=True)
    for why, count in gatherer.progress.left_out.most_common(10):
        console.print(f"left out: {why} ({count}x)", soft_wrap=True)


async def _watched(gatherer: Gatherer, broker: str, console: Console, length_s: float | None) -> None:
    """Gather for a time, and show how that goes."""
    import asyncio

    begun_s, told = asyncio.get_running_loop().time(), ""
    with console.status(broker) as status:
        async with asyncio.TaskGroup() as group:
            task = group.create_task(gatherer.run(), name="gathering")
            while not task.done():
                status.update(_line(gatherer.progress))
                if gatherer.progress.trouble != told and not console.is_terminal:
                    told = gatherer.progress.trouble
                    console.print(told or f"{broker}: connected", soft_wrap=True)
                await asyncio.sleep(_LOOK_EVERY_S)
                if length_s is not None and asyncio.get_running_loop().time() - begun_s > length_s:
                    task.cancel()
                    break


def _line(progress: Gathered) -> str:
    doubles = f", {progress.doubles} of them again" if progress.doubles else ""
    left = f", {sum(progress.left_out.values())} messages left out" if progress.left_out else ""
    return f"{progress.frames} values, {progress.events} events from {progress.messages} messages{doubles}{left}"
