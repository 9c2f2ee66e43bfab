"""Carry out a run: radio, simulated nodes, sessions and log joined together, from the first scan to the
closing of the file. Holds no logic of its own beyond the order in which they start and stop."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.clock import Clock
from gateway.config import RunConfig
from gateway.log.batch import RunFacts, WriterStatus
from gateway.memory import settle_memory
from gateway.radio import Radio
from gateway.records import Sink
from gateway.report.live import NodeView, RunView
from gateway.session.deadline import within
from gateway.session.node import REQUEST_S, State
from gateway.session.seek import check_adapter
from gateway.session.supervisor import Supervisor

LOOK_EVERY_S = 0.5
BOUNCE_S = 1.0  # signals so close together are one request


class RunSink(Sink, Protocol):
    """Where a run goes: a sink with an end, and a status for the display."""

    @property
    def status(self) -> WriterStatus: ...

    @property
    def run(self) -> int: ...

    def close(self, t_ns: int, how: str) -> None: ...


class Life(Protocol):
    """A simulated node."""

    async def run(self) -> None: ...


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run went.

    Attributes:
        failed: why it had to end, "" where it did not.
        unfit: what is wrong with each node that could not be used.
    """

    run: int
    how: str
    failed: str
    unfit: tuple[str, ...]
    frames: int
    dropped: int


async def execute(
    config: RunConfig,
    open_sink: Callable[[RunFacts], RunSink],
    length_ns: int | None,
    look: Callable[[RunView], None],
    clock: Clock | None = None,
) -> RunResult:
    """Carry out a run until its length has passed, a signal asks for its end, or it can't go on.

    Args:
        config: the proven run file.
        open_sink: makes what the run is written to, once the radio is known to work.
        length_ns: how long, None until asked to stop.
        look: called twice a second with the run's state.
        clock: stamps the records.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: what it is to be written to can't be used.
    """
    clock = clock or Clock()
    settle_memory()
    async with _radio(config) as (radio, twins):
        await check_adapter(radio)
        writer = open_sink(_facts(config, radio, clock, length_ns))
        supervisor = Supervisor(config, radio, writer, clock)
        view = _Viewer(look, config, supervisor, writer.status, length_ns)
        how = "broken off"
        try:
            how = await _live(supervisor, twins, view, length_ns)
        finally:
            await asyncio.to_thread(writer.close, supervisor.ended_ns or clock.now_ns(), how)
        view.show()
    unfit = tuple(session.unfit for session in supervisor.sessions if session.unfit)
    return RunResult(writer.run, how, writer.status.failed, unfit, writer.status.frames, writer.status.dropped)


async def _live(supervisor: Supervisor, twins: Sequence[Life], view: _Viewer, length_ns: int | None) -> str:
    """Run nodes, simulated nodes and display together until the end; returns how it came about."""
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    with _signals(loop, stop) as received:
        async with asyncio.TaskGroup() as group:
            helpers = [group.create_task(twin.run(), name="simulated node") for twin in twins]
            helpers.append(group.create_task(view.run(stop), name="display"))
            if length_ns is not None:
                helpers.append(group.create_task(_set_after(length_ns / 1e9, stop), name="run length"))
            await supervisor.run(stop)
            for helper in helpers:
                helper.cancel()
    if received:
        return f"stopped by {received[0].name}"
    if view.status.failed:
        return "the disk refused the log"
    return "its length has passed" if stop.is_set() else "no node was left that could be used"


@contextlib.asynccontextmanager
async def _radio(config: RunConfig):  # type: ignore[no-untyped-def]  # the two radios are imported only when used
    """The radio a run file asks for, with its simulated nodes, not yet started."""
    if config.radio == "virtual":
        from gateway.radio.virtual import VirtualRadio, make_host
        from gateway.twin import Twin

        async with VirtualRadio(config.air) as radio:
            nodes = [
                Twin(
                    node.plugin,
                    called := node.find_name or node.name.upper(),
                    config.twins[name],
                    make_host(radio.air, called, config.twins[name].address)[0],
                    config.air.seed,
                )
                for name, node in config.nodes.items()
            ]
            yield radio, nodes
    else:
        from gateway.radio.system import SystemRadio

        async with SystemRadio() as radio:
            yield radio, []


