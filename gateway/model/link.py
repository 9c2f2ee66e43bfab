"""What state a link is in: one reducer over events, for whoever shows, measures, replays or publishes it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from gateway.model.events import EventKind, LinkEvent, Listening


class State(StrEnum):
    """What a node is doing, for people."""

    SEARCHING = "searching"
    CONNECTING = "connecting"
    SETTING_UP = "setting up"
    CONNECTED = "connected"
    LISTENING = "listening"
    WAITING = "waiting to retry"
    UNFIT = "unfit"
    ENDED = "ended"


_STATES = {
    EventKind.FOUND: State.CONNECTING,
    EventKind.NOT_FOUND: State.SEARCHING,
    EventKind.CONNECTED: State.SETTING_UP,
    EventKind.READY: State.CONNECTED,
    EventKind.LOST: State.SEARCHING,
    EventKind.DISCONNECTED: State.SEARCHING,
    EventKind.CONNECT_FAILED: State.WAITING,
    EventKind.UNFIT: State.UNFIT,
}
OVER = frozenset(_STATES) - {EventKind.FOUND, EventKind.NOT_FOUND}  # kinds at which a link that was up is over


@dataclass(frozen=True, slots=True)
class LinkState:
    """A node's link; times in nanoseconds UTC.

    Attributes:
        up_ns: since when it is up and set up, None where it is not.
        away_ns: since when it is away after a loss, None where it is not.
        disconnects: how often it was lost.
    """

    state: State = State.SEARCHING
    up_ns: int | None = None
    away_ns: int | None = None
    disconnects: int = 0

    def after(self, event: LinkEvent) -> LinkState:
        """The state after an event of the node; most events change nothing."""
        kind, t_ns = event.kind, event.t_ns
        if isinstance(event.detail, Listening):  # of a node that is connected to as well, its link says what it does
            return replace(self, state=State.LISTENING) if event.detail.alone and event.detail.on else self
        state = _STATES.get(kind)
        if state is None or (self.state is State.LISTENING and kind is EventKind.FOUND):
            return self
        after = replace(self, state=state, up_ns=None if kind in OVER else self.up_ns)
        if kind is EventKind.READY:
            return replace(after, up_ns=t_ns, away_ns=None)
        if kind is EventKind.LOST:
            away_ns = t_ns if self.away_ns is None else self.away_ns
            return replace(after, away_ns=away_ns, disconnects=self.disconnects + 1)
        return after
