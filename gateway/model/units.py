"""Quantities with exact arithmetic and strict names. Pint knows the units; this module decides which
spellings are accepted, refuses the ones that read as something else (`g`, `RH`), and reduces every unit
to an exact affine map onto SI base units, so that scaling a raw integer is one correctly rounded step."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any

from gateway.model.errors import UnitError

_NUMBER = r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,2})?(?!\d)"
_QUANTITY = re.compile(rf"\s*(?P<top>{_NUMBER})(?:\s*(?P<op>/|\*\*|\^)\s*(?P<bottom>{_NUMBER}))?\s*(?P<unit>.*)")
_NAME = re.compile(r"[^\W\d]\w*|%")
_POWER = r"(?:\s*(?:\*\*|\^)\s*-?\d)?"  # one digit: nothing may make a unit's exponent explode
_SYMBOL = re.compile(rf"(?:1\s*/\s*)?(?:[^\W\d]\w*|%){_POWER}(?:\s*[*/ ]\s*(?:[^\W\d]\w*|%){_POWER})*")
_LARGEST = Fraction(10) ** 100
_PREFIXES = {"", "pico", "nano", "micro", "milli", "centi", "deci", "deca", "hecto", "kilo", "mega", "giga", "tera"}
_MISREAD = {
    "g": "it could be gram or standard gravity: write gram, or g_0 for acceleration",
    "mg": "it could be milligram or thousandths of gravity: write milligram, or give the LSB in g_0",
    "RH": "relative humidity is written percent",
    "rh": "relative humidity is written percent",
    "C": "that is the coulomb: write coulomb, or degC for temperature",
    "F": "that is the farad: write farad, or degF for temperature",
    "celsius": "write degC",
    "pH": "that would read as picohenry: give pH values without a unit",
    "ms-2": "write m/s**2",
}
_LEVELS = {  # logarithmic units: their dimension, and the size in its first unit
    "dB": ("level ratio", Fraction(1)),
    "bel": ("level ratio", Fraction(10)),
    "neper": ("level ratio", Fraction("8.685889638065036553")),
    "dBm": ("power level", Fraction(1)),
    "dBA": ("sound level", Fraction(1)),
}
_DIMENSIONS = {
    "[length] * [mass] / [time] ** 2": "force",
    "[length] / [time] ** 2": "acceleration",
    "[length] / [time]": "speed",
    "[length] ** 2": "area",
    "[length] ** 3": "volume",
    "[mass] / [length] / [time] ** 2": "pressure",
    "[mass] / [length] ** 3": "density",
    "[length] ** 2 * [mass] / [time] ** 2": "energy",
    "[length] ** 2 * [mass] / [time] ** 3": "power",
    "[length] ** 2 * [mass] / [current] / [time] ** 3": "voltage",
    "[current] * [time]": "electric charge",
    "[luminosity] / [length] ** 2": "illuminance",
    "1 / [time]": "rate (per time)",
    "dimensionless": "plain number",
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as an exact affine map: base value = value * factor + zero.

    Attributes:
        symbol: the unit as written, "" for a plain number.
        dimension: what two units must share to be converted, in words.
        factor, zero: exact, onto SI base units.
        identity: what it is whatever it is written like: lux and candela per square metre share all but this.
    """

    symbol: str
    dimension: str
    factor: Fraction
    zero: Fraction
    identity: str = ""

    def to(self, other: Unit) -> tuple[Fraction, Fraction]:
        """The exact ``(a, b)`` with: value in ``other`` = a * value in self + b.

        Raises:
            UnitError: the dimensions differ.
        """
        if self.dimension != other.dimension:
            raise UnitError(
                f"{self.symbol or 'a plain number'} is {self.dimension}, "
                f"{other.symbol or 'a plain number'} is {other.dimension}"
            )
        return self.factor / other.factor, (self.zero - other.zero) / other.factor

    @property
    def column_suffix(self) -> str:
        """The symbol as part of an SQL column's name: ``m/s**2`` gives ``m_per_s2``."""
        text = self.symbol.replace("µ", "u").replace("Ω", "ohm").replace("%", "percent").replace("²", "2")
        text = re.sub(r"\*\*|\^", "", text).replace("/", "_per_")
        return re.sub(r"\W+", "_", text).strip("_")


