"""Cells: usable capacity as a prior, open-circuit voltage and inner resistance over the depth of discharge. The table
is a file that a user can replace. Its figures are common practice without a published source: a forecast with them is a
guess with a spread, and the safety data of the cell in hand come before all of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Annotated, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict
from pydantic import Field as Declared

from gateway.host.toml import read_toml, shape
from gateway.model.errors import InputError

V = TypeVar("V", float, npt.NDArray[np.float64])
_TABLE = Path(__file__).parent / "cells.toml"


class CellRow(BaseModel):
    """A cell as the table has it."""

    model_config = ConfigDict(extra="forbid", strict=True)
    capacity_mah: Annotated[list[float], Declared(min_length=3, max_length=3)]
    self_discharge_per_year: float
    cutoff_v: float
    colder_per_k: float = 0.0
    depth: list[float]
    voltage_v: list[float]
    resistance_ohm: list[float]
    source: str


class CellTable(BaseModel):
    """The table of cells."""

    model_config = ConfigDict(extra="forbid", strict=True)
    cell: dict[str, CellRow]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell.

    Attributes:
        least_mah, likely_mah, most_mah: usable capacity at 20 degC, a triangular prior.
        self_discharge: share a year.
        cutoff_v: below which it is empty.
        colder_per_k: share of capacity lost for each kelvin below 20 degC.
        depth, voltage_v, resistance_ohm: over the depth of discharge, 0 to 1.
        source: where these come from.
    """

    kind: str
    least_mah: float
    likely_mah: float
    most_mah: float
    self_discharge: float
    cutoff_v: float
    colder_per_k: float
    depth: tuple[float, ...]
    voltage_v: tuple[float, ...]
    resistance_ohm: tuple[float, ...]
    source: str

    def holding(self, least: float, likely: float, most: float) -> Cell:
        """The same with another capacity, mAh."""
        return replace(self, least_mah=least, likely_mah=likely, most_mah=most)

    def capacity_mah(self, temperature_c: float) -> tuple[float, float, float]:
        """Least, likely and most usable capacity at a temperature."""
        share = max(1 - self.colder_per_k * max(20 - temperature_c, 0), 0.05)
        return self.least_mah * share, self.likely_mah * share, self.most_mah * share

    def at(self, depth: float) -> tuple[float, float]:
        """Open-circuit voltage and inner resistance at a depth of discharge."""
        voltage = float(np.interp(depth, self.depth, self.voltage_v))
        return voltage, float(np.interp(depth, self.depth, self.resistance_ohm))


def under_pulse_v(ocv_v: V, resistance_ohm: V, current_a: float, time_s: float, capacitor_f: float) -> V:
    """Voltage at the end of a pulse of constant current from rest: OCV - I R (1 - exp(-t / (R C))), without a capacitor
    OCV - I R (circuit theory); of numbers, or of arrays of one shape.

    Example: 2.7 V, 100 ohm, 10 mA for 3 ms leave 1.7 V, and 2.4408 V with 100 µF.
    """
    if capacitor_f <= 0:
        return ocv_v - current_a * resistance_ohm
    drop: V = current_a * resistance_ohm * (1 - np.exp(-time_s / (np.maximum(resistance_ohm, 1e-9) * capacitor_f)))
    return ocv_v - drop


def read_cells(path: Path) -> Mapping[str, Cell]:
    """A table of cells.

    Raises:
        ProblemsError: it can't be read.
        InputError: a curve is not one.
    """
    table = shape(CellTable, read_toml(path)[1], str(path))
    found: dict[str, Cell] = {}
    for kind, row in table.cell.items():
        same = len(row.depth) == len(row.voltage_v) == len(row.resistance_ohm) >= 2
        if not same or any(a >= b for a, b in zip(row.depth, row.depth[1:], strict=False)):
            raise InputError(
                f"{path}: cell.{kind}: depth, voltage_v and resistance_ohm have to be as long, depth rising"
            )
        if not 0 < row.capacity_mah[0] <= row.capacity_mah[1] <= row.capacity_mah[2]:
            raise InputError(
                f"{path}: cell.{kind}.capacity_mah: least, likely and most, each no lower than the one before"
            )
        least, likely, most = row.capacity_mah
        found[kind] = Cell(
            kind,
            least,
            likely,
            most,
            row.self_discharge_per_year,
            row.cutoff_v,
            row.colder_per_k,
            tuple(row.depth),
            tuple(row.voltage_v),
            tuple(row.resistance_ohm),
            row.source,
        )
    return found


@cache
def cells() -> Mapping[str, Cell]:
    """The table that comes with the product."""
    return read_cells(_TABLE)
