"""What a node is found to be, what is written to it, and what it answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from gateway.model.events.detail import Detail, EventKind


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
class ExerciseStep(Detail):
    """A step of an exercise with its verdict; ``tried_in_run`` is the earlier run it was tried in."""

    kind = EventKind.STEP
    step: str
    verdict: str
    expected: str
    found: str
    tried_in_run: int | None = None
