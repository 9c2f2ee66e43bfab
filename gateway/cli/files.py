"""Commands on plugins, run files and single values: check, decode, new."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import console_of, say
from gateway.model.errors import InputError


def check(paths: Annotated[list[Path], typer.Argument(help="Plugin folders, run files, or folders of them.")]) -> None:
    """Report everything that is wrong with plugins and run files, and check recorded streams."""
    from gateway.app.check import inspect

    results = [result for path in paths for result in inspect(path)]
    for result in results:
        for problem in result.problems:
            say(problem if problem.fatal else f"{problem} (a warning)")
        if not any(problem.fatal for problem in result.problems):
            say(f"{result.path}: good, {result.summary}")
    wrong = sum(problem.fatal for result in results for problem in result.problems)
    if wrong:
        raise InputError(f"{wrong} problem{'s' if wrong > 1 else ''} found")


def decode(
    plugin: Annotated[str, typer.Argument(help="A plugin's kind or folder, or 'adopted'.")],
    characteristic: Annotated[str, typer.Argument(help="Its name in the plugin, or an adopted number.")],
    hexdigits: Annotated[list[str], typer.Argument(metavar="HEX...", help="The bytes of one value; may be spaced.")],
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Decode one value by its declared layout."""
    import json
    import math

    from gateway.app.check import find_characteristic, parse_hex
    from gateway.model.errors import PayloadError
    from gateway.plugin.derive import read_all

    item = find_characteristic(plugin, characteristic)
    raw = parse_hex(hexdigits)
    try:
        readings = read_all(item, raw, {})
    except PayloadError as error:
        raise InputError(f"{error}; found {raw.hex(' ') or 'no bytes'}") from None
    if as_json:
        names = ("name", "raw", "value", "unit", "bit", "bits", "reason")
        rows = [{name: getattr(r, name) for name in names} for r in readings]
        for row in rows:
            if row["raw"] is not None and not math.isfinite(row["raw"]):
                row["raw"] = str(row["raw"])  # JSON has no NaN
        say(json.dumps(rows, indent=1))
        return
    from gateway.report.tables import reading_table

    console_of().print(reading_table(readings, raw))


def new_plugin(
    name: Annotated[str, typer.Argument(help="The kind of node, such as door-post.")],
    into: Annotated[Path, typer.Option(help="The folder that holds your plugins.")] = Path("plugins"),
) -> None:
    """Write a commented plugin that passes check, to be made your own."""
    from gateway.plugin.starter import write_plugin

    folder = write_plugin(name, into)
    say(f"{folder / 'plugin.toml'} written. Make it your own, then: gattest check {folder}")
