"""What the Bluetooth SIG's own descriptions say of adopted characteristics: its YAML files of the GATT Specification
Supplement and of Assigned Numbers, as the package bluetooth-sig carries them. Read as facts: number, fields in order,
type, scaling, unit, limits, values with a meaning of their own."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import yaml

_SPECIAL = re.compile(
    r"(?:value of|value|Value|represents? by|A raw value of)\s*(0x[0-9A-Fa-f]+|\d+)\s*(?:represents|is used to represent|means|shall be interpreted as|=|:)\s*[“”‘'\"]?([^\n”’'\"]*)"
)
_SCALING = re.compile(r"M\s*=\s*(-?\d+),\s*d\s*=\s*([+-–]?\s*\d+),\s*b\s*=\s*([+-–]?\s*\d+)")


@dataclass(frozen=True)
class SigField:
    """One field; ``lsb`` and ``unit`` are None where nothing is said of them."""

    name: str
    type: str
    size: str
    lsb: Fraction | None
    unit: str | None
    low: float | None
    high: float | None
    specials: dict[int, str]
    text: str


@dataclass(frozen=True)
class SigCharacteristic:
    """One characteristic; references to others are followed."""

    number: int
    name: str
    identifier: str
    fields: list[SigField] = field(default_factory=list)


def folder() -> Path:
    """Where the descriptions are."""
    spec = find_spec("bluetooth_sig")
    assert spec is not None and spec.origin is not None
    (found,) = Path(spec.origin).parent.glob("**/gss")
    return found.parent


@cache
def read_yaml(path: Path) -> Any:
    return yaml.safe_load(path.read_text("utf-8"))


@cache
def numbers() -> dict[str, int]:
    """The number of each characteristic, by its identifier."""
    base = folder()
    rows = read_yaml(base / "assigned_numbers" / "uuids" / "characteristic_uuids.yaml")["uuids"]
    return {row["id"]: int(row["uuid"]) for row in rows}


@cache
def unit_names() -> dict[str, int]:
    """The number of each unit, by its identifier."""
    base = folder()
    return {
        row["id"]: int(row["uuid"]) for row in read_yaml(base / "assigned_numbers" / "uuids" / "units.yaml")["uuids"]
    }


@cache
def characteristics() -> dict[int, SigCharacteristic]:
    """All that are described, by number."""
    base = folder()
    raw = {}
    for path in sorted((base / "gss").glob("*.yaml")):
        item = read_yaml(path)["characteristic"]
        raw[item["identifier"]] = item
    found = {}
    for identifier, item in raw.items():
        number = numbers().get(identifier)
        if number is not None:
            found[number] = SigCharacteristic(number, item["name"], identifier, _fields(item, raw, 0))
    return found


def _fields(item: dict[str, Any], raw: dict[str, dict[str, Any]], depth: int) -> list[SigField]:
    fields = []
    for one in item.get("structure", []):
        text = str(one.get("description", ""))
        referred = re.search(r"Refer to (?:the )?.*?\\autoref\{sec:(org\.bluetooth\.characteristic\.[\w.-]+)\}", text)
        if one["type"] == "struct" and referred and referred[1] in raw and depth < 4:
            inner = _fields(raw[referred[1]], raw, depth + 1)
            if len(inner) == 1:
                inner = [
                    SigField(one["field"], *(getattr(inner[0], k) for k in list(inner[0].__dataclass_fields__)[1:]))
                ]
            fields += inner
        else:
            fields.append(_field(one, text))
    return fields


def _field(one: dict[str, Any], text: str) -> SigField:
    scaling = _SCALING.search(text)
    lsb = None
    if scaling:
        m, d, b = (int(part.replace("–", "-").replace(" ", "")) for part in scaling.groups())
        lsb = (
            Fraction(m) * Fraction(10) ** d * Fraction(2) ** -abs(b)
            if b < 0
            else Fraction(m) * Fraction(10) ** d * Fraction(2) ** b
        )
    units = re.findall(r"org\.bluetooth\.unit\.[\w.]+\w", text)
    low = re.search(r"Minimum(?: is)?:?\s*(-?[\d.]+)", text.replace("–", "-").replace(",", ""))
    high = re.search(r"Maximum(?: is)?:?\s*(-?[\d.]+)", text.replace("–", "-").replace(",", ""))
    specials = {int(value, 0): meaning.strip(" .") for value, meaning in _SPECIAL.findall(text)}
    return SigField(
        one["field"],
        one["type"],
        str(one["size"]),
        lsb,
        units[0] if len(set(units)) == 1 else None,
        float(low[1].rstrip(".")) if low else None,
        float(high[1].rstrip(".")) if high else None,
        specials,
        text,
    )
