"""IEEE 11073-20601 floats of health devices: SFLOAT (medfloat16, mantissa 12 bits and exponent 4) and FLOAT
(medfloat32, 24 and 8), both two's complement, value = mantissa * 10^exponent. Five mantissas with exponent 0
are no numbers."""

from __future__ import annotations

from fractions import Fraction

MANTISSA_BITS = {16: 12, 32: 24}
_LARGEST = {16: (1 << 11) - 3, 32: (1 << 23) - 3}  # beyond it lie the special mantissas
POWERS = tuple(float(10**k) for k in range(129))


def specials(bits: int) -> dict[int, str]:
    """Bit patterns that are no numbers, with what they mean (16 bits: as published; 32 bits: from memory)."""
    top = 1 << (MANTISSA_BITS[bits] - 1)
    return {
        top - 1: "NaN",
        top: "NRes, not at this resolution",
        top - 2: "+INFINITY",
        top + 2: "-INFINITY",
        top + 1: "reserved",
    }


def split(raw: int, bits: int) -> tuple[int, int]:
    """Mantissa and exponent of a bit pattern."""
    width = MANTISSA_BITS[bits]
    mantissa, exponent = raw & (1 << width) - 1, raw >> width
    if mantissa >> (width - 1):
        mantissa -= 1 << width
    if exponent >> (bits - width - 1):
        exponent -= 1 << (bits - width)
    return mantissa, exponent


def to_float(raw: int, bits: int) -> float:
    """The value of a bit pattern that is a number: 0xF47A (16 bits) is 114.6."""
    mantissa, exponent = split(raw, bits)
    return mantissa * POWERS[exponent] if exponent >= 0 else mantissa / POWERS[-exponent]


def from_number(value: Fraction, bits: int) -> int:
    """The bit pattern nearest to a value, with no more digits than it needs.

    Raises:
        ValueError: too large or too small to be sent.
    """
    width = MANTISSA_BITS[bits]
    lowest, highest = -(1 << (bits - width - 1)), (1 << (bits - width - 1)) - 1
    for exponent in range(lowest, highest + 1):
        mantissa = round(value / Fraction(10) ** exponent)
        if abs(mantissa) <= _LARGEST[bits]:
            while mantissa and mantissa % 10 == 0 and exponent < 0:
                mantissa, exponent = mantissa // 10, exponent + 1
            if mantissa == 0:
                exponent = 0
            return (mantissa & (1 << width) - 1) | (exponent & (1 << (bits - width)) - 1) << width
    raise ValueError(f"{float(value):g} is beyond what medfloat{bits} can carry")
