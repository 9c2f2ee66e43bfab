"""Try a procedure of a control point on a linked node, and what its control point is to refuse."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from gateway.model.errors import DecodeError, RefusedError
from gateway.model.events import ProcedureFailed
from gateway.model.records import Outcome
from gateway.plugin.procedure import Procedure
from gateway.session.procedure import perform, result_text
from gateway.verify.exercise.client import NodeClient
from gateway.verify.exercise.plan import StepKind

_BOTH = 2
_SOON_S = 2.0  # within which a refusal is answered; common practice
_NOT_SUBSCRIBED, _IN_PROGRESS = "0xFD", "0xFE"  # Core Specification Supplement, Part B, 1.2


@dataclass(frozen=True, slots=True)
class Seen:
    """What came of a step."""

    outcome: Outcome
    found: str


async def _answers(node: NodeClient, procedure: Procedure) -> Seen:
    told = await perform(node.plugin, procedure, {}, node.answers, node.command, node.lost, node.now_ns)
    if isinstance(told, ProcedureFailed):
        return Seen(Outcome.FAIL, told.reason)
    facts = told.facts()
    values = f" after {facts['values']} values" if facts.get("values") is not None else ""
    return Seen(Outcome.PASS, f"{facts['result']}{values}, {facts['took_s']} s")


async def _refused(node: NodeClient, procedure: Procedure, raw: bytes, opcode: int) -> Seen:
    """Write a command that can't be carried out."""
    mark = node.now_ns()
    try:
        await node.command(procedure.target, raw)
    except RefusedError as error:
        return Seen(Outcome.PASS, str(error))
    if not procedure.answer:
        return Seen(Outcome.INCONCLUSIVE, "the write was taken, and no answer is declared that would tell more")
    for _, answer in await node.wait_for(procedure.answer, 1, _SOON_S) or node.since(procedure.answer, mark):
        told, _ = node.plugin.characteristics[procedure.answer].codec.parse(answer)
        if procedure.request and told.get(procedure.request) != opcode:
            continue
        said = result_text(node.plugin, procedure, told)
        good = bool(procedure.result) and told[procedure.result] != procedure.success
        return Seen(Outcome.PASS if good else Outcome.FAIL, f"answered: {said}")
    return Seen(Outcome.FAIL, "the write was taken, and nothing answered it")


async def _unknown(node: NodeClient, procedure: Procedure) -> Seen:
    taken = {one.opcode for one in node.plugin.procedures.values() if one.target == procedure.target}
    opcode = next(number for number in range(0xFF, -1, -1) if number not in taken)
    by_result = next(
        (o for o in node.plugin.procedures.values() if o.target == procedure.target and o.result), procedure
    )
    return await _refused(node, by_result, bytes([opcode]) + procedure.written({})[1:], opcode)


async def _too_long(node: NodeClient, procedure: Procedure) -> Seen:
    return await _refused(node, procedure, procedure.written({}) + b"\0", procedure.opcode)


async def _unheard(node: NodeClient, procedure: Procedure) -> Seen:
    async with node.unsubscribed(procedure.answer):
        try:
            await node.command(procedure.target, procedure.written({}))
        except RefusedError as error:
            return Seen(Outcome.PASS if _NOT_SUBSCRIBED in str(error) else Outcome.FAIL, str(error))
    return Seen(Outcome.FAIL, "the write was taken, though nobody could hear the answer")


def _answers_to(node: NodeClient, procedure: Procedure, since_ns: int) -> int:
    """How many answers to a procedure came since a time."""
    codec, count = node.plugin.characteristics[procedure.answer].codec, 0
    for _, raw in node.since(procedure.answer, since_ns):
        with contextlib.suppress(DecodeError):
            count += procedure.answers(codec.parse(raw)[0])
    return count


async def _busy(node: NodeClient, procedure: Procedure) -> Seen:
    """Write it twice in a row: the second is refused, or waits for its turn."""
    begun, mark_ns = asyncio.Event(), node.now_ns()

    async def write(name: str, raw: bytes) -> None:
        await node.command(name, raw)
        if raw[0] == procedure.opcode:
            begun.set()

    first = asyncio.ensure_future(perform(node.plugin, procedure, {}, node.answers, write, node.lost, node.now_ns))
    written = asyncio.ensure_future(begun.wait())
    try:
        await asyncio.wait({first, written}, return_when=asyncio.FIRST_COMPLETED)
        if not begun.is_set():
            return Seen(Outcome.FAIL, str(first.result().facts().get("reason", "")))
        try:
            await node.command(procedure.target, procedure.written({}))
            answer = "taken"
        except RefusedError as error:
            answer = str(error)
        told = await first
    finally:
        for task in (first, written):
            task.cancel()
        await asyncio.wait({first, written})
    if _IN_PROGRESS in answer:
        return Seen(Outcome.PASS, answer)
    if answer != "taken":
        return Seen(Outcome.FAIL, answer)
    if isinstance(told, ProcedureFailed):
        return Seen(Outcome.FAIL, f"both were taken, and the first came to nothing: {told.reason}")
    if _answers_to(node, procedure, mark_ns) < _BOTH:  # the second may have come with the first
        await node.wait_for(procedure.answer, 1, procedure.timeout_ns / 1e9)
    if _answers_to(node, procedure, mark_ns) >= _BOTH:
        return Seen(Outcome.PASS, "taken, and answered one after the other")
    return Seen(Outcome.FAIL, "taken while the first was in progress, and only one was answered")


COMMANDS: Mapping[StepKind, Callable[[NodeClient, Procedure], Awaitable[Seen]]] = {
    StepKind.ANSWERS: _answers,
    StepKind.UNKNOWN: _unknown,
    StepKind.TOO_LONG: _too_long,
    StepKind.UNHEARD: _unheard,
    StepKind.BUSY: _busy,
}
