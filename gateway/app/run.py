"""Carry out a run: radio, simulated nodes, sessions and log joined together, from the first scan to the verdicts.
Holds no logic of its own beyond the order in which they start and stop."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gateway.app.air import make_twins
from gateway.app.judge import Judged, judge
from gateway.app.look import Looks
from gateway.config import NodeConfig, RunConfig
from gateway.host.clock import Clock
from gateway.host.gc import freeze_gc
from gateway.host.keys import load_key
from gateway.host.passkey import with_passkey
from gateway.host.service import notify, reloading
from gateway.log.batch import WriterStatus
from gateway.log.info import RunInfo
from gateway.log.reader import Log
from gateway.log.signature import sign_run
from gateway.log.store import RunFacts
from gateway.model.errors import InputError, LogFileError
from gateway.model.events import Disconnected, LinkEvent, RadioTrouble, Reloaded, Resumed
from gateway.model.figures import Requirement
from gateway.model.radios import RadioName
from gateway.model.records import Sink
from gateway.mqtt.publish.process import sending
from gateway.plugin import Plugin
from gateway.radio import Radio, open_radio
from gateway.report.health import Health
from gateway.report.journal import Journal
from gateway.report.live import NodeView, RunView
from gateway.report.machine import verdicts_by_node
from gateway.session.seek import check_adapter
from gateway.session.supervisor import Supervisor

if TYPE_CHECKING:
    from gateway.radio.twin import Twin

VIEW_EVERY_S = 0.5
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


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run went.

    Attributes:
        log: where it is; elsewhere than it began where that was moved or deleted.
        rest: a second log with what could not be written into the first, None where nothing is missing there.
        failed: why something of it is not in the log, "" where nothing is.
        note: what went wrong with the log and was put right.
        unfit: what is wrong with each node that could not be used.
    """

    log: Path
    run: int
    how: str
    failed: str
    unfit: tuple[str, ...]
    frames: int
    dropped: int
    note: str
    rest: Path | None = None

    @property
    def troubles(self) -> list[str]:
        """What went wrong, a line each."""
        dropped = [f"{self.dropped} values could not be stored"] if self.dropped else []
        return [*self.unfit, *([self.failed] if self.failed else []), *dropped]


async def execute(
    config: RunConfig,
    open_sink: Callable[[RunFacts], RunSink],
    length_ns: int | None,
    on_view: Callable[[RunView], None],
    clock: Clock | None = None,
    reload: Callable[[], RunConfig] | None = None,
    before: RunInfo | None = None,
) -> RunResult:
    """Carry out a run until its length has passed, a signal asks for its end, or it can't go on.

    Args:
        config: the proven run file.
        open_sink: makes what the run is written to, once the radio is known to work.
        length_ns: how long, None until asked to stop.
        on_view: called twice a second with the run's state.
        clock: stamps the records.
        reload: reads the run file again when SIGHUP asks for that; nodes that are new in it join the run. Without,
            SIGHUP ends the run, as a terminal that is closed does.
        before: a run that was cut off, which this one continues.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: what it is to be written to can't be used, or a passkey is missing.
    """
    clock = clock or Clock()
    config = _with_passkeys(config)
    freeze_gc()
    async with open_radio(config.radio, config.air, config.transport, config.snoop) as radio:
        await check_adapter(radio)
        facts = _facts(config, radio, clock, length_ns)
        if before is not None:
            facts = replace(facts, started_ns=before.started_ns, planned_ns=before.planned_ns, uid=before.uid)
        writer = open_sink(facts)
        if before is not None:
            _resume(writer, before, clock.now_ns())
            length_ns = None if length_ns is None else max(length_ns - round(before.lasted_s * 1e9), 0)
        supervisor = Supervisor(config, radio, writer, clock)
        run = _Run(config, radio, supervisor, writer, clock)
        view = _Viewer(on_view, config, supervisor, writer.status, length_ns)
        how = "interrupted"
        try:
            with _strays_logged(run):
                how = await _live(run, view, length_ns, reload)
        finally:
            notify("STOPPING=1")
            await asyncio.to_thread(writer.close, supervisor.ended_ns or clock.now_ns(), how)
        view.show()
    unfit = tuple(session.unfit for session in supervisor.sessions if session.unfit)
    status = writer.status
    return RunResult(
        status.path, writer.run, how, status.failed, unfit, status.frames, status.dropped, status.note, status.rest
    )


