"""One scan for all the nodes that are away. Scanning and connecting take turns through the gate, because
some stacks can't do both; a scan ends as soon as a node is seen, so that it can be connected to."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.config import NodeConfig
from gateway.model.errors import AdapterError, RadioError
from gateway.radio import Radio
from gateway.session.deadline import within

SCAN_SLICE_S = 10.0
START_S = 10.0
RETRY_S = 5.0
STALE_RSSI_DBM = -127  # a remembered entry, not one just heard
_UNKNOWN_RSSI = 127  # of a controller that does not tell: Core Specification, Vol 4, Part E, 7.7.65.2


@dataclass(frozen=True, slots=True)
class Sighting:
    """A node as it was seen on the air, or as the system has a link with it already: then without a signal strength, in
    dBm."""

    device: BLEDevice
    name: str
    rssi_dbm: int | None


def matches(node: NodeConfig, device: BLEDevice, heard: AdvertisementData) -> bool:
    """Whether an advertisement is this node's."""
    if node.find_address is not None:
        return _same(device, node)
    return node.find_name in (heard.local_name, device.name)


def rssi_of(heard: AdvertisementData) -> int | None:
    """The signal strength of an advertisement, dBm; None where the controller does not tell."""
    return None if heard.rssi == _UNKNOWN_RSSI else heard.rssi


def _same(device: BLEDevice, node: NodeConfig) -> bool:
    return device.address.upper() == node.find_address


async def check_adapter(radio: Radio) -> None:
    """Start and stop a scan.

    Raises:
        AdapterError: that did not work; the text says why and what to do.
    """
    scanner = radio.scanner(lambda device, heard: None)
    try:
        await within(START_S, "starting a scan", scanner.start())
        await within(START_S, "stopping the scan", scanner.stop())
    except RadioError as error:
        raise AdapterError(
            f"Bluetooth can't be used: {error}; check that there is an adapter, that it is on and that this "
            "user may use it, or try the virtual air with --radio virtual"
        ) from error


class AdvertisementSink(Protocol):
    """Takes all that a scan hears."""

    def take(self, device: BLEDevice, heard: AdvertisementData) -> None:
        """Take one of whatever node."""

    def scanning(self, on: bool) -> None:
        """A scan began, or ended."""


class Seeker:
    """Scans while somebody waits for a node, or listens.

    Args:
        radio: where scanners come from.
        gate: held while scanning; whoever connects holds it too.
        trouble: told when the scan itself fails.
        on_second: told of an address that advertises the name of a node which is connected at another.

    Attributes:
        linked: the nodes that are connected, by their address.
    """

    def __init__(
        self,
        radio: Radio,
        gate: asyncio.Lock,
        trouble: Callable[[str], None],
        on_second: Callable[[NodeConfig, str, str], None],
    ) -> None:
        self.linked: dict[str, NodeConfig] = {}
        self._on_second = on_second
        self._seconds: set[tuple[str, str]] = set()  # told of already
        self._radio = radio
        self._gate = gate
        self._trouble = trouble
        self._waiting: dict[str, tuple[NodeConfig, asyncio.Future[Sighting]]] = {}
        self._sinks: list[AdvertisementSink] = []
        self._scanning = False
        self._wanted = asyncio.Event()
        self._sighted = asyncio.Event()

    async def find(self, node: NodeConfig) -> Sighting:
        """Wait until the node is seen."""
        future: asyncio.Future[Sighting] = asyncio.get_running_loop().create_future()
        self._waiting[node.name] = (node, future)
        self._wanted.set()
        try:
            return await future
        finally:
            self._waiting.pop(node.name, None)

    def pass_on(self, sink: AdvertisementSink) -> None:
        """Pass on all that is heard from now on, and scan all the time for that."""
        self._sinks.append(sink)
        sink.scanning(self._scanning)
        self._wanted.set()

    async def run(self) -> None:
        """Scan whenever somebody waits or listens, until cancelled."""
        while True:
            await self._wanted.wait()
            try:
                async with self._gate:
                    await self._scan()
                await asyncio.sleep(0)  # whoever was found takes the gate first
            except RadioError as error:
                self._trouble(str(error))
                await asyncio.sleep(RETRY_S)
            if not self._waiting and not self._sinks:
                self._wanted.clear()

    async def _scan(self) -> None:
        if all(future.done() for _, future in self._waiting.values()) and not self._sinks:
            return
        self._sighted.clear()
        await self._ask_connected()
        if self._sighted.is_set():
            return
        scanner = self._radio.scanner(self._seen)
        try:
            await within(START_S, "starting a scan", scanner.start())
        except RadioError:
            with contextlib.suppress(RadioError):  # what is left of a start that failed
                await within(START_S, "stopping the scan", scanner.stop())
            raise
        try:
            self._tell_scanning(True)
            while not self._sighted.is_set():
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(SCAN_SLICE_S):
                        await self._sighted.wait()
                if not self._sinks:
                    break
                await self._ask_connected()  # what is listened to goes on meanwhile
        finally:
            self._tell_scanning(False)
            await within(START_S, "stopping the scan", scanner.stop())

    def _tell_scanning(self, on: bool) -> None:
        self._scanning = on
        for sink in self._sinks:
            sink.scanning(on)

    async def _ask_connected(self) -> None:
        """See whether the system has a link with a node that is waited for: of a run that was killed, or of another
        program. Such a node does not advertise."""
        waiting = [(node, future) for node, future in self._waiting.values() if not future.done()]
        if not waiting:
            return
        services = sorted({one.service for node, _ in waiting for one in node.plugin.served.values()})
        with contextlib.suppress(RadioError):  # then the scan tells what is wrong
            for device in await within(START_S, "asking for connected nodes", self._radio.connected(services)):
                for node, future in waiting:
                    mine = device.name == node.find_name if node.find_address is None else _same(device, node)
                    if mine and not future.done() and device.address not in self.linked:
                        future.set_result(Sighting(device, device.name or "", None))
                        self._sighted.set()

    def _seen(self, device: BLEDevice, heard: AdvertisementData) -> None:
        if heard.rssi == STALE_RSSI_DBM:
            return
        for sink in self._sinks:
            sink.take(device, heard)
        for address, node in self.linked.items():
            second = node.find_address is None and device.address != address and matches(node, device, heard)
            if second and (node.name, device.address) not in self._seconds:
                self._seconds.add((node.name, device.address))
                self._on_second(node, address, device.address)
        for node, future in list(self._waiting.values()):
            if not future.done() and matches(node, device, heard):
                future.set_result(Sighting(device, heard.local_name or device.name or "", rssi_of(heard)))
                self._sighted.set()
