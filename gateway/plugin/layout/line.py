"""From one line of a plugin file to a `Field`: its type and width, its exact scaling, its limits, what its numbers are
called. Everything that is wrong with it is reported in one pass."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from math import lcm
from typing import TypeVar

from gateway.model.errors import UnitError
from gateway.model.units import PLAIN, Unit, parse_quantity, parse_unit
from gateway.plugin.layout.kind import FieldType
from gateway.plugin.layout.model import Field, Order, Scale
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.layout.shape import FieldDecl
from gateway.plugin.layout.types import TYPES, UINT, type_of
from gateway.plugin.layout.written import field_value, wanted_value

MAX_ROLE_BITS = 48  # counters and times are reckoned with in 64-bit integers
NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
T = TypeVar("T")


def read_field(
    decl: FieldDecl, bit: int, order: Order, whole: Order, place: str, report_problem: ReportProblem
) -> Field | None:
    """Build one field; None where not even its width is known."""
    if not NAME.fullmatch(decl.name):
        report_problem(f"{place}.name", f"{decl.name!r}", "lower-case letters, digits and _, at most 40 characters")
    known = type_of(decl.type)
    if known is None:
        types = ", ".join(one.written.replace("`", "") for one in TYPES)
        report_problem(f"{place}.type", f"{decl.type!r}", f"{types} (N bits from 1 to 64, or N bytes)")
        return None
    kind, bits = known
    if (not (kind.integer or kind.scaled) or order != whole) and (bit % 8 or bits % 8):
        report_problem(
            f"{place}",
            f"{decl.type} at bit {bit}",
            "a float or a field with its own byte order must start on a byte boundary",
        )
    reserved = _integers(decl.reserved, kind, bits, f"{place}.reserved", report_problem)
    names = _integers(decl.names, kind, bits, f"{place}.names", report_problem)
    if not (kind.integer or kind.scaled) and (decl.lsb or decl.offset):
        report_problem(place, f"a {decl.type} with lsb or offset", "give it only a unit")
    if kind.textual and (decl.unit or decl.limits):
        report_problem(place, f"a {decl.type} with unit or limits", "text and bytes have none")
    if names and (decl.lsb or decl.offset or decl.unit or decl.limits):
        report_problem(place, "names together with lsb, offset, unit or limits", "a named value has no unit")
    scale, unit = _scale(decl, kind, bool(names), place, report_problem)
    low, high = _limits(decl, unit, place, report_problem)
    if decl.role is not None and (kind is not UINT or bits > MAX_ROLE_BITS):
        report_problem(
            f"{place}.role",
            f"role {decl.role!r} on a {decl.type}",
            f"an unsigned integer of at most {MAX_ROLE_BITS} bits",
        )
    epoch_ns = _epoch_ns(decl, unit, place, report_problem)
    field = Field(
        decl.name, kind, bits, bit, order, scale, unit, low, high, decl.role, reserved, names, epoch_ns=epoch_ns
    )
    if decl.default is None:
        return field
    try:
        return replace(field, default=field_value(field, decl.default))
    except (ValueError, UnitError) as error:
        report_problem(f"{place}.default", f"{decl.default!r}: {error}", wanted_value(field))
        return field


def _epoch_ns(decl: FieldDecl, unit: Unit, place: str, report_problem: ReportProblem) -> int | None:
    """Where a time of day begins, nanoseconds UTC."""
    if decl.epoch is None:
        return None
    try:
        unit.to(parse_unit("s"))
        begins = datetime.fromisoformat(decl.epoch)
    except UnitError:
        report_problem(f"{place}.epoch", f"an epoch of what is in {unit.symbol or 'no unit'}", "a unit of time")
        return None
    except ValueError:
        report_problem(f"{place}.epoch", f"{decl.epoch!r}", 'a date such as "2000-01-01"')
        return None
    return int(begins.replace(tzinfo=begins.tzinfo or UTC).timestamp()) * 10**9


def _scale(
    decl: FieldDecl, kind: FieldType, named: bool, place: str, report_problem: ReportProblem
) -> tuple[Scale | None, Unit]:
    """The exact scaling of an integer into its output unit."""
    try:
        shown = parse_unit(decl.unit) if decl.unit is not None else None
    except UnitError as error:
        report_problem(f"{place}.unit", str(error), "")
        shown = None
    if not kind.scaled or named:
        return None, shown or PLAIN
    try:
        lsb = parse_quantity(decl.lsb if decl.lsb is not None else "1")
    except UnitError as error:
        report_problem(f"{place}.lsb", str(error), "")
        return Scale(1, 0, 1), shown or PLAIN
    if lsb.value == 0:
        report_problem(f"{place}.lsb", f"{decl.lsb!r} is zero", "the weight of one count")
        return Scale(1, 0, 1), shown or PLAIN
    unit = shown if shown is not None else lsb.unit
    try:
        gain, zero = lsb.unit.to(unit)
    except UnitError as error:
        report_problem(
            f"{place}.unit",
            f"unit {decl.unit!r} does not fit lsb {decl.lsb!r}: {error}",
            "the same dimension",
        )
        return Scale(1, 0, 1), unit
    start = Fraction(0)
    if decl.offset is not None:
        start = (
            tried(lambda: parse_quantity(decl.offset or "").in_unit(lsb.unit), f"{place}.offset", report_problem)
            or start
        )
    a, b = lsb.value * gain, start * gain + zero
    den = lcm(a.denominator, b.denominator)
    return Scale(int(a * den), int(b * den), den), unit


def _limits(
    decl: FieldDecl, unit: Unit, place: str, report_problem: ReportProblem
) -> tuple[float | None, float | None]:
    if decl.limits is None:
        return None, None
    ends: list[Fraction] = []
    for index, text in enumerate(decl.limits):
        try:
            ends.append(parse_quantity(text).in_unit(unit))
        except UnitError as error:
            report_problem(
                f"{place}.limits[{index}]",
                f"{text!r}: {error}",
                f"a quantity in {unit.symbol or 'plain numbers'}",
            )
    if len(ends) < 2:
        return None, None
    if ends[0] > ends[1]:
        report_problem(f"{place}.limits", f"{decl.limits[0]} is above {decl.limits[1]}", "the lower limit first")
    return float(ends[0]), float(ends[1])


def _integers(
    table: Mapping[str, str], kind: FieldType, bits: int, place: str, report_problem: ReportProblem
) -> dict[int, str] | None:
    """A table keyed by transmitted integers; a signed field may be keyed by its bit pattern (0x8000)."""
    if not table:
        return None
    if not kind.integer:
        report_problem(place, "can't be keyed by transmitted integers", "only integers have reserved values and names")
        return None
    found: dict[int, str] = {}
    for key, text in table.items():
        try:
            number = int(key, 0)
        except ValueError:
            report_problem(place, f"key {key!r}", "an integer such as 0x8000")
            continue
        if 0 <= number < (1 << bits):
            number = kind.from_bits(number, bits)
        low, high = kind.raw_range(bits)
        if not low <= number <= high:
            report_problem(place, f"{key} does not fit {bits} bits", f"{low} to {high}")
            continue
        found[number] = text
    return found


def tried(work: Callable[[], T], place: str, report_problem: ReportProblem) -> T | None:
    try:
        return work()
    except UnitError as error:
        report_problem(place, str(error), "")
        return None
