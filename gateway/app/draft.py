"""A plugin drafted from a node: one on the air, in a capture or in a log."""

from __future__ import annotations

import asyncio
from pathlib import Path

from gateway.app.verify.audit import live_table, tables_of
from gateway.host.files import refuse_existing
from gateway.model.errors import InputError
from gateway.model.radios import RadioName
from gateway.plugin import KIND
from gateway.plugin.draft import draft_plugin

_MOST_NAMED = 20


async def draft(
    kind: str,
    source: str,
    into: Path = Path("plugins"),
    node: str | None = None,
    radio: RadioName = RadioName.SYSTEM,
    seconds: float = 5.0,
    force: bool = False,
) -> Path:
    """Write a plugin that says what was seen of a node, with comments on what is not known; where it is.

    Args:
        kind: what this kind of node is to be called.
        source: a capture, a log, or the name or address of a node on the air.
        into: the folder that holds plugins.
        node: which node of a capture or a log that holds several.
        radio: where a node on the air is looked for.
        seconds: how long it is listened to.
        force: overwrite a plugin that is there.

    Raises:
        InputError: nothing was seen of such a node, the name can't be a kind, or the plugin is there.
        AdapterError: Bluetooth can't be used.
    """
    if not KIND.fullmatch(kind):
        raise InputError(f"{kind!r} can't be a kind of node: lower-case letters, digits and -, at most 40")
    path = into / kind / "plugin.toml"
    refuse_existing(path, force)
    found = await asyncio.to_thread(tables_of, Path(source), node, advertisers=True)
    tables = found[0] if found is not None else [await live_table(source, None, radio, seconds)]
    served = [table for table in tables if any(service.characteristics for service in table.services)]
    for table in served:  # of a node without a name, what its address advertised stands apart
        apart = (one.advertised for one in tables if one.who == table.who and one.advertised is not None)
        table.advertised = table.advertised or next(apart, None)
    tables = served or [table for table in tables if table.advertised is not None and table.advertised.values]
    if len(tables) != 1:
        names = ", ".join(table.who for table in tables[:_MOST_NAMED]) or "none"
        more = f" and {len(tables) - _MOST_NAMED} more" if len(tables) > _MOST_NAMED else ""
        shows = f"shows the values of {names}{more}"
        raise InputError(f"{source} {shows}; one node is needed: give it with --node")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(draft_plugin(kind, tables[0], Path(source).name), "utf-8")
    except OSError as error:
        raise InputError(f"{path} can't be written: {error.strerror}; choose another folder with --into") from None
    return path
