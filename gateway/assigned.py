"""Numbers that Bluetooth has assigned (Assigned Numbers, and GATT Specification Supplement for the
presentation format) which the product writes or compares."""

from __future__ import annotations

from gateway.layout.model import Field
from gateway.units import Unit, parse_unit

USER_DESCRIPTION = 0x2901
PRESENTATION_FORMAT = 0x2904
UNITLESS = 0x2700

_UNITS = {
    "": UNITLESS,
    "m": 0x2701,
    "s": 0x2703,
    "A": 0x2704,
    "K": 0x2705,
    "m/s**2": 0x2713,
    "Pa": 0x2724,
    "V": 0x2728,
    "degC": 0x272F,
    "lux": 0x2731,
    "degree": 0x2763,
    "percent": 0x27AD,
}
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
    """The assigned number of a unit that is one of the table's up to a power of ten; None for no such."""
    for symbol, number in _UNITS.items():
        known = parse_unit(symbol)
        if known.dimension == unit.dimension and (known.factor, known.zero) == (unit.factor, unit.zero):
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
