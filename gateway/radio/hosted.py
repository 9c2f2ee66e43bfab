"""What radios on a bumble host have in common: the bleak calls of the session go to a Bluetooth stack in this process,
which knows the parameters of its links and why they ended."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bumble.core import BaseError
from bumble.device import ConnectionParametersPreferences, Device
from bumble.hci import HCI_READ_RSSI_COMMAND

from gateway.config import AirConfig
from gateway.model.errors import NodeError, RadioError
from gateway.model.events import Connected
from gateway.model.security import Pairing, Security
from gateway.radio.pairing import Delegate, pairing_config
from gateway.radio.seam import Seen
from gateway.radio.stack import StackClient, StackScanner

_CONNECT_TIMEOUT_S = 10.0
_NO_SIGNAL = 127  # RSSI that can't be read: Core Specification, Vol 4, Part E, 7.5.4


class HostedRadio:
    """A radio on a host.

    Attributes:
        host: the stack, once the radio has been entered.
        fast: whether links are to use LE 2M.
    """

    host: Device
    fast = False

    def __init__(self, config: AirConfig) -> None:
        self._config = config

    def scanner(self, seen: Seen) -> BleakScanner:
        return BleakScanner(seen, backend=StackScanner, host=self.host)

    def client(self, device: BLEDevice, lost: Callable[[], None], pairing: Pairing | None = None) -> BleakClient:
        interval_ms = self._config.interval_ns / 1e6
        preferences = ConnectionParametersPreferences(
            connection_interval_min=interval_ms,
            connection_interval_max=interval_ms,
            max_latency=self._config.latency,
            supervision_timeout=self._config.supervision_ns // 1_000_000,
        )
        return BleakClient(
            device,
            lambda _: lost(),
            timeout=_CONNECT_TIMEOUT_S,
            backend=StackClient,
            host=self.host,
            preferences=preferences,
            fast=self.fast,
        )

    async def connected(self, services: Sequence[str]) -> list[BLEDevice]:
        return []

    def remembers(self, device: BLEDevice) -> bool:
        return False

    async def bonded(self, device: BLEDevice) -> bool:
        """It gives up a lost bond itself, see `secure`."""
        return False

    async def forget(self, device: BLEDevice) -> None:
        return None

    async def secure(self, client: BleakClient, device: BLEDevice, pairing: Pairing) -> bool:
        """A bond lives as long as the host; one that the node has lost is given up, so that the next link pairs."""
        backend = client._backend
        store = self.host.keystore
        if not isinstance(backend, StackClient) or store is None:
            raise NodeError("this radio can't pair")
        link = backend.link
        peer = str(link.peer_address)
        bonded = await store.get(peer) is not None
        if bonded:
            try:
                await link.encrypt()
            except BaseError as error:
                await store.delete(peer)
                raise RadioError(f"the node has lost its bond: {error}") from error
        else:
            self.host.pairing_config_factory = lambda _: pairing_config(pairing, Delegate.KEYBOARD_INPUT_ONLY)
            await client.pair()
        if pairing.security is Security.AUTHENTICATED and not link.authenticated:
            raise NodeError("the node paired without asking for its passkey, so the link is not authenticated")
        return not bonded

    def att_mtu(self, client: BleakClient) -> int:
        return client.mtu_size

    def echoes_reads(self, client: BleakClient) -> bool:
        return False

    async def signal_dbm(self, client: BleakClient) -> int | None:
        backend = client._backend
        if not isinstance(backend, StackClient) or not self.host.host.supports_command(HCI_READ_RSSI_COMMAND):
            return None
        found = int(await backend.link.get_rssi())
        return None if found == _NO_SIGNAL else found

    def link_facts(self, client: BleakClient) -> Connected:
        """As the controller has them, whatever was asked for."""
        backend = client._backend  # bleak has no other way to an own backend's facts
        if not isinstance(backend, StackClient):
            return Connected()
        found = backend.link.parameters
        return Connected(
            att_mtu_bytes=client.mtu_size,
            connection_interval_ms=found.connection_interval,
            peripheral_latency_events=found.peripheral_latency,
            supervision_timeout_ms=found.supervision_timeout,
            phy_mbit_per_s=backend.phy_mbit,
        )

    def loss_reason(self, client: BleakClient) -> str:
        backend = client._backend
        return backend.loss_reason if isinstance(backend, StackClient) else ""
