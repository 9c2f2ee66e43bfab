"""The one seam to Bluetooth. `Radio` hands out bleak scanners and clients; the session can't tell
whether they belong to the operating system (`system`) or to a virtual air in this process (`virtual`,
made of `air`, which plays the link layer, and `stack`, a bleak backend on a bumble host)."""

from __future__ import annotations

from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self, assert_never

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.model.events import Connected
from gateway.model.radios import RadioName

if TYPE_CHECKING:
    from gateway.config import AirConfig

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

    def client(self, device: BLEDevice, lost: Callable[[], None]) -> BleakClient:
        """A client for a node that was seen; ``lost`` is called once when the link ends unasked."""
        ...

    def link_facts(self, client: BleakClient) -> Connected:
        """What is known of a link just made."""
        ...

    def loss_reason(self, client: BleakClient) -> str:
        """Why a link ended, in the words of the Core Specification; "" where the system does not tell."""
        ...


def open_radio(name: RadioName, air: AirConfig) -> Radio:
    """The radio of a name, to be entered; each is imported only when it is used.

    Args:
        air: what a virtual one is like.
    """
    match name:
        case RadioName.SYSTEM:
            from gateway.radio.system import SystemRadio

            return SystemRadio()
        case RadioName.VIRTUAL:
            from gateway.radio.virtual import VirtualRadio

            return VirtualRadio(air)
        case _:
            assert_never(name)
