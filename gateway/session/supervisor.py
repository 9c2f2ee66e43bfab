"""All the nodes of a run side by side in one task group, until the run is told to stop."""

from __future__ import annotations

import asyncio
import random

from gateway.config import NodeConfig, RunConfig
from gateway.host.clock import Clock
from gateway.host.timesync import synchronised
from gateway.model.events import (
    AddressDiffers,
    ClockStep,
    Detail,
    HostClock,
    HostDelay,
    HostStalled,
    LinkEvent,
    RadioTrouble,
)
from gateway.model.records import Sink
from gateway.radio import Radio
from gateway.session.broadcast import Listener
from gateway.session.node import NodeSession
from gateway.session.seek import Seeker

CLOCK_CHECK_S = 10.0
HOST_CHECK_S = 0.1
STALL_S = 0.25
DELAY_TOLD_S = 3600.0
_CHECKS_AN_HOUR = 360
_DELAYS = round(DELAY_TOLD_S / HOST_CHECK_S)


class Supervisor:
    """Runs the sessions of a run's nodes; ``sessions`` are there to be looked at while it does."""

    def __init__(self, config: RunConfig, radio: Radio, sink: Sink, clock: Clock) -> None:
        self._sink, self._clock = sink, clock
        self.ended_ns: int | None = None
        self._radio, self._gate = radio, asyncio.Lock()
        self._seeker = Seeker(radio, self._gate, lambda why: self._tell(RadioTrouble(reason=why)), self._second)
        self._more = asyncio.Event()  # nodes were added
        self.sessions: list[NodeSession | Listener] = []
        self._listeners: list[Listener] = []  # of nodes that are connected to as well
        for node in config.nodes.values():
            self.add(node)

    def add(self, node: NodeConfig) -> None:
        """Run another node, from now on."""
        chance = random.Random()  # noqa: S311  jitter
        listener = Listener(node, self._sink, self._clock) if node.plugin.broadcasts else None
        if listener is not None:
            self._seeker.pass_on(listener)
        if listener is not None and listener.alone:
            self.sessions.append(listener)
        else:
            on_link = listener.linked if listener is not None else None
            self.sessions.append(
                NodeSession(node, self._radio, self._seeker, self._gate, self._sink, self._clock, chance, on_link)
            )
            self._listeners += [listener] if listener is not None else []
        self._more.set()

    def _tell(self, detail: Detail, node: str | None = None) -> None:
        self._sink.event(LinkEvent(self._clock.now_ns(), node, detail))

    def _second(self, node: NodeConfig, linked: str, found: str) -> None:
        note = "two nodes advertise this name; find them by address"
        self._tell(AddressDiffers(name=node.find_name or "", before=linked, found=found, note=note), node.name)

    async def run(self, stop: asyncio.Event) -> None:
        """Run until ``stop`` is set, or until no node is left that can be used.

        Sets ``ended_ns`` before the links are let go, so that this takes nothing from the figures.
        """
        async with asyncio.TaskGroup() as group:
            helpers = [
                group.create_task(self._seeker.run(), name="seeker"),
                group.create_task(self._watch_clock(), name="clock watch"),
                group.create_task(self._watch_host(), name="host watch"),
            ]
            lives: list[asyncio.Task[None]] = []
            beside = 0
            told = asyncio.ensure_future(stop.wait())
            try:
                while self._more.is_set() and not told.done():
                    self._more.clear()
                    for session in self.sessions[len(lives) :]:
                        lives.append(group.create_task(session.run(), name=session.node.name))
                    for listener in self._listeners[beside:]:
                        helpers.append(group.create_task(listener.run(), name=f"{listener.node.name} advertising"))
                    beside = len(self._listeners)
                    over = asyncio.ensure_future(asyncio.wait(lives))
                    more = asyncio.ensure_future(self._more.wait())
                    try:
                        await asyncio.wait({told, over, more}, return_when=asyncio.FIRST_COMPLETED)
                    finally:
                        over.cancel()
                        more.cancel()
            finally:
                self.ended_ns = self._clock.now_ns()
                for task in (told, *lives, *helpers):
                    task.cancel()

    async def _watch_host(self) -> None:
        """Tell where this machine did not run the program, as what came meanwhile was stamped when it ran again; and
        now and then how late it mostly was."""
        delays_s: list[float] = []
        before_ns = self._clock.now_ns()
        try:
            while True:
                await asyncio.sleep(HOST_CHECK_S)
                now_ns = self._clock.now_ns()
                late_s = (now_ns - before_ns) / 1e9 - HOST_CHECK_S
                if late_s > STALL_S:
                    self._tell(HostStalled(span_s=round(late_s + HOST_CHECK_S, 3)))
                before_ns = now_ns
                delays_s.append(late_s)
                if len(delays_s) == _DELAYS:
                    self._tell(_delay(delays_s))
                    delays_s.clear()
        finally:
            if delays_s:
                self._tell(_delay(delays_s))

    async def _watch_clock(self) -> None:
        """Tell of steps of the wall clock, and at the start, the end and every hour what holds it to UTC."""
        checks = 0
        try:
            while True:
                if checks % _CHECKS_AN_HOUR == 0:
                    self._tell_held()
                checks += 1
                await asyncio.sleep(CLOCK_CHECK_S)
                if step_ns := self._clock.wall_step_ns():
                    self._tell(ClockStep(step_s=step_ns / 1e9))
        finally:
            self._tell_held()

    def _tell_held(self) -> None:
        if (found := synchronised()) is not None:
            most_ms, likely_ms = round(found.most_s * 1e3, 3), round(found.likely_s * 1e3, 3)
            self._tell(HostClock(held=found.held, most_ms=most_ms, likely_ms=likely_ms))


def _delay(delays_s: list[float]) -> HostDelay:
    in_order = sorted(max(one, 0.0) for one in delays_s)
    ms = [round(in_order[min(int(len(in_order) * share), len(in_order) - 1)] * 1e3, 2) for share in (0.5, 0.999, 1)]
    return HostDelay(median_ms=ms[0], p999_ms=ms[1], longest_ms=ms[2], times=len(in_order))
