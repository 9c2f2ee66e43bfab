"""What every step speaks: the value it takes, the message it has in hand, and what comes out."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from dataclasses import field as dataclass_field
from functools import cached_property
from typing import ClassVar, NamedTuple

from gateway.model.errors import DecodeError
from gateway.plugin.layout.codec import Codec, body_of, fit, integer
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Layout, Order

CONTENT = "content"  # the field of a value that holds what is to be unpacked


class Whole(NamedTuple):
    """A message, with the frames that its first and its last byte came in.

    Attributes:
        t_ns: when the last one came.
    """

    t_ns: int
    raw: bytes
    first: int
    last: int


@dataclass(slots=True)
class Messages:
    """Messages one after another, in columns of one length: many of them are much quicker so than one by one."""

    t_ns: list[int] = dataclass_field(default_factory=list)
    raw: list[bytes] = dataclass_field(default_factory=list)
    first: list[int] = dataclass_field(default_factory=list)
    last: list[int] = dataclass_field(default_factory=list)

    def __len__(self) -> int:
        return len(self.raw)

    def __iter__(self) -> Iterator[Whole]:
        return map(Whole, self.t_ns, self.raw, self.first, self.last)

    def __getitem__(self, place: int) -> Whole:
        return Whole(self.t_ns[place], self.raw[place], self.first[place], self.last[place])

    def add(self, t_ns: int, raw: bytes, first: int, last: int) -> None:
        """One more."""
        self.t_ns.append(t_ns)
        self.raw.append(raw)
        self.first.append(first)
        self.last.append(last)

    def extend(self, others: Messages) -> None:
        """Others behind these."""
        self.t_ns += others.t_ns
        self.raw += others.raw
        self.first += others.first
        self.last += others.last

    def chosen(self, places: Sequence[int]) -> Messages:
        """Those at some places."""
        return Messages(
            [self.t_ns[place] for place in places],
            [self.raw[place] for place in places],
            [self.first[place] for place in places],
            [self.last[place] for place in places],
        )


@dataclass(slots=True)
class Opened:
    """What came out: messages, and why a frame did not become part of one, by its id."""

    messages: Messages = dataclass_field(default_factory=Messages)
    faults: dict[int, str] = dataclass_field(default_factory=dict)


@dataclass(slots=True)
class Held:
    """What a step has in hand between two values.

    Attributes:
        taken: bytes of the message that is not whole yet.
        first, last: the frames that they came in; ``last`` -1 where there is none.
        t_ns: when the last one came.
        number: of the newest piece.
        wanted: bytes of the whole message, None where it does not say.
        skipping: what comes is left out until a message begins, as one was too long.
    """

    taken: bytearray = dataclass_field(default_factory=bytearray)
    first: int = -1
    last: int = -1
    t_ns: int = 0
    number: int = 0
    wanted: int | None = None
    skipping: bool = False

    @property
    def open(self) -> bool:
        """Whether a message has begun."""
        return self.last >= 0

    def copy(self) -> Held:
        """As it is now."""
        return replace(self, taken=bytearray(self.taken))

    def drop(self) -> None:
        """Forget it."""
        self.taken.clear()
        self.first = self.last = -1
        self.wanted = None

    def add(self, frame: int, t_ns: int, more: bytes) -> None:
        """Take bytes of a frame."""
        self.first = frame if self.last < 0 else self.first
        self.last, self.t_ns = frame, t_ns
        self.taken += more

    def broken_off(self, timeout_ns: int, t_ns: int, opened: Opened) -> None:
        """Give up a message whose next piece took too long."""
        if self.open and t_ns - self.t_ns > timeout_ns:
            opened.faults[self.last] = f"a message broken off after {len(self.taken)} bytes: nothing came in time"
            self.drop()


@dataclass(frozen=True)
class Step(ABC):
    """One way to unpack.

    Attributes:
        layout: of the values: what stands before the content, and the content itself, its tail.
        largest: bytes of the largest message.
    """

    layout: Layout
    largest: int
    keyed: ClassVar[bool] = False
    """Whether it takes a key."""

    def most(self, value: int) -> int:
        """Bytes of the longest message in values of at most ``value`` bytes."""
        return self.largest

    @abstractmethod
    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        """Take a value; one that does not fit its layout is left to that to tell."""

    @abstractmethod
    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        """The values that carry a message, each of at most ``room`` bytes; the first is the ``number``-th, from 0.

        Raises:
            EncodeError: it can't be carried.
        """

    @property
    @abstractmethod
    def text(self) -> str:
        """In words, for a contract."""

    @property
    def lacks(self) -> str:
        """Why nothing can be unpacked on this machine, "" where it can."""
        return ""

    @cached_property
    def _guarded(self) -> bool:
        return self.layout.check is not None or self.layout.message is not None

    @cached_property
    def _plain(self) -> tuple[int, Order, list[tuple[str, int, int]]] | None:
        """Where every value has the same unsigned fields of one byte order: their bytes, that order, and for each its
        name, how far up it starts and its mask."""
        blocks, size = self.layout.blocks, self.layout.head
        fields = [field for block in blocks for field in block.fields]
        orders: set[Order] = {field.order for field in fields} or {"little"}
        if len(blocks) > 1 or any(f.type.signed or not f.type.integer for f in fields) or len(orders) > 1:
            return None
        if blocks and blocks[0].when is not None:
            return None
        order = orders.pop()
        starts = [f.bit if order == "little" else size * 8 - f.bit - f.bits for f in fields]
        return size, order, [(f.name, start, (1 << f.bits) - 1) for f, start in zip(fields, starts, strict=True)]

    def split(self, raw: bytes) -> tuple[dict[str, int], int, bytes] | None:
        """The integers before the content, the byte at which that begins, and the content; None where the value does
        not fit."""
        try:
            body = body_of(self.layout, raw, "") if self._guarded else raw
            if (known := self._plain) is not None:
                size, order, places = known
                if len(body) < size:
                    return None
                word = int.from_bytes(body[:size], order)
                return {name: word >> shift & mask for name, shift, mask in places}, size, body[size:]
            fitted = fit(self.layout, body, "")
        except DecodeError:
            return None
        told = {
            field.name: integer(field, body, start)
            for block, start in fitted.blocks
            for field in block.fields
            if not field.type.textual
        }
        return told, fitted.rest, body[fitted.rest :]

    def built(self, told: Mapping[str, Value], number: int, content: bytes) -> bytes:
        """A value of these fields; of the others a counter counts, and the rest are zero."""
        values: dict[str, Value] = {
            field.name: number % (1 << field.bits) if field.role == "sequence" else field.type.example(field, 0)
            for field in self.layout.fields
        }
        return Codec(self.layout, "").build({**values, **told, CONTENT: content.hex()})

    def space(self, told: Mapping[str, Value], room: int) -> int:
        """Bytes of content for which a value of these fields has room."""
        return max(room - len(self.built(told, 0, b"")), 1)
