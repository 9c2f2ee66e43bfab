"""What a node advertises, as channels: each new value becomes a frame, and now and then it is told how many
advertisements were heard and how strong. A node all of whose values are advertised is never connected to: listening is
all its life."""

from __future__ import annotations

import asyncio
from statistics import fmean

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gateway.config import NodeConfig
from gateway.host.clock import Clock
from gateway.model import events
from gateway.model.link import LinkState
from gateway.model.records import Frame, Sink
from gateway.plugin.model import Broadcast
from gateway.session.seek import matches

HEARD_EVERY_S = 30.0


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
        self.alone = not node.plugin.served
        self.state = LinkState()
        self._sink, self._clock = sink, clock
        self._scanning = self._linked = self._listening = False
        self._address = ""
        self._before: dict[str, bytes] = {}
        self._dbm: list[int] = []
        self._repeated = 0

    def scanning(self, on: bool) -> None:
        """A scan began, or ended."""
        self._scanning = on
        self._listen()

    def linked(self, on: bool) -> None:
        """The node was connected to, or its link ended."""
        self._linked = on
        self._listen()

    def _listen(self) -> None:
        on = self._scanning and not self._linked
        if on != self._listening:
            self._listening = on
            self._tell(events.Listening(on=on, alone=self.alone))

    def take(self, device: BLEDevice, heard: AdvertisementData) -> None:
        """Take an advertisement, if it is this node's."""
        if not self._listening or not (device.address == self._address or matches(self.node, device, heard)):
            return
        t_ns = self._clock.now_ns()
        if device.address != self._address:
            self._address = device.address
            name = heard.local_name or device.name or ""
            self._tell(events.Found(address=device.address, name=name, rssi_dbm=heard.rssi), t_ns)
        parts = [(Broadcast(company, ""), raw) for company, raw in heard.manufacturer_data.items()]
        parts += [(Broadcast(None, uuid), raw) for uuid, raw in heard.service_data.items()]
        plugin = self.node.plugin
        ours = [(plugin.named(plugin.broadcasts[part], raw), raw) for part, raw in parts if part in plugin.broadcasts]
        if not ours:
            return
        self._dbm.append(heard.rssi)
        for channel, raw in ours:
            counted = plugin.characteristics[channel].layout.with_role("sequence") is not None
            if counted and self._before.get(channel) == raw:
                self._repeated += 1
                continue
            self._before[channel] = raw
            self._sink.frame(Frame(t_ns, self.node.name, channel, raw))

    async def run(self) -> None:
        """Tell what was heard now and then, until cancelled."""
        try:
            while True:
                await asyncio.sleep(HEARD_EVERY_S)
                self._tell_heard()
        finally:
            self._tell_heard()

    def _tell_heard(self) -> None:
        if not self._dbm:
            return
        told = events.Heard(
            rssi_dbm=round(fmean(self._dbm), 1),
            weakest_dbm=min(self._dbm),
            advertisements=len(self._dbm),
            repeated=self._repeated,
        )
        self._dbm, self._repeated = [], 0
        self._tell(told)

    def _tell(self, detail: events.Detail, t_ns: int | None = None) -> None:
        event = events.LinkEvent(self._clock.now_ns() if t_ns is None else t_ns, self.node.name, detail)
        self.state = self.state.after(event) if self.alone else self.state
        self._sink.event(event)
