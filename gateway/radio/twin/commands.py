"""The control point of a simulated node: procedures are taken one at a time, stored values are counted, sent and
deleted, and every way a firmware can get that wrong, on demand. Error codes: Core Specification Supplement,
Part B, 1.2."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Collection

from bumble import att

from gateway.model.errors import DecodeError
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.layout.kind import Value
from gateway.plugin.procedure import Procedure
from gateway.radio.twin.signal import resting_value

_NOT_SUBSCRIBED, _IN_PROGRESS, _UNKNOWN = 0xFD, 0xFE, 0x80
_KEPT = 50  # values a channel keeps until they are asked for, where nothing is declared
Push = Callable[[Characteristic, bytes], Awaitable[None]]


class Commands:
    """What a simulated node does when it is commanded.

    Args:
        plugin: what it is.
        wrong: what its firmware does wrong, of `config.FIRMWARE_FAULTS`.
        listener: whether somebody is subscribed to a characteristic.
        push: sends a value.
    """

    def __init__(
        self, plugin: Plugin, wrong: Collection[str], listener: Callable[[Characteristic], bool], push: Push
    ) -> None:
        self._plugin, self._wrong, self._listener, self._push = plugin, frozenset(wrong), listener, push
        self.kept: dict[str, deque[bytes]] = {
            one.sends: deque(maxlen=plugin.characteristics[one.sends].stores or _KEPT)
            for one in plugin.procedures.values()
            if one.sends
        }
        self._asked: asyncio.Queue[tuple[Procedure, int]] = asyncio.Queue()
        self._busy = False

    def at(self, item: Characteristic) -> list[Procedure]:
        """The procedures of a control point."""
        procedures = self._plugin.procedures.values()
        return [one for one in procedures if self._plugin.characteristics[one.target].uuid == item.uuid]

    def write(self, item: Characteristic, raw: bytes) -> None:
        """Take a written command.

        Raises:
            att.ATT_Error: it is refused.
        """
        known = self.at(item)
        first = next((one for one in known if one.unknown is not None), known[0])
        heard = not first.answer or self._listener(self._plugin.characteristics[first.answer])
        if not heard and "answers-unsubscribed" not in self._wrong:
            raise att.ATT_Error(att.ErrorCode(_NOT_SUBSCRIBED))
        if self._busy and "takes-two-procedures" not in self._wrong:
            raise att.ATT_Error(att.ErrorCode(_IN_PROGRESS))
        procedure = next((one for one in known if raw[:1] == bytes([one.opcode])), None)
        if not raw:
            raise att.ATT_Error(att.ATT_INVALID_ATTRIBUTE_LENGTH_ERROR)
        if procedure is None:
            if first.unknown is None and "takes-any-opcode" not in self._wrong:
                raise att.ATT_Error(att.ErrorCode(_UNKNOWN))
            procedure = first
        else:
            try:
                procedure.codec.parse(raw)
            except DecodeError:
                if "accepts-any-length" not in self._wrong:
                    raise att.ATT_Error(att.ATT_INVALID_ATTRIBUTE_LENGTH_ERROR) from None
        self._busy = True
        self._asked.put_nowait((procedure, raw[0]))

    def link_ended(self) -> None:
        """Forget what was asked for."""
        while not self._asked.empty():
            self._asked.get_nowait()
        self._busy = False

    async def run(self) -> None:
        """Carry out what is asked for, until cancelled."""
        while True:
            procedure, opcode = await self._asked.get()
            if opcode == procedure.opcode:
                for raw in list(self.kept.get(procedure.sends, ())):
                    await self._push(self._plugin.characteristics[procedure.sends], raw)
                self.kept.get(procedure.clears, deque()).clear()
            if procedure.answer and "answers-nothing" not in self._wrong:
                await self._push(self._plugin.characteristics[procedure.answer], self._answer(procedure, opcode))
            self._busy = not self._asked.empty()

    def _answer(self, procedure: Procedure, opcode: int) -> bytes:
        item = self._plugin.characteristics[procedure.answer]
        good = opcode == procedure.opcode or "takes-any-opcode" in self._wrong
        numbers = {
            procedure.request: opcode,
            procedure.result: procedure.success if good else procedure.unknown or 0,
            procedure.count: len(self.kept.get(procedure.counts, ())) + ("counts-otherwise" in self._wrong),
        }
        values: dict[str, Value] = {}
        for field in item.layout.fields:
            number = numbers.get(field.name)
            values[field.name] = resting_value(field) if number is None else (field.names or {}).get(number, number)
        return item.codec.build(values)
