"""What a characteristic's value looks like, field by field. `read_layout` turns the declaration of a
plugin file into a `Layout` whose every bit is accounted for and whose units, limits and reserved values
have been proven; nothing later in the product needs to doubt it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.errors import UnitError
from gateway.units import PLAIN, Unit, parse_duration_ns, parse_quantity, parse_unit

MAX_VALUE_BYTES = 512  # longest attribute value: Core Specification, Vol 3, Part F, 3.2.9
Kind = Literal["uint", "sint", "float", "boolean"]
Order = Literal["little", "big"]
Role = Literal["sequence", "node time", "battery"]
Complain = Callable[[str, str, str], None]  # place, found, expected

_TYPE = re.compile(r"(uint|sint)([1-9]\d?)")
_FLOATS = {"float32": 32, "float64": 64}
T = TypeVar("T")
NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


class FieldDecl(BaseModel):
    """One line of a plugin's ``fields``, as written."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: str = ""
    type: str = ""
    rfu: Annotated[int, Declared(ge=1, le=MAX_VALUE_BYTES * 8)] | None = None
    at: Annotated[int, Declared(ge=0)] | Annotated[list[int], Declared(min_length=2, max_length=2)] | None = None
    byte_order: Order | None = None
    lsb: str | None = None
    offset: str | None = None
    unit: str | None = None
    limits: Annotated[list[str], Declared(min_length=2, max_length=2)] | None = None
    role: Role | None = None
    reserved: dict[str, str] = {}
    names: dict[str, str] = {}


class SamplesDecl(BaseModel):
    """Several samples in one value, as written."""

    model_config = ConfigDict(extra="forbid", strict=True)

    every: str | None = None
    count: Annotated[int, Declared(ge=1, le=MAX_VALUE_BYTES)] | None = None
    fields: list[FieldDecl]


@dataclass(frozen=True, slots=True)
class Scale:
    """value = (raw * num + add) / den, one correctly rounded division of exact integers."""

    num: int
    add: int
    den: int

    def apply(self, raw: int) -> int | float:
        """The engineering value of a transmitted integer."""
        top = raw * self.num + self.add
        return top if self.den == 1 else top / self.den

    def invert(self, value: Fraction) -> int:
        """The nearest transmitted integer, halves to even."""
        return round((value * self.den - self.add) / self.num)


@dataclass(frozen=True, slots=True)
class Field:
    """One decoded quantity.

    Attributes:
        name: its name, unique in the layout.
        kind, bits: the type.
        bit: offset of its first bit: within the value, or within one sample.
        order: byte order; in a little-endian layout bit 0 of byte 0 comes first, in a big-endian one bit 7.
        scale: None where the value is not a scaled integer (float, boolean, named).
        unit: unit of the value.
        low, high: limits in ``unit``.
        role: what the product may conclude from it.
        reserved: transmitted integers that mean "no reading", with the reason.
        names: transmitted integers that stand for a name.
    """

    name: str
    kind: Kind
    bits: int
    bit: int
    order: Order
    scale: Scale | None = None
    unit: Unit = PLAIN
    low: float | None = None
    high: float | None = None
    role: Role | None = None
    reserved: Mapping[int, str] | None = None
    names: Mapping[int, str] | None = None

    @property
    def raw_range(self) -> tuple[int, int]:
        """Smallest and largest transmitted integer."""
        if self.kind == "sint":
            return -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1
        return 0, (1 << self.bits) - 1

    @property
    def column(self) -> str:
        """Its name with its unit, as a column of the log."""
        return f"{self.name}_{self.unit.column_suffix}" if self.unit.symbol else self.name


@dataclass(frozen=True, slots=True)
class Samples:
    """Fields that repeat: ``count`` times, or until the value ends.

    Attributes:
        every_ns: time between two samples, nanoseconds; the last one is as old as the frame.
        size: bytes of one sample.
    """

    fields: tuple[Field, ...]
    size: int
    every_ns: int | None
    count: int | None


@dataclass(frozen=True, slots=True)
class Layout:
    """All the fields of a value: ``head`` bytes of ``fields``, then the samples."""

    fields: tuple[Field, ...]
    head: int
    samples: Samples | None = None

    def sample_count(self, length: int) -> int | None:
        """How many samples a value of ``length`` bytes holds; None where that length does not fit."""
        rest = length - self.head
        if self.samples is None:
            return 0 if rest == 0 else None
        if self.samples.count is not None:
            return self.samples.count if rest == self.samples.count * self.samples.size else None
        return rest // self.samples.size if rest >= 0 and rest % self.samples.size == 0 else None

    @property
    def expected_length(self) -> str:
        """The lengths that fit, in words."""
        if self.samples is None:
            return f"{self.head} bytes"
        if self.samples.count is not None:
            return f"{self.head + self.samples.count * self.samples.size} bytes"
        return f"{self.head} bytes and a multiple of {self.samples.size}"

    def all_fields(self) -> Iterator[tuple[Field, bool]]:
        """Every field, with whether it belongs to the samples."""
        for field in self.fields:
            yield field, False
        for field in self.samples.fields if self.samples else ():
            yield field, True

    def with_role(self, role: Role) -> Field | None:
        """The value's field that has ``role``."""
        return next((field for field in self.fields if field.role == role), None)


