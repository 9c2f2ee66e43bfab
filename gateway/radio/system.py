"""The operating system's own Bluetooth, through the backend that bleak chooses."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import Self

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice

from gateway.model.events import Connected
from gateway.radio.seam import Seen


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

    def client(self, device: BLEDevice, lost: Callable[[], None]) -> BleakClient:
        return BleakClient(device, disconnected_callback=lambda _: lost())

    def link_facts(self, client: BleakClient) -> Connected:
        return Connected(backend=str(client.backend_id))

    def loss_reason(self, client: BleakClient) -> str:
        return ""
