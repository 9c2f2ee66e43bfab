"""Procedures of a control point: an opcode with arguments is written to a characteristic, and the node answers with a
result, as the Record Access Control Point of the GATT services has it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from gateway.plugin.layout.codec import Codec
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Layout

OPCODE = "opcode"  # the first field of what is written


@dataclass(frozen=True)
class Procedure:
    """One procedure.

    Attributes:
        target: the characteristic that is written.
        opcode: the first byte of it.
        layout: of what is written: the opcode, then the arguments.
        answer: the channel that the answer comes in, "" where none is expected.
        request: the field of the answer that names the opcode it is for, "" for none.
        result: the field of the answer that tells how it went, "" where any answer is a good one.
        success: the transmitted integer of that field that means success.
        unknown: the one for an opcode that the node does not know, None where it answers with an ATT error.
        timeout_ns: within which the answer comes.
        sends: the channel whose stored values come before the answer, "" for none.
        counts: the channel whose stored values ``count``, a field of the answer, tells the number of.
        clears: the channel whose stored values it deletes.
    """

    name: str
    title: str
    target: str
    opcode: int
    layout: Layout
    answer: str
    request: str
    result: str
    success: int
    unknown: int | None
    timeout_ns: int
    sends: str = ""
    counts: str = ""
    count: str = ""
    clears: str = ""

    @cached_property
    def codec(self) -> Codec:
        """Builds and reads what is written."""
        return Codec(self.layout, self.name)

    @cached_property
    def arguments(self) -> Mapping[str, Value]:
        """What is written where nothing else is said, by field."""
        return {
            field.name: 0 if field.default is None else field.default
            for field in self.layout.fields
            if field.name != OPCODE
        }

    def written(self, arguments: Mapping[str, Value]) -> bytes:
        """What to write.

        Raises:
            EncodeError: an argument does not fit.
        """
        return self.codec.build({OPCODE: self.opcode, **self.arguments, **arguments})

    def answers(self, told: Mapping[str, int | float | bytes]) -> bool:
        """Whether an answer, by its transmitted numbers, is one to this procedure."""
        return not self.request or told.get(self.request) == self.opcode