def read_layout(
    fields: Sequence[FieldDecl],
    samples: SamplesDecl | None,
    order: Order,
    length: int | None,
    complain: Complain,
) -> Layout:
    """Build a layout and report everything that is wrong with it.

    Args:
        fields: the declared lines.
        samples: the declared repetition.
        order: byte order of the value.
        length: declared length in bytes, None for whatever the fields add up to.
        complain: called for each problem; the layout returned is only good if it was not called.
    """
    built, head = _place(fields, order, "fields", complain)
    repeated: Samples | None = None
    if samples is not None:
        inner, size = _place(samples.fields, order, "samples.fields", complain)
        every_ns = (
            _try(lambda: parse_duration_ns(samples.every or ""), "samples.every", complain) if samples.every else None
        )
        if not inner:
            complain("samples.fields", "no fields", "declare at least one")
        elif samples.count is not None and head + samples.count * size > MAX_VALUE_BYTES:
            complain(
                "samples.count",
                f"{samples.count} samples of {size} bytes",
                f"at most {MAX_VALUE_BYTES} bytes in all",
            )
        else:
            repeated = Samples(tuple(inner), size, every_ns, samples.count)
    layout = Layout(tuple(built), head, repeated)
    if head > MAX_VALUE_BYTES:
        complain("fields", f"{head} bytes", f"an attribute value holds at most {MAX_VALUE_BYTES} bytes")
    if length is not None and layout.sample_count(length) is None:
        complain("length", f"{length} bytes declared", f"the fields take {layout.expected_length}")
    if not built and repeated is None and samples is None:
        complain("fields", "no fields", "declare at least one")
    _unique([field.name for field, _ in layout.all_fields()], complain)
    sequences = [field for field, _ in layout.all_fields() if field.role == "sequence"]
    if len(sequences) > 1 or (sequences and sequences[0] not in layout.fields):
        complain("fields", "sequence role in a sample or more than once", "one sequence counter a value")
    return layout


def _unique(names: Sequence[str], complain: Complain) -> None:
    for name in sorted({name for name in names if names.count(name) > 1}):
        complain("fields", f"name {name!r} is used {names.count(name)} times", "give each field its own name")


