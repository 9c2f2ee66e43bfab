"""Carry out procedures of a control point: write, await the answer, and tell how it went."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from gateway.model.errors import DecodeError, PayloadError, RadioError, RefusedError
from gateway.model.events import Detail, ProcedureDone, ProcedureFailed
from gateway.plugin import Plugin
from gateway.plugin.layout.kind import Value
from gateway.plugin.procedure import Procedure
from gateway.session.deadline import within

Write = Callable[[str, bytes], Awaitable[None]]  # to a characteristic, with a response where it gives one


@dataclass(slots=True)
class _Waiting:
    procedure: Procedure
    answer: asyncio.Future[dict[str, Any]]
    values: int = 0


@dataclass(slots=True)
class Answers:
    """What comes on a link, for those who wait for an answer.

    Attributes:
        heard: how many values of each channel came.
    """

    plugin: Plugin
    heard: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    _waiting: _Waiting | None = None

    def take(self, channel: str, raw: bytes) -> None:
        """A value came; cheap where nobody waits."""
        waiting = self._waiting
        if waiting is None:
            return
        if channel == waiting.procedure.sends:
            waiting.values += 1
        if channel == waiting.procedure.answer and not waiting.answer.done():
            item = self.plugin.characteristics[channel]
            try:
                told, _ = item.codec.parse(raw)
            except DecodeError:
                return
            if waiting.procedure.answers(told):
                waiting.answer.set_result(told)

    async def carry_out(
        self, procedure: Procedure, arguments: Mapping[str, Value], write: Write, lost: asyncio.Event
    ) -> tuple[dict[str, Any], int]:
        """Write, and await the answer: its transmitted numbers, and how many values came before it.

        Raises:
            RefusedError: the node answered the write with an ATT error.
            RadioError: no answer in time, or the link was lost.
            PayloadError: an argument does not fit.
        """
        raw = procedure.written(arguments)
        waiting = self._waiting = _Waiting(procedure, asyncio.get_running_loop().create_future())
        try:
            await write(procedure.target, raw)
            if not procedure.answer:
                return {}, 0
            told = await within(procedure.timeout_ns / 1e9, f"procedure {procedure.name}", waiting.answer, lost)
            return told, waiting.values
        finally:
            self._waiting = None


def result_text(plugin: Plugin, procedure: Procedure, told: Mapping[str, Any]) -> str:
    """How a procedure went, as the answer has it."""
    if not procedure.result or procedure.result not in told:
        return "answered" if told else "written"
    number = told[procedure.result]
    layout = plugin.characteristics[procedure.answer].layout
    own = next(one for one in layout.fields if one.name == procedure.result)
    return str((own.names or {}).get(number, number))


async def perform(
    plugin: Plugin,
    procedure: Procedure,
    arguments: Mapping[str, Value],
    answers: Answers,
    write: Write,
    lost: asyncio.Event,
    now_ns: Callable[[], int],
) -> Detail:
    """Carry out a procedure: the event that tells how it went.

    One that sends stored values is held against the procedure that counts them, where there is one.

    Raises:
        RadioError: the link was lost.
    """
    began_ns, expected = now_ns(), None
    counting = next((one for one in plugin.procedures.values() if one.counts and one.counts == procedure.sends), None)
    try:
        if counting is not None:
            counted, _ = await answers.carry_out(counting, {}, write, lost)
            expected = int(counted[counting.count]) if counting.count in counted else None
        told, values = await answers.carry_out(procedure, arguments, write, lost)
    except (RefusedError, PayloadError) as error:
        return ProcedureFailed(procedure=procedure.name, reason=str(error))
    except RadioError as error:
        if lost.is_set():
            raise
        return ProcedureFailed(procedure=procedure.name, reason=str(error))
    result = result_text(plugin, procedure, told)
    if procedure.result in told and told[procedure.result] != procedure.success:
        return ProcedureFailed(procedure=procedure.name, reason=f"result: {result}")
    if expected is not None and values != expected:
        reason = f"{values} stored values came, {counting.name if counting else ''} told of {expected}"
        return ProcedureFailed(procedure=procedure.name, reason=reason)
    return ProcedureDone(
        procedure=procedure.name,
        result=result,
        took_s=round((now_ns() - began_ns) / 1e9, 3),
        values=values if procedure.sends else None,
        told={key: value for key, value in told.items() if isinstance(value, int | float)},
    )