_SIGNS = {
    "degC": "°C",
    "degF": "°F",
    "degree": "°",
    "delta_degC": "°C",
    "percent": "%",
    "permille": "‰",
    "gram": "g",
    "kilogram": "kg",
    "milligram": "mg",
    "microgram": "µg",
    "microtesla": "µT",
    "g_0": "g₀",
    "ohm": "Ω",
    "lux": "lx",
    "1": "",
}
_SUPERSCRIPT = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


@cache
def unit_text(symbol: str) -> str:
    """A unit as people write it: ``gram/m**3`` gives ``g/m³``, ``1/s`` gives ``/s``. Names of columns stay ASCII."""
    signs = re.sub(r"[^\W\d]\w*|(?<!\w)1(?=\s*/)", lambda found: _SIGNS.get(found[0], found[0]), symbol)
    powers = re.sub(r"\s*(?:\*\*|\^)\s*(-?\d)", lambda found: found[1].translate(_SUPERSCRIPT), signs)
    return re.sub(r"\s*([*/])\s*", lambda found: "·" if found[1] == "*" else "/", powers).strip()


PLAIN = Unit("", "plain number", Fraction(1), Fraction(0))


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit; the number is exact."""

    value: Fraction
    unit: Unit

    def in_unit(self, unit: Unit) -> Fraction:
        """The exact value in ``unit``; an offset unit counts as a point on its scale (20 degC is 293.15 K).

        Raises:
            UnitError: the dimensions differ.
        """
        a, b = self._to(unit)
        return self.value * a + b

    def span_in(self, unit: Unit) -> Fraction:
        """The exact value in ``unit``, taken as a difference (2 degC is 2 K).

        Raises:
            UnitError: the dimensions differ.
        """
        return self.value * self._to(unit)[0]

    def _to(self, unit: Unit) -> tuple[Fraction, Fraction]:
        """As `Unit.to`; a bare number is none of a share or an angle, though all of them are plain numbers."""
        if not self.unit.symbol and unit.symbol:
            raise UnitError(
                f"{float(self.value):g} has no unit, write for example '{float(self.value):g} {unit.symbol}'"
            )
        return self.unit.to(unit)


@cache
def _registry() -> Any:
    import pint

    registry = pint.UnitRegistry(non_int_type=Fraction, autoconvert_offset_to_baseunit=True)
    for line in ("beat_per_minute = 1 / minute = bpm", "step = count", "stroke = count", "permille = 0.001"):
        registry.define(line)
    registry.define("metabolic_equivalent = [metabolic_rate]")
    registry.define("ppb = 1e-9")
    registry.define("reactive_volt_ampere = volt * ampere = var")
    return registry


def _dimension(registry: Any, unit: Any) -> str:
    """Words for a unit's dimension; angles are kept apart from plain numbers, which pint does not do."""
    if unit.dimensionless:
        names = {str(name) for name, _ in registry.Quantity(Fraction(1), unit).unit_items()}
        roots = {str(root) for name in names for root, _ in registry.Quantity(1, name).to_root_units().unit_items()}
        return "angle" if "radian" in roots else "plain number"
    parts = dict(unit.dimensionality)
    top = " * ".join(sorted(_power(name, power) for name, power in parts.items() if power > 0)) or "1"
    bottom = "".join(f" / {text}" for text in sorted(_power(n, -p) for n, p in parts.items() if p < 0))
    text = top + bottom
    return _DIMENSIONS.get(text, text.strip("[]") if text.count("[") == 1 and "/" not in text else text)


def _identity(registry: Any, unit: Any) -> str:
    """The units that it is made of by their own names, each with its power, in one order."""
    items = registry.Quantity(Fraction(1), unit).unit_items()
    return " ".join(sorted(f"{name}^{power}" for name, power in items))


