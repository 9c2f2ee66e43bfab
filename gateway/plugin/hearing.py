"""What is heard of what one node advertises, as records: each new value becomes a frame, and now and then it is told
how many advertisements were heard and how strong. The same for who listens now and for a capture of it."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import fmean

from gateway.model import events
from gateway.model.records import Frame
from gateway.plugin.model import Broadcast, Plugin

HEARD_EVERY_S = 30.0
Records = list[Frame | events.LinkEvent]


class Hearing:
    """A node being listened to; all times nanoseconds UTC.

    Args:
        name: of the node.
        plugin: what it is.

    Attributes:
        alone: whether it is never connected to.
        listening: whether it would be heard now.
        address: where it was heard last, "" before.
    """

    def __init__(self, name: str, plugin: Plugin) -> None:
        self.alone = not plugin.served
        self.listening = False
        self.address = ""
        self._name, self._plugin = name, plugin
        self._scanning = self._linked = False
        self._before: dict[str, bytes] = {}
        self._dbm: list[float] = []
        self._advertisements = self._repeated = 0

    def scanning(self, on: bool, t_ns: int) -> Records:
        """A scan began, or ended."""
        self._scanning = on
        return self._listen(t_ns)

    def linked(self, on: bool, t_ns: int) -> Records:
        """The node was connected to, or its link ended."""
        self._linked = on
        return self._listen(t_ns)

    def _listen(self, t_ns: int) -> Records:
        on = self._scanning and not self._linked
        if on == self.listening:
            return []
        self.listening = on
        return [self._event(t_ns, events.Listening(on=on, alone=self.alone))]

    def take(
        self, t_ns: int, address: str, name: str, rssi_dbm: float | None, parts: Iterable[tuple[Broadcast, bytes]]
    ) -> Records:
        """Take an advertisement of the node.

        Args:
            name: that it advertises, "" where that is not known.
            rssi_dbm: None where the recorder does not tell.
            parts: manufacturer and service data in it.
        """
        found: Records = []
        if address != self.address:
            self.address = address
            found.append(self._event(t_ns, events.Found(address=address, name=name, rssi_dbm=rssi_dbm)))
        plugin = self._plugin
        ours = [(plugin.named(plugin.broadcasts[part], raw), raw) for part, raw in parts if part in plugin.broadcasts]
        if not ours:
            return found
        self._advertisements += 1
        if rssi_dbm is not None:
            self._dbm.append(rssi_dbm)
        for channel, raw in ours:
            counted = plugin.characteristics[channel].layout.with_role("sequence") is not None
            if counted and self._before.get(channel) == raw:
                self._repeated += 1
                continue
            self._before[channel] = raw
            found.append(Frame(t_ns, self._name, channel, raw))
        return found

    def heard(self, t_ns: int) -> Records:
        """How many advertisements were heard since this was asked last, and how strong."""
        dbm, count, repeated = self._dbm, self._advertisements, self._repeated
        self._dbm, self._advertisements, self._repeated = [], 0, 0
        if not count:
            return []
        told = events.Heard(
            rssi_dbm=round(fmean(dbm), 1) if dbm else None,
            weakest_dbm=min(dbm, default=None),
            advertisements=count,
            repeated=repeated,
        )
        return [self._event(t_ns, told)]

    def _event(self, t_ns: int, detail: events.Detail) -> events.LinkEvent:
        return events.LinkEvent(t_ns, self._name, detail)
