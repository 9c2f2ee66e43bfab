"""What a characteristic's value looks like: fields in blocks, samples, a tail, every bit accounted for. A
`Layout` comes from `declare`, which has proven it; nothing later in the product needs to doubt it."""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from fractions import Fraction
from typing import Any, Literal, NamedTuple

from gateway.model.figures import Role
from gateway.model.units import PLAIN, Unit, parse_unit
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.checksum import Checksum
from gateway.plugin.layout.kind import FieldType, Value

Order = Literal["little", "big"]
Test = Literal["==", "!=", "<=", ">="]
_TESTS: Mapping[Test, Callable[[Any, Any], Any]] = {
    "==": operator.eq, "!=": operator.ne, "<=": operator.le, ">=": operator.ge,
}  # fmt: skip
_SHOWN: Mapping[Test, str] = {"==": "=", "!=": "≠", "<=": "≤", ">=": "≥"}


@dataclass(frozen=True, slots=True)
class Scale:
    """value = (raw * num + add) / den, one correctly rounded division of exact integers."""

    num: int
    add: int
    den: int

    def apply(self, raw: int) -> int | float:
        """The engineering value of a transmitted integer."""
        top = raw * self.num + self.add
        return top if self.den == 1 else top / self.den

    def invert(self, value: Fraction) -> int:
        """The nearest transmitted integer, halves to even."""
        return round((value * self.den - self.add) / self.num)


@dataclass(frozen=True, slots=True)
class Field:
    """One decoded quantity.

    Attributes:
        name: its name, unique in the layout.
        type, bits: what it is, and how wide; 0 bits for until the value ends.
        bit: offset of its first bit: within the value, or within one sample.
        order: byte order; in a little-endian layout bit 0 of byte 0 comes first, in a big-endian one bit 7.
        scale: None where the value is not a scaled integer (float, boolean, named).
        unit: unit of the value.
        low, high: limits in ``unit``.
        role: what the product may conclude from it.
        reserved: transmitted integers that mean "no reading", with the reason.
        names: transmitted integers that stand for a name.
        default: of a setting its value after power-up, None for 0.
        epoch_ns: of a time of day where its zero is, nanoseconds UTC; None for any other field.
    """

    name: str
    type: FieldType
    bits: int
    bit: int
    order: Order
    scale: Scale | None = None
    unit: Unit = PLAIN
    low: float | None = None
    high: float | None = None
    role: Role | None = None
    reserved: Mapping[int, str] | None = None
    names: Mapping[int, str] | None = None
    default: Value = dataclass_field(default=None, repr=False)  # a log tells layouts apart by the rest
    epoch_ns: int | None = dataclass_field(default=None, repr=False)

    @property
    def raw_range(self) -> tuple[int, int]:
        """Smallest and largest transmitted integer."""
        return self.type.raw_range(self.bits)

    def shown(self, raw: int) -> int | Fraction:
        """The exact engineering value of a transmitted integer."""
        return raw if self.scale is None else Fraction(raw * self.scale.num + self.scale.add, self.scale.den)

    def at(self, utc_ns: int) -> Fraction:
        """A moment as a time of day with an epoch, in the field's unit."""
        gain, zero = parse_unit("ns").to(self.unit)
        return (utc_ns - (self.epoch_ns or 0)) * gain + zero

    @property
    def turn(self) -> float | None:
        """After how much a counter or a clock begins anew, in the field's unit; None for what is no integer."""
        return float(self.shown(1 << self.bits) - self.shown(0)) if self.type.integer else None

    @property
    def column(self) -> str:
        """Its name with its unit, as a column of the log."""
        return f"{self.name}_{self.unit.column_suffix}" if self.unit.symbol else self.name


