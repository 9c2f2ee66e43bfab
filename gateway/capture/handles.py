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
    the table, and the values fit the layouts. Handles whose values fit none are left out."""
    fitting = {handle: [_fits(item, values[handle]) for item in sent] for handle in sorted(values)}
    handles = [handle for handle, fits in fitting.items() if any(fits)]
    nowhere: set[tuple[int, int]] = set()  # from where no way leads to the end

    def ways(row: int, column: int) -> Iterator[tuple[int, ...]]:
        if row == len(handles):
            yield ()
            return
        if (row, column) in nowhere:
            return
        one = False
        for place in range(column, len(sent)):
            if fitting[handles[row]][place]:
                for rest in ways(row + 1, place + 1):
                    one = True
                    yield (place, *rest)
        if not one:
            nowhere.add((row, column))

    found: dict[int, list[str]] = {}
    for way in islice(ways(0, 0), _MOST_WAYS) if handles else ():
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
        told = re.fullmatch(r"0[xX]([0-9a-fA-F]{1,4})|([0-9]{1,5})", key)
        handle = 0 if told is None else int(told[1], 16) if told[1] else int(told[2])
        text = str(value).lower()
        uuid = known.get(str(value), BASE_UUID.format(int(text, 16)) if re.fullmatch(r"0x[0-9a-f]{4}", text) else text)
        if not 0 < handle <= 0xFFFF:
            problems.append(Problem(str(path), f"handles.{key}", "is not a handle", "a number from 1 to 0xFFFF"))
        elif not re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uuid):
            expected = f"a UUID, or one of {', '.join(known)}"
            problems.append(Problem(str(path), f"handles.{key}", f"{value!r}", expected))
        elif handle in found:
            problems.append(Problem(str(path), f"handles.{key}", "is given twice", "one name for each handle"))
        else:
            found[handle] = uuid
    if problems:
        raise ProblemsError(problems)
    return found
