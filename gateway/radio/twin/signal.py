"""What a simulated sensor feels: a value in the field's unit as a function of time, or of how many
values have been produced for recorded data."""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Callable

from gateway.config import Signal
from gateway.model.errors import InputError
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field

Source = Callable[[float, int], Value]  # seconds since the start, values produced so far


def make_source(signal: Signal, chance: random.Random) -> Source:
    """The function that a signal of the run file describes.

    Raises:
        InputError: a csv file without the column, or with something that is no number in it.
    """
    base = _base(signal)
    if not signal.noise:
        return base

    def noisy(seconds: float, index: int) -> Value:
        value = base(seconds, index)
        return value + chance.gauss(0, signal.noise) if isinstance(value, int | float) else value

    return noisy


def _base(signal: Signal) -> Source:
    level, span, period_s = signal.level, signal.span, signal.period_ns / 1e9
    if signal.kind == "csv":
        recorded = _read(signal)
        return lambda seconds, index: recorded[index % len(recorded)]
    if isinstance(level, str) or signal.kind == "constant":
        return lambda seconds, index: level
    if signal.kind == "sine":
        return lambda seconds, index: level + span * math.sin(2 * math.pi * seconds / period_s)
    return lambda seconds, index: level + (span - level) * (seconds / period_s % 1)


def _read(signal: Signal) -> list[float]:
    values = []
    with (signal.path or "").open(newline="", encoding="utf-8") as file:  # type: ignore[union-attr]  # set for csv
        rows = csv.DictReader(file)
        if signal.column not in (rows.fieldnames or ()):
            raise InputError(f"{signal.path}: no column {signal.column!r}; it has {', '.join(rows.fieldnames or ())}")
        for row in rows:
            try:
                values.append(float(row[signal.column]) * signal.gain + signal.zero)
            except (TypeError, ValueError):
                raise InputError(
                    f"{signal.path}, line {rows.line_num}: {row[signal.column]!r} is not a number"
                ) from None
    if not values:
        raise InputError(f"{signal.path}: contains no data rows")
    return values


def resting_value(field: Field) -> Value:
    """What a field without a signal shows: the first name, a full battery, the middle of its limits, or zero."""
    if field.names:
        return next(iter(field.names.values()))
    if field.role == "battery" and field.high is not None:
        return field.high
    if field.low is not None and field.high is not None:
        return (field.low + field.high) / 2
    return field.type.resting(field)


def fitted(field: Field, value: Value) -> Value:
    """``value``, or the end of what the field can carry where it lies beyond."""
    if not isinstance(value, int | float):
        return value
    try:
        field.type.encode(field, value)
        return value
    except ValueError:
        if not (field.type.integer or field.type.scaled):
            return math.copysign(math.inf, value)  # what its own special values are for
        low, high = field.raw_range
        ends = [field.scale.apply(raw) if field.scale else raw for raw in (low, high)]
        return min(max(value, min(ends)), max(ends))
