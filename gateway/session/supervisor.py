"""All the nodes of a run side by side in one task group, until the run is told to stop."""

from __future__ import annotations

import asyncio
import random

from gateway.clock import Clock
from gateway.config import RunConfig
from gateway.radio import Radio
from gateway.records import EventKind, LinkEvent, Sink
from gateway.session.node import NodeSession
from gateway.session.seek import Seeker

CLOCK_CHECK_S = 10.0


class Supervisor:
    """Runs the sessions of a run's nodes; ``sessions`` are there to be looked at while it does."""

    def __init__(self, config: RunConfig, radio: Radio, sink: Sink, clock: Clock) -> None:
        self._sink, self._clock = sink, clock
        self.ended_ns: int | None = None
        gate = asyncio.Lock()
        self._seeker = Seeker(radio, gate, lambda why: self._tell(EventKind.RADIO, reason=why))
        self.sessions = [
            NodeSession(node, radio, self._seeker, gate, sink, clock, random.Random())  # noqa: S311  jitter
            for node in config.nodes.values()
        ]

    def _tell(self, kind: EventKind, **detail: object) -> None:
        self._sink.event(LinkEvent(self._clock.now_ns(), None, kind, detail))

    async def run(self, stop: asyncio.Event) -> None:
        """Run until ``stop`` is set, or until no node is left that can be used.

        Sets ``ended_ns`` before the links are let go, so that this takes nothing from the figures.
        """
        async with asyncio.TaskGroup() as group:
            helpers = [
                group.create_task(self._seeker.run(), name="seeker"),
                group.create_task(self._watch_clock(), name="clock watch"),
            ]
            lives = [group.create_task(session.run(), name=session.node.name) for session in self.sessions]
            told = asyncio.ensure_future(stop.wait())
            over = asyncio.ensure_future(asyncio.wait(lives))
            try:
                await asyncio.wait({told, over}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self.ended_ns = self._clock.now_ns()
                for task in (told, over, *lives, *helpers):
                    task.cancel()

    async def _watch_clock(self) -> None:
        while True:
            await asyncio.sleep(CLOCK_CHECK_S)
            if step_ns := self._clock.wall_step_ns():
                self._tell(EventKind.CLOCK_STEP, step_s=step_ns / 1e9)
