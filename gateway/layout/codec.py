"""One value both ways. A layout compiles to a `construct` object that refuses trailing bytes; on top of
it stand reading (bytes to engineering values with their place in the payload) and building (engineering
values to bytes), which serve settings, simulated nodes, tests and the command line."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import construct as con

from gateway.errors import DecodeError, EncodeError
from gateway.layout.model import Field, Layout
from gateway.records import Reading

Value = int | float | str | Fraction | None
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
            if field.kind == "sint" and raw >> (field.bits - 1):
                raw -= 1 << field.bits
            found[field.name] = raw
        return found

    def _encode(self, obj: Mapping[str, int], context: Any, path: str) -> bytes:
        order = self._fields[0].order if self._fields else "little"
        word = 0
        for field in self._fields:
            word |= (obj[field.name] & (1 << field.bits) - 1) << self._shift(field)
        return word.to_bytes(self._size, order)


def _spans(fields: Sequence[Field], size: int) -> list[Span]:
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


def _whole(field: Field) -> Any:
    if field.kind == "float":
        return {
            (32, "little"): con.Float32l,
            (32, "big"): con.Float32b,
            (64, "little"): con.Float64l,
            (64, "big"): con.Float64b,
        }[field.bits, field.order]
    return con.BytesInteger(field.bits // 8, signed=field.kind == "sint", swapped=field.order == "little")


def _struct(fields: Sequence[Field], size: int) -> list[Any]:
    parts: list[Any] = []
    run: list[Span] = []
    for first, end, field in _spans(fields, size):
        if not run and first % 8 == 0 and end % 8 == 0:
            parts.append(con.Padding((end - first) // 8) if field is None else field.name / _whole(field))
            continue
        run.append((first, end, field))
        if end % 8 == 0:
            parts.append(f"bits_{run[0][0]}" / BitRun(run))
            run = []
    return parts


def compile_construct(layout: Layout) -> Any:
    """The layout as a `construct.Struct`.

    Whole bytes parse to members named as their fields, fields that share bytes to a member ``bits_N``
    (N the first bit) that maps names to integers, samples to a list ``samples``. Values are the
    transmitted integers.
    """
    parts = _struct(layout.fields, layout.head)
    if layout.samples:
        one = con.Struct(*_struct(layout.samples.fields, layout.samples.size))
        many = con.Array(layout.samples.count, one) if layout.samples.count else con.GreedyRange(one)
        parts.append("samples" / many)
    return con.Struct(*parts, con.Terminated)


def _flat(container: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in container.items():
        if name.startswith("bits_"):
            found.update(value)
        elif not name.startswith("_") and name != "samples":
            found[name] = value
    return found


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

    def parse(self, raw: bytes) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        """The transmitted integers and floats: those of the value, and one mapping for each sample.

        Raises:
            DecodeError: the length does not fit.
        """
        if self.layout.sample_count(len(raw)) is None:
            raise DecodeError(self.where, length_reason(self.layout, len(raw)), min(len(raw), self.layout.head))
        found = self.construct.parse(raw)
        return _flat(found), [_flat(sample) for sample in found.get("samples") or ()]

    def read(self, raw: bytes) -> list[Reading]:
        """Every field in byte order; the fields of sample i are named ``samples[i].name``.

        Example: for a sint16 in 0.01 degC, ``f1 d8`` reads as -99.99 degC.

        Raises:
            DecodeError: the length does not fit.
        """
        head, samples = self.parse(raw)
        readings = [reading(field, head[field.name], field.name, 0) for field in self.layout.fields]
        group = self.layout.samples
        for index, sample in enumerate(samples):
            base = (self.layout.head + index * group.size) * 8 if group else 0
            readings += [
                reading(field, sample[field.name], f"samples[{index}].{field.name}", base)
                for field in (group.fields if group else ())
            ]
        return readings

    def build(self, values: Mapping[str, Value], samples: Sequence[Mapping[str, Value]] = ()) -> bytes:
        """The bytes that carry these engineering values; reserved bits are zero.

        Args:
            values: a value in its field's unit for each field; None stands for "no reading".
            samples: the same for each sample.

        Raises:
            EncodeError: a field without a value, or a value that does not fit.
        """
        content = self._raw(self.layout.fields, self.layout.head, values)
        if self.layout.samples:
            group = self.layout.samples
            if group.count is not None and len(samples) != group.count:
                raise EncodeError(f"{self.where}: {len(samples)} samples given, the layout holds {group.count}")
            content["samples"] = [self._raw(group.fields, group.size, sample) for sample in samples]
        return bytes(self.construct.build(content))

    def _raw(self, fields: Sequence[Field], size: int, values: Mapping[str, Value]) -> dict[str, Any]:
        unknown = set(values) - {field.name for field in fields}
        if unknown:
            raise EncodeError(f"{self.where}: no field named {', '.join(sorted(unknown))}")
        content: dict[str, Any] = {}
        run: dict[str, Any] = {}
        start = 0
        for first, end, field in _spans(fields, size):
            if not run and first % 8 == 0 and end % 8 == 0:
                if field is not None:
                    content[field.name] = self._encode(field, values)
                continue
            if not run:
                start, run = first, {"": None}
            if field is not None:
                run[field.name] = self._encode(field, values)
            if end % 8 == 0:
                content[f"bits_{start}"] = run
                run = {}
        return content

    def _encode(self, field: Field, values: Mapping[str, Value]) -> int | float:
        if field.name not in values:
            raise EncodeError(f"{self.where}.{field.name}: no value given")
        try:
            return encode(field, values[field.name])
        except (ValueError, TypeError, OverflowError) as error:
            raise EncodeError(f"{self.where}.{field.name}: {error}") from None


def length_reason(layout: Layout, length: int) -> str:
    """Why a payload of ``length`` bytes does not fit, in words."""
    return f"{length} bytes, expected {layout.expected_length}"


def reading(field: Field, raw: int | float, name: str, base: int) -> Reading:
    """The reading that a transmitted number stands for; ``base`` is the bit its part starts at."""
    value: int | float | str | None
    reason = ""
    if field.reserved and raw in field.reserved:
        value, reason = None, field.reserved[int(raw)]
    elif field.names is not None:
        value = field.names.get(int(raw), f"unnamed {raw}")
    elif isinstance(raw, float):
        value = raw if math.isfinite(raw) else None
        reason = "" if value is not None else str(raw)
    else:
        value = field.scale.apply(raw) if field.scale else raw
    return Reading(name, raw, value, field.unit.symbol, base + field.bit, field.bits, reason)


def encode(field: Field, value: Value) -> int | float:
    """The transmitted number that stands for ``value``.

    Raises:
        ValueError: it can't be sent in this field; the text says why.
    """
    if value is None:
        if field.kind == "float":
            return math.nan
        if field.reserved:
            return next(iter(field.reserved))
        raise ValueError("has no reserved value that means no reading")
    if field.names is not None and isinstance(value, str):
        for number, name in field.names.items():
            if name == value:
                return number
        raise ValueError(f"{value!r} is none of {', '.join(field.names.values())}")
    if isinstance(value, str):
        raise ValueError(f"{value!r} is not a number")
    if field.kind == "float":
        return float(value)
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    exact = Fraction(value)
    raw = field.scale.invert(exact) if field.scale else round(exact)
    low, high = field.raw_range
    if not low <= raw <= high:
        raise ValueError(
            f"{float(exact):g} {field.unit.symbol} becomes {raw}, outside {low} to {high}".replace("  ", " ")
        )
    return raw
