"""A byte stream that is cut into messages: at a delimiter, by a length at their front, by COBS (Cheshire and Baker,
Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999) or by SLIP (RFC 1055); and records of
type, length and value, of which each value of the characteristic holds whole ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gateway.model.errors import EncodeError
from gateway.plugin.layout.model import Field
from gateway.plugin.unpack.model import Held, Opened, Step

_END, _ESC, _ESC_END, _ESC_ESC = b"\xc0", b"\xdb", b"\xdb\xdc", b"\xdb\xdd"
Coding = Literal["COBS", "SLIP"]


def cobs_encoded(message: bytes) -> bytes:
    """A message without zeros, each run of up to 254 other bytes behind its length plus one.

    Example: ``11 22 00 33`` becomes ``03 11 22 02 33``.
    """
    out = bytearray()
    runs = message.split(b"\0")
    for place, run in enumerate(runs):
        while len(run) >= 254:
            out += b"\xff" + run[:254]
            run = run[254:]
            if not run and place == len(runs) - 1:
                return bytes(out)
        out += bytes([len(run) + 1]) + run
    return bytes(out)


def cobs_decoded(coded: bytes) -> bytes:
    """The message.

    Raises:
        ValueError: it is none; the text says why.
    """
    out = bytearray()
    place = 0
    while place < len(coded):
        code = coded[place]
        if code == 0:
            raise ValueError(f"a zero at byte {place}")
        if place + code > len(coded):
            raise ValueError(f"{place + code - len(coded)} bytes short of what byte {place} says")
        out += coded[place + 1 : place + code]
        place += code
        if code < 255 and place < len(coded):
            out.append(0)
    return bytes(out)


def slip_encoded(message: bytes) -> bytes:
    """A message without the byte that ends it. Example: ``01 C0 DB`` becomes ``01 DB DC DB DD``."""
    return message.replace(_ESC, _ESC_ESC).replace(_END, _ESC_END)


def slip_decoded(coded: bytes) -> bytes:
    """The message.

    Raises:
        ValueError: it is none; the text says why.
    """
    parts = coded.split(_ESC)
    out = bytearray(parts[0])
    for part in parts[1:]:
        plain = {_ESC_END[1:]: _END, _ESC_ESC[1:]: _ESC}.get(part[:1])
        if plain is None:
            raise ValueError("an escape before neither DC nor DD")
        out += plain + part[1:]
    return bytes(out)


@dataclass(frozen=True)
class Ended(Step):
    """Messages that a delimiter ends.

    Attributes:
        ends: the delimiter.
        coding: how a message is kept free of it, None where it is so by itself.
        timeout_ns: between two values that carry parts of one message.
    """

    ends: bytes
    coding: Coding | None
    timeout_ns: int

    @property
    def text(self) -> str:
        how = f"coded by {self.coding}, " if self.coding else ""
        return (
            f"A byte stream: messages of at most {self.largest} bytes, {how}each ended by 0x{self.ends.hex().upper()}."
        )

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        held.broken_off(self.timeout_ns, t_ns, opened)
        held.add(frame, t_ns, found[2])
        *whole, rest = bytes(held.taken).split(self.ends)
        for coded in whole:
            if held.skipping:
                held.skipping = False
            elif coded:
                self._message(held, coded, opened)
            held.first = frame
        held.taken[:] = rest
        if len(rest) > 2 * self.largest + 2:  # SLIP may double a message
            if not held.skipping:
                opened.faults[frame] = f"more than {self.largest} bytes without a delimiter"
            held.skipping = True
            rest = rest[len(rest) - len(self.ends) + 1 :]  # a delimiter may have begun
            held.taken[:] = rest
        if not rest:
            held.drop()

    def _message(self, held: Held, coded: bytes, opened: Opened) -> None:
        try:
            message = cobs_decoded(coded) if self.coding == "COBS" else coded
            message = slip_decoded(coded) if self.coding == "SLIP" else message
        except ValueError as error:
            opened.faults[held.last] = f"not {self.coding}: {error}"
            return
        if len(message) > self.largest:
            opened.faults[held.last] = f"a message longer than the {self.largest} bytes that it may have"
        else:
            opened.messages.add(held.t_ns, message, held.first, held.last)

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        coded = cobs_encoded(message) if self.coding == "COBS" else message
        coded = slip_encoded(message) if self.coding == "SLIP" else coded
        if (coded + self.ends).index(self.ends) < len(coded):
            raise EncodeError(f"a message holds the delimiter 0x{self.ends.hex()}")
        coded += self.ends
        space = self.space({}, room)
        starts = enumerate(range(0, len(coded), space), number)
        return [self.built({}, count, coded[at : at + space]) for count, at in starts]


@dataclass(frozen=True)
class Measured(Step):
    """Messages with their length in front.

    Attributes:
        length: the field that tells it, counted from the start of the message.
        adds: what is added to it for the length of the whole message.
        across: whether a message may go on in the next value.
        timeout_ns: between two values that carry parts of one message.
    """

    length: Field
    adds: int
    across: bool
    timeout_ns: int

    @property
    def text(self) -> str:
        place = f"the {self.length.bits} bits at byte {self.length.bit // 8} of each, plus {self.adds}, are its length"
        if self.across:
            return f"A byte stream: messages of at most {self.largest} bytes; {place}."
        return f"Holds records one after another, as many as there are; {place}."

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        held.broken_off(self.timeout_ns, t_ns, opened)
        held.add(frame, t_ns, found[2])
        data, at = bytes(held.taken), 0
        place, head, order = self.length.bit // 8, (self.length.bit + self.length.bits) // 8, self.length.order
        wrong, byte = "", head - place == 1
        end, adds, largest, taken, add = len(data), self.adds, self.largest, opened.messages, opened.messages.raw.append
        before = len(taken)
        while end - at >= head:  # kept short: it runs for each record
            size = (data[at + place] if byte else int.from_bytes(data[at + place : at + head], order)) + adds
            if not head <= size <= largest:
                wrong = f"a message that says to be {size} bytes long; {head} to {largest} are possible"
                at = end
                break
            stop = at + size
            if stop > end:
                break
            add(data[at:stop])
            at = stop
        if count := len(taken) - before:
            taken.t_ns += [t_ns] * count
            taken.first += [held.first, *[frame] * (count - 1)]
            taken.last += [frame] * count
            held.first = frame
        if at < len(data) and not self.across:
            wrong = f"{len(data) - at} bytes behind the last record, too few for one more"
            at = len(data)
        if wrong:
            opened.faults[frame] = wrong
        held.taken[:] = data[at:]
        if not held.taken:
            held.drop()

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        space = self.space({}, room) if self.across else max(len(message), 1)
        marked = bytearray(message)
        first, last = self.length.bit // 8, (self.length.bit + self.length.bits) // 8
        marked[first:last] = (len(message) - self.adds).to_bytes(last - first, self.length.order)
        starts = enumerate(range(0, len(marked), space), number)
        return [self.built({}, count, bytes(marked[at : at + space])) for count, at in starts]
