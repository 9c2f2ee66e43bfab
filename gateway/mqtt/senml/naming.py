"""What a field is called in a pack and in which unit it is sent: the unit that the registry has for its dimension, so
that a consumer needs no table of ours. A unit of a dimension that the registry does not know stands in the name."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from gateway.model.errors import UnitError
from gateway.model.units import PLAIN, Unit, parse_unit

# Units of RFC 8428, section 12.1, and those that RFC 8798, section 2, adds, each with our spelling of it; of several of
# a dimension the first is the one that values are converted to. Left out are those marked there as not preferred (g, l,
# l/s, 1/min, beat/min, beats, %, Bspl), and those that are no unit of a measured value here (pH, EL); lat and
# lon are told by the name of the field.
REGISTERED = {
    "m": "m", "kg": "kg", "s": "s", "A": "A", "Cel": "degC", "K": "K", "cd": "cd", "mol": "mol", "1/s": "1/s",
    "Hz": "Hz", "rad": "rad", "deg": "deg", "sr": "steradian", "N": "N", "Pa": "Pa", "J": "J", "W": "W",
    "C": "coulomb", "V": "V", "F": "farad", "Ohm": "ohm", "S": "siemens", "Wb": "weber", "T": "tesla", "H": "henry",
    "lm": "lumen", "lx": "lux", "Bq": "becquerel", "Gy": "gray", "Sv": "sievert", "kat": "katal", "m2": "m**2",
    "m3": "m**3", "m/s": "m/s", "m/s2": "m/s**2", "m3/s": "m**3/s", "W/m2": "W/m**2", "cd/m2": "cd/m**2",
    "S/m": "siemens/m", "bit": "bit", "bit/s": "bit/s", "dB": "dB", "count": "count", "B": "byte",
    "VA": "volt_ampere", "VAs": "volt_ampere*s", "var": "var", "vars": "var*s", "J/m": "J/m", "kg/m3": "kg/m**3",
}  # fmt: skip
_OWN_ONLY = {"K", "Hz", "deg", "Bq", "Gy", "Sv", "sr", "cd", "lm", "kat", "B", "bit", "count"}
# Units with a name of their own: dimensions alone would make a torque an energy, and an energy density a pressure.
_NAMED = (
    "newton", "joule", "pascal", "watt", "steradian", "radian", "lumen", "lux", "candela", "katal", "gray", "sievert",
    "becquerel", "coulomb", "farad", "henry", "weber", "tesla", "siemens", "ohm", "hertz", "reactive_volt_ampere",
    "volt_ampere", "volt",
)  # fmt: skip
_ONLY_BY_NAME = {"volt_ampere", "reactive_volt_ampere"}  # apparent and reactive power are not told in watt
_PLACES = {"latitude": "lat", "longitude": "lon"}
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
    if name in _PLACES and unit.dimension == _unit("deg").dimension:
        return Sent(name, _PLACES[name], float(unit.to(_unit("deg"))[0]))
    if unit.dimension == _unit("K").dimension and not unit.zero:
        return Sent(name, "K", float(unit.factor))
    if unit.dimension == PLAIN.dimension and unit.factor != 1:
        return Sent(name, "/", float(unit.factor))
    for registered, ours in _same_first(symbol):
        if not _alike(unit, _unit(ours)):
            continue
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


def _alike(unit: Unit, registered: Unit) -> bool:
    """Whether a unit of the same dimension is of the same quantity: of several units it must be made of the same named
    ones, so that newton metre is not taken for joule."""
    own, other = _names(unit), _names(registered)
    return own == other or not (" " in unit.identity or (own | other) & _ONLY_BY_NAME)


def _names(unit: Unit) -> frozenset[str]:
    """The named units that a unit is made of, without their prefixes."""
    parts = (part.partition("^")[0] for part in unit.identity.split())
    return frozenset(found for part in parts if (found := next((n for n in _NAMED if part.endswith(n)), "")))


@cache
def _unit(symbol: str) -> Unit:
    return parse_unit(symbol)
