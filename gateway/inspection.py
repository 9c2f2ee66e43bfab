"""Look at what the user has before a run: every problem of plugins and run files, and single values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from gateway.config import load_run
from gateway.errors import InputError, Problem, ProblemsError
from gateway.layout.adopted import BASE_UUID, adopted
from gateway.layout.declare import MAX_VALUE_BYTES, read_layout
from gateway.layout.model import Field, Layout
from gateway.plugin import Characteristic, Plugin, find_plugin, load_plugin
from gateway.streams import check_streams
from gateway.toml import read_toml

DEFAULT_ATT_MTU = 23  # Core Specification, Vol 3, Part F, 3.2.8


@dataclass(frozen=True, slots=True)
class Inspection:
    """What was found in one file; ``summary`` says what there is to it where it is good."""

    path: Path
    problems: tuple[Problem, ...]
    summary: str = ""


def inspect(path: Path) -> Iterator[Inspection]:
    """Inspect a plugin folder, a plugin.toml, a run file, or all of these in a folder.

    Raises:
        InputError: there is nothing to inspect.
    """
    if path.is_dir() and not (path / "plugin.toml").exists():
        found = sorted({*path.glob("*/plugin.toml"), *path.glob("*.toml")})
        if not found:
            raise InputError(f"{path} holds neither plugin folders nor run files")
        for one in found:
            yield from inspect(one)
        return
    file = path / "plugin.toml" if path.is_dir() else path
    try:
        is_plugin = file.name == "plugin.toml" or "plugin" in read_toml(file)[1]
        yield _plugin(file) if is_plugin else _run_file(file)
    except ProblemsError as error:
        yield Inspection(file, error.problems)


def _plugin(file: Path) -> Inspection:
    plugin = load_plugin(file)
    count, problems = check_streams(plugin)
    problems += _warnings(plugin)
    summary = (
        f"a {plugin.kind} with {len(plugin.characteristics)} characteristics; {count} recorded payloads as expected"
    )
    return Inspection(file, tuple(problems), summary)


def _warnings(plugin: Plugin) -> Iterator[Problem]:
    """What a plugin may say, but seldom means."""

    def warn(name: str, found: str, expected: str) -> Problem:
        return Problem(str(plugin.path / "plugin.toml"), f"characteristic.{name}", found, expected, fatal=False)

    for item in plugin.characteristics.values():
        standard = adopted_layout(item.uuid)
        if standard is not None and [_facts(f) for f, _ in standard.all_fields()] != [
            _facts(f) for f, _ in item.layout.all_fields()
        ]:
            yield warn(
                item.name,
                f"differs from what Bluetooth has adopted for {item.title}",
                "remove its fields, or use a UUID of your own",
            )
        size = item.layout.head + (item.layout.samples.size if item.layout.samples else 0)
        if item.pushed and size > DEFAULT_ATT_MTU - 3:
            yield warn(
                item.name,
                f"takes {size} bytes, a notification at the default ATT_MTU of 23 holds 20",
                "see that your node asks for more, and what it does where it is refused",
            )


def _facts(field: Field) -> tuple[object, ...]:
    return field.kind, field.bits, field.bit, field.order, field.scale, field.unit.dimension, field.reserved


def _run_file(file: Path) -> Inspection:
    config = load_run(file)
    nodes = ", ".join(f"{node.name} ({node.plugin.kind})" for node in config.nodes.values())
    return Inspection(file, (), f"a run of {nodes} with {len(config.requirements)} requirements")


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
    hint = f"; did you mean {', '.join(near)}" if near else "; give the 16-bit number or the name"
    raise InputError(f"no adopted characteristic {name!r} among the {len(names)} known here{hint}")


def adopted_layout(uuid: str) -> Layout | None:
    """The layout that Bluetooth has adopted for a UUID, None for one of somebody's own."""
    known = adopted().get(uuid)
    return read_layout(known.fields, known.samples, "little", None, _never) if known else None


def _never(place: str, found: str, expected: str) -> None:
    raise AssertionError(f"the adopted characteristics hold a wrong layout: {place}: {found}; {expected}")


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
        raise InputError(f"{wrong[0]!r} at digit {wrong.start() + 1} of {text[:60]!r} is no hex digit; use 0-9 and a-f")
    for part in parts:
        if len(part) % 2:
            raise InputError(f"{len(part)} hex digits in {part[:60]!r} are an odd number; a byte takes two")
    if len(text) > 2 * MAX_VALUE_BYTES:
        raise InputError(f"{len(text) // 2} bytes given; an attribute value holds at most {MAX_VALUE_BYTES}")
    return bytes.fromhex(text)
