"""A plugin as C99 that also compiles as C++17. Neither the machine's byte order nor the compiler's padding matters:
values go in and out a byte at a time."""

from __future__ import annotations

from gateway.plugin.contract.check import check
from gateway.plugin.contract.header import header
from gateway.plugin.contract.source import source
from gateway.plugin.model import Plugin


def c_files(plugin: Plugin) -> dict[str, str]:
    """The files by name: header, source, and test vectors with a function that checks them."""
    name = plugin.kind.replace("-", "_")
    files = {f"{name}.h": header, f"{name}.c": source, f"{name}_vectors.c": check}
    return {path: "\n".join(lines(name, plugin)) + "\n" for path, lines in files.items()}
