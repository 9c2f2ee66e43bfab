"""Bytes, text, and dates with the time of day."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING, Any

import construct as con
import numpy as np

from gateway.plugin.layout.kind import MAX_VALUE_BYTES, Column, FieldType, Missing, Value

if TYPE_CHECKING:
    from gateway.plugin.layout.model import Field, Order


class Bytes(FieldType):
    """Bytes, shown in hex."""

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


class Text(Bytes):
    """UTF-8 to the end of the value."""

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


class DateTime(Bytes):
    """Date Time of the GATT Specification Supplement."""

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
