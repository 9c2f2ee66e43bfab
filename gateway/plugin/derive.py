"""From a payload to every value a characteristic declares, derived ones included."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.model.records import Reading
from gateway.plugin.layout.codec import body_of, fit
from gateway.plugin.layout.columns import Part
from gateway.plugin.layout.formula import Numbers
from gateway.plugin.model import Characteristic, Derived

Constants = Mapping[str, Mapping[str, float]]  # by constant characteristic, by field
NO_ANSWER = "no answer"  # of a formula: its arithmetic has none, or an input is missing


_OVER: dict[str, Callable[..., Any]] = {"max": np.fmax.reduce, "min": np.fmin.reduce, "mean": np.nanmean}


def over_samples(derived: Derived, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Make one value for each of n payloads of its count samples, shape (n, count) to (n,).

    Samples without a value are left out; NaN where none is left.
    """
    if not values.shape[1]:
        return np.full(len(values), np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the mean of nothing is NaN

        result: npt.NDArray[np.float64] = _OVER[derived.over_samples or "max"](values, axis=1)
    return result


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


def derive_part(derived: Derived, part: Part, constants: Constants) -> npt.NDArray[np.float64]:
    """Evaluate a derived value for a part of many payloads: n values where it belongs to the value, n * count where
    it belongs to the samples; NaN where there is none."""
    n, repeat = len(part.positions), part.count if derived.per_sample else 1
    values: dict[str, Any] = {}
    for name in (source.field for source in derived.inputs.values() if source.constant is None):
        inner, own = part.samples.get(name), part.fields.get(name)
        values[name] = inner.floats() if inner else np.repeat(own.floats(), repeat) if own else np.nan
    result = np.broadcast_to(derive(derived, values, constants), (n * repeat,))
    return over_samples(derived, result.reshape(n, repeat)) if derived.over_samples is not None else result


def read_all(item: Characteristic, raw: bytes, constants: Constants) -> list[Reading]:
    """Every field in byte order, then the derived values; those of a sample are named ``samples[i].name``.

    Raises:
        DecodeError: the payload does not fit the layout.
    """
    readings = item.codec.read(raw)
    values = {r.name: np.float64(r.value) if isinstance(r.value, int | float) else np.float64(np.nan) for r in readings}
    count = fit(item.layout, body_of(item.layout, raw, item.name), item.name).count
    for derived in item.derived:
        results = [
            (prefix + derived.name, float(derive(derived, _inputs(derived, values, prefix), constants)))
            for prefix in ([f"samples[{i}]." for i in range(count)] if derived.per_sample else [""])
        ]
        if derived.over_samples is not None:
            results = [(derived.name, float(over_samples(derived, np.array([[v for _, v in results]]))[0]))]
        missing = [s.constant for s in derived.inputs.values() if s.constant and s.constant not in constants]
        reason = f"needs constant {missing[0]} from the node" if missing else NO_ANSWER
        for name, result in results:
            known = result == result
            value, why = (result, "") if known else (None, reason)
            readings.append(Reading(name, None, value, derived.unit.symbol, 0, 0, why))
    return readings


def _inputs(derived: Derived, values: Mapping[str, np.float64], prefix: str) -> dict[str, np.float64]:
    """The fields a formula uses: those of a sample, or else of the value."""
    names = [source.field for source in derived.inputs.values() if source.constant is None]
    return {name: values.get(prefix + name, values.get(name, np.float64(np.nan))) for name in names}


def as_constants(readings: list[Reading]) -> dict[str, float]:
    """The numbers among readings, by field."""
    return {r.name: float(r.value) for r in readings if isinstance(r.value, int | float)}
