"""Look at what the user has before a run: every problem of plugins and run files, and single values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.config import load_run
from gateway.errors import InputError, Problem, ProblemsError
from gateway.layout.adopted import BASE_UUID, adopted
from gateway.layout.declare import read_layout
from gateway.plugin import Characteristic, find_plugin, load_plugin
from gateway.streams import check_streams
from gateway.toml import read_toml


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
        yield _plugin(file) if "plugin" in read_toml(file)[1] else _run_file(file)
    except ProblemsError as error:
        yield Inspection(file, error.problems)


def _plugin(file: Path) -> Inspection:
    plugin = load_plugin(file)
    count, problems = check_streams(plugin)
    summary = (
        f"a {plugin.kind} with {len(plugin.characteristics)} characteristics; {count} recorded payloads as expected"
    )
    return Inspection(file, tuple(problems), summary)


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
    wanted = BASE_UUID.format(int(name, 16)) if re.fullmatch(r"(0x)?[0-9a-fA-F]{4}", name) else ""
    for uuid, known in adopted().items():
        if uuid == wanted or known.name.lower() == name.lower():
            layout = read_layout(known.fields, known.samples, "little", None, _never)
            return Characteristic(known.name, known.name, uuid, "", frozenset({"read"}), layout)
    numbers = ", ".join(f"0x{uuid[4:8].upper()} {known.name}" for uuid, known in adopted().items())
    raise InputError(f"no adopted characteristic {name!r} is known here; known are {numbers}")


def _never(place: str, found: str, expected: str) -> None:
    raise AssertionError(f"the adopted characteristics hold a wrong layout: {place}: {found}; {expected}")


def parse_hex(words: Sequence[str]) -> bytes:
    """Bytes written in hex, spaced or not, with 0x, colons or dashes.

    Raises:
        InputError: an odd number of digits, or something that is no digit.
    """
    text = re.sub(r"0[xX]|[\s:,-]", "", " ".join(words))
    wrong = re.search(r"[^0-9a-fA-F]", text)
    if wrong:
        raise InputError(f"{wrong[0]!r} at digit {wrong.start() + 1} of {text[:60]!r} is no hex digit; use 0-9 and a-f")
    if len(text) % 2:
        raise InputError(f"{len(text)} hex digits in {text[:60]!r} are an odd number; a byte takes two")
    return bytes.fromhex(text)
