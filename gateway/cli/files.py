"""Commands on plugins, run files and single values: check, decode, new."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import Force, console_of, say
from gateway.model.errors import InputError


def check(paths: Annotated[list[Path], typer.Argument(help="Plugin folders, run files, or folders of them.")]) -> None:
    """Report all problems in plugins and run files, and check recorded streams."""
    from gateway.app.check import check as check_files

    results = [result for path in paths for result in check_files(path)]
    for result in results:
        for problem in result.problems:
            say(problem if problem.fatal else f"warning: {problem}")
        if not any(problem.fatal for problem in result.problems):
            say(f"{result.path}: OK, {result.summary}")
    wrong = sum(problem.fatal for result in results for problem in result.problems)
    if wrong:
        raise InputError(f"{wrong} problem{'s' if wrong > 1 else ''} found")


def decode(
    plugin: Annotated[str, typer.Argument(help="A plugin's kind or folder, or 'adopted'.")],
    characteristic: Annotated[
        str, typer.Argument(help="Its name in the plugin; of an adopted one its number or name, or list for all.")
    ],
    hexdigits: Annotated[
        list[str] | None, typer.Argument(metavar="[HEX...]", help="Bytes of one value; spaces are allowed.")
    ] = None,
    constant: Annotated[
        list[str] | None,
        typer.Option(help="What a constant of the node holds, such as cal.gain=1.03; may be repeated."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, for scripts.")] = False,
) -> None:
    """Decode one value with its declared layout."""
    from gateway.app.check import decode as decode_value
    from gateway.app.check import decode_start, parse_hex, read_constants, reserved_in
    from gateway.report.machine import readings_json
    from gateway.report.tables import reading_table

    if (plugin, characteristic) == ("adopted", "list") and not hexdigits:
        from gateway.plugin.standard.adopted import adopted_lines

        for line in adopted_lines():
            say(line)
        return
    raw = parse_hex(hexdigits or [])
    constants = read_constants(plugin, constant or ())
    try:
        readings = decode_value(plugin, characteristic, raw, constants)
    except InputError:
        if not as_json and (start := decode_start(plugin, characteristic, raw)):
            say("The start of it would be:")
            console_of().print(reading_table(start, raw))
        raise
    if as_json:
        say(readings_json(readings))
    else:
        console_of().print(reading_table(readings, raw))
        if reserved := reserved_in(plugin, characteristic, raw):
            say(f"Reserved bits are set: {reserved}.")


def new_plugin(
    name: Annotated[str, typer.Argument(help="The kind of node, such as door-post.")],
    into: Annotated[Path, typer.Option(help="The folder that holds your plugins.")] = Path("plugins"),
    source: Annotated[
        str | None, typer.Option("--from", help="Draft it from a capture, a log, or a node's name or address.")
    ] = None,
    node: Annotated[str | None, typer.Option(help="With --from: which node of a capture or a log.")] = None,
    force: Force = False,
) -> None:
    """Create a commented plugin that passes check, as a starting point for your own or from what was seen of a node."""
    if source is not None:
        import asyncio

        from gateway.app.draft import draft

        path = asyncio.run(draft(name, source, into, node, force=force))
        say(f"{path} drafted from {source}. Complete it, then run: gattest check {path.parent}")
        return
    if node is not None:
        raise InputError("--node says which node of a source to draft from; give the source with --from")
    from gateway.plugin.starter import write_plugin

    folder = write_plugin(name, into, force)
    say(f"{folder / 'plugin.toml'} written. Edit it, then run: gattest check {folder}")
