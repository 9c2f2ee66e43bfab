"""One value both ways: the layout's `construct` object builds it and says what parsing means. Reading gives engineering
values with their place in the payload, building makes bytes of them. Serves settings, simulated nodes, tests and the
command line."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from gateway.model.errors import DecodeError, EncodeError
from gateway.model.records import Reading
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.compiled import MANY, compile_construct, flat, spans_of
from gateway.plugin.layout.kind import MAX_VALUE_BYTES, Value
from gateway.plugin.layout.model import Block, Field, Layout, Order

OUTSIDE = "outside its limits"  # why a reading is doubtful though it decodes


@dataclass(frozen=True, slots=True)
class Fit:
    """How a payload fits its layout: the blocks it holds with the byte each starts at, and what follows.

    Attributes:
        rest: the byte at which samples or tail start.
        count: samples.
    """

    blocks: tuple[tuple[Block, int], ...]
    rest: int
    count: int


def body_of(layout: Layout, raw: bytes, where: str) -> bytes:
    """A payload without its checksum, where it has one.

    Raises:
        DecodeError: it is another message, or the checksum is another than follows from the bytes before it.
    """
    check = layout.check
    if other := layout.is_other(raw):
        raise DecodeError(where, other, layout.message.at if layout.message is not None else 0)
    if check is None:
        return raw
    if len(raw) < check.size + check.first:
        raise DecodeError(where, layout.misfit(len(raw)), len(raw))
    body, told = raw[: -check.size], check.told(raw)
    if (found := check.of(body)) != told:
        raise DecodeError(where, check.refusal(told, found), len(body))
    return body


def fit(layout: Layout, raw: bytes, where: str) -> Fit:
    """Find out which blocks a payload holds; of one without its checksum.

    Raises:
        DecodeError: the length does not fit.
    """
    offset = 0
    found: list[tuple[Block, int]] = []
    known: dict[str, int] = {}
    for block in layout.blocks:
        if block.when is not None and not block.when.holds(known, offset < len(raw)):
            continue
        if offset + block.size > len(raw):
            needed = offset + block.size
            raise DecodeError(where, layout.misfit(len(raw) + layout.behind, needed), min(offset, len(raw)))
        known |= {f.name: integer(f, raw, offset) for f in block.fields if f.name in layout.keys}
        found.append((block, offset))
        offset += block.size
    if (begins := layout.samples_at(known, offset)) > len(raw) or begins < offset:
        raise DecodeError(where, layout.misplaced(begins, len(raw) + layout.behind), min(offset, len(raw)))
    count = layout.sample_count(len(raw) - begins, layout.counted(known))
    if count is None:
        misfit = layout.misfit(len(raw) + layout.behind, offset, layout.counted(known))
        raise DecodeError(where, misfit, min(offset, len(raw)))
    return Fit(tuple(found), begins, count)


def integer(field: Field, raw: bytes, base: int) -> int:
    """The transmitted integer of a field whose block starts at byte ``base``."""
    first, size, shift = _place(field, base)
    word = int.from_bytes(raw[first : first + size], field.order)
    return field.type.from_bits(word >> shift & (1 << field.bits) - 1, field.bits)


def _place(field: Field, base: int) -> tuple[int, int, int]:
    """The first byte that a field has bits in, how many bytes it does, and how far up their word it starts."""
    first, last = base + field.bit // 8, base + (field.bit + field.bits - 1) // 8
    size, inner = last - first + 1, field.bit % 8
    return first, size, inner if field.order == "little" else size * 8 - inner - field.bits


def reserved_text(bits: Mapping[int, int]) -> str:
    """Reserved bits that are set, for people: `0xA0 of byte 1`."""
    return ", ".join(f"0x{mask:02X} of byte {at}" for at, mask in bits.items())


class _Cut:
    """Cuts neighbouring fields out of bytes: those of one byte order from one large integer.

    Attributes:
        size: bytes that they take.
    """

    def __init__(self, fields: Sequence[Field], size: int) -> None:
        self.size = size
        self._words: list[tuple[Order, list[tuple[str, int, int]], list[tuple[str, int]]]] = []
        self._floats: list[tuple[str, int, struct.Struct]] = []
        self._bytes: list[tuple[str, int, int]] = []
        words: dict[Order, tuple[list[tuple[str, int, int]], list[tuple[str, int]]]] = {}
        for field in fields:
            if field.type.textual:
                self._bytes.append((field.name, field.bit // 8, field.bits // 8))
            elif field.type.letter == "f":
                code = {16: "e", 32: "f", 64: "d"}[field.bits]
                one = struct.Struct(("<" if field.order == "little" else ">") + code)
                self._floats.append((field.name, field.bit // 8, one))
            else:
                shift = field.bit if field.order == "little" else size * 8 - field.bit - field.bits
                places, signs = words.setdefault(field.order, ([], []))
                places.append((field.name, shift, (1 << field.bits) - 1))
                signs += [(field.name, 1 << (field.bits - 1))] if field.type.signed else []
        self._words = [(order, places, signs) for order, (places, signs) in words.items()]

    def into(self, found: dict[str, Any], body: bytes, start: int) -> None:
        """Add the transmitted numbers of what begins at byte ``start``."""
        for order, places, signs in self._words:
            word = int.from_bytes(body[start : start + self.size], order)
            for name, shift, mask in places:
                found[name] = word >> shift & mask
            for name, sign in signs:
                found[name] = (found[name] ^ sign) - sign
        for name, first, one in self._floats:
            (found[name],) = one.unpack_from(body, start + first)
        for name, first, size in self._bytes:
            found[name] = body[start + first : start + first + size]


class Codec:
    """Reads and builds the values of one layout.

    Args:
        layout: the proven layout.
        where: what the layout belongs to, for error texts.
    """

    def __init__(self, layout: Layout, where: str) -> None:
        self.layout = layout
        self.where = where
        self.construct = compile_construct(layout)
        self._cuts = {id(block): _Cut(block.fields, block.size) for block in layout.blocks}
        one_shape = not layout.conditional and not layout.samples and not layout.tail
        plain = one_shape and layout.check is None and layout.message is None
        self._only_length = layout.head if plain else -1  # of values that need no further look
        self._sample_cut = _Cut(layout.samples.fields, layout.samples.size) if layout.samples else None

    def parse(self, raw: bytes) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        """The transmitted integers and floats: those of the value, and one mapping for each sample.

        Raises:
            DecodeError: the length or the checksum does not fit.
        """
        if len(raw) == self._only_length:
            found: dict[str, Any] = {}
            start = 0
            for cut in self._cuts.values():
                cut.into(found, raw, start)
                start += cut.size
            return found, []
        body = body_of(self.layout, raw, self.where)
        return self._cut(body, fit(self.layout, body, self.where))

    def _cut(self, body: bytes, held: Fit) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        """What a payload that fits holds, by name: what the `construct` object would find, in a tenth of its time."""
        head: dict[str, Any] = {}
        samples: list[dict[str, Any]] = [{} for _ in range(held.count)]
        for block, start in held.blocks:
            self._cuts[id(block)].into(head, body, start)
        if self._sample_cut is not None:
            for number, sample in enumerate(samples):
                self._sample_cut.into(sample, body, held.rest + number * self._sample_cut.size)
        if self.layout.tail is not None:
            head[self.layout.tail.name] = body[held.rest :]
        return head, samples

    def read(self, raw: bytes) -> list[Reading]:
        """Every field that is there, in byte order; those of sample i are named ``samples[i].name``.

        Example: for a sint16 in 0.01 degC, ``f1 d8`` reads as -99.99 degC.

        Raises:
            DecodeError: the length or the checksum does not fit.
        """
        body = body_of(self.layout, raw, self.where)
        held = fit(self.layout, body, self.where)
        head, samples = self._cut(body, held)
        readings = [
            reading(field, head[field.name], field.name, start * 8)
            for block, start in held.blocks
            for field in block.fields
        ]
        group = self.layout.samples
        for index, sample in enumerate(samples):
            base = (held.rest + index * group.size) * 8 if group else 0
            readings += [
                reading(field, sample[field.name], f"samples[{index}].{field.name}", base)
                for field in (group.fields if group else ())
            ]
        if self.layout.tail is not None:
            tail = replace(self.layout.tail, bits=(len(body) - held.rest) * 8)
            readings.append(reading(tail, head[tail.name], tail.name, held.rest * 8))
        return readings

    def reserved_bits(self, raw: bytes) -> dict[int, int]:
        """The bits that are set though they are reserved, as a mask for each byte that has any.

        Example: behind a 12-bit field in two bytes, ``34 a2`` has ``{1: 0xA0}``.

        Raises:
            DecodeError: the length or the checksum does not fit.
        """
        body = body_of(self.layout, raw, self.where)
        held = fit(self.layout, body, self.where)
        placed = [(field, start) for block, start in held.blocks for field in block.fields]
        if (group := self.layout.samples) is not None:
            placed += [(field, held.rest + n * group.size) for n in range(held.count) for field in group.fields]
        left = bytearray(body)
        for field, base in placed:
            first, size, shift = _place(field, base)
            taken = ((1 << field.bits) - 1 << shift).to_bytes(size, field.order)
            left[first : first + size] = bytes(a & ~b for a, b in zip(left[first:], taken, strict=False))
        if (message := self.layout.message) is not None and message.at < len(left):
            left[message.at] = 0
        if self.layout.tail is not None:
            del left[held.rest :]
        if self.layout.samples is not None and self.layout.samples.at is not None:  # what stands between is not ours
            end = max([start + block.size for block, start in held.blocks], default=0)
            left[end : held.rest] = bytes(held.rest - end)
        return {at: mask for at, mask in enumerate(left) if mask}

    def read_start(self, raw: bytes) -> list[Reading]:
        """The fields at the start of a payload that does not fit, as far as there are bytes for them."""
        readings: list[Reading] = []
        offset = 0
        for block in self.layout.blocks:
            if block.when is not None:  # whether it is there can't be told of such a payload
                break
            for field in block.fields:
                if field.type.textual or offset * 8 + field.bit + field.bits > len(raw) * 8:
                    return readings
                readings.append(reading(field, integer(field, raw, offset), field.name, offset * 8))
            offset += block.size
        return readings

    def build(self, values: Mapping[str, Value], samples: Sequence[Mapping[str, Value]] = ()) -> bytes:
        """The bytes that carry these engineering values; reserved bits are zero.

        Args:
            values: a value in its field's unit for each field that is to be there; None stands for "no
                reading". What flags and counters say decides which fields are sent; values of others are
                not looked at.
            samples: the same for each sample.

        Raises:
            EncodeError: a field without a value, or a value that does not fit.
        """
        layout = self.layout
        unknown = set(values) - {field.name for field in layout.fields}
        if unknown:
            raise EncodeError(f"{self.where}: no field named {', '.join(sorted(unknown))}")
        content: dict[str, Any] = {}
        sent: dict[str, Any] = {}
        for number, block in enumerate(layout.blocks):
            given = any(field.name in values for field in block.fields)
            if block.when is not None and not block.when.holds(sent, given):
                content[f"block {number}"] = None
                continue
            made = self._raw(block.fields, block.size, values)
            sent |= flat(made)
            if block.when is None:
                content |= {f"{key} {number}" if key.startswith("bits ") else key: item for key, item in made.items()}
            else:
                content[f"block {number}"] = made
        if layout.samples:
            group = layout.samples
            wanted = layout.counted(sent) if isinstance(group.count, Arithmetic) else group.count
            if wanted is not None and len(samples) != wanted:
                raise EncodeError(f"{self.where}: {len(samples)} samples given, the value holds {wanted}")
            size = sum(
                b.size for n, b in enumerate(layout.blocks) if b.when is None or content[f"block {n}"] is not None
            )
            if (begins := layout.samples_at(sent, size)) < size:
                raise EncodeError(
                    f"{self.where}: samples at byte {begins}, before the end of the fields at byte {size}"
                )
            if begins + len(samples) * group.size + layout.behind > MAX_VALUE_BYTES:
                raise EncodeError(f"{self.where}: samples end beyond the {MAX_VALUE_BYTES} bytes of a value")
            content[MANY] = [self._raw(group.fields, group.size, sample) for sample in samples]
        if layout.tail is not None:
            content[layout.tail.name] = self._encode(layout.tail, values)
        body = self._marked(bytes(self.construct.build(content)))
        return layout.check.appended(body) if layout.check is not None else body

    def patch(self, raw: bytes, values: Mapping[str, Value]) -> bytes:
        """``raw`` with these fields set and every other bit as it was; for layouts without conditions.

        Raises:
            DecodeError: the length does not fit.
            EncodeError: a value does not fit its field.
        """
        raw = body_of(self.layout, raw, self.where)
        held = fit(self.layout, raw, self.where)
        patched = bytearray(raw)
        for block, start in held.blocks:
            for field in block.fields:
                if field.name not in values:
                    continue
                try:
                    number = field.type.to_bits(self._encode(field, values), field.bits)
                except ValueError as error:
                    raise EncodeError(f"{self.where}.{field.name}: {error}") from None
                first, last = start + field.bit // 8, start + (field.bit + field.bits - 1) // 8
                inner, size = field.bit % 8, last - first + 1
                shift = inner if field.order == "little" else size * 8 - inner - field.bits
                word = int.from_bytes(raw[first : last + 1], field.order) & ~((1 << field.bits) - 1 << shift)
                patched[first : last + 1] = (word | number << shift).to_bytes(size, field.order)
                raw = bytes(patched)
        body = self._marked(bytes(patched))
        return self.layout.check.appended(body) if self.layout.check is not None else body

    def _marked(self, body: bytes) -> bytes:
        """A value as the message that it is."""
        message = self.layout.message
        return body if message is None else body[: message.at] + bytes([message.number]) + body[message.at + 1 :]

    def _raw(self, fields: Sequence[Field], size: int, values: Mapping[str, Value]) -> dict[str, Any]:
        """What construct builds the bytes of these fields from."""
        content: dict[str, Any] = {}
        run: dict[str, Any] = {}
        start = 0
        for first, end, field in spans_of(fields, size):
            if not run and first % 8 == 0 and end % 8 == 0:
                if field is not None:
                    content[field.name] = self._encode(field, values)
                continue
            if not run:
                start, run = first, {"": None}
            if field is not None:
                run[field.name] = self._encode(field, values)
            if end % 8 == 0:
                content[f"bits {start}"] = run
                run = {}
        return content

    def _encode(self, field: Field, values: Mapping[str, Value]) -> int | float | bytes:
        if field.name not in values:
            raise EncodeError(f"{self.where}.{field.name}: no value given")
        try:
            return field.type.encode(field, values[field.name])
        except (ValueError, TypeError, OverflowError) as error:
            raise EncodeError(f"{self.where}.{field.name}: {error}") from None


def reading(field: Field, raw: int | float | bytes, name: str, base: int) -> Reading:
    """The reading that a transmitted number stands for; ``base`` is the bit its part starts at."""
    shown, value, reason = field.type.read(field, raw)
    low, high = (-math.inf if field.low is None else field.low), (math.inf if field.high is None else field.high)
    if isinstance(value, int | float) and not low <= value <= high:
        reason = OUTSIDE
    return Reading(name, shown, value, field.unit.symbol, base + field.bit, field.bits, reason)
