"""A message over several values, each with marks in front of its piece: the first, the last, a number within the
message, the length of the whole."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.model.errors import EncodeError
from gateway.plugin.layout.kind import Value
from gateway.plugin.unpack.model import Held, Opened, Step


@dataclass(frozen=True)
class Pieces(Step):
    """Pieces of a message.

    Attributes:
        first, last, more, number, length: names of the fields that tell these, None for none.
        bits: of the number.
        timeout_ns: between two pieces.
    """

    first: str | None
    last: str | None
    more: str | None
    number: str | None
    length: str | None
    bits: int
    timeout_ns: int

    @property
    def text(self) -> str:
        told = {"first": self.first, "last": self.last, "more": self.more, "number": self.number, "length": self.length}
        marks = ", ".join(f"{what} by `{name}`" for what, name in told.items() if name)
        return (
            f"Carries messages in pieces ({marks}), of at most {self.largest} bytes, pieces at most "
            f"{self.timeout_ns / 1e9:g} s apart."
        )

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        told, _, piece = found
        held.broken_off(self.timeout_ns, t_ns, opened)
        number = told.get(self.number) if self.number else None
        if self._begins(held, told, number):
            if held.open:
                opened.faults[held.last] = (
                    f"a message broken off after {len(held.taken)} bytes: the next one began before it ended"
                )
                held.drop()
            held.wanted = told.get(self.length) if self.length else None
            if held.wanted is not None and held.wanted > self.largest:
                opened.faults[frame] = (
                    f"a message of {held.wanted} bytes, longer than the {self.largest} that it may have"
                )
                return
        elif not held.open:
            opened.faults[frame] = "a piece of a message whose first piece is missing"
            return
        elif number is not None and (wrong := self._order(held.number, number)):
            opened.faults[frame] = wrong
            if number != held.number:
                held.drop()
            return
        held.number = number or 0
        held.add(frame, t_ns, piece)
        self._end(held, told, opened)

    def _begins(self, held: Held, told: dict[str, int], number: int | None) -> bool:
        if self.first is not None:
            return bool(told.get(self.first))
        return number == 0 if number is not None else not held.open

    def _order(self, before: int, number: int) -> str:
        """What is wrong with a piece's number after another's."""
        ahead = (number - before) % (1 << self.bits)
        if ahead == 1:
            return ""
        if ahead == 0:
            return "a piece that came twice"
        if ahead >= 1 << (self.bits - 1):
            return "a piece out of order; its message is lost"
        return "pieces missing before it; its message is lost"

    def _end(self, held: Held, told: dict[str, int], opened: Opened) -> None:
        size, wanted = len(held.taken), held.wanted
        if size > (most := self.largest if wanted is None else wanted):
            opened.faults[held.last] = f"a message longer than the {most} bytes that it may have"
            held.drop()
            return
        marked = (self.last is not None and told.get(self.last) == 1) or (
            self.more is not None and told.get(self.more) == 0
        )
        if marked and wanted is not None and size < wanted:
            opened.faults[held.last] = f"a message of {size} bytes, though its length says {wanted}"
            held.drop()
        elif marked or size == wanted:
            opened.messages.add(held.t_ns, bytes(held.taken), held.first, held.last)
            held.drop()

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        made: list[bytes] = []
        left = message
        while left or not made:
            if self.number and not self.first and len(made) >> self.bits:
                raise EncodeError(f"more pieces than {self.number} can number, of which 0 begins another message")
            told: dict[str, Value] = {}
            for name, value in (
                (self.first, int(not made)),
                (self.number, len(made) % (1 << self.bits)),
                (self.length, len(message)),
                (self.last, 0),
                (self.more, 1),
            ):
                if name:
                    told[name] = value
            piece, left = left[: self.space(told, room)], left[self.space(told, room) :]
            told |= {name: end for name, end in ((self.last, 1), (self.more, 0)) if name and not left}
            made.append(self.built(told, number + len(made), piece))
        return made
