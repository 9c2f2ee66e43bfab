"""A layout as a `construct` object, which parses one value and builds it, and refuses trailing bytes. It works
with transmitted integers; what they mean is `codec`'s business."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from io import SEEK_CUR
from typing import Any

import construct as con

from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.model import Field, Layout, Presence

MANY = "* samples"  # like all names here that are no field's, one that no field can have
Span = tuple[int, int, Field | None]  # first bit, bit after the last, None for reserved bits


class BitRun(con.Adapter):  # type: ignore[misc]  # construct has no types
    """Several fields that share bytes; parses to and builds from a mapping of transmitted integers."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self._start = spans[0][0]
        self._size = (spans[-1][1] - self._start) // 8
        self._fields = [field for _, _, field in spans if field is not None]
        super().__init__(con.Bytes(self._size))

    def _shift(self, field: Field) -> int:
        offset = field.bit - self._start
        return offset if field.order == "little" else self._size * 8 - offset - field.bits

    def _decode(self, obj: bytes, context: Any, path: str) -> dict[str, int]:
        found = {}
        for field in self._fields:
            raw = int.from_bytes(obj, field.order) >> self._shift(field) & (1 << field.bits) - 1
            found[field.name] = field.type.from_bits(raw, field.bits)
        return found

    def _encode(self, obj: Mapping[str, int], context: Any, path: str) -> bytes:
        order = self._fields[0].order if self._fields else "little"
        word = 0
        for field in self._fields:
            word |= (obj[field.name] & (1 << field.bits) - 1) << self._shift(field)
        return word.to_bytes(self._size, order)


def spans_of(fields: Sequence[Field], size: int) -> list[Span]:
    """All bits of ``size`` bytes in order, reserved ones included."""
    spans: list[Span] = []
    cursor = 0
    for field in sorted(fields, key=lambda field: field.bit):
        if field.bit > cursor:
            spans.append((cursor, field.bit, None))
        spans.append((field.bit, field.bit + field.bits, field))
        cursor = field.bit + field.bits
    if cursor < size * 8:
        spans.append((cursor, size * 8, None))
    return spans


def _struct(fields: Sequence[Field], size: int) -> list[Any]:
    parts: list[Any] = []
    run: list[Span] = []
    for first, end, field in spans_of(fields, size):
        if not run and first % 8 == 0 and end % 8 == 0:
            parts.append(
                con.Padding((end - first) // 8)
                if field is None
                else field.name / field.type.parser(field.bits, field.order)
            )
            continue
        run.append((first, end, field))
        if end % 8 == 0:
            parts.append(f"bits {run[0][0]}" / BitRun(run))
            run = []
    return parts


def compile_construct(layout: Layout) -> Any:
    """The layout as a `construct.Struct`.

    A block without condition puts its members beside each other, one with a condition is a member
    ``block N`` (None where absent). Whole bytes are members named as their fields, fields that share bytes a
    member ``bits N B`` (N the first bit, B the block) that maps names to integers; samples are a list
    ``* samples``, a tail is a member of its name. Values are the transmitted integers.
    """
    parts: list[Any] = []
    for number, block in enumerate(layout.blocks):
        members = _struct(block.fields, block.size)
        if block.when is None:
            parts += [
                f"{member.name} {number}" / member if (member.name or "").startswith("bits ") else member
                for member in members
            ]
        else:
            parts.append(f"block {number}" / con.If(_there(block.when, f"block {number}"), con.Struct(*members)))
    if layout.samples:
        one, count = con.Struct(*_struct(layout.samples.fields, layout.samples.size)), layout.samples.count
        if (at := layout.samples.at) is not None:
            parts.append(con.Padding(lambda context: max(at.of(flat(context)) - context._io.tell(), 0)))
        if isinstance(count, Arithmetic):
            parts.append(MANY / con.Array(lambda context: count.of(flat(context)), one))
        else:
            parts.append(MANY / (con.Array(count, one) if count else con.GreedyRange(one)))
    if layout.tail is not None:
        parts.append(layout.tail.name / layout.tail.type.parser(layout.tail.bits, layout.tail.order))
    return con.Struct(*parts, con.Terminated)


def _there(when: Presence, name: str) -> Callable[[Any], bool]:
    def there(context: Any) -> bool:
        more = when.more and (context.get(name) is not None if context._building else _goes_on(context._io))
        return when.holds(flat(context), more)

    return there


def _goes_on(stream: Any) -> bool:
    more = bool(stream.read(1))
    if more:
        stream.seek(-1, SEEK_CUR)
    return more


def flat(container: Mapping[str, Any]) -> dict[str, Any]:
    """The members of a parsed struct by field name."""
    found: dict[str, Any] = {}
    for name, value in container.items():
        if name.startswith("bits "):
            found.update(value)
        elif name.startswith("block "):
            found.update(flat(value) if value is not None else {})
        elif not name.startswith("_") and name != MANY:
            found[name] = value
    return found
