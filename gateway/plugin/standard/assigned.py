"""Numbers that Bluetooth has assigned (Assigned Numbers, and GATT Specification Supplement for the
presentation format) which the product writes or compares."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files

from gateway.model.errors import UnitError
from gateway.model.units import Unit, parse_unit
from gateway.plugin.layout.model import Field, Layout

USER_DESCRIPTION = 0x2901
VALID_RANGE = 0x2906
PRESENTATION_FORMAT = 0x2904
COMPARED_DESCRIPTORS = (USER_DESCRIPTION, PRESENTATION_FORMAT, VALID_RANGE)

# The strings of the Device Information service: Assigned Numbers, 3.8
IDENTITY = {
    0x2A24: "model number",
    0x2A25: "serial number",
    0x2A26: "firmware revision",
    0x2A27: "hardware revision",
    0x2A28: "software revision",
    0x2A29: "manufacturer name",
}
_LONGEST_IDENTITY = 100


def identity_text(raw: bytes) -> str:
    """A string of the Device Information service, cut where it is longer than anybody reads."""
    return raw.rstrip(b"\0").decode("utf-8", "replace")[:_LONGEST_IDENTITY]


@dataclass(frozen=True, slots=True)
class AssignedUnit:
    """A unit with its assigned number and our symbol."""

    number: int
    name: str
    symbol: str


@cache
def assigned_units() -> dict[int, AssignedUnit]:
    """All assigned units by number."""
    lines = files("gateway.plugin.standard").joinpath("assigned_units.tsv").read_text("utf-8").splitlines()
    rows = [line.split("\t") for line in lines if not line.startswith("#")]
    return {int(row[0], 16): AssignedUnit(int(row[0], 16), *row[1:]) for row in rows}


def unit_number(unit: Unit) -> int | None:
    """The assigned number of a unit: of itself, or else of one that measures the same in the same size, such as newton
    metre and joule, of several the lowest; None where it has none."""
    alike = None
    for number, known in assigned_units().items():
        other = parse_unit(known.symbol)
        if same_size(other, unit):
            if other.identity == unit.identity:
                return number
            alike = alike or number
    return alike


def same_size(one: Unit, other: Unit) -> bool:
    """Whether a number means the same in both, as far as dimensions tell."""
    return (one.dimension, one.factor, one.zero) == (other.dimension, other.factor, other.zero)


def presentation_format(field: Field) -> bytes | None:
    """The seven bytes of a Characteristic Presentation Format descriptor for a lone field.

    None where the descriptor can't express it: a width without a format, an LSB that is no power of
    ten, an offset, or a unit without a number.
    """
    code = field.type.formats.get(field.bits)
    unit = unit_number(field.unit)
    exponent: int | None = 0
    if field.scale is not None:
        exponent = _power_of_ten(field.scale.num, field.scale.den)
        if field.scale.add:
            return None
    if code is None or unit is None or exponent is None:
        return None
    return bytes([code, exponent & 0xFF]) + unit.to_bytes(2, "little") + b"\x01\x00\x00"


def descriptor_problem(item: Layout, description: str | None, number: int, raw: bytes) -> str:
    """What one of `COMPARED_DESCRIPTORS` says against what is declared, "" where they agree or it can't be said.

    Args:
        item: the characteristic's layout.
        description: its declared user description.
        number: which descriptor.
        raw: the node's value of it.
    """
    if number == USER_DESCRIPTION:
        found = raw.decode("utf-8", "replace")
        return f"{found!r}, declared as {description!r}" if description not in (None, found) else ""
    if len(item.fields) != 1 or item.samples:
        return ""
    field = item.fields[0]
    if number == PRESENTATION_FORMAT:
        return presentation_problem(field, raw)
    wanted = valid_range(field)
    return f"{raw.hex()}, the layout's limits are {wanted.hex()}" if wanted not in (None, raw) else ""


def presentation_problem(field: Field, raw: bytes) -> str:
    """What a node's presentation format says against the layout of a lone field, "" where they agree.

    A width or a unit that has no assigned number can't be compared and counts as agreeing.
    """
    if len(raw) != 7:
        return f"{len(raw)} bytes, the descriptor has 7"
    code, exponent, unit = raw[0], int.from_bytes(raw[1:2], signed=True), int.from_bytes(raw[2:4], "little")
    wanted = field.type.formats.get(field.bits)
    if wanted is not None and code != wanted:
        return f"format 0x{code:02X}, the layout's {field.type.label(field.bits)} is 0x{wanted:02X}"
    known = assigned_units().get(unit)
    if known is None:
        return f"unit number 0x{unit:04X} is not assigned"
    shown = parse_unit(known.symbol)
    own = unit_number(field.unit)
    another = same_size(shown, field.unit) and own is not None and own != unit
    if unit != 0x2700 and (shown.dimension != field.unit.dimension or another):
        return f"unit {known.name}, the layout's is {field.unit.symbol or 'a plain number'}"
    if field.scale is None or unit == 0x2700:
        return ""
    try:
        theirs = Fraction(10) ** exponent * shown.to(field.unit)[0]
    except UnitError as error:
        return str(error)
    ours = Fraction(field.scale.num, field.scale.den)
    if theirs != ours:
        return f"exponent {exponent} of {known.name}, the layout's LSB is {float(ours):g} {field.unit.symbol}"
    return ""


def valid_range(field: Field) -> bytes | None:
    """The value of a Valid Range descriptor for a lone field: its limits as transmitted; None without limits."""
    if field.low is None or field.high is None or not field.type.scaled or field.bits % 8:
        return None
    ends = [field.scale.invert(Fraction(str(end))) if field.scale else round(end) for end in (field.low, field.high)]
    lowest, highest = field.raw_range  # limits may lie beyond what can be sent
    sent = [min(max(end, lowest), highest) for end in ends]
    return b"".join(end.to_bytes(field.bits // 8, "little", signed=field.type.signed) for end in sent)


def _power_of_ten(num: int, den: int) -> int | None:
    larger = num if den == 1 else den if num == 1 else 0
    exponent = len(str(larger)) - 1
    if larger != 10**exponent:
        return None
    return exponent if den == 1 else -exponent
