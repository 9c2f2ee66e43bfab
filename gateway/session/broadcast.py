"""A node that is listened to: what it advertises, handed to the sink as it comes. A node all of whose values are
advertised is never connected to: listening is all its life."""

from __future__ import annotations

import asyncio

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.config import NodeConfig
from gateway.host.clock import Clock
from gateway.model.link import LinkState
from gateway.model.records import Frame, Sink
from gateway.plugin.hearing import HEARD_EVERY_S, Hearing, Records
from gateway.plugin.model import Broadcast
from gateway.session.seek import matches, rssi_of


class Listener:
    """Takes what one node advertises.

    Args:
        node: which, and what its plugin says is advertised.
        sink: takes frames and events.
        clock: stamps them.

    Attributes:
        alone: whether the node is never connected to.
    """

    unfit = ""

    def __init__(self, node: NodeConfig, sink: Sink, clock: Clock) -> None:
        self.node = node
        self.state = LinkState()
        self._hearing = Hearing(node.name, node.plugin)
        self.alone = self._hearing.alone
        self._sink, self._clock = sink, clock

    def scanning(self, on: bool) -> None:
        """A scan began, or ended."""
        self._tell(self._hearing.scanning(on, self._clock.now_ns()))

    def linked(self, on: bool) -> None:
        """The node was connected to, or its link ended."""
        self._tell(self._hearing.linked(on, self._clock.now_ns()))

    def take(self, device: BLEDevice, heard: AdvertisementData) -> None:
        """Take an advertisement, if it is this node's."""
        hearing = self._hearing
        if not hearing.listening or not (device.address == hearing.address or matches(self.node, device, heard)):
            return
        parts = [(Broadcast(company, ""), raw) for company, raw in heard.manufacturer_data.items()]
        parts += [(Broadcast(None, uuid), raw) for uuid, raw in heard.service_data.items()]
        name = heard.local_name or device.name or ""
        self._tell(hearing.take(self._clock.now_ns(), device.address, name, rssi_of(heard), parts))

    async def run(self) -> None:
        """Tell what was heard now and then, until cancelled."""
        try:
            while True:
                await asyncio.sleep(HEARD_EVERY_S)
                self._tell(self._hearing.heard(self._clock.now_ns()))
        finally:
            self._tell(self._hearing.heard(self._clock.now_ns()))

    def _tell(self, records: Records) -> None:
        for record in records:
            if isinstance(record, Frame):
                self._sink.frame(record)
            else:
                self.state = self.state.after(record) if self.alone else self.state
                self._sink.event(record)