@dataclass(frozen=True, slots=True, repr=False)
class Condition:
    """When a field is there: an integer that follows from earlier ones is ``number``, is not, or lies on one side of
    it."""

    value: Arithmetic
    test: Test
    number: int

    def __repr__(self) -> str:  # what a log knows a layout by: plain comparisons as ever
        if self.test in ("==", "!="):
            return f"Condition(field={self.value!r}, number={self.number!r}, equal={self.test == '=='})"
        return f"Condition({self.value!r} {self.test} {self.number})"

    def holds(self, known: Mapping[str, Any]) -> Any:
        """Whether it is met by the transmitted integers of earlier fields, or by columns of them; a field that is
        itself absent meets nothing."""
        found = self.value.of(known)
        return False if found is None else _TESTS[self.test](found, self.number)

    def excludes(self, other: Condition) -> bool:
        """Whether both can never hold at once."""
        if self.value.text != other.value.text:
            return False
        if "!=" in (self.test, other.test):
            one, rest = (self, other) if self.test == "!=" else (other, self)
            return rest.test == "==" and rest.number == one.number
        (low, high), (least, most) = self._ends, other._ends
        return low > most or least > high

    @property
    def _ends(self) -> tuple[float, float]:
        low = -math.inf if self.test == "<=" else self.number
        return low, math.inf if self.test == ">=" else self.number

    @property
    def text(self) -> str:
        """In words."""
        return f"{self.value.text} {_SHOWN[self.test]} {self.number}"


@dataclass(frozen=True, slots=True)
class Presence:
    """When a block is there: all conditions hold.

    Attributes:
        more: and the value goes on; such blocks stand at its end.
    """

    conditions: tuple[Condition, ...]
    more: bool = False

    def holds(self, known: Mapping[str, int], more: bool) -> bool:
        """Whether it is there, by the transmitted integers of earlier fields, and by whether the value goes on."""
        return (more or not self.more) and all(one.holds(known) for one in self.conditions)

    def excludes(self, other: Presence) -> bool:
        """Whether both can never be there at once."""
        return any(own.excludes(its) for own in self.conditions for its in other.conditions)

    @property
    def text(self) -> str:
        """In words."""
        return " and ".join([*(one.text for one in self.conditions), *(["the value goes on"] if self.more else [])])


@dataclass(frozen=True, slots=True)
class Block:
    """Neighbouring fields that are there or not together.

    Attributes:
        fields: their bits count from the block's start.
        size: bytes.
        when: None for always.
    """

    fields: tuple[Field, ...]
    size: int
    when: Presence | None = None


@dataclass(frozen=True, slots=True)
class Samples:
    """Fields that repeat: ``count`` times, or until the value ends.

    Attributes:
        every_ns: time between two samples, nanoseconds; the last one is as old as the frame.
        size: bytes of one sample.
        count: how many, or what that follows from; None for until the end.
        at: what follows from earlier fields at which byte they begin, None for right behind the blocks.
    """

    fields: tuple[Field, ...]
    size: int
    every_ns: int | None
    count: int | Arithmetic | None
    at: Arithmetic | None = dataclass_field(default=None, repr=False)

    @property
    def stamp(self) -> Field | None:
        """The field of a sample that tells when it was taken, in relation to the others of its value."""
        return next((field for field in self.fields if field.role == "sample time"), None)


class Message(NamedTuple):
    """Which of several messages of one characteristic a value is: the byte that tells, and what it is."""

    at: int
    number: int


