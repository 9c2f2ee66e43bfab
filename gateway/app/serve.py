"""A simulated node put on the air through a controller, for those who begin an app before there is a board."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from gateway.config import FIRMWARE_FAULTS, Faults, TwinConfig
from gateway.model.errors import InputError
from gateway.plugin import Plugin

if TYPE_CHECKING:
    from bumble.device import Connection

TWIN_ADDRESS = "C2:00:00:00:00:01"
LONGEST_NAME = 26  # bytes: an advertisement holds 31, flags take 3 and the name's head 2
_OPENING_S = 10.0


async def serve(
    plugin: Plugin,
    controller: str,
    on_line: Callable[[str], None],
    name: str | None = None,
    faults: Collection[str] = (),
) -> None:
    """Put a simulated node on the air through a controller that speaks HCI, until cancelled.

    Args:
        controller: how bumble is to reach the controller, such as ``usb:0`` or ``serial:/dev/ttyACM0,1000000``.
        on_line: called with a line for people when somebody comes or goes.
        name: what it advertises; the kind in capitals by default.
        faults: what its firmware does wrong, of `FIRMWARE_FAULTS`.

    Raises:
        InputError: the controller can't be reached, there is no such fault, or the name is too long.
    """
    for fault in faults:
        if fault not in FIRMWARE_FAULTS:
            raise InputError(f"--fault {fault!r} is not known; use one of {', '.join(FIRMWARE_FAULTS)}")
    called = name if name is not None else plugin.kind.upper()
    if not 1 <= len(called.encode()) <= LONGEST_NAME:
        raise InputError(f"--name {called!r} does not fit an advertisement; use 1 to {LONGEST_NAME} bytes")
    from bumble.device import Device, DeviceConfiguration
    from bumble.hci import Address
    from bumble.host import Host
    from bumble.transport import open_transport

    from gateway.radio.twin import Twin

    try:
        async with asyncio.timeout(_OPENING_S):
            transport = await open_transport(controller)
    except Exception as error:  # whatever a driver raises: libusb, serial ports and sockets each have their own
        what = str(error) or type(error).__name__
        raise InputError(
            f"controller {controller!r} can't be opened: {what}; use for example usb:0 or "
            "serial:/dev/ttyACM0,1000000, and make sure that the system is not using it"
        ) from None
    async with transport:
        device = Device(
            config=DeviceConfiguration(name=called, address=Address(TWIN_ADDRESS)),
            host=Host(transport.source, transport.sink),
        )
        device.on("connection", lambda link: _watch(link, on_line))
        twin = Twin(plugin, called, TwinConfig(TWIN_ADDRESS, faults=Faults(firmware=tuple(faults))), device, 1)
        on_line(f"{called} is on the air as {TWIN_ADDRESS}, a simulated {plugin.kind}; Ctrl-C ends it")
        await twin.run()


def _watch(link: Connection, on_line: Callable[[str], None]) -> None:
    on_line(f"connected: {link.peer_address}")
    link.on("disconnection", lambda _: on_line(f"disconnected: {link.peer_address}"))
