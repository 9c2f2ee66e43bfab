"""Reading the project's TOML files: bounded, and with every departure from the expected shape turned
into a `Problem` that names file, place, what was found and what was expected."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from gateway.model.errors import Problem, ProblemsError

MAX_FILE_BYTES = 1 << 20
_MOST_PARTS = 16  # of a dotted key; the parser's time and memory grow with their square
_TEXTS = re.compile(  # comments and strings, also those without an end, so that each letter is looked at once
    r'"""(?:[^"\\]|\\.|"(?!""))*(?:""")?'
    r"|\'\'\'(?:[^']|'(?!''))*(?:\'\'\')?"
    r'|"(?:[^"\\\n]|\\.)*"?'
    r"|'[^'\n]*'?|#[^\n]*",
    re.DOTALL,
)
_KEYS = re.compile(r"[\w-]+|\.|[^\w.\s-]|\n")
Model = TypeVar("Model", bound=BaseModel)


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """The file's text and its content.

    Raises:
        ProblemsError: missing, unreadable, over 1 MiB, not UTF-8 or not TOML.
    """

    def refuse(found: str, expected: str) -> ProblemsError:
        return _refusal(str(path), found, expected)

    try:
        if path.exists() and not path.is_file():
            raise refuse("is not a regular file", "give a file, or the folder of a plugin")
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise refuse("there is no such file", "check the path") from None
    except OSError as error:
        raise refuse(f"can't be read: {error.strerror or error}", "check the path and its permissions") from None
    if len(content) > MAX_FILE_BYTES:
        raise refuse(f"is larger than {MAX_FILE_BYTES} bytes", "a plugin or run file is a few kilobytes")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise refuse(f"is not UTF-8 at byte {error.start}", "save it as UTF-8 text") from None
    return text, parse_toml(text, str(path))


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """The content of a TOML text.

    Raises:
        ProblemsError: over 1 MiB, a key of more than 16 parts, or not TOML.
    """
    if len(text) > MAX_FILE_BYTES:
        raise _refusal(where, f"is larger than {MAX_FILE_BYTES} bytes", "a plugin or run file is a few kilobytes")
    if (line := _long_key(text)) is not None:
        raise _refusal(
            where, f"a key of more than {_MOST_PARTS} parts in line {line}", "keys as in a plugin or run file"
        )
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        raise _refusal(where, f"is not TOML: {error}", "fix it at that place") from None


def _long_key(text: str) -> int | None:
    """The line of a dotted key that is longer than any of ours, None where there is none. Texts count as one part."""
    parts, line = 0, 1
    for piece in _KEYS.findall(_TEXTS.sub(lambda found: "s" + "\n" * found[0].count("\n"), text)):
        if piece == "\n":
            line += 1
            parts = 0
        elif piece == ".":
            parts += 1
            if parts >= _MOST_PARTS:
                return line
        elif not (piece[0].isalnum() or piece[0] in "_-"):
            parts = 0
    return None


def _refusal(where: str, found: str, expected: str) -> ProblemsError:
    return ProblemsError([Problem(where, "", found, expected)])


def shape(model: type[Model], content: dict[str, Any], file: str) -> Model:
    """``content`` as ``model``.

    Raises:
        ProblemsError: all departures from the model, each with its place.
    """
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise ProblemsError([_problem(file, detail) for detail in error.errors()]) from None


def _problem(file: str, detail: Any) -> Problem:
    place = ""
    for part in detail["loc"]:
        text = str(part)
        if isinstance(part, int):
            place += f"[{part}]"
        elif "[" not in text and text not in ("int", "str", "bool", "float"):  # pydantic names union branches
            place += f".{text}" if place else text
    match detail["type"]:
        case "extra_forbidden":
            return Problem(file, place, "unknown key", "remove it, or check its spelling and its table")
        case "missing":
            return Problem(file, place, "missing", "add it")
        case "string_type":
            return Problem(file, place, f"{detail['input']!r:.60}", "text in quotes, a quantity with its unit")
        case "model_type" | "dict_type":
            return Problem(file, place, f"{detail['input']!r:.60}", "a table, such as { key = value }")
        case "list_type" | "too_short" | "too_long":
            return Problem(file, place, f"{detail['input']!r:.60}", f"a list: {detail['msg'].lower()}")
        case _:
            return Problem(
                file,
                place,
                f"{detail['input']!r:.60}",
                str(detail["msg"])[:1].lower() + str(detail["msg"])[1:],
            )