@dataclass(frozen=True, slots=True)
class Layout:
    """All that a value holds, in byte order: blocks of fields, then samples or a tail, or neither.

    Attributes:
        tail: a field that takes all bytes that are left (text, bytes).
        check: a checksum behind all that.
        message: of one of several messages that a characteristic carries.
    """

    blocks: tuple[Block, ...]
    samples: Samples | None = None
    tail: Field | None = None
    check: Checksum | None = dataclass_field(default=None, repr=False)
    message: Message | None = dataclass_field(default=None, repr=False)

    @property
    def fields(self) -> tuple[Field, ...]:
        """The fields outside samples, each name once."""
        found = {field.name: field for block in self.blocks for field in block.fields}
        first = {field.name: field for block in reversed(self.blocks) for field in reversed(block.fields)}
        tail = (self.tail,) if self.tail else ()
        return (*(first[name] for name in found), *tail)

    @property
    def conditional(self) -> bool:
        """Whether which fields are there depends on the value."""
        return any(block.when for block in self.blocks)

    @property
    def head(self) -> int:
        """Bytes of all blocks."""
        return sum(block.size for block in self.blocks)

    @property
    def keys(self) -> frozenset[str]:
        """Names of the fields that decide what else is there."""
        names = {
            name for block in self.blocks if block.when for one in block.when.conditions for name in one.value.fields
        }
        for one in (self.samples.count, self.samples.at) if self.samples else ():
            names |= one.fields if isinstance(one, Arithmetic) else set()
        return frozenset(names)

    def counted(self, known: Mapping[str, int]) -> int | None:
        """How many samples a value itself says it has, by the transmitted integers of its fields."""
        count = self.samples.count if self.samples else None
        return None if not isinstance(count, Arithmetic) else count.of(known)

    def samples_at(self, known: Mapping[str, int], end: int) -> int:
        """At which byte samples begin, behind fields that end at byte ``end``."""
        at = None if self.samples is None or self.samples.at is None else self.samples.at.of(known)
        return end if at is None else int(at)

    def misplaced(self, at: int, length: int) -> str:
        """Why samples can't begin where a value of ``length`` bytes says."""
        return f"its samples are said to begin at byte {at}, which is not behind its fields in {_bytes(length)}"

    def is_other(self, raw: bytes) -> str:
        """Why a value is another message than this one, "" where it is not."""
        if self.message is None or len(raw) <= self.message.at or raw[self.message.at] == self.message.number:
            return ""
        return f"message 0x{raw[self.message.at]:02X}, which no layout of the characteristic is for"

    @property
    def behind(self) -> int:
        """Bytes of the checksum."""
        return self.check.size if self.check is not None else 0

    def sample_count(self, rest: int, counted: int | None = None) -> int | None:
        """How many samples ``rest`` bytes behind the blocks hold; None where that number does not fit.

        Args:
            rest: bytes left.
            counted: how many the value itself says, where it does.
        """
        if self.tail is not None:
            return 0 if rest >= 0 else None
        if self.samples is None:
            return 0 if rest == 0 else None
        wanted = counted if isinstance(self.samples.count, Arithmetic) else self.samples.count
        if wanted is not None:
            return wanted if rest == wanted * self.samples.size else None
        return rest // self.samples.size if rest >= 0 and rest % self.samples.size == 0 else None

    @property
    def expected_length(self) -> str:
        """The lengths that fit, in words."""
        return self._body_length + (f", then {_bytes(self.behind)} of checksum" if self.check is not None else "")

    @property
    def _body_length(self) -> str:
        head = _bytes(self.head)
        if self.conditional:
            low = sum(block.size for block in self.blocks if block.when is None)
            head = f"{low} to {_bytes(self.head)}, depending on its flags"
        if self.tail is not None:
            return f"{head} or more"
        if self.samples is None:
            return head
        if isinstance(self.samples.count, int) and not self.conditional and self.samples.at is None:
            return _bytes(self.head + self.samples.count * self.samples.size)
        return f"{head} and a multiple of {self.samples.size}"

    def misfit(self, length: int, needed: int | None = None, counted: int | None = None) -> str:
        """Why a payload of ``length`` bytes does not fit, in words; ``needed`` by its own flags, ``counted`` samples by
        what it announces, where it does."""
        if counted is not None and self.samples is not None:
            return f"{_bytes(length)}, but it announces {counted} samples of {_bytes(self.samples.size)}"
        if self.conditional and needed is not None and self.samples is None and self.tail is None:
            return f"{_bytes(length)}, but its flags tell of {_bytes(needed + self.behind)}"
        return f"{_bytes(length)}, expected {self.expected_length}"

    def all_fields(self) -> Iterator[tuple[Field, bool]]:
        """Every field, with whether it belongs to the samples."""
        for field in self.fields:
            yield field, False
        for field in self.samples.fields if self.samples else ():
            yield field, True

    def with_role(self, role: Role) -> Field | None:
        """The value's field that has ``role``."""
        return next((field for field in self.fields if field.role == role), None)


def _bytes(count: int) -> str:
    return f"{count} byte" if count == 1 else f"{count} bytes"
