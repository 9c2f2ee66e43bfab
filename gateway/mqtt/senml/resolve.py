"""Read packs: a list of records as JSON or CBOR becomes resolved records (RFC 8428, section 4.6), each with its whole
name, absolute time and unit. Packs come from anybody: their size and shape are checked."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

import cbor2

from gateway.model.errors import InputError

JSON, CBOR = "application/senml+json", "application/senml+cbor"
MOST_BYTES = 16_000_000
LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip  # RFC 8428, table 4
_VERSION = 10
_NAME_STARTS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
_NAME_HOLDS = _NAME_STARTS | frozenset("-:./_")


@dataclass(frozen=True, slots=True)
class Record:
    """A resolved record.

    Attributes:
        t: seconds since 1970 as they were written, or from now on where that is below 2**28
            (section 4.5.3).
        value: a number, text, truth or bytes; None where there is a sum alone.
        more: labels that RFC 8428 does not know.
    """

    name: str
    t: Decimal
    unit: str
    value: Decimal | float | str | bool | bytes | None
    sum: Decimal | None
    more: Mapping[str, Any]


def read_pack(raw: bytes, form: str) -> list[Record]:
    """The resolved records of a pack.

    Args:
        form: its content type, `JSON` or `CBOR`.

    Raises:
        InputError: it is no pack; the text says what is wrong and where.
    """
    if len(raw) > MOST_BYTES:
        raise InputError(f"a pack of {len(raw)} bytes; at most {MOST_BYTES} are accepted")
    try:
        content = cbor2.loads(raw) if form == CBOR else json.loads(raw, parse_float=Decimal, parse_int=Decimal)
    except (ValueError, RecursionError, cbor2.CBORDecodeError, InvalidOperation, MemoryError) as error:
        raise InputError(f"not {form}: {error}") from None
    if not isinstance(content, list):
        raise InputError("not a pack: a pack is a list of records")
    return _resolve(content)


def _resolve(content: list[Any]) -> list[Record]:
    base: dict[str, Any] = {}
    found = []
    for number, item in enumerate(content):
        if not isinstance(item, dict):
            raise InputError(f"record {number}: {type(item).__name__}, expected a table")
        record: dict[Any, Any] = {
            LABELS.get(key, key) if isinstance(key, int) else key: value for key, value in item.items()
        }
        for key in record:
            if not isinstance(key, str):
                raise InputError(f"record {number}: label {key!r} is not known")
            if key.endswith("_"):
                raise InputError(f"record {number}: {key!r} must be understood and is not (RFC 8428, section 4.4)")
        if (version := _number(number, "bver", record.get("bver", _VERSION))) > _VERSION:
            raise InputError(f"record {number}: version {version}, at most {_VERSION} is read")
        base |= {key: record.pop(key) for key in ("bn", "bt", "bu", "bv", "bs", "bver") if key in record}
        if record:
            found.append(_record(number, record, base))
    return found


def _record(number: int, record: dict[str, Any], base: Mapping[str, Any]) -> Record:
    name = str(base.get("bn", "")) + str(record.pop("n", ""))
    if not name or name[0] not in _NAME_STARTS or not _NAME_HOLDS.issuperset(name):
        raise InputError(f"record {number}: name {name!r} (RFC 8428, section 4.5.1)")
    t = _number(number, "t", base.get("bt", 0)) + _number(number, "t", record.pop("t", 0))
    record.pop("ut", None)
    unit = str(record.pop("u", base.get("bu", "")))
    total = _number(number, "s", record.pop("s")) + _number(number, "s", base.get("bs", 0)) if "s" in record else None
    kinds = [key for key in ("v", "vs", "vb", "vd") if key in record]
    if len(kinds) > 1 or (not kinds and total is None and "bv" not in base):
        raise InputError(f"record {number}: {len(kinds)} values, expected one (RFC 8428, section 4.2)")
    value = _value(number, record, base, kinds[0] if kinds else "")
    return Record(name, t, unit, value, total, record)


def _value(number: int, record: dict[str, Any], base: Mapping[str, Any], kind: str) -> Any:
    raw = record.pop(kind, None) if kind else None
    if kind == "v" or (not kind and "bv" in base):
        return _number(number, "v", raw if kind else 0) + _number(number, "bv", base.get("bv", 0))
    if kind == "vd" and isinstance(raw, str):
        try:
            return base64.b64decode(raw + "=" * (-len(raw) % 4), altchars=b"-_", validate=True)
        except (binascii.Error, ValueError):
            raise InputError(f"record {number}: vd is not base64 with the URL alphabet") from None
    wanted: dict[str, type] = {"vs": str, "vb": bool, "vd": bytes}
    if kind and not isinstance(raw, wanted[kind]):
        raise InputError(f"record {number}: {kind} is {type(raw).__name__}")
    return raw


def _number(number: int, label: str, value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise InputError(f"record {number}: {label} is {type(value).__name__}, expected a number")
    if isinstance(value, int) and value.bit_length() > 1024:
        raise InputError(f"record {number}: {label} is a number of {value.bit_length()} bits")
    exact = Decimal(str(value)) if isinstance(value, float) else Decimal(value)
    if not exact.is_finite() or abs(exact.adjusted()) > 400:
        raise InputError(f"record {number}: {label} is {value}, expected a finite number")
    return exact