@dataclass(frozen=True, slots=True)
class Finished:
    """A run that has ended, judged.

    Attributes:
        log: where it is.
        result: how it went.
        judged: its verdicts; where the log could not be written to the end, of what is in it.
        sending: how its values went on to a broker, "" without one.
        unsent: whether something is left to send.
    """

    log: Path
    result: RunResult
    judged: Judged
    sending: str = ""
    unsent: bool = False

    @property
    def troubles(self) -> list[str]:
        """What went wrong besides failed requirements, a line each."""
        return self.result.troubles


async def run(
    config: RunConfig,
    log: Path,
    length_ns: int | None = None,
    on_view: Callable[[RunView], None] = lambda view: None,
    health: Path | None = None,
    reload: Callable[[], RunConfig] | None = None,
    before: RunInfo | None = None,
    on_judged: Callable[[Finished], None] = lambda finished: None,
) -> Finished:
    """Log the nodes of a run file, send what its broker is to have, and judge the run.

    Args:
        config: the proven run file.
        log: the log; an existing one gets a run more. A text of the events stands beside it.
        length_ns: how long; None until asked to stop.
        on_view: called twice a second with the state of the run.
        health: a file to keep that says what each node is doing.
        reload: as for `execute`.
        before: a run of the log to continue, from `cut_off_run`: it stays one run, and the time in which nobody
            listened is charged to no node.
        on_judged: called with the verdicts before what is left is sent to the broker, which can take a while.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: the log can't be used.
    """
    key = load_key(config.sign) if config.sign is not None else None
    journal = Journal(log, None if before is None else time.time_ns())
    shows: list[Callable[[RunView], None]] = [journal, on_view, *([Health(health)] if health is not None else [])]
    with sending(config.mqtt, log) as sender, Looks(before.lasted_s if before is not None else 0.0) as looks:

        def show(view: RunView) -> None:
            if sender:
                with contextlib.suppress(OSError):  # no process to be had now
                    sender.follow(view.status.path)
                    sender.tend(time.monotonic())
            whole = replace(view, sending=sender.line if sender else "", so_far=looks(view))
            for one in list(shows):
                try:
                    one(whole)
                except (Exception, SystemExit):  # its pipe is gone, its disk full: the others go on
                    shows.remove(one)

        result = await execute(config, lambda facts: journal.sink(facts, log), length_ns, show, None, reload, before)
        if key is not None:
            result = await asyncio.to_thread(_signed, result, key)
        try:
            finished = Finished(result.log, result, await asyncio.to_thread(judge, result.log, result.run))
        except LogFileError as error:
            raise InputError("\n".join([*result.troubles, str(error)])) from None
        on_judged(finished)
        if sender is None:
            return finished
        sender.follow(result.log)
        for node, own in verdicts_by_node(finished.judged.run, finished.judged.verdicts).items():
            sender.verdicts(node, own)
        await asyncio.to_thread(sender.end)
        lines, unsent = [sender.line], not sender.progress.done
        if result.rest is not None:
            with sending(config.mqtt, result.rest) as second:
                if second is not None:
                    await asyncio.to_thread(second.end)
                    lines.append(f"{result.rest.name} to {second.line}")
                    unsent = unsent or not second.progress.done
        return replace(finished, sending="; ".join(lines), unsent=unsent)


def _signed(result: RunResult, key: Ed25519PrivateKey) -> RunResult:
    """The result once its run is signed; that it could not be is told, and the run judged all the same."""
    try:
        sign_run(result.log, result.run, key)
    except LogFileError as error:
        failed = f"{result.failed}; " if result.failed else ""
        return replace(result, failed=f"{failed}not signed: {error}")
    return result


def cut_off_run(config: RunConfig, log: Path) -> RunInfo | None:
    """The newest run of a log, where it is of this run file and nobody ended it.

    Raises:
        LogFileError: it is no log.
    """
    if not log.exists() or not log.stat().st_size:
        return None
    with Log(log) as opened:
        newest = opened.run() if opened.run_ids() else None
    return newest if newest is not None and newest.ended_ns is None and newest.run_text == config.text else None


def _resume(writer: RunSink, before: RunInfo, now_ns: int) -> None:
    """Note that nobody listened since a run was cut off."""
    for node in before.nodes:
        writer.event(LinkEvent(before.end_ns, node.name, Disconnected()))
    writer.event(LinkEvent(now_ns, None, Resumed(paused_s=(now_ns - before.end_ns) / 1e9)))


