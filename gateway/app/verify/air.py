"""Where a node is reached that is to be proven: the system's radio, or a virtual one with a simulated node in reach;
and simulated nodes put on the air for others."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Literal

from gateway.config import AirConfig, Faults, TwinConfig
from gateway.model.errors import InputError
from gateway.plugin import Plugin
from gateway.radio import Radio

if TYPE_CHECKING:
    from bumble.device import Connection

_OPENING_S = 10.0
_HEARING_S = 1.0
TWIN_ADDRESS = "C2:00:00:00:00:01"
SOUND = Faults()


@asynccontextmanager
async def air(
    who: str, plugin: Plugin | None, radio: Literal["system", "virtual"], faults: Faults = SOUND
) -> AsyncIterator[Radio]:
    """A radio, with a simulated node of the plugin in reach where it is the virtual one.

    Args:
        faults: what the simulated node does wrong.

    Raises:
        InputError: a virtual air without a plugin.
    """
    if radio == "system":
        from gateway.radio.system import SystemRadio

        async with SystemRadio() as system:
            yield system
        return
    if plugin is None:
        raise InputError("a simulated node is made from a plugin; name it with --plugin")
    from gateway.radio.twin import Twin
    from gateway.radio.virtual import VirtualRadio, make_host

    config = AirConfig()
    async with VirtualRadio(config) as virtual:
        device, _ = make_host(virtual.air, who, TWIN_ADDRESS)
        twin = Twin(plugin, who, TwinConfig(TWIN_ADDRESS, faults=faults), device, config.seed)
        async with asyncio.TaskGroup() as group:
            task = group.create_task(twin.run(), name="simulated node")
            try:
                yield virtual
            finally:
                for link in list(device.connections.values()):
                    gone = asyncio.Event()
                    link.once("disconnection", lambda _, gone=gone: gone.set())
                    with contextlib.suppress(TimeoutError):  # the node hears of its end a connection event later
                        async with asyncio.timeout(_HEARING_S):
                            await gone.wait()
                task.cancel()


async def serve(
    plugin: Plugin, name: str, controller: str, tell: Callable[[str], None], wrong: Collection[str] = ()
) -> None:
    """Put a simulated node on the air through a controller that speaks HCI, until cancelled.

    Args:
        name: what it advertises.
        controller: how bumble is to reach the controller, such as ``usb:0`` or ``serial:/dev/ttyACM0,1000000``.
        tell: called with a line for people when somebody comes or goes.
        wrong: what its firmware does wrong, of `FIRMWARE_FAULTS`.

    Raises:
        InputError: the controller can't be reached.
    """
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
            f"controller {controller!r} can't be opened: {what}; write for example usb:0 or "
            "serial:/dev/ttyACM0,1000000, and see that the system does not use it itself"
        ) from None
    async with transport:
        device = Device(
            config=DeviceConfiguration(name=name, address=Address(TWIN_ADDRESS)),
            host=Host(transport.source, transport.sink),
        )
        device.on("connection", lambda link: _watch(link, tell))
        twin = Twin(plugin, name, TwinConfig(TWIN_ADDRESS, faults=Faults(firmware=tuple(wrong))), device, 1)
        tell(f"{name} is on the air as {TWIN_ADDRESS}, a simulated {plugin.kind}; Ctrl-C ends it")
        await twin.run()


def _watch(link: Connection, tell: Callable[[str], None]) -> None:
    tell(f"linked by {link.peer_address}")
    link.on("disconnection", lambda _: tell(f"{link.peer_address} is gone"))
