"""The Allan deviation of a series of values at averages over 1, 2, 4, … of them: how noise falls, and slow change
grows, with the time one averages over. Not overlapped, so that any number of values goes through in chunks:
sigma^2(m) is half the mean of the squared differences of neighbouring averages over m values (NIST Special
Publication 1065, Riley, Handbook of Frequency Stability Analysis, 5.2.2, the values in place of the fractional
frequencies)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
_FEWEST_PAIRS = 4


@dataclass(slots=True)
class _Octave:
    """Averages over one number of values: the last, one without a partner, and the squares of differences so far."""

    rest: Floats = field(default_factory=lambda: np.empty(0))
    last: Floats = field(default_factory=lambda: np.empty(0))
    squares: float = 0.0
    pairs: int = 0


class Allan:
    """Takes values in chunks, and gives the deviation so far."""

    def __init__(self) -> None:
        self._octaves = [_Octave()]

    def add(self, values: Floats) -> None:
        """Take the next values, shape (n,), without NaN."""
        number = 0
        while len(values):
            if number == len(self._octaves):
                self._octaves.append(_Octave())
            octave = self._octaves[number]
            change = np.diff(np.concatenate([octave.last, values]))
            octave.squares += float((change**2).sum())
            octave.pairs += len(change)
            octave.last = values[-1:]
            joined = np.concatenate([octave.rest, values])
            even = len(joined) // 2 * 2
            octave.rest = joined[even:]
            values = joined[:even].reshape(-1, 2).mean(axis=1)
            number += 1

    @property
    def points(self) -> list[tuple[int, float, int]]:
        """For each m: m, the deviation in the values' unit, and from how many pairs; from four pairs on."""
        return [
            (1 << number, math.sqrt(octave.squares / 2 / octave.pairs), octave.pairs)
            for number, octave in enumerate(self._octaves)
            if octave.pairs >= _FEWEST_PAIRS or (number == 0 and octave.pairs)
        ]
