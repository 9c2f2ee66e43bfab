"""Numbers that are not scaled integers: IEEE 754, the floats of medical devices, spans of time by their exponent."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import construct as con
import numpy as np

from gateway.plugin.layout import medfloat
from gateway.plugin.layout.kind import Column, FieldType, Missing, Raw, Value, finite

if TYPE_CHECKING:
    from gateway.plugin.layout.model import Field, Order


class Float(FieldType):
    """IEEE 754."""

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


class MedFloat(FieldType):
    """SFLOAT and FLOAT of IEEE 11073-20601."""

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
        exact = finite(value)
        return medfloat.from_number(Fraction(str(value)) if isinstance(value, float) else exact, field.bits)

    def example(self, field: Field, turn: int) -> Value:
        return (0.0, 1.5, -2.25, 100.0)[turn % 4]


class TimeExponential(FieldType):
    """Time Exponential 8."""

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
        seconds = float(finite(value))
        raw = round(64 + math.log(seconds) / math.log(1.1)) if seconds > 0 else 0
        if seconds < 0 or raw > 0xFD:
            raise ValueError(f"{seconds:g} s is outside 0 to {self._seconds[0xFD]:.4g} s")
        return max(raw, 1) if seconds > 0 else 0

    def example(self, field: Field, turn: int) -> Value:
        return self._seconds[(0, 64, 1, 0xFD)[turn % 4]]
