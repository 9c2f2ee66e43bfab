"""Look at what the user has before a run: every problem of plugins and run files, and single values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gateway.capture.streams import check_streams
from gateway.config import load_run
from gateway.config.lint import plugin_doubts, run_doubts
from gateway.host.toml import read_toml
from gateway.model.errors import InputError, PayloadError, Problem, ProblemsError, UnitError
from gateway.model.records import Reading
from gateway.model.units import parse_quantity
from gateway.plugin import Characteristic, find_plugin, load_plugin
from gateway.plugin.derive import read_all
from gateway.plugin.layout.codec import reserved_text
from gateway.plugin.layout.columns import decode_columns as columns_of
from gateway.plugin.layout.kind import MAX_VALUE_BYTES
from gateway.plugin.layout.model import Layout
from gateway.plugin.layout.written import field_value
from gateway.plugin.standard.adopted import BASE_UUID, adopted, adopted_layout


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """What was found in one file; ``summary`` says what there is to it where it is good."""

    path: Path
    problems: tuple[Problem, ...]
    summary: str = ""


def check(path: Path) -> Iterator[CheckedFile]:
    """Everything that is wrong with a plugin folder, a plugin.toml, a run file, or all of these in a folder.

    Raises:
        InputError: there is nothing to inspect.
    """
    if path.is_dir() and not (path / "plugin.toml").exists():
        found = sorted({*path.glob("*/plugin.toml"), *path.glob("*.toml")})
        if not found:
            raise InputError(f"{path} contains neither plugin folders nor run files")
        for one in found:
            yield from check(one)
        return
    file = path / "plugin.toml" if path.is_dir() else path
    try:
        is_plugin = file.name == "plugin.toml" or "plugin" in read_toml(file)[1]
        yield _plugin(file) if is_plugin else _run_file(file)
    except ProblemsError as error:
        yield CheckedFile(file, error.problems)


def _plugin(file: Path) -> CheckedFile:
    plugin = load_plugin(file)
    count, problems = check_streams(plugin)
    problems += plugin_doubts(plugin)
    summary = f"a {plugin.kind} with {len(plugin.characteristics)} characteristics; {count} payloads decode as expected"
    return CheckedFile(file, tuple(problems), summary)


def _run_file(file: Path) -> CheckedFile:
    config = load_run(file)
    nodes = ", ".join(f"{node.name} ({node.plugin.kind})" for node in config.nodes.values())
    return CheckedFile(
        file, tuple(run_doubts(config)), f"a run of {nodes} with {len(config.requirements)} requirements"
    )


def find_characteristic(plugin: str, name: str) -> Characteristic:
    """A characteristic of a plugin, or an adopted one by number or name.

    Raises:
        InputError: there is none of that name.
        ProblemsError: the plugin can't be loaded.
    """
    if plugin != "adopted":
        table = find_plugin(plugin).characteristics
        if name not in table:
            raise InputError(f"{plugin} has no characteristic {name!r}; it has {', '.join(table)}")
        return table[name]
    wanted = BASE_UUID.format(int(name, 16)) if re.fullmatch(r"(0x)?[0-9a-fA-F]{4}", name) else name.lower()
    for uuid, known in adopted().items():
        if uuid == wanted or known.name.lower() == name.lower():
            layout = adopted_layout(uuid)
            return Characteristic(known.name, known.name, uuid, "", frozenset({"read"}), layout or Layout(()))
    names = {known.name.lower(): f"{known.name} (0x{uuid[4:8].upper()})" for uuid, known in adopted().items()}
    near = [names[match] for match in get_close_matches(name.lower(), names, 3, 0.4)]
    hint = f"; did you mean {', '.join(near)}" if near else "; use the 16-bit UUID or the name"
    raise InputError(f"{name!r} is not among the {len(names)} adopted characteristics known here{hint}")


def decode(
    plugin: str, characteristic: str, raw: bytes, constants: Mapping[str, Mapping[str, float]] | None = None
) -> list[Reading]:
    """One value by its declared layout: every field in byte order, then the derived values.

    Args:
        plugin: a plugin's kind or folder, or ``adopted``.
        characteristic: its name in the plugin, or the number or name of an adopted one.
        raw: the bytes.
        constants: what the node's constants hold, by constant and field, for derived values.

    Example: ``decode("adopted", "0x2A6E", bytes.fromhex("f1d8"))`` reads -99.99 degC.

    Raises:
        InputError: there is no such plugin or characteristic, or the bytes do not fit its layout.
    """
    try:
        return read_all(find_characteristic(plugin, characteristic), raw, constants or {})
    except PayloadError as error:
        raise InputError(f"{error}; found {raw.hex(' ') or 'no bytes'}") from None


def reserved_in(plugin: str, characteristic: str, raw: bytes) -> str:
    """The reserved bits that a value sets, for people; "" where it sets none.

    Raises:
        DecodeError: it does not fit its layout.
        InputError: there is no such plugin or characteristic.
    """
    return reserved_text(find_characteristic(plugin, characteristic).codec.reserved_bits(raw))


def decode_start(plugin: str, characteristic: str, raw: bytes) -> list[Reading]:
    """The fields at the start of a value that does not fit its layout, as far as there are bytes for them.

    Raises:
        InputError: there is no such plugin or characteristic.
    """
    return find_characteristic(plugin, characteristic).codec.read_start(raw)


def read_constants(plugin: str, texts: Sequence[str]) -> dict[str, dict[str, float]]:
    """Constants written as ``NAME.field=value``, the value with its unit or in the field's.

    Raises:
        InputError: there is no such constant, or the value is none.
    """
    found: dict[str, dict[str, float]] = {}
    if not texts:
        return found
    declared = find_plugin(plugin)
    known = {
        f"{name}.{field.name}": (owner, field)
        for name, owner in declared.constant_names.items()
        for field in declared.characteristics[owner].layout.fields
    }
    for text in texts:
        name, _, value = text.partition("=")
        if name.strip() not in known:
            raise InputError(f"{plugin} has no constant {name.strip()!r}; it has {', '.join(known) or 'none'}")
        owner, field = known[name.strip()]
        try:
            number = parse_quantity(value.strip())
            text = (
                value.strip() if number.unit.symbol or not field.unit.symbol else f"{value.strip()} {field.unit.symbol}"
            )
            found.setdefault(owner, {})[field.name] = float(field_value(field, text))  # type: ignore[arg-type]
        except (UnitError, ValueError) as error:
            raise InputError(f"constant {text!r}: {error}; write {name.strip()}=VALUE") from None
    return found


def decode_columns(
    plugin: str, characteristic: str, payloads: Sequence[bytes]
) -> tuple[dict[str, npt.NDArray[Any]], dict[str, str], dict[int, str]]:
    """Many values at once.

    Args:
        plugin, characteristic: as for `decode`.
        payloads: n of them.

    Returns:
        For each field an array of n values, NaN (or None for texts) for no reading and where the payload does not
        fit; the unit of each field that has one; and why each payload that does not fit does not, by its index.

    Raises:
        InputError: there is no such plugin or characteristic.
    """
    item = find_characteristic(plugin, characteristic)
    decoded = columns_of(item.layout, payloads)
    columns: dict[str, npt.NDArray[Any]] = {}
    for field in item.layout.fields:
        text = field.names is not None or field.type.textual
        column = np.full(len(payloads), None if text else np.nan, object if text else float)
        for part in decoded.parts:
            if (cut := part.fields.get(field.name)) is not None:
                column[part.positions] = cut.to_list() if text else cut.floats()
        columns[field.name] = column
    units = {field.name: field.unit.symbol for field in item.layout.fields if field.unit.symbol}
    return columns, units, dict(decoded.faults)


def parse_hex(words: Sequence[str]) -> bytes:
    """Bytes written in hex, spaced or not, with 0x, colons or dashes.

    Raises:
        InputError: an odd number of digits, or something that is no digit.
    """
    parts = re.split(r"[\s:,-]+", " ".join(words).strip())
    parts = [re.sub(r"^0[xX]", "", part) for part in parts]
    text = "".join(parts)
    wrong = re.search(r"[^0-9a-fA-F]", text)
    if wrong:
        raise InputError(f"{wrong[0]!r} at digit {wrong.start() + 1} of {text[:60]!r} is not a hex digit; use 0-9, a-f")
    for part in parts:
        if len(part) % 2:
            raise InputError(f"odd number of hex digits ({len(part)}) in {part[:60]!r}; a byte takes two")
    if len(text) > 2 * MAX_VALUE_BYTES:
        raise InputError(f"{len(text) // 2} bytes given; an attribute value holds at most {MAX_VALUE_BYTES}")
    return bytes.fromhex(text)
