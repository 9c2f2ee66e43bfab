"""A plugin as C99 that also compiles as C++17. Neither the machine's byte order nor the compiler's padding matters:
values go in and out a byte at a time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from gateway.model.errors import InputError
from gateway.plugin.contract.check import check
from gateway.plugin.contract.header import header
from gateway.plugin.contract.source import source
from gateway.plugin.model import Plugin

# Headers of C itself, which a header of that name would hide.
_HEADERS = {"assert", "complex", "ctype", "errno", "fenv", "float", "inttypes", "limits", "locale", "math", "signal"}
_HEADERS |= {"stdarg", "stdbool", "stddef", "stdint", "stdio", "stdlib", "string", "tgmath", "time", "wchar"}


def c_files(plugin: Plugin) -> dict[str, str]:
    """The files by name: header, source, and test vectors with a function that checks them.

    Raises:
        InputError: two things in it would have one name in C.
    """
    name = plugin.kind.replace("-", "_")
    name = f"{name}_node" if name in _HEADERS else name
    files = {f"{name}.h": header, f"{name}.c": source, f"{name}_vectors.c": check}
    made = {path: "\n".join(lines(name, plugin)) + "\n" for path, lines in files.items()}
    result = f"{name}_result"
    while f"struct {result} {{" in made[f"{name}.h"]:  # a characteristic is called so
        result += "s"
    if result != f"{name}_result":
        made = {path: re.sub(rf"\benum {name}_result\b", f"enum {result}", text) for path, text in made.items()}
    for what, twice in _twice(made[f"{name}.h"]):
        raise InputError(f"{plugin.kind}: {what} would stand twice in C: {twice}; rename one of the two")
    return made


def _twice(text: str) -> Iterator[tuple[str, str]]:
    """Names that a header declares twice: of structs, functions and members."""
    tags = re.findall(r"^(?:struct|enum) (\w+) \{", text, re.MULTILINE)
    functions = re.findall(r"^\w[\w ]* \*?(\w+)\(", text, re.MULTILINE)
    for what, names in (("a struct", tags), ("a function", functions)):
        yield from ((what, name) for name, count in Counter(names).items() if count > 1)
    for tag, body in re.findall(r"^struct (\w+) \{\n(.*?)^\};", text, re.MULTILINE | re.DOTALL):
        outer = re.sub(r"^    struct \{.*?^    \} ", "    struct ", body, flags=re.MULTILINE | re.DOTALL)
        members = re.findall(r"^    (?:const )?\w+ \*?(\w+)(?:\[\w+\])?;", outer, re.MULTILINE)
        yield from ((f"a member of {tag}", name) for name, count in Counter(members).items() if count > 1)
