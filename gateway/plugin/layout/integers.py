"""Integers: unsigned, two's complement, one bit, and those in a code of their own."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from gateway.plugin.layout.kind import Column, FieldType, Missing, Value, finite, named, scaled

if TYPE_CHECKING:
    from gateway.plugin.layout.model import Field


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
        return raw, named(field.names, raw) if field.names is not None else scaled(field, raw), missing

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
        exact = finite(value)
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


class Unsigned(_Integer):
    """An unsigned integer."""

    written, name = "`uintN`", "uint"
    meaning = "an unsigned integer of N bits, 1 to 64"
    pattern = re.compile(r"uint([1-9]\d?)")
    scaled = True
    formats: ClassVar[Mapping[int, int]] = {
        2: 0x02, 4: 0x03, 8: 0x04, 12: 0x05, 16: 0x06, 24: 0x07, 32: 0x08, 48: 0x09, 64: 0x0A,
    }  # fmt: skip

    def bits(self, found: re.Match[str]) -> int | None:
        return int(found[1]) if int(found[1]) <= 64 else None


class Signed(Unsigned):
    """A two's complement integer."""

    written, name = "`sintN`", "sint"
    meaning = "a two's complement integer of N bits, 1 to 64"
    pattern = re.compile(r"sint([1-9]\d?)")
    signed, letter = True, "i"
    formats: ClassVar[Mapping[int, int]] = {
        8: 0x0C, 12: 0x0D, 16: 0x0E, 24: 0x0F, 32: 0x10, 48: 0x11, 64: 0x12,
    }  # fmt: skip

    def raw_range(self, bits: int) -> tuple[int, int]:
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1


class Boolean(_Integer):
    """One bit."""

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
        return raw, scaled(field, numbers), missing

    def encode(self, field: Field, value: Value) -> int:
        if value is None or isinstance(value, str):
            raise ValueError(f"{value!r} is not a number")
        number = field.scale.invert(finite(value)) if field.scale else round(finite(value))
        low, high = self.raw_range(field.bits)
        if not low <= number <= high:
            raise ValueError(f"{float(value):g} {field.unit.symbol} becomes {number}, outside {low} to {high}")
        return self.pattern_of(number, field.bits)

    def example(self, field: Field, turn: int) -> Value:
        low, high = self.raw_range(field.bits)
        return field.shown((low, 0, high, high // 3, 1)[turn % 5])


class SignMagnitude(_Coded):
    """A sign and a magnitude."""

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


class Gray(_Coded):
    """Gray's reflected binary code."""

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


class Decimal(_Coded):
    """Digits of four bits."""

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
