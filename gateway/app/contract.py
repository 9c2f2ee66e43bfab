"""What a plugin declares, written for others: C for the firmware, a table for people, JSON Schema for machines."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from gateway.host.files import make_folder, refuse_existing, write_file
from gateway.plugin import Plugin
from gateway.plugin.contract import GENERATED, c_files, markdown, schema

Form = Literal["c", "markdown", "json"]


def contract(plugin: Plugin, form: Form) -> dict[str, str]:
    """The files of a contract by their names: C99 with test vectors, Markdown, or JSON Schema."""
    if form == "c":
        return c_files(plugin)
    if form == "markdown":
        return {f"{plugin.kind}.md": markdown(plugin)}
    return {f"{plugin.kind}.json": schema(plugin) + "\n"}


def write_contract(plugin: Plugin, form: Form, folder: Path, force: bool = False) -> list[Path]:
    """Write the files of a contract into a folder; which they are.

    Args:
        force: overwrite files that were not made here.

    Raises:
        InputError: there is such a file, or one can't be written.
    """
    make_folder(folder, "-o")
    files = {folder / name: text for name, text in contract(plugin, form).items()}
    for path in files:
        refuse_existing(path, force, GENERATED.encode())
    for path, text in files.items():
        write_file(path, text)
    return list(files)
