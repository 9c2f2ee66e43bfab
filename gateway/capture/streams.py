"""A plugin's recorded streams against the values expected of them. Beside ``streams/NAME.capture`` stands
``streams/NAME.expected.toml`` with one ``[[frame]]`` for each frame of the capture, in order: its ``line``,
and for each field its value as text (``"24.14 degC"``, a name, ``"no reading"``), a list for samples; or
``refused = true`` for a payload that must not decode. A message that is unpacked has one behind the frame that it
ends in, with the line of that."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from gateway.capture.text import read_capture
from gateway.host.toml import read_toml
from gateway.model.errors import DecodeError, Problem, ProblemsError, UnitError
from gateway.model.records import Frame, Reading
from gateway.model.units import parse_quantity, parse_unit
from gateway.plugin import Plugin
from gateway.plugin.derive import as_constants, read_all
from gateway.plugin.unpack import Unpacking

NO_READING = "no reading"
_RELATIVE = Fraction(1, 10**6)  # derived values are floats; fields are exact and meet it easily


def check_streams(plugin: Plugin) -> tuple[int, list[Problem]]:
    """How many recorded payloads were checked, and everything that differs."""
    checked, problems = 0, []
    for capture in sorted((plugin.path / "streams").glob("*.capture")):
        expected = expected_path(capture)
        try:
            count, found = _check(plugin, capture, expected)
        except ProblemsError as error:
            count, found = 0, list(error.problems)
        checked += count
        problems += found
    return checked, problems


def expected_path(capture: Path) -> Path:
    """Where a capture's expected values stand."""
    return capture.with_name(capture.name.removesuffix(".capture") + ".expected.toml")


def _with_messages(frames: Iterable[tuple[int, Frame]], plugins: Mapping[str, Plugin]) -> Iterator[tuple[int, Frame]]:
    """Frames with the line of each, and behind each the messages that end in it."""
    unpacking = Unpacking()
    for line, frame in frames:
        yield line, frame
        if frame.channel in plugins[frame.node].steps:
            taken = [(line, frame.t_ns, frame.raw)]
            messages, _ = unpacking.take(frame.node, plugins[frame.node], frame.channel, taken)
            for name, ones in messages.items():
                yield from ((line, Frame(one.t_ns, frame.node, name, one.raw)) for one in ones)


def expected_text(capture: Path, plugins: Mapping[str, Plugin]) -> str:
    """What a capture's frames decode to now, as a file of expected values: to be looked through by somebody who knows.

    Args:
        capture: of one kind of node, whose frames stand in the order of its lines.
        plugins: by node.

    Raises:
        ProblemsError: the capture can't be read.
    """
    lines = ["# Written from what the plugin decodes. Review it; from then on, check holds the plugin to it."]
    constants: dict[str, dict[str, dict[str, float]]] = {}
    for number, frame in _with_messages(read_capture(capture), plugins):
        plugin = plugins[frame.node]
        item = plugin.characteristics[frame.channel]
        own = constants.setdefault(frame.node, {})
        lines += ["", "[[frame]]", f"line = {number}"]
        try:
            readings = read_all(item, frame.raw, own)
        except DecodeError:
            lines.append("refused = true")
            continue
        if frame.channel in plugin.constants:
            own[frame.channel] = as_constants(readings)
        values: dict[str, list[str]] = {}
        for reading in readings:
            values.setdefault(reading.name.partition("].")[2] or reading.name, []).append(_toml_text(_text(reading)))
        for name, texts in values.items():
            many = any("[" in r.name and r.name.endswith(f".{name}") for r in readings)
            lines.append(f"{name} = [{', '.join(texts)}]" if many else f"{name} = {texts[0]}")
    return "\n".join(lines) + "\n"


def _check(plugin: Plugin, capture: Path, expected: Path) -> tuple[int, list[Problem]]:
    frames = list(_with_messages(read_capture(capture), defaultdict(lambda: plugin)))
    wanted = read_toml(expected)[1].get("frame", [])
    if not isinstance(wanted, list) or not all(isinstance(frame, dict) for frame in wanted):
        raise ProblemsError(
            [Problem(str(expected), "frame", "is not a list of tables", "one [[frame]] for each frame")]
        )
    problems: list[Problem] = []
    constants: dict[str, dict[str, dict[str, float]]] = {}
    if len(wanted) != len(frames):
        problems.append(
            Problem(str(expected), "", f"{len(wanted)} frames", f"{len(frames)}, one for each of {capture.name}")
        )
    for (line, frame), want in zip(frames, wanted, strict=False):
        place = f"line {line}"
        item = plugin.characteristics.get(frame.channel)
        if item is None:
            problems.append(
                Problem(
                    str(capture),
                    place,
                    f"no characteristic {frame.channel!r}",
                    f"one of {', '.join(plugin.characteristics)}",
                )
            )
            continue
        if want.get("line") != line:
            problems.append(
                Problem(str(expected), place, f"line = {want.get('line')}", f"line = {line}, in the capture's order")
            )
        try:
            own = constants.setdefault(frame.node, {})
            readings = read_all(item, frame.raw, own)
        except DecodeError as error:
            if not want.get("refused"):
                problems.append(Problem(str(capture), place, str(error), "a payload that fits, or refused = true"))
            continue
        if frame.channel in plugin.constants:
            own[frame.channel] = as_constants(readings)
        if want.get("refused"):
            problems.append(
                Problem(str(capture), place, "the payload decodes", "a refusal: refused = true is expected")
            )
            continue
        problems += [Problem(str(expected), f"{place}.{key}", *text) for key, text in _differences(readings, want)]
    return len(frames), problems


def _differences(readings: list[Reading], want: dict[str, Any]) -> list[tuple[str, tuple[str, str]]]:
    found: dict[str, list[Reading]] = {}
    for reading in readings:
        found.setdefault(reading.name.partition("].")[2] or reading.name, []).append(reading)
    differences = []
    keys = set(want) - {"line", "refused"}
    for key in sorted(set(found) - keys):
        differences.append((key, ("missing", f"decoded as {', '.join(map(_text, found[key]))}")))
    for key in sorted(keys):
        values = want[key] if isinstance(want[key], list) else [want[key]]
        got = found.get(key, [])
        if len(values) != len(got) or not all(_same(r, str(v)) for r, v in zip(got, values, strict=False)):
            differences.append(
                (key, (f"{want[key]!r} expected", f"decoded as {', '.join(map(_text, got)) or 'nothing'}"))
            )
    return differences


def _same(reading: Reading, text: str) -> bool:
    if reading.value is None or isinstance(reading.value, str):
        return text == (NO_READING if reading.value is None else reading.value)
    try:
        value = parse_quantity(text).in_unit(parse_unit(reading.unit))
    except UnitError:
        return False
    return abs(Fraction(reading.value) - value) <= abs(value) * _RELATIVE + Fraction(1, 10**12)


def _text(reading: Reading) -> str:
    if reading.value is None:
        return NO_READING
    return f"{reading.value} {reading.unit}" if reading.unit else str(reading.value)


def _toml_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
