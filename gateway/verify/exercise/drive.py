"""Go through a plan: link the node, try each step, link again where the link is lost, note every verdict in the log,
and leave the node set as it was found."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass

from gateway.host.clock import Clock
from gateway.model import events
from gateway.model.errors import NodeError, PayloadError, RadioError, RefusedError
from gateway.model.events import LinkEvent
from gateway.model.records import Outcome, Sink
from gateway.model.security import Pairing
from gateway.model.utc import duration_text
from gateway.plugin import Plugin
from gateway.radio import Radio
from gateway.verify.exercise.client import NodeClient, link, started
from gateway.verify.exercise.command import Seen
from gateway.verify.exercise.plan import Step, StepKind
from gateway.verify.exercise.steps import act, after_new_link, before_new_link

_TRIES = 2  # of a step whose link is lost
_LINKS = 3  # how often linking is tried before the node counts as gone
_RESTORE_S = 30.0


@dataclass(frozen=True, slots=True)
class Tried:
    """A step with its verdict; ``run`` is the earlier run of the log it was tried in, None for this one."""

    step: Step
    outcome: Outcome
    found: str
    run: int | None = None


class Drive:
    """An exercise of one node.

    Args:
        who: its name or address on the air.
        plugin: what it is declared to be.
        pairing: what to pair with, None where it asks for nothing.
        patience_s: the longest a single step may take.
        earlier: steps already tried, by name.
        told: called with each step that is done.
    """

    def __init__(
        self,
        who: str,
        plugin: Plugin,
        pairing: Pairing | None,
        radio: Radio,
        sink: Sink,
        clock: Clock,
        patience_s: float,
        earlier: Mapping[str, Tried],
        told: Callable[[Tried], None],
    ) -> None:
        self._who, self._plugin, self._pairing, self._radio = who, plugin, pairing, radio
        self._sink, self._clock = sink, clock
        self._patience_s, self._earlier, self._told = patience_s, earlier, told
        self._stack = AsyncExitStack()
        self._hands: NodeClient | None = None
        self._first: dict[str, bytes] | None = None  # settings as they were found
        self._gone = ""
        self.left = ""  # why the node is not set as it was found
        self.tried: list[Tried] = []

    async def run(self, plan: Sequence[Step]) -> None:
        """Try every step; what was tried is in ``tried``, also when this is cancelled."""
        try:
            for step in plan:
                done = self._earlier.get(step.name) or await self._decide(step)
                self.tried.append(done)
                self._note(done)
                self._told(done)
        finally:
            try:
                async with asyncio.timeout(_RESTORE_S):
                    await self._restore()
            except (RadioError, TimeoutError) as error:
                why = str(error) or f"no answer within {_RESTORE_S:g} s"
                self.left = f"the settings could not be restored: {why}"
                self._sink.event(LinkEvent(self._clock.now_ns(), self._who, events.RadioTrouble(reason=self.left)))
            finally:
                await self._stack.aclose()

    def _note(self, done: Tried) -> None:
        detail = events.ExerciseStep(
            step=done.step.name,
            verdict=done.outcome.value,
            expected=done.step.expected,
            found=done.found,
            tried_in_run=done.run,
        )
        self._sink.event(LinkEvent(self._clock.now_ns(), self._who, detail))

    async def _decide(self, step: Step) -> Tried:
        resting = [one for one in self.tried if step.rests_on(one.step) and one.outcome is not Outcome.PASS]
        if resting:
            why = f'not tried: it depends on "{resting[0].step.name}", which did not pass'
        elif step.unseen:
            why = "not tried: its values are advertised, and can't be seen while the node is connected; see a run"
        elif step.seconds > self._patience_s:
            why = f"not tried: it takes {duration_text(round(step.seconds))}, more than --patience allows"
        elif self._gone:
            why = f"not tried: {self._gone}"
        else:
            seen = await self._try(step)
            return Tried(step, seen.outcome, seen.found)
        return Tried(step, Outcome.INCONCLUSIVE, why)

    async def _try(self, step: Step) -> Seen:
        why, lost = "", 0
        for _ in range(_TRIES):
            try:
                node = await self._linked()
            except RadioError as error:  # a node that is away or another is not waited for again and again
                self._gone = str(error)
                return Seen(Outcome.INCONCLUSIVE, f"{why}; {error}" if why else str(error))
            try:
                if step.kind is not StepKind.RETURNS:
                    return await act(step, node)
                before = await before_new_link(step, node)
                await self._let_go()
                return await after_new_link(step, await self._linked(), before)
            except (RefusedError, PayloadError) as error:  # a read that is refused, or reads as something else
                return Seen(Outcome.FAIL, str(error))
            except RadioError as error:
                why = str(error)
                lost += node.lost.is_set()
                await self._let_go()
        if step.kind is StepKind.REFUSES and lost == _TRIES:  # not once by chance
            return Seen(Outcome.FAIL, f"the link was lost each time: {why}")
        return Seen(Outcome.INCONCLUSIVE, why)

    async def _linked(self) -> NodeClient:
        """The link, made anew where there is none.

        Raises:
            RadioError: it could not be made, however often it was tried.
        """
        if self._hands is None or self._hands.lost.is_set():
            await self._let_go()
            for left in reversed(range(_LINKS)):
                try:
                    self._hands = await self._stack.enter_async_context(
                        link(self._who, self._plugin, self._pairing, self._radio, self._sink, self._clock)
                    )
                    break
                except NodeError:
                    raise
                except RadioError:
                    if not left:
                        raise
            assert self._hands is not None  # noqa: S101  or it was raised why not
            if self._first is None:
                unread = {name: started(self._plugin, name) for name in self._plugin.settings}
                self._first = unread | await self._hands.snapshot()
        return self._hands

    async def _let_go(self) -> None:
        self._hands = None
        await self._stack.aclose()

    async def _restore(self) -> None:
        """Write the settings that differ from what was found."""
        if self._first is None:
            return
        node = await self._linked()
        now = await node.snapshot()
        for name, raw in self._first.items():  # one that can't be read is set as it is declared to start
            if name in self._plugin.settings and now.get(name) != raw:
                await node.write(name, raw)