@dataclass(frozen=True, slots=True)
class _Run:
    """A run in progress. Simulated nodes are kept until the radio is left: what they have under way ends with that."""

    config: RunConfig
    radio: Radio
    supervisor: Supervisor
    writer: RunSink
    clock: Clock
    twins: list[Twin] = field(default_factory=list)

    def wake(self, config: RunConfig, but: Collection[str], group: asyncio.TaskGroup) -> list[asyncio.Task[None]]:
        """Let the simulated nodes of a run file live, except those named."""
        twins = list(make_twins(config, self.radio, but).values())
        self.twins.extend(twins)
        return [group.create_task(twin.run(), name="simulated node") for twin in twins]


@contextlib.contextmanager
def _strays_logged(run: _Run) -> Iterator[None]:
    """What a Bluetooth stack leaves behind in the loop is an event meanwhile, not lines on the terminal."""
    loop = asyncio.get_running_loop()
    handler = loop.get_exception_handler()

    def stray(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        reason = f"{context.get('message', '')}: {error!r}" if error else str(context.get("message", ""))
        run.writer.event(LinkEvent(run.clock.now_ns(), None, RadioTrouble(reason=" ".join(reason.split()))))

    if run.config.radio is not RadioName.VIRTUAL:  # which is of this process and knows its own
        loop.set_exception_handler(stray)
    try:
        yield
    finally:
        loop.set_exception_handler(handler)


async def _live(run: _Run, view: _Viewer, length_ns: int | None, reload: Callable[[], RunConfig] | None) -> str:
    """Run nodes, simulated nodes and display together until the end; returns how it came about."""
    loop = asyncio.get_running_loop()
    stop, reload_asked = asyncio.Event(), asyncio.Event()
    with _signals(loop, stop, reload_asked if reload else None) as received:
        async with asyncio.TaskGroup() as group:
            helpers = run.wake(run.config, set(), group)
            helpers.append(group.create_task(view.run(), name="display"))
            if length_ns is not None:
                helpers.append(group.create_task(_set_after(length_ns / 1e9, stop), name="run length"))
            if reload is not None:
                helpers.append(group.create_task(_reload(run, reload_asked, reload), name="reloading"))
            notify("READY=1")
            await run.supervisor.run(stop)
            for helper in helpers:
                helper.cancel()
    if received:
        return f"stopped by {received[0].name}"
    return "duration reached" if stop.is_set() else "no usable node left"


async def _reload(run: _Run, asked: asyncio.Event, reload: Callable[[], RunConfig]) -> None:
    """Read the run file again whenever that is asked for; nodes that are new in it join, and all else stays."""
    async with asyncio.TaskGroup() as group:
        while True:
            await asked.wait()
            asked.clear()
            reloading()
            try:
                config = _with_passkeys(await asyncio.to_thread(reload))
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


def _with_passkeys(config: RunConfig) -> RunConfig:
    """A run file with what its nodes are to be paired with.

    Raises:
        InputError: a passkey is missing.
    """
    known = {n: replace(o, pairing=with_passkey(n, o.pairing, o.passkey)) for n, o in config.nodes.items()}
    return replace(config, nodes=known)


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
    """Shows a run now and then."""

    def __init__(
        self,
        on_view: Callable[[RunView], None],
        config: RunConfig,
        supervisor: Supervisor,
        status: WriterStatus,
        length_ns: int | None,
    ) -> None:
        self.status = status
        self._on_view: Callable[[RunView], None] | None = on_view
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
        if self._on_view is None:
            return
        elapsed_s = self._loop.time() - self._begun
        nodes = tuple(
            NodeView(session.node.name, session.state, session.unfit) for session in self._supervisor.sessions
        )
        try:
            self._on_view(RunView(self._title, elapsed_s, self._length_s, nodes, self.status, self._required))
        except (Exception, SystemExit):
            self._on_view = None

    @property
    def connected(self) -> int:
        """How many nodes are connected and set up."""
        return sum(session.state.up_ns is not None for session in self._supervisor.sessions)

    async def run(self) -> None:
        """Show it until cancelled."""
        while True:
            self.show()
            notify("WATCHDOG=1", f"STATUS={self.status.frames} values, {self.connected} nodes connected")
            await asyncio.sleep(VIEW_EVERY_S)


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
