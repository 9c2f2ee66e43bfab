"""Values of a characteristic with the bytes that carry them, for others to test themselves against: ends of ranges,
patterns, reserved values, every shape that flags and counters can give a value."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from gateway.model.errors import EncodeError
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field
from gateway.plugin.model import Characteristic, Plugin

_MOST_VECTORS = 12
_ANY: Mapping[str, Sequence[int]] = {}


@dataclass(frozen=True, slots=True)
class Vector:
    """Transmitted numbers (floats as their bits, bytes as such) by field, the same for each sample, and the bytes."""

    fields: Mapping[str, int | bytes]
    samples: tuple[Mapping[str, int | bytes], ...]
    raw: bytes


def vectors(item: Characteristic, allowed: bool = False, only: Mapping[str, Sequence[int]] = _ANY) -> list[Vector]:
    """Test vectors of a characteristic, each of another value.

    Args:
        allowed: only values within the limits and with names that are declared, such as a node would send.
        only: the transmitted numbers that some fields can have, such as on and off.
    """
    found: dict[bytes, Vector] = {}
    for turn in range(4 * _MOST_VECTORS):
        if len(found) < _MOST_VECTORS and (made := _vector(item, turn, allowed, only)) is not None:
            found.setdefault(made.raw, made)
    return list(found.values())


def switched(plugin: Plugin, item: Characteristic) -> dict[str, Sequence[int]]:
    """The numbers that switch sensors, by the field of a characteristic that they are written to."""
    found: dict[str, set[int]] = {}
    for sensor in plugin.sensors.values():
        if sensor.enable is not None and sensor.enable.characteristic == item.name:
            found.setdefault(sensor.enable.field.name, set()).update((sensor.on, sensor.off))
    return {name: sorted(numbers) for name, numbers in found.items()}


def _vector(item: Characteristic, turn: int, allowed: bool, only: Mapping[str, Sequence[int]]) -> Vector | None:
    layout = item.layout
    wanted = dict.fromkeys(layout.keys, turn // 2)
    if (group := layout.samples) is not None:
        if isinstance(group.count, Arithmetic):
            wanted |= dict.fromkeys(group.count.fields, turn % 4)
        if group.at is not None:
            wanted |= dict.fromkeys(group.at.fields, group.at.reaching(layout.head + turn % 3))
    values = {}
    for place, field in enumerate(layout.fields):
        values[field.name] = _value(field, turn + place, wanted.get(field.name), allowed)
        if field.name in only:
            values[field.name] = field.shown(only[field.name][(turn + place) % len(only[field.name])])
    ends = [block for block in layout.blocks if block.when is not None and block.when.more]
    for block in ends[turn % (len(ends) + 1) :] if ends else ():  # of those that may be there some, from the first on
        for field in block.fields:
            values.pop(field.name, None)
    count = turn % 4 if group else 0
    if group is not None and isinstance(group.count, int):
        count = group.count
    elif group is not None and group.count is not None:
        fields = {f.name: f for f in layout.fields}
        numbers = {name: fields[name].type.encode(fields[name], values[name]) for name in wanted}
        count = layout.counted({name: raw for name, raw in numbers.items() if isinstance(raw, int)}) or 0
    inner = layout.samples.fields if layout.samples else ()
    samples = [
        {f.name: _value(f, turn + place + n, None, allowed) for place, f in enumerate(inner)} for n in range(count)
    ]
    try:
        raw = item.codec.build(values, samples)
    except EncodeError:  # a counter that counts otherwise than this turn does
        return None
    heads, rows = item.codec.parse(raw)
    fields = {f.name: f for f in layout.fields}
    inner_fields = {f.name: f for f in inner}
    return Vector(
        {
            name: _transmitted(fields[name], value)
            for name, value in heads.items()
            if name in fields and value is not None
        },
        tuple({name: _transmitted(inner_fields[name], value) for name, value in row.items()} for row in rows),
        raw,
    )


def _value(field: Field, turn: int, wanted: int | None, allowed: bool) -> Value:
    """An engineering value of a field, another one each turn."""
    if wanted is None and allowed and field.names:
        return list(field.names.values())[turn % len(field.names)]
    if wanted is None:
        value = field.type.example(field, turn)
        return _within(field, value, turn) if allowed else value
    low, high = field.raw_range
    return field.shown(min(max(wanted, low), high))


def _within(field: Field, value: Value, turn: int) -> Value:
    """A value within the limits, where the field has any and the value is beyond them."""
    if isinstance(value, str | bytes) or value is None:
        return value
    low = -math.inf if field.low is None else field.low
    high = math.inf if field.high is None else field.high
    if low <= value <= high:
        return value
    if field.scale is None:
        return min(max(float(value), low), high)
    ends = [field.raw_range[0] if low == -math.inf else field.scale.invert(Fraction(str(low)))]
    ends.append(field.raw_range[1] if high == math.inf else field.scale.invert(Fraction(str(high))))
    return field.shown(min(ends) + (max(ends) - min(ends)) * (turn % 5) // 4)


def _transmitted(field: Field, value: Any) -> int | bytes:
    if isinstance(value, float):
        return field.type.to_bits(value, field.bits)
    return value if isinstance(value, int) else bytes(value)
