"""The characteristics that Bluetooth has adopted, by their 16-bit number. They are data in the same
layout language as a plugin's, in `adopted.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.resources import files

from pydantic import BaseModel, ConfigDict

from gateway.model.units import unit_text
from gateway.plugin.layout.declare import read_layout
from gateway.plugin.layout.model import Layout
from gateway.plugin.layout.shape import FieldDecl, SamplesDecl

BASE_UUID = "0000{:04x}-0000-1000-8000-00805f9b34fb"  # Core Specification, Vol 3, Part B, 2.5.1


class AdoptedDecl(BaseModel):
    """An adopted characteristic's value."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: str
    fields: list[FieldDecl]
    samples: SamplesDecl | None = None


def short_number(uuid: str) -> int | None:
    """The assigned 16-bit number of a 128-bit UUID, None for one of somebody's own."""
    try:
        number = int(uuid[4:8], 16)
    except ValueError:  # a service that was not seen has none
        return None
    return number if uuid == BASE_UUID.format(number) else None


def short_uuid(uuid: str) -> str:
    """An assigned number as 0x2A19, any other UUID whole."""
    number = short_number(uuid)
    return uuid if number is None else f"0x{number:04X}"


@cache
def adopted() -> dict[str, AdoptedDecl]:
    """Every adopted characteristic known, by its 128-bit UUID in lower case."""
    table = tomllib.loads(files("gateway.plugin.standard").joinpath("adopted.toml").read_text("utf-8"))
    return {BASE_UUID.format(int(number, 16)): AdoptedDecl.model_validate(decl) for number, decl in table.items()}


def adopted_layout(uuid: str) -> Layout | None:
    """The layout that Bluetooth has adopted for a UUID, None for one of somebody's own."""
    known = adopted().get(uuid)
    return read_layout(known.fields, known.samples, "little", None, _never) if known else None


def adopted_lines() -> Iterator[str]:
    """All that are known, a line each: number, name, and the fields with their units."""
    for number, name, fields in adopted_rows():
        yield f"{number}  {name}: {fields}"


def adopted_rows() -> Iterator[tuple[str, str, str]]:
    """All that are known: number, name, and the fields with their units."""
    for uuid, known in sorted(adopted().items()):
        layout = adopted_layout(uuid)
        every = [one for one, _ in layout.all_fields()] if layout else []
        fields = [one for one in every if one.type.name != "boolean"] or every  # flags where there is nothing else
        shown = ", ".join(f"{one.name} {unit_text(one.unit.symbol)}".rstrip() for one in fields)
        yield short_uuid(uuid), known.name, shown


def _never(place: str, found: str, expected: str) -> None:
    raise AssertionError(f"the adopted characteristics hold a wrong layout: {place}: {found}; {expected}")