def _place(decls: Sequence[FieldDecl], order: Order, where: str, complain: Complain) -> tuple[list[Field], int]:
    """Lay the fields out one after another; returns them and the bytes they take."""
    fields: list[Field] = []
    taken: list[tuple[int, int, str]] = []
    cursor = 0
    for index, decl in enumerate(decls):
        place = f"{where}[{index}]"
        start = cursor
        if decl.at is not None:
            start = decl.at * 8 if isinstance(decl.at, int) else decl.at[0] * 8 + decl.at[1]
        if decl.rfu is not None:
            bits, name = decl.rfu, "rfu"
            extra = decl.model_fields_set - {"rfu", "at"}
            if extra:
                complain(place, f"rfu together with {', '.join(sorted(extra))}", "reserved bits have no other key")
        else:
            field = _field(decl, start, decl.byte_order or order, order, place, complain)
            if field is None:
                return fields, -(-cursor // 8)
            fields.append(field)
            bits, name = field.bits, field.name
        if start + bits > MAX_VALUE_BYTES * 8:
            complain(
                place,
                f"{name} ends at bit {start + bits}",
                f"a value holds at most {MAX_VALUE_BYTES * 8} bits",
            )
            return fields, MAX_VALUE_BYTES
        for low, high, other in taken:
            if start < high and low < start + bits:
                complain(
                    f"{place}.at",
                    f"{name} (bits {start} to {start + bits - 1}) overlaps {other} (bits {low} to {high - 1})",
                    "move one of them",
                )
        taken.append((start, start + bits, name))
        cursor = start + bits
    end = max((high for _, high, _ in taken), default=0)
    covered = sum(high - low for low, high, _ in taken)
    if covered < end:
        complain(where, f"{end - covered} bits between the fields are not declared", "declare them as { rfu = N }")
    if end % 8:
        complain(where, f"the fields end at bit {end}, inside a byte", f"fill up with {{ rfu = {8 - end % 8} }}")
    return fields, -(-end // 8)


def _field(decl: FieldDecl, bit: int, order: Order, whole: Order, place: str, complain: Complain) -> Field | None:
    """Build one field; None where not even its width is known."""
    if not NAME.fullmatch(decl.name):
        complain(f"{place}.name", f"{decl.name!r}", "a lower-case name of letters, digits and _, at most 40 long")
    named = _TYPE.fullmatch(decl.type)
    kind: Kind
    if decl.type == "boolean":
        kind, bits = "boolean", 1
    elif decl.type in _FLOATS:
        kind, bits = "float", _FLOATS[decl.type]
    elif named and int(named[2]) <= 64:
        kind, bits = ("uint" if named[1] == "uint" else "sint"), int(named[2])
    else:
        complain(
            f"{place}.type",
            f"{decl.type!r}",
            "boolean, uintN or sintN with N from 1 to 64, float32 or float64",
        )
        return None
    if (kind == "float" or order != whole) and (bit % 8 or bits % 8):
        complain(
            f"{place}",
            f"{decl.type} at bit {bit}",
            "a float or a field of its own byte order starts on a byte",
        )
    reserved = _integers(decl.reserved, kind, bits, f"{place}.reserved", complain)
    names = _integers(decl.names, kind, bits, f"{place}.names", complain)
    if kind == "float" and (decl.lsb or decl.offset):
        complain(place, "a float with lsb or offset", "give a float its unit alone")
    if names and (decl.lsb or decl.offset or decl.unit or decl.limits):
        complain(place, "names together with lsb, offset, unit or limits", "a named value has no unit")
    scale, unit = _scale(decl, kind, bool(names), place, complain)
    low, high = _limits(decl, unit, place, complain)
    if decl.role is not None and kind != "uint":
        complain(f"{place}.role", f"role {decl.role!r} on a {decl.type}", "an unsigned integer")
    return Field(decl.name, kind, bits, bit, order, scale, unit, low, high, decl.role, reserved, names)


def _scale(decl: FieldDecl, kind: Kind, named: bool, place: str, complain: Complain) -> tuple[Scale | None, Unit]:
    """The exact scaling of an integer into its output unit."""
    try:
        shown = parse_unit(decl.unit) if decl.unit is not None else None
    except UnitError as error:
        complain(f"{place}.unit", str(error), "")
        shown = None
    if kind in ("float", "boolean") or named:
        return None, shown or PLAIN
    try:
        lsb = parse_quantity(decl.lsb if decl.lsb is not None else "1")
    except UnitError as error:
        complain(f"{place}.lsb", str(error), "")
        return Scale(1, 0, 1), shown or PLAIN
    if lsb.value == 0:
        complain(f"{place}.lsb", f"{decl.lsb!r} is zero", "the weight of one count")
        return Scale(1, 0, 1), shown or PLAIN
    unit = shown if shown is not None else lsb.unit
    try:
        gain, zero = lsb.unit.to(unit)
    except UnitError as error:
        complain(
            f"{place}.unit",
            f"unit {decl.unit!r} does not fit lsb {decl.lsb!r}: {error}",
            "the same dimension",
        )
        return Scale(1, 0, 1), unit
    start = Fraction(0)
    if decl.offset is not None:
        start = _try(lambda: parse_quantity(decl.offset or "").in_unit(lsb.unit), f"{place}.offset", complain) or start
    a, b = lsb.value * gain, start * gain + zero
    den = lcm(a.denominator, b.denominator)
    return Scale(int(a * den), int(b * den), den), unit


def _limits(decl: FieldDecl, unit: Unit, place: str, complain: Complain) -> tuple[float | None, float | None]:
    if decl.limits is None:
        return None, None
    ends: list[Fraction] = []
    for index, text in enumerate(decl.limits):
        try:
            ends.append(parse_quantity(text).in_unit(unit))
        except UnitError as error:
            complain(
                f"{place}.limits[{index}]",
                f"{text!r}: {error}",
                f"a quantity in {unit.symbol or 'plain numbers'}",
            )
    if len(ends) < 2:
        return None, None
    if ends[0] > ends[1]:
        complain(f"{place}.limits", f"{decl.limits[0]} is above {decl.limits[1]}", "the lower limit first")
    return float(ends[0]), float(ends[1])


def _integers(table: Mapping[str, str], kind: Kind, bits: int, place: str, complain: Complain) -> dict[int, str] | None:
    """A table keyed by transmitted integers; a signed field may be keyed by its bit pattern (0x8000)."""
    if not table:
        return None
    if kind == "float":
        complain(place, "a float can't be keyed by transmitted integers", "NaN already means no reading")
        return None
    found: dict[int, str] = {}
    for key, text in table.items():
        try:
            number = int(key, 0)
        except ValueError:
            complain(place, f"key {key!r}", "an integer such as 0x8000")
            continue
        if kind == "sint" and (1 << (bits - 1)) <= number < (1 << bits):
            number -= 1 << bits
        low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if kind == "sint" else (0, (1 << bits) - 1)
        if not low <= number <= high:
            complain(place, f"{key} does not fit {bits} bits", f"{low} to {high}")
            continue
        found[number] = text
    return found


def _try(work: Callable[[], T], place: str, complain: Complain) -> T | None:
    try:
        return work()
    except UnitError as error:
        complain(place, str(error), "")
        return None
