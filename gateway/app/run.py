"""Carry out a run: radio, simulated nodes, sessions and log joined together, from the first scan to the
closing of the file. Holds no logic of its own beyond the order in which they start and stop."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.config import NodeConfig, RunConfig
from gateway.host.clock import Clock
from gateway.host.gc import settle_memory
from gateway.host.service import notify, reloading
from gateway.log.batch import RunFacts, WriterStatus
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent, Reloaded
from gateway.model.figures import Requirement
from gateway.model.records import Sink
from gateway.plugin import Plugin
from gateway.radio import Radio
from gateway.report.live import NodeView, RunView
from gateway.session.deadline import within
from gateway.session.node import REQUEST_S
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


class GrowingSink(RunSink, Protocol):
    """One that nodes can join."""

    def add_node(self, name: str, plugin: Plugin, sought: str, rules: Sequence[Requirement]) -> None: ...


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
    again: Callable[[], RunConfig] | None = None,
) -> RunResult:
    """Carry out a run until its length has passed, a signal asks for its end, or it can't go on.

    Args:
        config: the proven run file.
        open_sink: makes what the run is written to, once the radio is known to work.
        length_ns: how long, None until asked to stop.
        look: called twice a second with the run's state.
        clock: stamps the records.
        again: reads the run file again when SIGHUP asks for that; nodes that are new in it join the run. Without,
            SIGHUP ends the run, as a terminal that is closed does.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: what it is to be written to can't be used.
    """
    clock = clock or Clock()
    settle_memory()
    async with _radio(config) as radio:
        await check_adapter(radio)
        writer = open_sink(_facts(config, radio, clock, length_ns))
        supervisor = Supervisor(config, radio, writer, clock)
        run = _Run(config, radio, supervisor, writer, clock)
        view = _Viewer(look, config, supervisor, writer.status, length_ns)
        how = "broken off"
        try:
            how = await _live(run, view, length_ns, again)
        finally:
            notify("STOPPING=1")
            await asyncio.to_thread(writer.close, supervisor.ended_ns or clock.now_ns(), how)
        view.show()
    unfit = tuple(session.unfit for session in supervisor.sessions if session.unfit)
    return RunResult(writer.run, how, writer.status.failed, unfit, writer.status.frames, writer.status.dropped)


@dataclass(frozen=True, slots=True)
class _Run:
    """A run in progress. Simulated nodes are kept until the radio is left: what they have under way ends with that."""

    config: RunConfig
    radio: Radio
    supervisor: Supervisor
    writer: RunSink
    clock: Clock
    twins: list[Life] = field(default_factory=list)

    def wake(self, config: RunConfig, but: Collection[str], group: asyncio.TaskGroup) -> list[asyncio.Task[None]]:
        """Let the simulated nodes of a run file live, except those named."""
        twins = _twins(config, self.radio, but)
        self.twins.extend(twins)
        return [group.create_task(twin.run(), name="simulated node") for twin in twins]


async def _live(run: _Run, view: _Viewer, length_ns: int | None, again: Callable[[], RunConfig] | None) -> str:
    """Run nodes, simulated nodes and display together until the end; returns how it came about."""
    loop = asyncio.get_running_loop()
    stop, reload = asyncio.Event(), asyncio.Event()
    with _signals(loop, stop, reload if again else None) as received:
        async with asyncio.TaskGroup() as group:
            helpers = run.wake(run.config, set(), group)
            helpers.append(group.create_task(view.run(stop), name="display"))
            if length_ns is not None:
                helpers.append(group.create_task(_set_after(length_ns / 1e9, stop), name="run length"))
            if again is not None:
                helpers.append(group.create_task(_reload(run, reload, again), name="reloading"))
            notify("READY=1")
            await run.supervisor.run(stop)
            for helper in helpers:
                helper.cancel()
    if received:
        return f"stopped by {received[0].name}"
    if view.status.failed:
        return "the disk refused the log"
    return "its length has passed" if stop.is_set() else "no node was left that could be used"


async def _reload(run: _Run, asked: asyncio.Event, again: Callable[[], RunConfig]) -> None:
    """Read the run file again whenever that is asked for; nodes that are new in it join, and all else stays."""
    async with asyncio.TaskGroup() as group:
        while True:
            await asked.wait()
            asked.clear()
            reloading()
            try:
                config = await asyncio.to_thread(again)
            except InputError as error:
                detail = Reloaded(refused=" ".join(str(error).splitlines()))
            else:
                detail = _joined(run, config, group)
            run.writer.event(LinkEvent(run.clock.now_ns(), None, detail))
            notify("READY=1")


def _joined(run: _Run, config: RunConfig, group: asyncio.TaskGroup) -> Reloaded:
    """Let the nodes join that are new in a run file; what came of that."""
    known = {session.node.name for session in run.supervisor.sessions}
    texts = {session.node.plugin.kind: session.node.plugin.text for session in run.supervisor.sessions}
    new = [node for name, node in config.nodes.items() if name not in known]
    if config.radio != run.config.radio:
        return Reloaded(refused=f"the run uses the {run.config.radio} radio; start a new run to use another")
    changed = [node.name for node in new if texts.get(node.plugin.kind, node.plugin.text) != node.plugin.text]
    if changed:
        return Reloaded(refused=f"the plugin of {', '.join(changed)} has changed since the start; start a new run")
    run.wake(config, known, group)
    for node in new:
        _join(run, config, node)
    gone = [name for name in known if name not in config.nodes]
    return Reloaded(added=[node.name for node in new], removed_still_running=gone)


def _join(run: _Run, config: RunConfig, node: NodeConfig) -> None:
    """Let a node join a run, with the requirements that were not there for another of its kind."""
    kinds = {session.node.plugin.kind for session in run.supervisor.sessions}
    whom = {node.name} if node.plugin.kind in kinds else {node.name, node.plugin.kind}
    rules = [rule for rule in config.requirements if rule.whom in whom]
    writer: GrowingSink = run.writer  # type: ignore[assignment]  # seen by the caller
    writer.add_node(node.name, node.plugin, node.find_name or node.find_address or "", rules)
    run.supervisor.add(node)


def _radio(config: RunConfig) -> Radio:
    """The radio a run file asks for; the two are imported only when used."""
    if config.radio == "virtual":
        from gateway.radio.virtual import VirtualRadio

        return VirtualRadio(config.air)
    from gateway.radio.system import SystemRadio

    return SystemRadio()


def _twins(config: RunConfig, radio: Radio, but: Collection[str]) -> list[Life]:
    """The simulated nodes of a run file, not yet started; none but on the virtual air."""
    if config.radio != "virtual":
        return []
    from gateway.radio.twin import Twin
    from gateway.radio.virtual import VirtualRadio, make_host

    assert isinstance(radio, VirtualRadio)  # noqa: S101  made from the same run file
    return [
        Twin(
            node.plugin,
            called := node.find_name or node.name.upper(),
            config.twins[name],
            make_host(radio.air, called, config.twins[name].address)[0],
            config.air.seed,
        )
        for name, node in config.nodes.items()
        if name not in but
    ]


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
            NodeView(session.node.name, session.state, session.unfit) for session in self._supervisor.sessions
        )
        try:
            self._look(RunView(self._title, elapsed_s, self._length_s, nodes, self.status, self._required))
        except (Exception, SystemExit):
            self._look = None

    @property
    def connected(self) -> int:
        """How many nodes are connected and set up."""
        return sum(session.state.up_ns is not None for session in self._supervisor.sessions)

    async def run(self, stop: asyncio.Event) -> None:
        """Show it until cancelled."""
        while True:
            self.show()
            notify("WATCHDOG=1", f"STATUS={self.status.frames} values, {self.connected} nodes connected")
            if self.status.failed:
                stop.set()
            await asyncio.sleep(LOOK_EVERY_S)


@contextlib.contextmanager
def _signals(
    loop: asyncio.AbstractEventLoop, stop: asyncio.Event, reload: asyncio.Event | None
) -> Iterator[list[signal.Signals]]:
    """Ctrl-C, SIGTERM and a closed terminal ask for the end of the run; asking again breaks it off. Where ``reload`` is
    given, SIGHUP sets that instead."""
    received: list[signal.Signals] = []
    task = asyncio.current_task()

    first_s = 0.0

    def ask(number: signal.Signals) -> None:
        nonlocal first_s
        if reload is not None and number == getattr(signal, "SIGHUP", None):
            reload.set()
            return
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

    async with _radio(config) as radio:
        await check_adapter(radio)
        twins = _twins(config, radio, set())
        async with asyncio.TaskGroup() as group:
            helpers = [group.create_task(twin.run(), name="simulated node") for twin in twins]
            scanner = radio.scanner(seen)
            await within(REQUEST_S, "starting a scan", scanner.start())
            await asyncio.sleep(seconds)
            await within(REQUEST_S, "stopping the scan", scanner.stop())
            for helper in helpers:
                helper.cancel()
    return sorted(heard.values(), key=lambda node: -node.rssi_dbm)
