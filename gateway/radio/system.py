"""The operating system's own Bluetooth, through the backend that bleak chooses, and what is to be known of each."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from types import TracebackType
from typing import Any, Self

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.backends import BleakBackend
from bleak.backends.device import BLEDevice

from gateway.model.events import Connected
from gateway.model.security import Pairing
from gateway.radio.seam import Seen

if sys.platform == "win32":  # a thread that some other package has set up for windows would deliver nothing
    sys.coinit_flags = 0
_LOOK_EVERY_S = 0.25
_MOST_LOOKS = 20
_ATT_HEADER = 3  # opcode and handle before the value: Core Specification, Vol 3, Part F, 3.4.7.1


class _SettledClient(BleakClient):
    """A client that has connected once two looks in a row at the services agree. BlueZ may report services as resolved
    up to 220 ms before it has exported them all; seen with BlueZ 5.66."""

    def __init__(self, device: BLEDevice, lost: Callable[[], None], pairing: Pairing | None) -> None:
        # Windows, too, keeps tables of yesterday, unless it is asked not to
        super().__init__(device, lambda _: lost(), winrt={"use_cached_services": False})
        self._device, self._pairing = device, pairing
        self.bonded = False  # before it was connected to
        self._agent = AsyncExitStack()

    async def connect(self, **kwargs: Any) -> None:
        if self._pairing is not None and self.backend_id is BleakBackend.BLUEZ_DBUS:
            self.bonded = await _bonded(self._device)
            from gateway.radio.agent import agent

            await self._agent.enter_async_context(agent(self._pairing))
        await super().connect(**kwargs)
        await self._settle()

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        async with self._agent:  # which has nothing to answer after this
            await super().pair(*args, **kwargs)

    async def disconnect(self) -> None:
        async with self._agent:
            await super().disconnect()

    async def _settle(self) -> None:
        backend: Any = self._backend  # bleak has no public way to look again
        if self.backend_id is not BleakBackend.BLUEZ_DBUS:
            return
        before = -1
        for _ in range(_MOST_LOOKS):
            now = len(self.services.characteristics) + len(self.services.descriptors)
            if now and now == before:
                return
            before = now
            await asyncio.sleep(_LOOK_EVERY_S)
            backend.services = None
            await backend._get_services()


class SystemRadio:
    """A `Radio` on the system's Bluetooth adapter."""

    name = "system"

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def scanner(self, seen: Seen) -> BleakScanner:
        return BleakScanner(detection_callback=seen)

    async def connected(self, services: Sequence[str]) -> list[BLEDevice]:
        try:
            return await (await BleakAdapter.get()).get_connected_devices(list(services))
        except NotImplementedError:
            return []

    def remembers(self, device: BLEDevice) -> bool:
        """BlueZ does, and goes on showing a table of yesterday until the device is removed."""
        return BleakClient(device).backend_id is BleakBackend.BLUEZ_DBUS and not _properties(device).get("Paired")

    async def bonded(self, device: BLEDevice) -> bool:
        return BleakClient(device).backend_id is BleakBackend.BLUEZ_DBUS and await _bonded(device)

    async def forget(self, device: BLEDevice) -> None:
        await BleakClient(device).unpair()

    def client(self, device: BLEDevice, lost: Callable[[], None], pairing: Pairing | None = None) -> BleakClient:
        return _SettledClient(device, lost, pairing)

    async def secure(self, client: BleakClient, device: BLEDevice, pairing: Pairing) -> bool:
        """BlueZ encrypts by itself once there is a bond, and macOS pairs when something is read that asks for it."""
        if client.backend_id is BleakBackend.CORE_BLUETOOTH:
            return False
        await client.pair()  # at once where there is a bond
        return not (isinstance(client, _SettledClient) and client.bonded)

    def att_mtu(self, client: BleakClient) -> int:
        """BlueZ tells what each characteristic takes without a response; bleak's ``mtu_size`` is a guess there."""
        if client.backend_id is not BleakBackend.BLUEZ_DBUS:
            return client.mtu_size
        sizes = [one.max_write_without_response_size for one in client.services.characteristics.values()]
        return max(sizes) + _ATT_HEADER if sizes else client.mtu_size

    def echoes_reads(self, client: BleakClient) -> bool:
        return client.backend_id is BleakBackend.BLUEZ_DBUS

    async def signal_dbm(self, client: BleakClient) -> int | None:
        return None

    def link_facts(self, client: BleakClient) -> Connected:
        return Connected(backend=str(client.backend_id), att_mtu_bytes=self.att_mtu(client))

    def loss_reason(self, client: BleakClient) -> str:
        return ""


async def _bonded(device: BLEDevice) -> bool:
    """Whether BlueZ holds a bond now; what a scan tells of that can be of before."""
    from bleak.backends.bluezdbus.manager import get_global_bluez_manager

    return (await get_global_bluez_manager()).is_paired(device.details["path"])


def _properties(device: BLEDevice) -> dict[str, Any]:
    """What BlueZ tells of a device."""
    details = device.details
    return details.get("props", {}) if isinstance(details, dict) else {}
