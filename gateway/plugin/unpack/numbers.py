"""Numbers in a form of their own, laid out anew with a fixed width so that a layout can say what they mean: text and
JSON (RFC 8259) as float64, packed integers as sint32. Integers of seven bits a byte, lowest first, as many bytes as it
takes, are LEB128 (DWARF 5, 7.6); zigzag numbers 0, -1, 1, -2 … as 0, 1, 2, 3 … (Protocol Buffers, Encoding)."""

from __future__ import annotations

import json
import math
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, pairwise
from typing import Any, Literal

from gateway.model.errors import EncodeError
from gateway.plugin.layout.model import Order
from gateway.plugin.unpack.model import Held, Opened, Step

Code = Literal["LEB128", "zigzag", "fixed"]
_MOST_BITS = 32
LONGEST_NUMBER = 64  # characters of one in text
BLANKS = b" \t\r\n"
_NUMBER = re.compile(rb"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class Text(Step):
    """Numbers in text.

    Attributes:
        paths: names in a JSON object, inner ones behind a dot; empty for text that is separated.
        separator: between the numbers, where it is not JSON.
        count: how many.
    """

    paths: tuple[str, ...]
    separator: str
    count: int

    @property
    def text(self) -> str:
        if self.paths:
            return (
                f"A JSON object, of which {', '.join(f'`{path}`' for path in self.paths)} are taken, each as a float64."
            )
        return f"Text: {self.count} numbers with {self.separator!r} between them, each taken as a float64."

    def most(self, value: int) -> int:
        return self.layout.head + 8 * self.count

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        try:
            numbers = self._json(found[2]) if self.paths else self._separated(found[2])
        except (ValueError, RecursionError) as error:
            opened.faults[frame] = f"not the text declared: {error}"
            return
        message = raw[: found[1]] + struct.pack(f"<{len(numbers)}d", *numbers)
        opened.messages.add(t_ns, message, frame, frame)

    def _json(self, content: bytes) -> list[float]:
        body = json.loads(content)
        if not isinstance(body, dict):
            raise ValueError("no JSON object")
        return [_number(_inner(body, path)) for path in self.paths]

    def _separated(self, content: bytes) -> list[float]:
        parts = (content.strip(BLANKS) if self.blank else content).split(self.separator.encode())
        if len(parts) != self.count:
            raise ValueError(f"{len(parts)} parts, {self.count} expected")
        return [_written(part.strip(BLANKS)) for part in parts]

    @property
    def blank(self) -> bool:
        """Whether nothing but blanks stands between the numbers; then those around them all mean nothing."""
        return not self.separator.encode().strip(BLANKS)

    @cached_property
    def skeleton(self) -> tuple[list[str], list[int]]:
        """A JSON object's text without its numbers: what stands before, between and behind them, and the place of each
        among ``paths``."""
        tree: dict[str, Any] = {}
        for place, path in enumerate(self.paths):
            *outer, last = path.split(".")
            owner = tree
            for name in outer:
                owner = owner.setdefault(name, {})
            owner[last] = place
        pieces, places = [""], []

        def write(item: dict[str, Any] | int) -> None:
            if isinstance(item, int):
                places.append(item)
                pieces.append("")
                return
            for number, (name, inner) in enumerate(item.items()):
                pieces[-1] += f"{',' if number else '{'}{json.dumps(name)}:"
                write(inner)
            pieces[-1] += "}"

        write(tree)
        return pieces, places

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        head = len(message) - 8 * self.count
        numbers = struct.unpack(f"<{self.count}d", message[head:])
        if not self.paths:
            return [message[:head] + self.separator.join(_shown(one, "") for one in numbers).encode()]
        (first, *between), places = self.skeleton
        told = (_shown(numbers[place], "null") + piece for place, piece in zip(places, between, strict=True))
        return [message[:head] + "".join([first, *told]).encode()]


def _shown(number: float, nothing: str) -> str:
    """A number in the fewest digits that read back the same."""
    if not math.isfinite(number):
        return nothing
    return next(text for digits in range(1, 18) if float(text := f"{number:.{digits}g}") == number)


def _written(text: bytes) -> float:
    """A number in text; NaN, which is no reading, for nothing."""
    if not text:
        return math.nan
    if len(text) > LONGEST_NUMBER or _NUMBER.fullmatch(text) is None:
        raise ValueError(f"{text[:20].decode('utf-8', 'backslashreplace')!r} is no number")
    return float(text)


def _inner(body: Any, path: str) -> Any:
    for name in path.split("."):
        body = body.get(name) if isinstance(body, dict) else None
    return body


def _number(value: Any) -> float:
    """NaN, which is no reading, for what is missing or no number."""
    if not isinstance(value, int | float):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


@dataclass(frozen=True)
class Integers(Step):
    """Packed integers, as many as the value holds.

    Attributes:
        code: how each is written.
        bits, signed: of each where the width is fixed.
        first_bits, first_signed: of the first where it is another than the others; 0 bits for not.
        differences: whether all after the first are told by how much they differ from the one before.
        order: which bits come first.
        count: the field that says how many there are, None for as many as there is room for.
    """

    code: Code
    bits: int
    signed: bool
    first_bits: int
    first_signed: bool
    differences: bool
    order: Order
    count: str | None

    @property
    def text(self) -> str:
        one = (
            f"{self.bits} bits, {'two’s complement' if self.signed else 'unsigned'}"
            if self.code == "fixed"
            else self.code
        )
        first = f", the first of {self.first_bits} bits" if self.first_bits else ""
        differ = ", all after the first as differences from the one before" if self.differences else ""
        return f"Packed integers ({one}{first}{differ}), each taken as a sint32."

    def most(self, value: int) -> int:
        room = (value - self.layout.head) * 8
        many = 1 + max(room - (self.first_bits or self.bits), 0) // self.bits if self.code == "fixed" else room // 8
        return self.layout.head + 4 * many

    def take(self, held: Held, frame: int, t_ns: int, raw: bytes, opened: Opened) -> None:
        found = self.split(raw)
        if found is None:
            return
        told, rest, content = found
        wanted = told[self.count] if self.count is not None else None
        try:
            numbers = self._fixed(content, wanted) if self.code == "fixed" else list(self._varints(content))
            if wanted is not None and len(numbers) != wanted:
                raise ValueError(f"{len(numbers)} numbers, {self.count} says {wanted}")
            if self.differences:
                numbers = list(accumulate(numbers))
            packed = struct.pack(f"<{len(numbers)}i", *numbers)
        except (ValueError, struct.error) as error:
            reason = "a number beyond 32 bits" if isinstance(error, struct.error) else str(error)
            opened.faults[frame] = f"packed integers: {reason}"
            return
        opened.messages.add(t_ns, raw[:rest] + packed, frame, frame)

    def _varints(self, content: bytes) -> Iterator[int]:
        value = shift = 0
        for byte in content:
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte & 0x80:
                if shift > _MOST_BITS + 2:
                    raise ValueError("a number of more than five bytes")
                continue
            yield (value >> 1) ^ -(value & 1) if self.code == "zigzag" else value
            value = shift = 0
        if shift:
            raise ValueError("the last number is cut off")

    def _fixed(self, content: bytes, wanted: int | None) -> list[int]:
        word, total = int.from_bytes(content, self.order), len(content) * 8
        first, bits = self.first_bits or self.bits, self.bits
        count = 1 + (total - first) // bits if total >= first else 0
        count = count if wanted is None else min(count, wanted)
        if not count:
            return []
        ends = first + bits * (count - 1)
        if wanted is not None and total - ends >= 8:
            raise ValueError(f"{(total - ends) // 8} bytes behind the last number")
        mask, little = (1 << bits) - 1, self.order == "little"
        shifts = range(first, ends, bits) if little else range(total - first - bits, total - ends - 1, -bits)
        rest = [word >> shift & mask for shift in shifts]
        if self.signed:
            sign = 1 << (bits - 1)
            rest = [(number ^ sign) - sign for number in rest]
        head = word >> (0 if little else total - first) & (1 << first) - 1
        signed = self.first_signed if self.first_bits else self.signed
        return [head - (1 << first) if signed and head >> (first - 1) else head, *rest]

    def pack(self, message: bytes, room: int, number: int) -> list[bytes]:
        head = self.layout.head
        numbers = list(struct.unpack(f"<{(len(message) - head) // 4}i", message[head:]))
        if self.differences:
            numbers = numbers[:1] + [b - a for a, b in pairwise(numbers)]
        start = self._counted(message[:head], len(numbers)) if self.count is not None else message[:head]
        return [start + (self._bits(numbers) if self.code == "fixed" else self._bytes(numbers))]

    def _counted(self, head: bytes, count: int) -> bytes:
        """The fields in front of the numbers, with how many there are."""
        field = next(field for field in self.layout.fields if field.name == self.count)
        if count >> field.bits:
            raise EncodeError(f"{count} numbers, more than the {field.bits} bits of {field.name} can tell")
        shift = field.bit if field.order == "little" else len(head) * 8 - field.bit - field.bits
        word = int.from_bytes(head, field.order) & ~((1 << field.bits) - 1 << shift)
        return (word | count << shift).to_bytes(len(head), field.order)

    def _bytes(self, numbers: list[int]) -> bytes:
        out = bytearray()
        for one in numbers:
            value = (one << 1) ^ (one >> 63) if self.code == "zigzag" else one
            if value < 0:
                raise EncodeError(f"{one} is below zero, which LEB128 without zigzag can't carry")
            while value > 0x7F:
                out.append(value & 0x7F | 0x80)
                value >>= 7
            out.append(value)
        return bytes(out)

    def _bits(self, numbers: list[int]) -> bytes:
        widths = [self.first_bits or self.bits, *([self.bits] * (len(numbers) - 1))][: len(numbers)]
        size = -(-sum(widths) // 8)
        word = at = 0
        for one, bits in zip(numbers, widths, strict=True):
            signed = self.first_signed if at == 0 and self.first_bits else self.signed
            low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
            if not low <= one <= high:
                raise EncodeError(f"{one} is outside {low} to {high}, which {bits} bits can carry")
            shift = at if self.order == "little" else size * 8 - at - bits
            word |= (one & (1 << bits) - 1) << shift
            at += bits
        return word.to_bytes(size, self.order)
