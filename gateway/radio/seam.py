"""What the session asks of a radio, whichever it is: bleak scanners and clients, and what is known of a link."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Protocol, Self

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.model.events import Connected
from gateway.model.security import Pairing

Seen = Callable[[BLEDevice, AdvertisementData], None]


class Radio(Protocol):
    """Where scanners and clients come from."""

    name: str

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def scanner(self, seen: Seen) -> BleakScanner:
        """A scanner that calls ``seen`` for every advertisement received while it is started."""
        ...

    async def connected(self, services: Sequence[str]) -> list[BLEDevice]:
        """Nodes with one of these services that the system has a link with already; such a node does not advertise."""
        ...

    def remembers(self, device: BLEDevice) -> bool:
        """Whether the system keeps a node's attribute table beyond a link, and can be made to `forget` it without a
        bond being lost."""
        ...

    async def bonded(self, device: BLEDevice) -> bool:
        """Whether the system holds a bond with a node, which only `forget` ends."""
        ...

    async def forget(self, device: BLEDevice) -> None:
        """Remove what the system remembers of a node, which is not connected."""
        ...

    def client(self, device: BLEDevice, lost: Callable[[], None], pairing: Pairing | None = None) -> BleakClient:
        """A client for a node that was seen; ``lost`` is called once when the link ends unasked. Some systems pair
        while they connect, with what ``pairing`` holds."""
        ...

    async def secure(self, client: BleakClient, device: BLEDevice, pairing: Pairing) -> bool:
        """Encrypt a link, and pair with the node where there is no bond yet; whether it was paired.

        Raises:
            NodeError: the node did not give what was asked for.
        """
        ...

    def att_mtu(self, client: BleakClient) -> int:
        """The ATT_MTU of a link, in bytes."""
        ...

    def echoes_reads(self, client: BleakClient) -> bool:
        """Whether what is read of a subscribed characteristic also comes as if it had been notified."""
        ...

    async def signal_dbm(self, client: BleakClient) -> int | None:
        """The signal strength of a link (RSSI), in dBm; None where the system does not tell."""
        ...

    def link_facts(self, client: BleakClient) -> Connected:
        """What is known of a link just made."""
        ...

    def loss_reason(self, client: BleakClient) -> str:
        """Why a link ended, in the words of the Core Specification; "" where the system does not tell."""
        ...
