"""The command that opens the door for browsers: serve."""

from __future__ import annotations

import asyncio
import os
import re
import secrets
import socket
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.shared import say
from gateway.model.errors import InputError

TOKEN = "GATTEST_TOKEN"  # noqa: S105  the name of the variable that holds it
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_EVERYWHERE = ("0.0.0.0", "::")  # noqa: S104  where they are told to


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
    if not re.fullmatch(r"[A-Za-z0-9._~-]*", token):
        raise InputError(f"{TOKEN} holds other characters than letters, digits and - . _ ~; use only those")
    try:
        family = socket.getaddrinfo(listen, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((listen, port), family=family)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"{listen}:{port} can't be listened on: {why}; use another --port or --listen") from None
    everywhere = listen in _EVERYWHERE
    address = _own_address() if everywhere else listen
    shown = f"[{address}]" if ":" in address else address
    names = {shown, *(("127.0.0.1", "localhost", "[::1]") if listen in _LOOPBACK else ())}
    hosts = [] if everywhere else [f"{name}:{port}" for name in names] + (sorted(names) if port == 80 else [])

    def ready() -> None:
        say(f"Open http://{shown}:{port}/{f'?token={token}' if token else ''} in a browser; Ctrl-C ends it")
        if token:
            say("Whoever has this address sees all these logs; it is not encrypted on its way")

    with listener:
        asyncio.run(answer(Site(logs, hosts, token), listener, ready))


def _own_address() -> str:
    """The address by which other machines reach this one; no packet is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # of a block for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()
