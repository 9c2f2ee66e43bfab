"""What can happen to a node, to its link or to the run: an event of each kind carries its details as a dataclass, so
that whoever reports one gives what the figures need, be it a session, a replay or a foreign capture. Logs, captures
and brokers hold the details as JSON (`facts`); what is read back there may be anybody's, so that nothing in it is
trusted to be there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

from gateway.model.events.detail import Detail, EventKind
from gateway.model.events.link import (
    AddressDiffers,
    Connected,
    ConnectFailed,
    Disconnected,
    Encrypted,
    Forgotten,
    Found,
    Heard,
    Listening,
    Lost,
    NotFound,
    Parameters,
    Ready,
    Reconnected,
    SignalStrength,
    Silent,
    Unfit,
)
from gateway.model.events.node import (
    ConstantRead,
    DescriptorDiffers,
    ExerciseStep,
    Identity,
    LateCallbacks,
    PollFailed,
    ProcedureDone,
    ProcedureFailed,
    SettingDiffers,
    SettingWritten,
    Subscribed,
    TableFound,
    ValueRead,
)
from gateway.model.events.run import (
    ClockStep,
    DecodedAgain,
    HostClock,
    HostDelay,
    HostStalled,
    LogTrouble,
    Overflow,
    RadioTrouble,
    Reloaded,
    Resumed,
)

__all__ = [
    "DETAILS",
    "AddressDiffers",
    "ClockStep",
    "ConnectFailed",
    "Connected",
    "ConstantRead",
    "DecodedAgain",
    "DescriptorDiffers",
    "Detail",
    "Disconnected",
    "Encrypted",
    "EventKind",
    "ExerciseStep",
    "Forgotten",
    "Found",
    "Heard",
    "HostClock",
    "HostDelay",
    "HostStalled",
    "Identity",
    "LateCallbacks",
    "LinkEvent",
    "Listening",
    "LogTrouble",
    "Lost",
    "NotFound",
    "Overflow",
    "Parameters",
    "PollFailed",
    "ProcedureDone",
    "ProcedureFailed",
    "RadioTrouble",
    "Ready",
    "Reconnected",
    "Reloaded",
    "Resumed",
    "SettingDiffers",
    "SettingWritten",
    "SignalStrength",
    "Silent",
    "Subscribed",
    "TableFound",
    "Unfit",
    "ValueRead",
]


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
