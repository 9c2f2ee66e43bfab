"""Prove a node's firmware: find it on the air, in a capture or in a log, and hold it against its plugin."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from gateway.audit import Audit, audit_table
from gateway.capture.discovery import tables_in
from gateway.capture.record import Trouble
from gateway.config import AirConfig, TwinConfig
from gateway.errors import InputError
from gateway.gatt import FoundTable
from gateway.log.reader import Log
from gateway.plugin import Plugin
from gateway.radio import Radio
from gateway.records import EventKind
from gateway.session.walk import look_for, walk

if TYPE_CHECKING:
    from bumble.device import Connection

_OPENING_S = 10.0
_HEARING_S = 1.0
_VALUES_OF_A_LOG = 200
TWIN_ADDRESS = "C2:00:00:00:00:01"


async def audit_live(
    who: str, plugin: Plugin | None, radio: Literal["system", "virtual"], seconds: float, served: Plugin | None = None
) -> Audit:
    """Audit a node on the air.

    Args:
        who: its name or address.
        radio: which; on the virtual air a simulated node of the plugin is there to be audited.
        seconds: how long to listen, first to what it advertises, then to what it sends.
        served: what the simulated node is made from instead of the plugin.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: a virtual air without a plugin.
    """
    async with air(who, served or plugin, radio) as opened:
        device, heard = await look_for(opened, who, seconds)
        if device is None:
            table = FoundTable(who, unseen=[f"anything: nothing called {who} was heard within {seconds:g} s"])
        else:
            table = await walk(opened, device, who, seconds)
            table.advertised = heard
        return audit_table(table, plugin)


def audit_capture(path: Path, plugin: Plugin | None, who: str | None) -> tuple[list[Audit], list[str]]:
    """Audit the nodes whose discovery is in a foreign capture; and what of it could not be read, a line each.

    Args:
        who: only the node of this name or address.

    Raises:
        InputError: the file can't be read, or holds no such discovery.
    """
    trouble = Trouble()
    tables = tables_in(path, trouble)
    if plugin is not None:  # a phone is a server, too
        own = {item.uuid for item in plugin.characteristics.values()}
        tables = [table for table in tables if own & {item.uuid for _, item in table.characteristics}] or tables
    chosen = [table for table in tables if who in (None, table.who)]
    if not chosen:
        names = ", ".join(table.who for table in tables) or "none"
        raise InputError(f"{path} shows no discovery of {who or 'any node'}; there are {names}")
    return [audit_table(table, plugin) for table in chosen], list(trouble.lines())


def audit_log(path: Path, plugin: Plugin | None, who: str | None) -> list[Audit]:
    """Audit the nodes of a log's newest run by the tables that were found on connecting, and the values that came.

    Raises:
        LogFileError: the log can't be used.
        InputError: it holds no such node, or no table of it.
    """
    audits = []
    with Log(path) as log, log.damage_told():
        run = log.run()
        for node in run.chosen([who] if who else [], []):
            found = [event.detail for event in log.events(run, node) if event.kind is EventKind.TABLE]
            if not found:
                continue
            table = FoundTable.of_facts(node.name, found[-1])
            table.unseen.append("descriptors and settings, which a run does not read")
            by_uuid = {item.uuid: item for _, item in table.characteristics}
            for channel in node.channels:
                item = by_uuid.get(log.uuid_of(channel))
                newest = log.newest(run, channel.relation, "raw", node.name, _VALUES_OF_A_LOG)
                if item is not None:
                    item.pushed += [("notify" in item.properties, bytes.fromhex(raw)) for (raw,) in newest]
            audits.append(audit_table(table, plugin))
    if not audits:
        raise InputError(f"{path} holds no table of a node; a log of a run by this version does")
    return audits


@asynccontextmanager
async def air(who: str, plugin: Plugin | None, radio: Literal["system", "virtual"]) -> AsyncIterator[Radio]:
    """A radio, with a simulated node of the plugin in reach where it is the virtual one.

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
    from gateway.radio.virtual import VirtualRadio, make_host
    from gateway.twin import Twin

    config = AirConfig()
    async with VirtualRadio(config) as virtual:
        device, _ = make_host(virtual.air, who, TWIN_ADDRESS)
        twin = Twin(plugin, who, TwinConfig(TWIN_ADDRESS), device, config.seed)
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


async def serve(plugin: Plugin, name: str, controller: str, tell: Callable[[str], None]) -> None:
    """Put a simulated node on the air through a controller that speaks HCI, until cancelled.

    Args:
        name: what it advertises.
        controller: how bumble is to reach the controller, such as ``usb:0`` or ``serial:/dev/ttyACM0,1000000``.
        tell: called with a line for people when somebody comes or goes.

    Raises:
        InputError: the controller can't be reached.
    """
    from bumble.device import Device, DeviceConfiguration
    from bumble.hci import Address
    from bumble.host import Host
    from bumble.transport import open_transport

    from gateway.twin import Twin

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
        twin = Twin(plugin, name, TwinConfig(TWIN_ADDRESS), device, 1)
        tell(f"{name} is on the air as {TWIN_ADDRESS}, a simulated {plugin.kind}; Ctrl-C ends it")
        await twin.run()


def _watch(link: Connection, tell: Callable[[str], None]) -> None:
    tell(f"linked by {link.peer_address}")
    link.on("disconnection", lambda _: tell(f"{link.peer_address} is gone"))
