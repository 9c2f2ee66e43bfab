"""The types that a field can have. Each is one object that knows how it is written in a plugin, its width, what its
transmitted numbers mean one by one and by the column, and how it stands in construct, C, JSON Schema, SQL, SenML
and a presentation format: whoever needs one of these asks the field's type. A new type is a class here and an entry in
`TYPES`."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import construct as con
import numpy as np
import numpy.typing as npt

from gateway.plugin.layout import medfloat

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


class _Integer(FieldType):
    integer = True

    def read(self, field: Field, raw: int) -> tuple[int, int | float | str | None, str]:
        if field.reserved and raw in field.reserved:
            return raw, None, field.reserved[raw]
        if field.names is not None:
            return raw, field.names.get(raw, f"unnamed {raw}"), ""
        return raw, field.scale.apply(raw) if field.scale else raw, ""

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        missing = np.isin(raw, np.array(list(field.reserved), dtype=raw.dtype)) if field.reserved else None
        return raw, _named(field.names, raw) if field.names is not None else _scaled(field, raw), missing

    def encode(self, field: Field, value: Value) -> int:
        if value is None:
            if field.reserved:
                return next(iter(field.reserved))
            raise ValueError("has no reserved value that means no reading")
        if isinstance(value, str):
            for number, name in (field.names or {}).items():
                if name == value:
                    return number
            known = f"is none of {', '.join(field.names.values())}" if field.names else "is not a number"
            raise ValueError(f"{value!r} {known}")
        exact = _finite(value)
        raw = field.scale.invert(exact) if field.scale else round(exact)
        low, high = field.raw_range
        if not low <= raw <= high:
            shown = f"{float(exact):g} {field.unit.symbol}".strip()
            raise ValueError(f"{shown} becomes {raw}, outside {low} to {high}")
        return raw

    def example(self, field: Field, turn: int) -> Value:
        low, high = field.raw_range
        patterns = [0, low, high, high // 3, 1, *(field.reserved or ()), *(field.names or ()), low // 2, high - 1]
        return field.shown(min(max(patterns[turn % len(patterns)], low), high))


class _Unsigned(_Integer):
    written, name = "`uintN`", "uint"
    meaning = "an unsigned integer of N bits, 1 to 64"
    pattern = re.compile(r"uint([1-9]\d?)")
    scaled = True
    formats: ClassVar[Mapping[int, int]] = {
        2: 0x02, 4: 0x03, 8: 0x04, 12: 0x05, 16: 0x06, 24: 0x07, 32: 0x08, 48: 0x09, 64: 0x0A,
    }  # fmt: skip

    def bits(self, found: re.Match[str]) -> int | None:
        return int(found[1]) if int(found[1]) <= 64 else None


class _Signed(_Unsigned):
    written, name = "`sintN`", "sint"
    meaning = "a two's complement integer of N bits, 1 to 64"
    pattern = re.compile(r"sint([1-9]\d?)")
    signed, letter = True, "i"
    formats: ClassVar[Mapping[int, int]] = {
        8: 0x0C, 12: 0x0D, 16: 0x0E, 24: 0x0F, 32: 0x10, 48: 0x11, 64: 0x12,
    }  # fmt: skip

    def raw_range(self, bits: int) -> tuple[int, int]:
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1


class _Boolean(_Integer):
    written, name, meaning = "`boolean`", "boolean", "one bit"
    pattern = re.compile("boolean")
    formats: ClassVar[Mapping[int, int]] = {1: 0x01}
    senml = "vb"

    def bits(self, found: re.Match[str]) -> int:
        return 1

    def label(self, bits: int) -> str:
        return self.name


class _Coded(FieldType):
    """An integer in a code of its own; what is transmitted is the pattern of its bits."""

    scaled = True

    def bits(self, found: re.Match[str]) -> int | None:
        return int(found[1]) if 2 <= int(found[1]) <= 32 else None

    def raw_range(self, bits: int) -> tuple[int, int]:
        """Smallest and largest integer that a pattern stands for."""
        raise NotImplementedError

    def number(self, patterns: Column, bits: int) -> tuple[Column, Missing]:
        """The integers of patterns as int64, and where there is none."""
        raise NotImplementedError

    def pattern_of(self, number: int, bits: int) -> int:
        """The pattern of an integer within its range."""
        raise NotImplementedError

    def read(self, field: Field, raw: int) -> tuple[int | float | None, int | float | str | None, str]:
        numbers, missing = self.number(np.array([raw], np.int64), field.bits)
        if missing is not None and missing[0]:
            return raw, None, "a digit above 9"
        number = int(numbers[0])
        return raw, field.scale.apply(number) if field.scale else number, ""

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        numbers, missing = self.number(raw.astype(np.int64), field.bits)
        return raw, _scaled(field, numbers), missing

    def encode(self, field: Field, value: Value) -> int:
        if value is None or isinstance(value, str):
            raise ValueError(f"{value!r} is not a number")
        number = field.scale.invert(_finite(value)) if field.scale else round(_finite(value))
        low, high = self.raw_range(field.bits)
        if not low <= number <= high:
            raise ValueError(f"{float(value):g} {field.unit.symbol} becomes {number}, outside {low} to {high}")
        return self.pattern_of(number, field.bits)

    def example(self, field: Field, turn: int) -> Value:
        low, high = self.raw_range(field.bits)
        return field.shown((low, 0, high, high // 3, 1)[turn % 5])


class _SignMagnitude(_Coded):
    written, name = "`smagN`", "smag"
    meaning = "a sign and a magnitude of N bits in all, 2 to 32; the highest bit is the sign"
    pattern, note = re.compile(r"smag([1-9]\d?)"), "sign and magnitude, its bits"

    def raw_range(self, bits: int) -> tuple[int, int]:
        return 1 - (1 << (bits - 1)), (1 << (bits - 1)) - 1

    def number(self, patterns: Column, bits: int) -> tuple[Column, Missing]:
        magnitude = patterns & ((1 << (bits - 1)) - 1)
        return np.where(patterns >> (bits - 1) & 1, -magnitude, magnitude), None

    def pattern_of(self, number: int, bits: int) -> int:
        return abs(number) | (number < 0) << (bits - 1)


class _Gray(_Coded):
    written, name = "`grayN`", "gray"
    meaning = "an unsigned integer of N bits, 2 to 32, in Gray's reflected binary code (US patent 2,632,058)"
    pattern, note = re.compile(r"gray([1-9]\d?)"), "Gray code, its bits"

    def raw_range(self, bits: int) -> tuple[int, int]:
        return 0, (1 << bits) - 1

    def number(self, patterns: Column, bits: int) -> tuple[Column, Missing]:
        numbers = patterns
        for shift in (16, 8, 4, 2, 1):
            numbers = numbers ^ numbers >> shift
        return numbers, None

    def pattern_of(self, number: int, bits: int) -> int:
        return number ^ number >> 1


class _Decimal(_Coded):
    written, name = "`bcdN`", "bcd"
    meaning = "decimal digits of four bits each, N bits in all, 4 to 32 (8-4-2-1 code)"
    pattern, note = re.compile(r"bcd([1-9]\d?)"), "decimal digits of four bits"

    def bits(self, found: re.Match[str]) -> int | None:
        return int(found[1]) if int(found[1]) <= 32 and int(found[1]) % 4 == 0 else None

    def raw_range(self, bits: int) -> tuple[int, int]:
        return 0, 10 ** (bits // 4) - 1

    def number(self, patterns: Column, bits: int) -> tuple[Column, Missing]:
        numbers, missing = np.zeros(len(patterns), np.int64), np.zeros(len(patterns), bool)
        for place in range(bits // 4):
            digit = patterns >> (4 * place) & 0xF
            numbers, missing = numbers + digit * 10**place, missing | (digit > 9)
        return numbers, missing

    def pattern_of(self, number: int, bits: int) -> int:
        return int(str(number), 16)


class _Float(FieldType):
    written, name, meaning = "`float16`, `float32`, `float64`", "float", "IEEE 754"
    pattern = re.compile(r"float(16|32|64)")
    letter, sql, note = "f", float, "IEEE 754, its bits"
    formats: ClassVar[Mapping[int, int]] = {32: 0x14, 64: 0x15}
    _PARSERS: ClassVar[Mapping[tuple[int, str], Any]] = {
        (16, "little"): con.Float16l, (16, "big"): con.Float16b,
        (32, "little"): con.Float32l, (32, "big"): con.Float32b,
        (64, "little"): con.Float64l, (64, "big"): con.Float64b,
    }  # fmt: skip

    def bits(self, found: re.Match[str]) -> int:
        return int(found[1])

    def parser(self, bits: int, order: Order) -> Any:
        return self._PARSERS[bits, order]

    def to_bits(self, raw: Raw, bits: int) -> int:
        if isinstance(raw, bytes):
            raise ValueError("only numbers can be set")
        return int.from_bytes(struct.pack({16: "<e", 32: "<f", 64: "<d"}[bits], raw), "little")

    def read(self, field: Field, raw: float) -> tuple[float, float | None, str]:
        return raw, (raw if math.isfinite(raw) else None), "" if math.isfinite(raw) else str(raw)

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        finite = np.isfinite(raw)
        with np.errstate(invalid="ignore"):  # a signalling NaN is as good as any
            widened = raw.astype(np.float64)
        return raw, widened, None if finite.all() else ~finite

    def encode(self, field: Field, value: Value) -> float:
        if isinstance(value, str):
            raise ValueError(f"{value!r} is not a number")
        return math.nan if value is None else float(value)

    def example(self, field: Field, turn: int) -> Value:
        return (0.0, 1.5, -2.25, 100.0)[turn % 4]


class _MedFloat(FieldType):
    written, name = "`medfloat16`, `medfloat32`", "medfloat"
    meaning = "SFLOAT and FLOAT of IEEE 11073-20601"
    pattern = re.compile(r"medfloat(16|32)")
    sql, note = float, "IEEE 11073 float, its bits"
    formats: ClassVar[Mapping[int, int]] = {16: 0x16, 32: 0x17}

    def bits(self, found: re.Match[str]) -> int:
        return int(found[1])

    def read(self, field: Field, raw: int) -> tuple[int, float | None, str]:
        why = medfloat.specials(field.bits).get(raw, "")
        return raw, (None if why else medfloat.to_float(raw, field.bits)), why

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        width = medfloat.MANTISSA_BITS[field.bits]
        raw = raw.astype(np.int64)
        mantissa = (raw << (64 - width)) >> (64 - width)
        exponent = (raw << (64 - field.bits)) >> (64 - field.bits + width)
        powers = np.array(medfloat.POWERS)
        values = np.where(
            exponent >= 0, mantissa * powers[np.maximum(exponent, 0)], mantissa / powers[np.maximum(-exponent, 0)]
        )
        return raw, values, np.isin(raw, list(medfloat.specials(field.bits)))

    def encode(self, field: Field, value: Value) -> int:
        if value is None:
            return (1 << (medfloat.MANTISSA_BITS[field.bits] - 1)) - 1
        if isinstance(value, str):
            raise ValueError(f"{value!r} is not a number")
        exact = _finite(value)
        return medfloat.from_number(Fraction(str(value)) if isinstance(value, float) else exact, field.bits)

    def example(self, field: Field, turn: int) -> Value:
        return (0.0, 1.5, -2.25, 100.0)[turn % 4]


class _TimeExponential(FieldType):
    written, name = "`timeexp8`", "timeexp"
    meaning = (
        "a span of time in seconds, 1.1^(N-64), 0 for none (Time Exponential 8 of the GATT Specification Supplement)"
    )
    pattern = re.compile("timeexp8")
    sql, note = float, "1.1^(N-64) s"
    _special: ClassVar[Mapping[int, str]] = {0xFE: "the total life of the device", 0xFF: "not known"}
    _seconds: ClassVar[tuple[float, ...]] = (0.0, *(1.1 ** (n - 64) for n in range(1, 256)))

    def bits(self, found: re.Match[str]) -> int:
        return 8

    def read(self, field: Field, raw: int) -> tuple[int, float | None, str]:
        why = self._special.get(raw, "")
        return raw, None if why else self._seconds[raw], why

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        return raw, np.array(self._seconds)[raw.astype(np.intp)], np.isin(raw, list(self._special))

    def encode(self, field: Field, value: Value) -> int:
        if value is None:
            return 0xFF
        if isinstance(value, str):
            raise ValueError(f"{value!r} is not a number")
        seconds = float(_finite(value))
        raw = round(64 + math.log(seconds) / math.log(1.1)) if seconds > 0 else 0
        if seconds < 0 or raw > 0xFD:
            raise ValueError(f"{seconds:g} s is outside 0 to {self._seconds[0xFD]:.4g} s")
        return max(raw, 1) if seconds > 0 else 0

    def example(self, field: Field, turn: int) -> Value:
        return self._seconds[(0, 64, 1, 0xFD)[turn % 4]]


class _Bytes(FieldType):
    written, name = "`uint8[N]`, `uint8[]`", "bytes"
    meaning = "N bytes, or as the last field all remaining bytes; shown in hex"
    pattern = re.compile(r"uint8\[(\d{0,3})\]")
    textual, sql, json, senml = True, str, "string", "vd"

    def bits(self, found: re.Match[str]) -> int | None:
        size = int(found[1] or 0)
        return size * 8 if not found[1] or 0 < size <= MAX_VALUE_BYTES else None

    def parser(self, bits: int, order: Order) -> Any:
        return con.Bytes(bits // 8) if bits else con.GreedyBytes

    def read(self, field: Field, raw: bytes) -> tuple[None, str | None, str]:
        return None, raw.hex(), ""

    def columns(self, field: Field, raw: Column) -> tuple[Column, Column, Missing]:
        texts = np.empty(len(raw), dtype=object)
        texts[:] = [self.read(field, one)[1] for one in raw]
        return raw, texts, np.array([text is None for text in texts], bool)

    def encode(self, field: Field, value: Value) -> bytes:
        if not isinstance(value, str):
            raise ValueError(f"{value!r} is not text")
        raw = self._encoded(value)
        if field.bits and len(raw) * 8 != field.bits:
            raise ValueError(f"{len(raw)} bytes given, the field takes {field.bits // 8}")
        return raw

    def _encoded(self, text: str) -> bytes:
        return bytes.fromhex(text)

    def resting(self, field: Field) -> Value:
        """What a simulated node sends where nothing else is said."""
        return "00" * (field.bits // 8)

    def example(self, field: Field, turn: int) -> Value:
        return bytes((turn * 37 + i) & 0xFF for i in range(field.bits // 8 if field.bits else turn % 4)).hex()


class _Text(_Bytes):
    written, name, meaning = "`utf8s`", "text", "text, up to the end of the value; only as the last field"
    senml = "v"  # whatever is text is sent as such
    pattern = re.compile("utf8s")

    def bits(self, found: re.Match[str]) -> int:
        return 0

    def read(self, field: Field, raw: bytes) -> tuple[None, str | None, str]:
        try:
            return None, raw.decode(), ""
        except UnicodeDecodeError as error:
            return None, None, f"not UTF-8 at byte {error.start}"

    def _encoded(self, text: str) -> bytes:
        return text.encode()

    def example(self, field: Field, turn: int) -> Value:
        return "Aä€"[: turn % 4]


class _DateTime(_Bytes):
    written, name = "`datetime`", "datetime"
    meaning = (
        "a date and time of day of seven bytes: the year in two, month, day, hours, minutes and seconds (Date Time of "
        "the GATT Specification Supplement); shown as ISO 8601 has it, none where year, month or day is 0"
    )
    senml = "vs"
    pattern = re.compile("datetime")

    def bits(self, found: re.Match[str]) -> int:
        return 56

    def label(self, bits: int) -> str:
        return self.name

    def read(self, field: Field, raw: bytes) -> tuple[None, str | None, str]:
        year = int.from_bytes(raw[:2], field.order)
        if not (year and raw[2] and raw[3]):
            return None, None, "not known"
        try:
            return None, datetime(year, *raw[2:7]).isoformat(), ""
        except ValueError as error:
            return None, None, f"no date and time: {error}"

    def encode(self, field: Field, value: Value) -> bytes:
        if value is None:
            return bytes(7)
        when = datetime.fromisoformat(str(value))
        rest = bytes([when.month, when.day, when.hour, when.minute, when.second])
        return when.year.to_bytes(2, field.order) + rest

    def resting(self, field: Field) -> Value:
        return None

    def example(self, field: Field, turn: int) -> Value:
        return (None, "2026-02-28T23:59:59", "1582-01-01T00:00:00", "2000-02-29T12:00:01")[turn % 4]


def _finite(value: int | float | Fraction) -> Fraction:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return Fraction(value)


def _scaled(field: Field, raw: Column) -> Column:
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


def _named(names: Mapping[int, str], raw: Column) -> Column:
    values, inverse = np.unique(raw, return_inverse=True)
    texts = np.array([names.get(number, f"unnamed {number}") for number in values.tolist()], dtype=object)
    return texts[inverse]


_CODED: tuple[FieldType, ...] = (_SignMagnitude(), _Gray(), _Decimal())
UINT, SINT, BOOLEAN = _Unsigned(), _Signed(), _Boolean()
TYPES: tuple[FieldType, ...] = (
    BOOLEAN,
    UINT,
    SINT,
    _Float(),
    _MedFloat(),
    _TimeExponential(),
    *_CODED,
    _DateTime(),
    _Bytes(),
    _Text(),
)


def type_labelled(label: str) -> tuple[FieldType, int] | None:
    """The type that logs and tables call so, with its bits; None for what is no field's, such as ``derived``."""
    name, bits = label.rstrip("0123456789"), label.lstrip("abcdefghijklmnopqrstuvwxyz")
    return next(
        ((kind, int(bits or {"boolean": 1, "datetime": 56}.get(kind.name, 0))) for kind in TYPES if kind.name == name),
        None,
    )


def type_of(text: str) -> tuple[FieldType, int] | None:
    """The type that a plugin's author wrote, with its bits; None where there is none such."""
    for kind in TYPES:
        if (found := kind.pattern.fullmatch(text)) is not None and (bits := kind.bits(found)) is not None:
            return kind, bits
    return None
