"""From a payload to every value a characteristic declares, derived ones included."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from gateway.layout.codec import fit
from gateway.layout.formula import Numbers
from gateway.plugin import Characteristic, Derived
from gateway.records import Reading

Constants = Mapping[str, Mapping[str, float]]  # by constant characteristic, by field


def derive(derived: Derived, values: Mapping[str, Any], constants: Constants) -> Numbers:
    """Evaluate a derived value.

    Args:
        derived: what to work out.
        values: the fields it uses as float64 (arrays of one shape, or scalars), NaN for no reading.
        constants: what was read from the node; what is missing counts as NaN.
    """
    wanted: dict[str, Any] = {}
    for key, source in derived.inputs.items():
        if source.constant is None:
            number = values[source.field]
        else:
            number = np.float64(constants.get(source.constant, {}).get(source.field, np.nan))
        wanted[key] = number * source.gain + source.zero
    return derived.formula(wanted)


def read_all(item: Characteristic, raw: bytes, constants: Constants) -> list[Reading]:
    """Every field in byte order, then the derived values; those of a sample are named ``samples[i].name``.

    Raises:
        DecodeError: the payload does not fit the layout.
    """
    readings = item.codec.read(raw)
    values = {r.name: np.float64(r.value) if isinstance(r.value, int | float) else np.float64(np.nan) for r in readings}
    count = fit(item.layout, raw, item.name).count
    for derived in item.derived:
        for prefix in [f"samples[{i}]." for i in range(count)] if derived.per_sample else [""]:
            inputs = {
                source.field: values.get(prefix + source.field, values.get(source.field, np.float64(np.nan)))
                for source in derived.inputs.values()
                if source.constant is None
            }
            result = float(derive(derived, inputs, constants))
            missing = [s.constant for s in derived.inputs.values() if s.constant and s.constant not in constants]
            reason = f"needs {missing[0]} of the node" if missing else "no answer"
            known = result == result
            readings.append(
                Reading(
                    prefix + derived.name,
                    None,
                    result if known else None,
                    derived.unit.symbol,
                    0,
                    0,
                    "" if known else reason,
                )
            )
    return readings


def as_constants(readings: list[Reading]) -> dict[str, float]:
    """The numbers among readings, by field."""
    return {r.name: float(r.value) for r in readings if isinstance(r.value, int | float)}
