"""Draws of a profile's numbers, and which of them carry the spread of what is worked out from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from gateway.energy.profile import Profile

Floats = npt.NDArray[np.float64]
Draws = Mapping[str, Floats]
CAPACITY = "cell.capacity"  # in coulombs


def nominal(profile: Profile) -> Draws:
    """Every number as it is written, arrays of shape (1,)."""
    _, likely, _ = profile.cell.capacity_mah(profile.temperature_c)
    values = {path: np.array([one.value]) for path, one in profile.parameters.items()}
    return {**values, CAPACITY: np.array([3.6 * likely])}


def drawn(profile: Profile, count: int, seed: int = 1) -> Draws:
    """So many draws of every number: normal, none below zero (a charge to add may be); of the capacity triangular."""
    chance = np.random.default_rng(seed)
    return _of(profile, chance.standard_normal((len(profile.parameters), count)), chance.random(count))


def _of(profile: Profile, normal: Floats, uniform: Floats) -> Draws:
    """The numbers so many standard deviations off, a row for each, and the capacity at these quantiles."""
    found: dict[str, Floats] = {}
    for row, (path, one) in zip(normal, profile.parameters.items(), strict=True):
        values = one.value + one.spread * row
        found[path] = values if one.value < 0 else np.maximum(values, 0)
    found["regulator.efficiency"] = np.clip(found["regulator.efficiency"], 0.01, 1)
    found[CAPACITY] = 3.6 * _triangular(uniform, *profile.cell.capacity_mah(profile.temperature_c))
    return found


def _triangular(quantile: Floats, least: float, likely: float, most: float) -> Floats:
    if most <= least:
        return np.full(len(quantile), likely)
    low = least + np.sqrt(quantile * (most - least) * (likely - least))
    high = most - np.sqrt((1 - quantile) * (most - least) * (most - likely))
    return np.where(quantile < (likely - least) / (most - least), low, high)


def first_order(profile: Profile, of: Callable[[Draws], Floats], count: int = 4096, seed: int = 1) -> dict[str, float]:
    """The share of the variance of a result that each number carries by itself, largest first: first-order Sobol
    indices by the estimator of Saltelli et al. (Computer Physics Communications 181, 2010, table 2b; from memory).

    Args:
        of: the result, of draws of shape (n,).
    """
    chance = np.random.default_rng(seed)
    paths = list(profile.parameters)
    ones, others = chance.standard_normal((2, len(paths), count))
    one, other = chance.random((2, count))
    at_one, at_other = of(_of(profile, ones, one)), of(_of(profile, others, other))
    variance = float(np.var(np.concatenate([at_one, at_other])))
    if variance <= 0:
        return {}

    def index(mixed: Draws) -> float:
        return float(np.mean((at_other - at_other.mean()) * (of(mixed) - at_one))) / variance

    found = {CAPACITY: index(_of(profile, ones, other))}
    for row, path in enumerate(paths):
        if profile.parameters[path].spread:
            mixed = ones.copy()
            mixed[row] = others[row]
            found[path] = index(_of(profile, mixed, one))
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))
