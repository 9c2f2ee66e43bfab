"""Many nodes, a month, and each fault of a link, on the virtual air in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import resource
import sqlite3
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import gateway.app.run as app_run
from gateway.app.run import execute
from gateway.host.clock import Clock
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind
from gateway.model.records import Frame
from gateway.radio.twin import Twin
from tests.support import EPOCH_NS, Bench, events, figures, on_virtual_time, run_bench, run_file, virtual_clock

DAY_S = 86_400.0
NODE = """
[node.{name}]
plugin = "loan-crate"
find = {{ name = "{NAME}" }}
silent_after = "{silent}"
sensor = {{ climate = {{ period = "{period}" }}, shock = {{ on = false }}, light = {{ on = false }} }}
poll = {{ battery = "{poll}" }}
[twin.{name}]
faults = {{ {faults} }}
"""
RUN = '[run]\ntitle = "Campaign"\nradio = "virtual"\n[air]\nsupervision_timeout = "4 s"\n'


def _node(name: str, period: str, faults: str = "", silent: str = "10 s", poll: str = "10 s") -> str:
    return NODE.format(name=name, NAME=name.upper(), period=period, faults=faults, silent=silent, poll=poll)


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def month() -> None:
    """Thirty days of three nodes, two of them faulty, through the same code as a real run: figures against what the
    nodes did, and memory, tasks and open files as they were."""
    twins: dict[str, Twin] = {}
    watched: list[tuple[float, int, int]] = []
    make = app_run.make_twins

    def noted(*words: Any) -> dict[str, Twin]:
        made = make(*words)
        twins.update(made)
        return made

    faults = 'lose = "1 percent", drop_link_every = "6 h"'
    text = RUN + "".join(_node(n, "1 min", f, "10 min", "1 h") for n, f in (("a", ""), ("b", faults), ("c", "")))

    async def work(folder: Path) -> Any:
        config = run_file(folder, text)
        loop = asyncio.get_running_loop()
        clock = virtual_clock(loop)

        async def absences() -> None:
            for day in range(30):
                await asyncio.sleep((day + 0.5) * DAY_S - loop.time())
                device = twins["c"].device
                controller = device.host.hci_sink
                air = controller.link
                air.silence(controller, True)
                await asyncio.sleep(600)
                air.silence(controller, False)
                watched.append((_resident_mb(), len(asyncio.all_tasks()), _open_files()))

        app_run.make_twins = noted  # type: ignore[assignment]
        try:
            async with asyncio.TaskGroup() as group:
                task = group.create_task(absences())
                done = await execute(
                    config,
                    lambda facts: LogWriter(folder / "x.db", facts),
                    round(30 * DAY_S * 1e9),
                    lambda _: None,
                    clock,
                )
                task.cancel()
        finally:
            app_run.make_twins = make
        return done

    with tempfile.TemporaryDirectory() as name:
        began = time.monotonic()
        folder = Path(name)
        on_virtual_time(lambda: work(folder))
        took = time.monotonic() - began
        found = figures(folder / "x.db")
        lost = {node: found[node, "link", "disconnects"].value for node in "abc"}
        losses = found["b", "climate", "loss"]
        sent = {node: twins[node]._counts["climate"] for node in "abc"}
        came = {node: found[node, "climate", "rate_whole_run"].n for node in "abc"}
    print(f"a month in {took / 60:.1f} min; disconnects {lost}, of c 30 were made; values sent {sent}, kept {came}")
    print(f"loss of b {losses.value:.2f} % ({losses.low:.2f} to {losses.high:.2f}), 1 % was made")
    for what, unit, column in (("memory", "MB", 0), ("tasks", "", 1), ("open files", "", 2)):
        print(f"{what}: {watched[1][column]:.0f} {unit} on day 2, {watched[-1][column]:.0f} {unit} on day 30")


def sixteen() -> None:
    """Sixteen nodes for ten minutes on one radio: each keeps its rate."""
    text = RUN + "".join(_node(f"n{k}", "200 ms") for k in range(16))
    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "x.db"
        run_bench(run_file(Path(name), text), log, 600)
        rates = [
            found.value
            for (_, subject, figure), found in figures(log).items()
            if (subject, figure) == ("climate", "rate")
        ]
        lost = len(events(log, EventKind.LOST))
    print(f"16 nodes for 10 min: {min(rates):.3f} to {max(rates):.3f} values/s of 5.000 wanted, {lost} links lost")


async def _dropped(bench: Bench) -> None:
    link = bench.twins["a"]._link
    assert link is not None
    await link.disconnect()


async def _vanished(bench: Bench) -> None:
    twin = bench.twins["a"]
    controller = twin.device.host.hci_sink
    bench.radio.air.silence(controller, True)  # type: ignore[arg-type]
    await asyncio.sleep(10)
    bench.radio.air.silence(controller, False)  # type: ignore[arg-type]


async def _mute(bench: Bench) -> None:
    twin = bench.twins["a"]
    push, twin._push = twin._push, _nothing  # type: ignore[method-assign]
    await asyncio.sleep(12)
    twin._push = push  # type: ignore[method-assign]


async def _nothing(*_: object) -> None:
    return None


async def _host_ends(bench: Bench) -> None:
    for link in list(bench.radio.host.connections.values()):
        await link.disconnect()


FAULTS: dict[str, Callable[[Bench], Awaitable[None]]] = {
    "the node ends the link": _dropped,
    "out of range for 10 s (supervision timeout 4 s)": _vanished,
    "link up, but mute for 12 s (silent_after 10 s)": _mute,
    "the host's stack ends the link": _host_ends,
}


def faults() -> None:
    """From each fault of a link until values come again."""
    print("fault | s until values come again | s of that from the end of the fault")
    for name, fault in FAULTS.items():
        with tempfile.TemporaryDirectory() as folder:
            began_s, over_s, back_s = _return_after(fault, Path(folder))
        print(f"{name} | {back_s - began_s:.1f} | {back_s - over_s:.1f}")


def _return_after(fault: Callable[[Bench], Awaitable[None]], folder: Path) -> tuple[float, float, float]:
    """When a fault began, when it was over and when values came again, in seconds of the run."""
    times: list[float] = []

    async def script(bench: Bench) -> None:
        await asyncio.sleep(30)
        times.append(asyncio.get_running_loop().time())
        await fault(bench)
        times.append(asyncio.get_running_loop().time())

    log = folder / "x.db"
    run_bench(run_file(folder, RUN + _node("a", "200 ms", poll="1 h")), log, 120, script)
    ready_ns = events(log, EventKind.READY)[1].t_ns
    with contextlib.closing(sqlite3.connect(log)) as connection:
        first = "SELECT min(t_ns) FROM loan_crate_climate WHERE t_ns > ?"
        (first_ns,) = connection.execute(first, (ready_ns,)).fetchone()
    return times[0], times[1], (first_ns - EPOCH_NS) / 1e9


def delay() -> None:
    """How late the loop runs at 2,000 values/s in real time, as the run itself tells."""
    raw = bytes.fromhex("01006e098813cd8b01")

    async def work(folder: Path) -> None:
        config = run_file(folder, RUN + _node("a", "1 s"))
        async with asyncio.TaskGroup() as group:

            def sink(facts: RunFacts) -> LogWriter:
                writer = LogWriter(folder / "x.db", facts)
                tasks.append(group.create_task(flood(writer)))
                return writer

            async def flood(writer: LogWriter) -> None:
                clock, loop = Clock(), asyncio.get_running_loop()
                began_s, count = loop.time(), 0
                while True:
                    while count < (loop.time() - began_s) * 2000:
                        writer.frame(Frame(clock.now_ns(), "a", "climate", raw))
                        count += 1
                    await asyncio.sleep(0.0005)

            tasks: list[asyncio.Task[None]] = []
            await execute(config, sink, 120_000_000_000, lambda _: None)
            for task in tasks:
                task.cancel()

    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "x.db"
        asyncio.run(work(Path(name)))
        told = events(log, EventKind.HOST_DELAY)[-1].facts
        rate = figures(log)["a", "climate", "rate_whole_run"].value
    print(f"{rate:.0f} values/s: late by {told['median_ms']} ms at the median, {told['p999_ms']} ms at 99.9 %")
