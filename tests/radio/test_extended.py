"""Extended advertisements, heard by a scanner on a controller that can: bumble's own, with a host that advertises."""

from __future__ import annotations

import asyncio

from bleak.backends.scanner import AdvertisementData
from bumble import hci
from bumble.controller import Controller
from bumble.core import AdvertisingData
from bumble.device import AdvertisingEventProperties, AdvertisingParameters, Device
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

from gateway.radio.stack import StackScanner

VALUE = bytes(range(150))


def device(name: str, link: LocalLink, address: str) -> Device:
    controller = Controller(name, link=link)
    return Device(name, address=hci.Address(address), host=Host(controller, AsyncPipeSink(controller)))


async def heard() -> AdvertisementData:
    """What a scanner hears of a node that advertises 150 bytes, in a moment."""
    link = LocalLink()
    host = device("host", link, "F0:00:00:00:00:01")
    node = device("node", link, "F0:00:00:00:00:02")
    await host.power_on()
    await node.power_on()
    found: asyncio.Queue[AdvertisementData] = asyncio.Queue()
    scanner = StackScanner(lambda _, data: found.put_nowait(data), None, "passive", host=host)
    await scanner.start()
    data = AdvertisingData([(AdvertisingData.MANUFACTURER_SPECIFIC_DATA, b"\xff\xff" + VALUE)])
    await node.create_advertising_set(
        advertising_parameters=AdvertisingParameters(
            advertising_event_properties=AdvertisingEventProperties(is_connectable=False, is_scannable=False),
            primary_advertising_interval_min=20, primary_advertising_interval_max=20,
        ),
        advertising_data=bytes(data),
    )  # fmt: skip
    async with asyncio.timeout(5):
        first = await found.get()
    await scanner.stop()
    return first


def test_a_controller_that_hears_extended_advertisements_is_asked_for_them() -> None:
    found = asyncio.run(heard())
    assert found.manufacturer_data == {0xFFFF: VALUE} and found.rssi == -50
