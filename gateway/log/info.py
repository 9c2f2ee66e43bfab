"""What a log tells of a run besides its records: the run, its nodes, their channels and fields."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from gateway.model.errors import InputError
from gateway.model.figures import Requirement, Role
from gateway.model.utc import duration_text

_WHOLE = 0.95  # of the planned length counts as all of it


@dataclass(frozen=True, slots=True)
class FieldInfo:
    """A column of a relation and what it means; limits and LSB in the unit, ``kind`` its type in the layout."""

    column: str
    name: str
    unit: str
    low: float | None
    high: float | None
    role: str | None
    bits: int | None
    sometimes: bool
    lsb: float | None = None
    kind: str = ""


@dataclass(frozen=True, slots=True)
class ChannelInfo:
    """A relation of frames, and of samples where there are several a frame."""

    relation: str
    samples: str | None
    name: str
    title: str
    fields: tuple[FieldInfo, ...]
    sample_fields: tuple[FieldInfo, ...]
    stores: int = 0  # how many values it keeps while nobody is subscribed, to send them later
    constant: bool = False  # read once on connecting: no channel of measured values
    within: str = ""  # of messages that are unpacked from another channel: its name
    broadcast: bool = False  # advertised, or unpacked from what is

    def with_role(self, role: Role) -> FieldInfo | None:
        """The field that has a role."""
        return next((field for field in self.fields if field.role == role), None)


@dataclass(frozen=True, slots=True)
class NodeInfo:
    """A node of a run, with the channels of its kind."""

    id: int
    name: str
    kind: str
    channels: tuple[ChannelInfo, ...]


@dataclass(frozen=True, slots=True)
class RunInfo:
    """One run of a log; frames have ids in range(first_frame, end_frame), of a run still going those that were there
    when it was looked at.

    Attributes:
        ended_ns: None for a run still going, or one whose process was killed.
        end_ns: when it ended, or its last record where it was killed or still goes on.
        paused_ns: for how long nobody listened, because it was cut off and resumed.
        run_text: the run file.
        stalls: when the machine that listened had not run the program, (from, to) each.
        seal: head of its seal, "" for none.
        cut: it is part of a run, from ``started_ns`` to ``end_ns``.
    """

    id: int
    title: str
    radio: str
    host: str
    started_ns: int
    planned_ns: int | None
    ended_ns: int | None
    ended_how: str
    first_frame: int
    end_frame: int
    nodes: tuple[NodeInfo, ...]
    requirements: tuple[Requirement, ...]
    uid: str
    end_ns: int
    paused_ns: int = 0
    run_text: str = ""
    stalls: tuple[tuple[int, int], ...] = ()
    seal: str = ""
    cut: bool = False

    def chosen(self, nodes: Collection[str], channels: Collection[str]) -> list[NodeInfo]:
        """The nodes of these names, all where none is named.

        Raises:
            InputError: the run has no such node, or none of them such a channel.
        """
        kept = [node for node in self.nodes if not nodes or node.name in nodes]
        known = [channel.name for node in kept for channel in node.channels]
        for what, wanted, there in (("node", nodes, [n.name for n in self.nodes]), ("channel", channels, known)):
            for name in wanted:
                if name not in there:
                    names = ", ".join(dict.fromkeys(there)) or "none"
                    raise InputError(f"the run has no {what} {name!r}; it has {names}")
        return kept

    @property
    def lasted_s(self) -> float:
        """How long it lasted without pauses, seconds."""
        return (self.end_ns - self.started_ns - self.paused_ns) / 1e9

    @property
    def shortfall(self) -> str:
        """How the run fell short of the length it was to have, "" where it did not."""
        lasted_s = self.lasted_s
        if self.planned_ns is None or lasted_s >= _WHOLE * self.planned_ns / 1e9:
            return ""
        return f"the run lasted {duration_text(round(lasted_s))} of {duration_text(self.planned_ns / 1e9)}"