def _power(name: str, power: Any) -> str:
    return name if power == 1 else f"{name} ** {power}"


@cache
def parse_unit(symbol: str) -> Unit:
    """Read a unit such as ``degC``, ``hPa``, ``m/s**2``, ``1/s`` or "" for a plain number.

    Raises:
        UnitError: unknown, ambiguous, or reads as something nobody meant.
    """
    symbol = symbol.strip().replace("°C", "degC").replace("°F", "degF")
    if not symbol:
        return PLAIN
    if symbol in _LEVELS:
        return Unit(symbol, *_LEVELS[symbol], Fraction(0), symbol)
    if len(symbol) > 60:
        raise UnitError(f"unit {symbol[:20]!r}… is {len(symbol)} characters long; at most 60 are allowed")
    if not _SYMBOL.fullmatch(symbol.replace("²", "**2").replace("³", "**3")):
        raise UnitError(f"unit {symbol!r} can't be read: write names with * / and powers of one digit, such as m/s**2")
    registry = _registry()
    for name in _NAME.findall(symbol):
        if name in _MISREAD:
            raise UnitError(f"unit {name!r} is ambiguous: {_MISREAD[name]}")
        meanings = registry.parse_unit_name(name) if name != "%" else [("", "percent", "")]
        if not any(prefix in _PREFIXES for prefix, _, _ in meanings):
            raise UnitError(f"unit {name!r} is not known: use names such as degC, hPa, percent, g_0, lux, mV, 1/s")
    try:
        unit = registry.parse_units(symbol)
        zero = registry.Quantity(Fraction(0), unit).to_base_units().magnitude
        one = registry.Quantity(Fraction(1), unit).to_base_units().magnitude
    except Exception as error:  # pint raises its own, tokenizer and arithmetic errors alike
        raise UnitError(f"unit {symbol!r} can't be read: {error}") from None
    return Unit(
        symbol, _dimension(registry, unit), Fraction(one) - Fraction(zero), Fraction(zero), _identity(registry, unit)
    )


def parse_quantity(text: str) -> Quantity:
    """Read a number with its unit: ``0.01 degC``, ``1/16 g_0``, ``2**-4 K``, ``100 ms``, ``10 / s``, ``3``.

    Raises:
        UnitError: no number, an unknown unit, or a number beyond 30 digits or exponent 99.
    """
    found = _QUANTITY.fullmatch(text)
    if not found:
        raise UnitError(f"{text!r} is not a quantity: write a number and a unit, such as '0.01 degC'")
    value = Fraction(found["top"])
    if found["op"] == "/" and found["bottom"]:
        if Fraction(found["bottom"]) == 0:
            raise UnitError(f"{text!r} divides by zero")
        value /= Fraction(found["bottom"])
    elif found["op"]:
        power = Fraction(found["bottom"])
        if power.denominator != 1 or abs(power) > 64 or (value == 0 and power < 0):
            raise UnitError(f"{text!r}: a power must be a whole number from -64 to 64")
        value **= int(power)
    if value and not 1 / _LARGEST <= abs(value) <= _LARGEST:
        raise UnitError(f"{text!r} is beyond 1e100 or closer to zero than 1e-100")
    unit = found["unit"]
    return Quantity(value, parse_unit(f"1{unit}" if unit.startswith("/") else unit))


def parse_duration_ns(text: str) -> int:
    """Read a length of time such as ``100 ms``, ``72 h`` or ``3 days``, as nanoseconds.

    Raises:
        UnitError: not a time, not positive, or over ten years.
    """
    quantity = parse_quantity(text)
    if not quantity.unit.symbol:
        raise UnitError(f"{text!r} has no unit: write for example '20 s', '10 min' or '72 h'")
    seconds = quantity.in_unit(parse_unit("s"))
    if not 0 < seconds <= 10 * 366 * 86400:
        raise UnitError(f"{text!r} must be longer than zero and shorter than ten years")
    return round(seconds * 1_000_000_000)
