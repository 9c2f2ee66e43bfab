"""Listen for what advertises nearby."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.app.air import make_twins
from gateway.config import RunConfig
from gateway.radio import open_radio
from gateway.session.deadline import REQUEST_S, within
from gateway.session.seek import check_adapter


@dataclass(frozen=True, slots=True)
class Advertiser:
    """A node that advertised; the strongest signal in dBm, and how many advertisements were received."""

    address: str
    name: str
    rssi_dbm: int
    count: int
    services: tuple[str, ...]


async def scan(config: RunConfig, seconds: float) -> list[Advertiser]:
    """The nodes that advertise, strongest first.

    Args:
        config: whose radio to use, and whose simulated nodes to put on it where it is virtual.
        seconds: how long to listen.

    Raises:
        AdapterError: Bluetooth can't be used.
    """
    heard: dict[str, Advertiser] = {}

    def seen(device: BLEDevice, data: AdvertisementData) -> None:
        before = heard.get(device.address)
        heard[device.address] = Advertiser(
            device.address,
            data.local_name or device.name or (before.name if before else ""),
            max(data.rssi, before.rssi_dbm) if before else data.rssi,
            before.count + 1 if before else 1,
            tuple(sorted({*data.service_uuids, *(before.services if before else ())})),
        )

    async with open_radio(config.radio, config.air, config.transport) as radio:
        await check_adapter(radio)
        twins = make_twins(config, radio).values()
        async with asyncio.TaskGroup() as group:
            helpers = [group.create_task(twin.run(), name="simulated node") for twin in twins]
            scanner = radio.scanner(seen)
            await within(REQUEST_S, "starting a scan", scanner.start())
            await asyncio.sleep(seconds)
            await within(REQUEST_S, "stopping the scan", scanner.stop())
            for helper in helpers:
                helper.cancel()
    return sorted(heard.values(), key=lambda node: -node.rssi_dbm)
