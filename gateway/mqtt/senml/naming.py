"""What a field is called in a pack and in which unit it is sent: the unit that the registry has for its dimension, so
that a consumer needs no table of ours. A unit of a dimension that the registry does not know stands in the name."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from gateway.model.errors import UnitError
from gateway.model.units import PLAIN, Unit, parse_unit

# Units of RFC 8428, section 12.1, and those that RFC 8798, section 2, adds, each with our spelling of it; of several of
# a dimension the first is the one that values are converted to. Left out are those marked there as not preferred (g, l,
# l/s, 1/min, beat/min, beats, %, Bspl), and those that are no unit of a measured value here (lat, lon, pH, EL).
REGISTERED = {
    "m": "m", "kg": "kg", "s": "s", "A": "A", "Cel": "degC", "K": "K", "cd": "cd", "mol": "mol", "1/s": "1/s",
    "Hz": "Hz", "rad": "rad", "deg": "deg", "sr": "steradian", "N": "N", "Pa": "Pa", "J": "J", "W": "W",
    "C": "coulomb", "V": "V", "F": "farad", "Ohm": "ohm", "S": "siemens", "Wb": "weber", "T": "tesla", "H": "henry",
    "lm": "lumen", "lx": "lux", "Bq": "becquerel", "Gy": "gray", "Sv": "sievert", "kat": "katal", "m2": "m**2",
    "m3": "m**3", "m/s": "m/s", "m/s2": "m/s**2", "m3/s": "m**3/s", "W/m2": "W/m**2", "cd/m2": "cd/m**2",
    "S/m": "siemens/m", "bit": "bit", "bit/s": "bit/s", "dB": "dB", "count": "count", "B": "byte",
    "VA": "volt_ampere", "J/m": "J/m", "kg/m3": "kg/m**3",
}  # fmt: skip
_OWN_ONLY = {"K", "Hz", "deg", "Bq", "Gy", "Sv", "sr", "cd", "lm", "kat", "B", "bit", "VA", "count"}
_PERCENT_OF = (("humidity", "%RH"), ("battery", "%EL"))


@dataclass(frozen=True, slots=True)
class Sent:
    """How a field is sent: value sent = value * gain + zero, in ``unit``, "" for a plain number."""

    name: str
    unit: str
    gain: float = 1.0
    zero: float = 0.0


@cache
def sent_as(name: str, symbol: str, role: str | None, column: str) -> Sent:
    """What a field becomes.

    Args:
        symbol: our unit of its values.
        role: what it is, as its layout says.
        column: its name in the log, which carries the unit.

    Percent are sent as %RH where the name speaks of humidity, as %EL where name or role speaks of a battery, and as a
    ratio otherwise; the registry keeps these apart.
    """
    if not symbol:
        return Sent(name, "")
    unit = parse_unit(symbol)
    if symbol == "percent":
        for word, registered in _PERCENT_OF:
            if word in name or word == role:
                return Sent(name, registered)
    if symbol == "dBm":
        return Sent(name, "dBW", 1.0, -30.0)  # RFC 8798, table 2
    if symbol == "rpm":
        return Sent(name, "1/s", 1 / 60)  # as an event rate, not as an angle
    if "volt_ampere" in symbol:
        return Sent(name, "VA", float(unit.to(_unit("volt_ampere"))[0]))  # apparent power is not told in watt
    if unit.dimension == _unit("K").dimension and not unit.zero:
        return Sent(name, "K", float(unit.factor))
    if unit.dimension == PLAIN.dimension and unit.factor != 1:
        return Sent(name, "/", float(unit.factor))
    for registered, ours in _same_first(symbol):
        try:
            gain, zero = unit.to(_unit(ours))
        except UnitError:
            continue
        return Sent(name, registered, float(gain), float(zero))
    return Sent(column, "")


def _same_first(symbol: str) -> list[tuple[str, str]]:
    """The registered units that may stand for one of ours: the same one, or one that others are converted to."""
    same = [(key, ours) for key, ours in REGISTERED.items() if ours == symbol]
    return same or [(key, ours) for key, ours in REGISTERED.items() if key not in _OWN_ONLY]


@cache
def _unit(symbol: str) -> Unit:
    return parse_unit(symbol)
