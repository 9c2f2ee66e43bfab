"""Walk a node's whole GATT table on a link: what there is, what can be read, what it sends when it is subscribed to.
Nothing is written but client configurations."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable
from functools import partial
from typing import TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.model.errors import AdapterError, RadioError, RefusedError
from gateway.model.gatt import Advertised, FoundCharacteristic, FoundDescriptor, FoundService, FoundTable
from gateway.model.security import Pairing
from gateway.radio import Radio
from gateway.session.deadline import REQUEST_S, disconnect, request, within
from gateway.session.pair import encrypt
from gateway.session.setup import Do

CONNECT_S = 20.0
STALE_RSSI_DBM = -127
_MOST_PUSHED = 20  # values kept of a characteristic
_MOST_GAPS = 1000
_EVERYWHERE = [f"0000{number}-0000-1000-8000-00805f9b34fb" for number in ("1800", "1801")]  # services of every node
T = TypeVar("T")


async def look_for(
    radio: Radio, who: str, seconds: float, until_heard: bool = False
) -> tuple[BLEDevice | None, Advertised]:
    """Listen for a node by its name or address; what it advertised meanwhile.

    Args:
        seconds: how long; a node that is not heard is waited for no longer.
        until_heard: listen no longer than until it is heard.

    Raises:
        AdapterError: Bluetooth can't be used.
    """
    heard = Advertised("", [])
    found: list[BLEDevice] = []
    last_s: list[float] = []
    there = asyncio.Event()
    loop = asyncio.get_running_loop()

    def seen(device: BLEDevice, data: AdvertisementData) -> None:
        name = data.local_name or device.name or ""
        if data.rssi == STALE_RSSI_DBM or (who not in (name, device.address) and who.upper() != device.address):
            return
        found[:] = [device]
        there.set()
        heard.name = name or heard.name
        heard.services += [uuid for uuid in data.service_uuids if uuid not in heard.services]
        for company, value in data.manufacturer_data.items():
            heard.heard(company, bytes(value))
        for service, value in data.service_data.items():
            heard.heard(service, bytes(value))
        if last_s and len(heard.gaps_s) < _MOST_GAPS:
            heard.gaps_s.append(loop.time() - last_s[0])
        last_s[:] = [loop.time()]

    scanner = radio.scanner(seen)
    try:
        await release(radio, who)
        await within(REQUEST_S, "starting a scan", scanner.start())
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await (there if until_heard else asyncio.Event()).wait()
        await within(REQUEST_S, "stopping the scan", scanner.stop())
    except RadioError as error:
        raise AdapterError(f"Bluetooth can't be used: {error}; check the adapter, or try --radio virtual") from error
    return (found[0] if found else None), heard


async def release(radio: Radio, who: str) -> bool:
    """End a link that the system has with a node already, of a run that was killed or of another program, so that it
    advertises again; whether there was one."""
    for device in await within(REQUEST_S, "asking for connected nodes", radio.connected(_EVERYWHERE)):
        if who in (device.name, device.address) or who.upper() == device.address.upper():
            client = radio.client(device, lambda: None)
            await within(CONNECT_S, "taking over a link", client.connect())
            await disconnect(client)
            return True
    return False


async def forget(radio: Radio, device: BLEDevice) -> None:
    """Remove what the system remembers of a node that is not connected: its table, and a bond.

    Raises:
        RadioError: the system refused.
    """
    await within(REQUEST_S, "removing the node from the system", radio.forget(device))


async def discover(
    radio: Radio, device: BLEDevice, who: str, listen_s: float, pairing: Pairing | None = None
) -> FoundTable:
    """The table of a node; what could not be seen of it is in ``unseen``, and never raises.

    Args:
        listen_s: how long to listen once everything that notifies or indicates is subscribed to.
        pairing: what to pair with first; None to leave the link as it is.
    """
    table = FoundTable(who, live=True)
    lost = asyncio.Event()
    client = radio.client(device, lost.set, pairing)

    def do(what: str, work: Awaitable[T]) -> Awaitable[T]:
        return request(what, work, lost)

    try:
        await within(CONNECT_S, "connecting", client.connect(), lost)
        if pairing is not None:
            await encrypt(radio, client, device, pairing, lost)
        table.mtu = radio.att_mtu(client)
        targets = structure(client, table)
        for item, target in targets:
            await _read(client, item, target, do)
        for item, target in targets:
            if item.properties & {"notify", "indicate"}:
                await _subscribe(client, table, item, target, do)
        await within(listen_s + REQUEST_S, "listening", asyncio.sleep(listen_s), lost)
    except RadioError as error:
        table.unseen.append(f"the rest of the table: {error}")
    finally:
        if trouble := await disconnect(client):
            table.unseen.append(trouble)
    return table


def structure(client: BleakClient, table: FoundTable) -> list[tuple[FoundCharacteristic, BleakGATTCharacteristic]]:
    """Note what a linked node's table holds; its characteristics, each with what bleak calls it."""
    targets = []
    for service in sorted(client.services, key=lambda one: one.handle):  # BlueZ's are in no order
        own = FoundService(service.uuid, *_handles(service.obj))
        table.services.append(own)
        for target in sorted(service.characteristics, key=lambda one: one.handle):
            item = FoundCharacteristic(target.handle, target.uuid, frozenset(target.properties))
            item.descriptors += [FoundDescriptor(one.handle, one.uuid) for one in _in_order(target)]
            own.characteristics.append(item)
            targets.append((item, target))
    return targets


def _in_order(target: BleakGATTCharacteristic) -> list[BleakGATTDescriptor]:
    return sorted(target.descriptors, key=lambda one: one.handle)


def _handles(obj: object) -> tuple[int | None, int | None]:
    """The first and last handle of a service, where the stack below tells both."""
    first, last = getattr(obj, "handle", None), getattr(obj, "end_group_handle", None)
    return (first, last) if isinstance(first, int) and isinstance(last, int) else (None, None)


async def _read(client: BleakClient, item: FoundCharacteristic, target: BleakGATTCharacteristic, do: Do) -> None:
    if "read" in item.properties:
        try:
            item.read.append(bytes(await do(f"reading {item.uuid}", client.read_gatt_char(target))))
        except RefusedError as error:
            item.refused = _refusal(error)
    for descriptor, one in zip(item.descriptors, _in_order(target), strict=True):
        try:
            descriptor.raw = bytes(await do(f"reading a descriptor of {item.uuid}", client.read_gatt_descriptor(one)))
        except RefusedError as error:
            descriptor.refused = _refusal(error)


def _refusal(error: RefusedError) -> str:
    code = error.__cause__.args[0] if error.__cause__ is not None and error.__cause__.args else None
    return f"ATT error 0x{int(code):02X}" if isinstance(code, int) else str(error)


async def _subscribe(
    client: BleakClient, table: FoundTable, item: FoundCharacteristic, target: BleakGATTCharacteristic, do: Do
) -> None:
    notified = "notify" in item.properties

    def take(kept: list[tuple[bool, bytes]], _: object, data: bytearray) -> None:
        if len(kept) < _MOST_PUSHED:
            kept.append((notified, bytes(data)))

    try:
        await do(f"subscribing to {item.uuid}", client.start_notify(target, partial(take, item.pushed)))
    except RefusedError as error:
        item.not_subscribed = _refusal(error)
    except RadioError as error:
        if not client.is_connected:
            raise
        if any(one.uuid.startswith("00002902") for one in item.descriptors):  # without it a rule of its own speaks
            table.unseen.append(f"values of {item.uuid}: {error}")
