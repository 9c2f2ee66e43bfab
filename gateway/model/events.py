"""What can happen to a node, to its link or to the run: an event of each kind carries its details as a dataclass, so
that whoever reports one gives what the figures need, be it a session, a replay or a foreign capture. Logs, captures
and brokers hold the details as JSON (`facts`); what is read back there may be anybody's, so that nothing in it is
trusted to be there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, ClassVar, Self, get_args, get_origin, get_type_hints


class EventKind(StrEnum):
    """The kinds of events, as logs and captures name them."""

    FOUND = "found"
    NOT_FOUND = "not found"
    CONNECTED = "connected"
    CONNECT_FAILED = "connect failed"
    TABLE = "table found"
    IDENTITY = "identity read"
    CONSTANT = "constant read"
    SETTING = "setting written"
    SETTING_DIFFERS = "setting differs"
    PROCEDURE = "procedure done"
    PROCEDURE_FAILED = "procedure failed"
    DESCRIPTOR_DIFFERS = "descriptor differs"
    SUBSCRIBED = "subscribed"
    ENCRYPTED = "link encrypted"
    LISTENING = "listening"
    HEARD = "advertisements heard"
    READY = "ready"
    SILENT = "silent"
    LOST = "lost"
    DISCONNECTED = "disconnected by host"
    PARAMETERS = "link parameters"
    SIGNAL = "signal strength"
    RECONNECTED = "reconnected"
    ADDRESS = "address differs"
    FORGOTTEN = "table forgotten"
    UNFIT = "unfit"
    READ = "value read"
    POLL_FAILED = "poll failed"
    LATE_CALLBACK = "late callback"
    OVERFLOW = "frames dropped"
    LOG_TROUBLE = "log trouble"
    CLOCK_STEP = "wall clock stepped"
    HOST_STALL = "host stalled"
    HOST_DELAY = "host delay"
    HOST_CLOCK = "host clock"
    RADIO = "radio error"
    STEP = "exercise step"
    RELOADED = "run file reloaded"
    RESUMED = "run resumed"
    DECODED_AGAIN = "decoded again"

    @classmethod
    def _missing_(cls, value: object) -> EventKind | None:
        former = _FORMER_KINDS.get(str(value))
        return cls(former) if former else None

    @property
    def spellings(self) -> tuple[str, ...]:
        """How logs name it, of earlier versions too."""
        return (self.value, *(old for old, new in _FORMER_KINDS.items() if new == self.value))


_FORMER_KINDS = {
    "let go": "disconnected by host",
    "back": "reconnected",
    "radio trouble": "radio error",
    "step tried": "exercise step",
    "run file read again": "run file reloaded",
}


@dataclass(frozen=True, kw_only=True)
class Detail:
    """The details of an event.

    Attributes:
        more: what else was said, by whoever made it; kept, and read by nobody.
    """

    kind: ClassVar[EventKind]
    more: Mapping[str, object] = field(default_factory=dict)

    def facts(self) -> dict[str, object]:
        """As JSON can hold them, without what is not known."""
        own = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "more"}
        return {key: value for key, value in own.items() if value not in (None, "", {}, [], ())} | dict(self.more)

    @classmethod
    def of(cls, facts: Mapping[str, object]) -> Self:
        """The inverse of `facts`: what is missing is empty, what is of another type goes to ``more``."""
        values: dict[str, Any] = {}
        hints = _hints(cls)  # type: ignore[arg-type]  # a class can be hashed
        for one in fields(cls):
            if one.name in facts and one.name != "more" and _fits(facts[one.name], hints[one.name]):
                values[one.name] = facts[one.name]
            elif one.default is MISSING and one.default_factory is MISSING:
                values[one.name] = _empty(hints[one.name])
        return cls(**values, more={key: value for key, value in facts.items() if key not in values})


@cache
def _hints(cls: type[Detail]) -> dict[str, Any]:
    return get_type_hints(cls)


def _fits(value: object, hint: Any) -> bool:
    if isinstance(hint, UnionType):
        return any(_fits(value, one) for one in get_args(hint))
    origin = get_origin(hint) or hint
    if origin is Mapping:
        return isinstance(value, dict) and all(_fits(one, get_args(hint)[1]) for one in value.values())
    if origin is Sequence:
        return isinstance(value, list | tuple)
    if isinstance(value, bool) is not (origin is bool):
        return origin is object
    return isinstance(value, int | float) if origin is float else origin is object or isinstance(value, origin)


def _empty(hint: Any) -> object:
    """What stands for nothing in a field of this type."""
    if isinstance(hint, UnionType):
        return None
    return {str: "", float: 0.0, int: 0, bool: False}.get(hint, {} if get_origin(hint) is Mapping else ())


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
class TableFound(Detail):
    """The GATT table of a node, as `gatt.FoundTable.facts` gives it."""

    kind = EventKind.TABLE
    services: Sequence[Any]
    att_mtu_bytes: int | None


@dataclass(frozen=True, kw_only=True)
class Identity(Detail):
    """What a node says of itself, in ``more`` by the names of its characteristics."""

    kind = EventKind.IDENTITY


@dataclass(frozen=True, kw_only=True)
class ConstantRead(Detail):
    """A constant, its bytes in hex."""

    kind = EventKind.CONSTANT
    characteristic: str
    raw: str


@dataclass(frozen=True, kw_only=True)
class SettingWritten(Detail):
    """A setting that was written.

    Attributes:
        written: the bytes in hex.
        on: for each channel whose sensor this switches, whether that is on now.
        period_s: for each channel whose sensor this paces, its period now, seconds.
        values: what the bytes say, by the names of their fields.
        read_back: whether it was read back, and was as written.
    """

    kind = EventKind.SETTING
    characteristic: str
    written: str
    on: Mapping[str, bool]
    period_s: Mapping[str, float]
    values: Mapping[str, object] = field(default_factory=dict)
    read_back: bool | None = None


@dataclass(frozen=True, kw_only=True)
class SettingDiffers(SettingWritten):
    """A setting that was refused, or read back other than written (in hex); ``differs`` says of each field that does
    what was written and what was read."""

    kind = EventKind.SETTING_DIFFERS
    refused: str = ""
    read: str = ""
    differs: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class DescriptorDiffers(Detail):
    """A descriptor of a characteristic that contradicts the plugin."""

    kind = EventKind.DESCRIPTOR_DIFFERS
    characteristic: str
    descriptor: str
    found: str


@dataclass(frozen=True, kw_only=True)
class Subscribed(Detail):
    """A channel was subscribed to, for notifications or indications."""

    kind = EventKind.SUBSCRIBED
    channel: str
    way: str


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
class Heard(SignalStrength):
    """How many advertisements of a node were heard since this was told last, in how many of them a value came once
    more, and their signal strength: the mean, and the weakest."""

    kind = EventKind.HEARD
    advertisements: int
    repeated: int
    weakest_dbm: float


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
class ProcedureDone(Detail):
    """A procedure of a control point that went as it is to.

    Attributes:
        result: as the node's answer has it.
        took_s: from the first write to the answer.
        values: how many stored values came before it, of a procedure that sends them.
        told: the transmitted numbers of the answer, by field.
    """

    kind = EventKind.PROCEDURE
    procedure: str
    result: str
    took_s: float
    values: int | None = None
    told: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ProcedureFailed(Detail):
    """A procedure that was refused, not answered in time, or whose result or count is not what it is to be."""

    kind = EventKind.PROCEDURE_FAILED
    procedure: str
    reason: str


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


@dataclass(frozen=True, kw_only=True)
class ValueRead(Detail):
    """A value of a channel that notifies or indicates was read beside that, in hex: it is none of those that were sent,
    and counts in no rate."""

    kind = EventKind.READ
    channel: str
    raw: str


@dataclass(frozen=True, kw_only=True)
class PollFailed(Detail):
    """A read of a channel failed."""

    kind = EventKind.POLL_FAILED
    channel: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class LateCallbacks(Detail):
    """Values that the stack delivered for a link that was over."""

    kind = EventKind.LATE_CALLBACK
    count: int


@dataclass(frozen=True, kw_only=True)
class Overflow(Detail):
    """Frames that could not be kept."""

    kind = EventKind.OVERFLOW
    frames: int


@dataclass(frozen=True, kw_only=True)
class HostStalled(Detail):
    """This machine did not run the program for a while, stopped, suspended or too busy; stamped where that ended."""

    kind = EventKind.HOST_STALL
    span_s: float


@dataclass(frozen=True, kw_only=True)
class HostDelay(Detail):
    """How late this machine ran the program whenever it was due, since this was told last: half of the times no later
    than ``median_ms``, all but one in a thousand no later than ``p999_ms``."""

    kind = EventKind.HOST_DELAY
    median_ms: float
    p999_ms: float
    longest_ms: float
    times: int


@dataclass(frozen=True, kw_only=True)
class HostClock(Detail):
    """Whether something holds this machine's clock to UTC, and how far it may be off by its own estimate."""

    kind = EventKind.HOST_CLOCK
    held: bool
    most_ms: float
    likely_ms: float


