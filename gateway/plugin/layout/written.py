"""What a file says a field is to be, as a value that it carries: defaults of a plugin, settings of a run file."""

from __future__ import annotations

import math
from fractions import Fraction

from gateway.model.units import parse_quantity
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field

NOW = "now"  # in place of a time of day


def field_value(field: Field, written: bool | int | float | str) -> Value:
    """What a file says a field is to be: a name where it has names, else a number, with its unit where it has one.

    Raises:
        UnitError: the quantity can't be read, or is of another dimension.
        ValueError: the field can't carry it, or it is outside its limits; the text says why.
    """
    if written == NOW and field.epoch_ns is not None:
        return NOW
    value: Value = int(written) if isinstance(written, bool) else written
    if isinstance(written, str) and not field.names and not field.type.textual:
        value = parse_quantity(written).in_unit(field.unit)
    elif not isinstance(written, str) and field.unit.symbol:
        raise ValueError(f'has no unit, write "{written} {field.unit.symbol}"')
    if field.names and isinstance(value, int | float) and value not in field.names:
        raise ValueError("stands for no name")
    raw = field.type.encode(field, value)
    if field.type.integer and isinstance(raw, int) and isinstance(value, int | float | Fraction):
        sent = field.scale.apply(raw) if field.scale else raw
        if not math.isclose(sent, value, rel_tol=1e-9, abs_tol=1e-12):
            raise ValueError(f"lies between two steps; the nearest is {f'{sent:g} {field.unit.symbol}'.rstrip()}")
    if isinstance(value, int | float | Fraction):
        if field.low is not None and value < Fraction(str(field.low)):
            raise ValueError(f"is below the lowest, {field.low:g} {field.unit.symbol}".rstrip())
        if field.high is not None and value > Fraction(str(field.high)):
            raise ValueError(f"is above the highest, {field.high:g} {field.unit.symbol}".rstrip())
    return value


def wanted_value(field: Field) -> str:
    """What `field_value` takes, in words."""
    if field.names:
        return f"one of {', '.join(field.names.values())}"
    if field.type.textual:
        return "text"
    if field.epoch_ns is not None:
        return f'"{NOW}", or a number in {field.unit.symbol}'
    return f"a number in {field.unit.symbol}" if field.unit.symbol else "a number"
