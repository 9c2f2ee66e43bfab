"""The command that opens the door for browsers: serve."""

from __future__ import annotations

import asyncio
import os
import secrets
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import say
from gateway.model.errors import InputError

TOKEN = "GATTEST_TOKEN"  # noqa: S105  the name of the variable that holds it
_LOOPBACK = ("127.0.0.1", "::1", "localhost")


def serve(
    logs: Annotated[list[Path], typer.Argument(help="Logs, being written or finished, or folders of them.")],
    port: Annotated[int, typer.Option(min=1, max=65535, help="TCP port to listen on.")] = 8470,
    listen: Annotated[
        str,
        typer.Option(
            help=f"Address to listen on. Beyond this machine a token is asked for: {TOKEN}, or one made for this time."
        ),
    ] = "127.0.0.1",
) -> None:
    """Show runs in a browser while they go on: nodes, requirements, plots, events; notes can be written down. It only
    reads; Ctrl-C ends it."""
    from gateway.log.reader import Log
    from gateway.web import Site
    from gateway.web import serve as answer

    for path in logs:
        if not path.is_dir():
            with Log(path):  # told here rather than in the browser
                pass
    token = "" if listen in _LOOPBACK else os.environ.get(TOKEN) or secrets.token_urlsafe(16)
    shown = f"[{listen}]" if ":" in listen else listen
    names = {shown, *(("127.0.0.1", "localhost", "[::1]") if listen in _LOOPBACK else ())}
    site = Site(logs, [f"{name}:{port}" for name in names] + (sorted(names) if port == 80 else []), token)

    def ready() -> None:
        say(f"Open http://{shown}:{port}/{f'?token={token}' if token else ''} in a browser; Ctrl-C ends it")
        if token:
            say("Whoever has this address sees all these logs; it is not encrypted on its way")

    try:
        asyncio.run(answer(site, listen, port, ready))
    except* (OSError, SystemExit) as group:
        why = next((one.strerror for one in group.exceptions if isinstance(one, OSError) and one.strerror), "")
        raise InputError(
            f"{shown}:{port} can't be listened on{f': {why}' if why else ''}; use another --port or --listen"
        ) from None
