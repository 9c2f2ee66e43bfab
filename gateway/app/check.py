"""Look at what the user has before a run: every problem of plugins and run files, and single values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from gateway.capture.streams import check_streams
from gateway.config import load_run
from gateway.config.lint import plugin_doubts, run_doubts
from gateway.host.toml import read_toml
from gateway.model.errors import InputError, Problem, ProblemsError
from gateway.plugin import Characteristic, find_plugin, load_plugin
from gateway.plugin.layout.model import Layout
from gateway.plugin.layout.types import MAX_VALUE_BYTES
from gateway.plugin.library.adopted import BASE_UUID, adopted, adopted_layout


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
    problems += plugin_doubts(plugin)
    summary = (
        f"a {plugin.kind} with {len(plugin.characteristics)} characteristics; {count} recorded payloads as expected"
    )
    return Inspection(file, tuple(problems), summary)


def _run_file(file: Path) -> Inspection:
    config = load_run(file)
    nodes = ", ".join(f"{node.name} ({node.plugin.kind})" for node in config.nodes.values())
    return Inspection(file, tuple(run_doubts(config)), f"a run of {nodes} with {len(config.requirements)} requirements")


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
