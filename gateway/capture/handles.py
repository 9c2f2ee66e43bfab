"""Which characteristic stands behind which attribute handle, for captures without their discovery: told in a file, or
guessed from the values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path

from gateway.host.toml import read_toml
from gateway.model.errors import DecodeError, Problem, ProblemsError
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.standard.adopted import BASE_UUID

_MOST_WAYS = 1000


def guess(values: Mapping[int, Sequence[bytes]], sent: Sequence[Characteristic]) -> dict[int, list[str]]:
    """For each handle the characteristics that may be behind it, of those in the order of a table: handles rise with
    the table, and the values fit the layouts."""
    handles = sorted(values)
    fits = [[_fits(item, values[handle]) for item in sent] for handle in handles]

    def ways(row: int, column: int) -> Iterator[tuple[int, ...]]:
        if row == len(handles):
            yield ()
            return
        for place in range(column, len(sent)):
            if fits[row][place]:
                yield from ((place, *rest) for rest in ways(row + 1, place + 1))

    found: dict[int, list[str]] = {}
    for way in islice(ways(0, 0), _MOST_WAYS):
        for handle, place in zip(handles, way, strict=True):
            names = found.setdefault(handle, [])
            if sent[place].name not in names:
                names.append(sent[place].name)
    return found


def _fits(item: Characteristic, raws: Sequence[bytes]) -> bool:
    try:
        for raw in raws:
            item.codec.parse(raw)
    except DecodeError:
        return False
    return True


def read_handles(path: Path, plugins: Sequence[Plugin]) -> dict[int, str]:
    """A file that says which characteristic stands behind which attribute handle.

    It is TOML: ``[handles]``, then lines such as ``0x0011 = "climate"``, or a UUID in place of the name.

    Raises:
        ProblemsError: everything that is wrong with it.
    """
    _, content = read_toml(path)
    table = content.get("handles")
    if not isinstance(table, dict) or set(content) != {"handles"}:
        raise ProblemsError([Problem(str(path), "", "has other content", "one table [handles]")])
    known = {item.name: item.uuid for plugin in plugins for item in plugin.served.values()}
    found: dict[int, str] = {}
    problems: list[Problem] = []
    for key, value in table.items():
        number = re.fullmatch(r"0[xX][0-9a-fA-F]{1,4}|\d{1,5}", key)
        text = str(value).lower()
        uuid = known.get(str(value), BASE_UUID.format(int(text, 16)) if re.fullmatch(r"0x[0-9a-f]{4}", text) else text)
        if number is None or not 0 < int(key, 0) <= 0xFFFF:
            problems.append(Problem(str(path), f"handles.{key}", "is not a handle", "a number from 1 to 0xFFFF"))
        elif not re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uuid):
            expected = f"a UUID, or one of {', '.join(known)}"
            problems.append(Problem(str(path), f"handles.{key}", f"{value!r}", expected))
        else:
            found[int(key, 0)] = uuid
    if problems:
        raise ProblemsError(problems)
    return found
