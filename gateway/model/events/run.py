"""What happens to a run itself: its machine, its log, its radio."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from gateway.model.events.detail import Detail, EventKind


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
    """The values of a run were decoded again: by which kinds' plugins, where and by whom, how many values differ now
    by kind, channel and column, how many messages there were and are by kind and channel, where they were cut
    otherwise, and a digest of what the values were decoded by before, by kind."""

    kind = EventKind.DECODED_AGAIN
    kinds: Sequence[str] = ()
    by: str = ""
    differing: Mapping[str, int] = field(default_factory=dict)
    messages: Mapping[str, Sequence[int]] = field(default_factory=dict)
    former: Mapping[str, str] = field(default_factory=dict)
