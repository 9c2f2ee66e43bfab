"""What happens to the link of a node, or in place of one to what it advertises."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.model.events.detail import Detail, EventKind


@dataclass(frozen=True, kw_only=True)
class Found(Detail):
    """A node was heard advertising."""

    kind = EventKind.FOUND
    rssi_dbm: float | None
    address: str = ""
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class AddressDiffers(Detail):
    """A node's name was heard from another address than before, or from a second one beside the one that is connected.
    ``note`` says what that can mean."""

    kind = EventKind.ADDRESS
    name: str
    before: str
    found: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Forgotten(Detail):
    """The system was made to forget a node, to read its attribute table anew."""

    kind = EventKind.FORGOTTEN
    address: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class NotFound(Detail):
    """A node was not heard for a while."""

    kind = EventKind.NOT_FOUND
    sought: str = ""


@dataclass(frozen=True, kw_only=True)
class Connected(Detail):
    """A link was made, with what is known of it."""

    kind = EventKind.CONNECTED
    att_mtu_bytes: int | None = None
    connection_interval_ms: float | None = None
    peripheral_latency_events: int | None = None
    supervision_timeout_ms: float | None = None
    phy_mbit_per_s: int | None = None
    backend: str = ""
    address: str = ""
    name: str = ""
    role: str = ""


@dataclass(frozen=True, kw_only=True)
class ConnectFailed(Detail):
    """A link could not be made or set up; ``state`` is what was being done."""

    kind = EventKind.CONNECT_FAILED
    reason: str
    state: str = ""


@dataclass(frozen=True, kw_only=True)
class Encrypted(Detail):
    """A link was encrypted, after pairing or with the bond of an earlier link; ``security`` is what was asked for."""

    kind = EventKind.ENCRYPTED
    security: str
    paired: bool


@dataclass(frozen=True, kw_only=True)
class Ready(Detail):
    """A node is connected and set up; ``since`` says so where it was before."""

    kind = EventKind.READY
    since: str = ""


@dataclass(frozen=True, kw_only=True)
class SignalStrength(Detail):
    """The signal strength of a node, as the controller has it; told now and then."""

    kind = EventKind.SIGNAL
    rssi_dbm: float


@dataclass(frozen=True, kw_only=True)
class Listening(Detail):
    """What a node advertises is listened to from now on, or no longer: while its link is up, or nothing scans.
    ``alone``: it is never connected to."""

    kind = EventKind.LISTENING
    on: bool
    alone: bool


@dataclass(frozen=True, kw_only=True)
class Heard(Detail):
    """How many advertisements of a node were heard since this was told last, in how many of them a value came once
    more, and their signal strength: the mean, and the weakest; None where the recorder does not tell."""

    kind = EventKind.HEARD
    advertisements: int
    repeated: int
    rssi_dbm: float | None
    weakest_dbm: float | None


@dataclass(frozen=True, kw_only=True)
class Silent(Detail):
    """Nothing came for too long; what a probe found."""

    kind = EventKind.SILENT
    silent_s: float
    probe: str


@dataclass(frozen=True, kw_only=True)
class Lost(Detail):
    """The link ended, and not because the host asked for it."""

    kind = EventKind.LOST
    reason: str


@dataclass(frozen=True, kw_only=True)
class Disconnected(Detail):
    """The host ended the link."""

    kind = EventKind.DISCONNECTED
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Parameters(Detail):
    """Parameters of a link that became known or changed; what was seen of them on the air."""

    kind = EventKind.PARAMETERS
    att_mtu_bytes: int | None = None
    connection_interval_ms: float | None = None
    peripheral_latency_events: int | None = None
    supervision_timeout_ms: float | None = None
    interval_seen_ms: float | None = None
    intervals: int | None = None
    inter_frame_space_seen_us: float | None = None
    spaces: int | None = None


@dataclass(frozen=True, kw_only=True)
class Reconnected(Detail):
    """A node is connected and set up again, and how long after the link was lost."""

    kind = EventKind.RECONNECTED
    after_s: float


@dataclass(frozen=True, kw_only=True)
class Unfit(Detail):
    """A node can't be used as its plugin declares it."""

    kind = EventKind.UNFIT
    reason: str