@dataclass(frozen=True, kw_only=True)
class LogTrouble(Detail):
    """The log could not be written, or stood no longer where it was; for how long, where that is over."""

    kind = EventKind.LOG_TROUBLE
    reason: str
    span_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class ClockStep(Detail):
    """The wall clock was set."""

    kind = EventKind.CLOCK_STEP
    step_s: float


@dataclass(frozen=True, kw_only=True)
class RadioTrouble(Detail):
    """The radio did not do what was asked."""

    kind = EventKind.RADIO
    reason: str


@dataclass(frozen=True, kw_only=True)
class ExerciseStep(Detail):
    """A step of an exercise with its verdict; ``tried_in_run`` is the earlier run it was tried in."""

    kind = EventKind.STEP
    step: str
    verdict: str
    expected: str
    found: str
    tried_in_run: int | None = None


@dataclass(frozen=True, kw_only=True)
class Resumed(Detail):
    """A run that was cut off goes on, and for how long nobody had listened, which is charged to no node."""

    kind = EventKind.RESUMED
    paused_s: float


@dataclass(frozen=True, kw_only=True)
class Reloaded(Detail):
    """The run file was read again: the nodes that joined, those that are not in it any more, or why it was refused."""

    kind = EventKind.RELOADED
    added: Sequence[str] = ()
    removed_still_running: Sequence[str] = ()
    refused: str = ""


@dataclass(frozen=True, kw_only=True)
class DecodedAgain(Detail):
    """The values of a run were decoded again: by which kinds' plugins, where and by whom, and how many values differ
    now, by kind, channel and column."""

    kind = EventKind.DECODED_AGAIN
    kinds: Sequence[str] = ()
    by: str = ""
    differing: Mapping[str, int] = field(default_factory=dict)


def _kinds(cls: type[Detail]) -> dict[EventKind, type[Detail]]:
    found: dict[EventKind, type[Detail]] = {}
    for own in cls.__subclasses__():
        found |= {own.kind: own, **_kinds(own)}
    return found


DETAILS = _kinds(Detail)


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """Something that happened; ``node`` is None for the run itself."""

    t_ns: int
    node: str | None
    detail: Detail

    @property
    def kind(self) -> EventKind:
        """What happened."""
        return self.detail.kind

    @property
    def facts(self) -> dict[str, object]:
        """The details as JSON can hold them."""
        return self.detail.facts()

    @classmethod
    def of(cls, t_ns: int, node: str | None, kind: EventKind, facts: Mapping[str, object] | None = None) -> Self:
        """An event from what a log, a capture or a broker holds of it."""
        return cls(t_ns, node, DETAILS[kind].of(facts or {}))
