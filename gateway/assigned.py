"""Numbers that Bluetooth has assigned (Assigned Numbers, and GATT Specification Supplement for the
presentation format) which the product writes or compares."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from gateway.layout.model import Field
from gateway.units import Unit, parse_unit

USER_DESCRIPTION = 0x2901
PRESENTATION_FORMAT = 0x2904


@dataclass(frozen=True, slots=True)
class AssignedUnit:
    """A unit with its assigned number, our symbol, and those of SenML and UCUM, "" where there is none."""

    number: int
    name: str
    symbol: str
    senml: str
    ucum: str


@cache
def assigned_units() -> dict[int, AssignedUnit]:
    """All assigned units by number."""
    lines = files("gateway").joinpath("assigned_units.tsv").read_text("utf-8").splitlines()
    rows = [line.split("\t") for line in lines if not line.startswith("#")]
    return {int(row[0], 16): AssignedUnit(int(row[0], 16), *row[1:]) for row in rows}


_FORMATS = {
    ("boolean", 1): 0x01,
    ("uint", 2): 0x02,
    ("uint", 4): 0x03,
    ("uint", 8): 0x04,
    ("uint", 12): 0x05,
    ("uint", 16): 0x06,
    ("uint", 24): 0x07,
    ("uint", 32): 0x08,
    ("uint", 48): 0x09,
    ("uint", 64): 0x0A,
    ("sint", 8): 0x0C,
    ("sint", 12): 0x0D,
    ("sint", 16): 0x0E,
    ("sint", 24): 0x0F,
    ("sint", 32): 0x10,
    ("sint", 48): 0x11,
    ("sint", 64): 0x12,
    ("float", 32): 0x14,
    ("float", 64): 0x15,
}


def unit_number(unit: Unit) -> int | None:
    """The assigned number of a unit; of several for one unit the lowest; None where it has none."""
    for number, known in assigned_units().items():
        other = parse_unit(known.symbol)
        if (other.dimension, other.factor, other.zero) == (unit.dimension, unit.factor, unit.zero):
            return number
    return None


def presentation_format(field: Field) -> bytes | None:
    """The seven bytes of a Characteristic Presentation Format descriptor for a lone field.

    None where the descriptor can't express it: a width without a format, an LSB that is no power of
    ten, an offset, or a unit without a number.
    """
    code = _FORMATS.get((field.kind, field.bits))
    unit = unit_number(field.unit)
    exponent: int | None = 0
    if field.scale is not None:
        exponent = _power_of_ten(field.scale.num, field.scale.den)
        if field.scale.add:
            return None
    if code is None or unit is None or exponent is None:
        return None
    return bytes([code, exponent & 0xFF]) + unit.to_bytes(2, "little") + b"\x01\x00\x00"


def _power_of_ten(num: int, den: int) -> int | None:
    larger = num if den == 1 else den if num == 1 else 0
    exponent = len(str(larger)) - 1
    if larger != 10**exponent:
        return None
    return exponent if den == 1 else -exponent
