"""What a type of a field is: one object that knows how it is written in a plugin, its width, what its transmitted
numbers mean one by one and by the column, and how it stands in construct, C, JSON Schema, SQL, SenML and a presentation
format: whoever needs one of these asks the field's type."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import construct as con
import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from gateway.plugin.layout.model import Field, Order

Value = int | float | str | Fraction | None
Raw = int | float | bytes
Column = npt.NDArray[Any]
Missing = npt.NDArray[np.bool_] | None
MAX_VALUE_BYTES = 512  # longest attribute value: Core Specification, Vol 3, Part F, 3.2.9
_EXACT_BITS = 53  # integers up to here are exact in a float64


class FieldType:
    """A type.

    Attributes:
        written: how a plugin's author writes it, as the reference has it.
        meaning: one line for the reference.
        pattern: what matches it as it is written.
        integer: its transmitted numbers are integers, which may share bytes and have names and reserved values.
        scaled: it is weighed by an LSB.
        signed: it is a two's complement integer.
        textual: its values are text, without a unit.
        letter: what numpy calls a machine word of it.
        sql: what its values are in SQL where they are not scaled.
        json: what they are in JSON.
        senml: the label of its values in SenML (RFC 8428, 4.3).
        note: what a comment in C says of its transmitted number.
        formats: codes of the presentation format by width (Assigned Numbers, 2.4.1).
    """

    written: ClassVar[str]
    meaning: ClassVar[str]
    pattern: ClassVar[re.Pattern[str]]
    name: ClassVar[str]
    integer: ClassVar[bool] = False
    scaled: ClassVar[bool] = False
    signed: ClassVar[bool] = False
    textual: ClassVar[bool] = False
    letter: ClassVar[str] = "u"
    sql: ClassVar[type] = int
    json: ClassVar[str] = "number"
    senml: ClassVar[str] = "v"
    note: ClassVar[str] = ""
    formats: ClassVar[Mapping[int, int]] = {}

    def __repr__(self) -> str:
        return self.name

    def bits(self, found: re.Match[str]) -> int | None:
        """The width of a field so written, 0 for until the value ends; None where there is no such width."""
        raise NotImplementedError

    def label(self, bits: int) -> str:
        """What logs and tables call it."""
        return f"{self.name}{bits}" if bits else self.name

    def raw_range(self, bits: int) -> tuple[int, int]:
        """Smallest and largest transmitted integer."""
        return 0, (1 << bits) - 1

    def parser(self, bits: int, order: Order) -> Any:
        """The construct object of a field of whole bytes."""
        return con.BytesInteger(bits // 8, signed=self.signed, swapped=order == "little")

    def from_bits(self, number: int, bits: int) -> int:
        """The transmitted integer of a pattern of bits."""
        return number - (1 << bits) if self.signed and number >> (bits - 1) else number

    def to_bits(self, raw: Raw, bits: int) -> int:
        """The pattern of bits of a transmitted number.

        Raises:
            ValueError: it is no number.
        """
        if not isinstance(raw, int):
            raise ValueError("only numbers can be set")
        return raw & (1 << bits) - 1

    def read(self, field: Field, raw: Any) -> tuple[int | float | None, int | float | str | None, str]:
        """Transmitted number, engineering value, and why there is none."""
        raise NotImplementedError

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        """The same for a column of transmitted numbers: these, the values, and where there is none (None: nowhere)."""
        raise NotImplementedError

    def encode(self, field: Field, value: Value) -> Raw:
        """The transmitted number that stands for a value, None for no reading.

        Raises:
            ValueError: it can't be sent in this field; the text says why.
        """
        raise NotImplementedError

    def resting(self, field: Field) -> Value:
        """What a simulated node sends where nothing else is said."""
        return 0

    def example(self, field: Field, turn: int) -> Value:
        """A value for test vectors, another one each turn."""
        raise NotImplementedError


def finite(value: int | float | Fraction) -> Fraction:
    """A number exactly.

    Raises:
        ValueError: it is not finite.
    """
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return Fraction(value)


def scaled(field: Field, raw: Column) -> Column:
    """Scale as `Scale.apply` does: exact integers, then one correctly rounded division."""
    scale = field.scale
    if scale is None or (scale.num, scale.add, scale.den) == (1, 0, 1):
        return raw
    widest = max(field.bits + scale.num.bit_length(), scale.add.bit_length()) + 1
    if widest <= _EXACT_BITS and scale.den.bit_length() <= _EXACT_BITS:
        top = raw.astype(np.int64) * scale.num + scale.add if scale.add or scale.num != 1 else raw
        return top if scale.den == 1 else top / np.float64(scale.den)
    exact = [scale.apply(number) for number in raw.tolist()]
    return np.array(exact, dtype=object if scale.den == 1 else np.float64)


def named(names: Mapping[int, str], raw: Column) -> Column:
    """The names of transmitted integers."""
    values, inverse = np.unique(raw, return_inverse=True)
    texts = np.array([names.get(number, f"unnamed {number}") for number in values.tolist()], dtype=object)
    return texts[inverse]