def _facts(config: RunConfig, radio: Radio, clock: Clock, length_ns: int | None) -> RunFacts:
    return RunFacts(
        config.title,
        clock.now_ns(),
        length_ns,
        radio.name,
        str(config.path),
        config.text,
        {name: (node.plugin, node.find_name or node.find_address or "") for name, node in config.nodes.items()},
        config.requirements,
    )


async def _set_after(seconds: float, event: asyncio.Event) -> None:
    await asyncio.sleep(seconds)
    event.set()


class _Viewer:
    """Shows a run now and then, and ends it when the log can't be written."""

    def __init__(
        self,
        look: Callable[[RunView], None],
        config: RunConfig,
        supervisor: Supervisor,
        status: WriterStatus,
        length_ns: int | None,
    ) -> None:
        self.status = status
        self._look: Callable[[RunView], None] | None = look
        self._title, self._supervisor = config.title, supervisor
        self._required = {
            (node.name, rule.subject): rule
            for rule in sorted(config.requirements, key=lambda rule: rule.whom in config.nodes)
            for node in config.nodes.values()
            if rule.figure == "rate" and rule.whom in (node.name, node.plugin.kind)
        }
        self._length_s = length_ns / 1e9 if length_ns else None
        self._loop = asyncio.get_running_loop()
        self._begun = self._loop.time()

    def show(self) -> None:
        """Show the run as it is now; a display that fails (its pipe is gone, its disk full) is given up."""
        if self._look is None:
            return
        elapsed_s = self._loop.time() - self._begun
        nodes = tuple(
            NodeView(s.node.name, s.state, s.state is State.LISTENING, s.losses, s.unfit)
            for s in self._supervisor.sessions
        )
        try:
            self._look(RunView(self._title, elapsed_s, self._length_s, nodes, self.status, self._required))
        except (Exception, SystemExit):
            self._look = None

    async def run(self, stop: asyncio.Event) -> None:
        """Show it until cancelled."""
        while True:
            self.show()
            if self.status.failed:
                stop.set()
            await asyncio.sleep(LOOK_EVERY_S)


@contextlib.contextmanager
def _signals(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> Iterator[list[signal.Signals]]:
    """Ctrl-C, SIGTERM and a closed terminal ask for the end of the run; asking again breaks it off."""
    received: list[signal.Signals] = []
    task = asyncio.current_task()

    first_s = 0.0

    def ask(number: signal.Signals) -> None:
        nonlocal first_s
        if not received:
            first_s = loop.time()
        received.append(number)
        stop.set()
        if loop.time() - first_s > BOUNCE_S and task is not None:
            task.cancel()

    previous = {}
    for number in (signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        try:
            previous[number] = signal.signal(number, lambda n, _: loop.call_soon_threadsafe(ask, signal.Signals(n)))
        except ValueError:  # not in the main thread: whoever runs the loop there handles signals
            break
    try:
        yield received
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


@dataclass(frozen=True, slots=True)
class Heard:
    """A node that advertised; the strongest signal heard in dBm, and how many advertisements."""

    address: str
    name: str
    rssi_dbm: int
    count: int
    services: tuple[str, ...]


async def scan_nodes(config: RunConfig, seconds: float) -> list[Heard]:
    """Listen for advertisements, strongest first.

    Raises:
        AdapterError: Bluetooth can't be used.
    """
    heard: dict[str, Heard] = {}

    def seen(device: BLEDevice, data: AdvertisementData) -> None:
        before = heard.get(device.address)
        heard[device.address] = Heard(
            device.address,
            data.local_name or device.name or (before.name if before else ""),
            max(data.rssi, before.rssi_dbm) if before else data.rssi,
            before.count + 1 if before else 1,
            tuple(sorted({*data.service_uuids, *(before.services if before else ())})),
        )

    async with _radio(config) as (radio, twins):
        await check_adapter(radio)
        async with asyncio.TaskGroup() as group:
            helpers = [group.create_task(twin.run(), name="simulated node") for twin in twins]
            scanner = radio.scanner(seen)
            await within(REQUEST_S, "starting a scan", scanner.start())
            await asyncio.sleep(seconds)
            await within(REQUEST_S, "stopping the scan", scanner.stop())
            for helper in helpers:
                helper.cancel()
    return sorted(heard.values(), key=lambda node: -node.rssi_dbm)
