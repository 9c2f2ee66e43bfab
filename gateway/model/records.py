"""The records that pass between the stages: what came over the air, and what was found (what happened is in
`events`). They hold plain values with their unit in the name, know nothing of each other's makers, and never change
once made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol

from gateway.model.events import LinkEvent


class Frame(NamedTuple):
    """One received value. A NamedTuple because one is made for every notification.

    Attributes:
        t_ns: arrival, nanoseconds UTC from the run's anchored monotonic clock.
        node: the node's name in the run file.
        channel: the characteristic's name in the plugin.
        raw: the bytes as they came.
    """

    t_ns: int
    node: str
    channel: str
    raw: bytes


class Sink(Protocol):
    """Where a session's records go. Both calls return at once and never raise: a sink that can't keep
    a record counts it, and says so when it is closed. Records of one sender keep their order."""

    def frame(self, frame: Frame) -> None: ...

    def event(self, event: LinkEvent) -> None: ...


@dataclass(frozen=True, slots=True)
class Reading:
    """One decoded value.

    Attributes:
        name: the field's path, ``climate.temperature`` style without the characteristic.
        raw: the transmitted integer (or float), None where it is no number.
        value: the engineering value in ``unit``, a name for an enumeration, or None for no reading.
        unit: the unit's symbol, "" for a plain number.
        bit: offset of the field's first bit in the payload.
        bits: the field's width.
        reason: why there is no value, or what is wrong with it; "" for a good one.
    """

    name: str
    raw: int | float | None
    value: int | float | str | None
    unit: str
    bit: int
    bits: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure worked out from a log.

    Attributes:
        node: the node's name.
        subject: a channel's name, or "link".
        name: the measure's name, for example ``rate``.
        value: the figure in ``unit``; None where there was nothing to work it out from.
        unit: symbol, "" for a count.
        n: how many observations it rests on.
        basis: what the observations are, a plural first, for example ``values while connected``.
        low, high: 95 % bounds of the true figure in ``unit``, each None where the data leave that side open.
        method: how the bounds were found, "" for a figure that is a plain fact of the run.
    """

    node: str
    subject: str
    name: str
    value: float | None
    unit: str
    n: int
    basis: str
    low: float | None = None
    high: float | None = None
    method: str = ""

    @property
    def observed(self) -> str:
        """How many observations of what, for people: `1 link`, `189 values while connected`."""
        noun, space, more = self.basis.partition(" ")
        return f"{self.n} {noun.removesuffix('s') if self.n == 1 else noun}{space}{more}"


class Outcome(StrEnum):
    """ISO/IEC 9646 test verdicts."""

    PASS = "pass"  # noqa: S105  a verdict, not a password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


def overall(outcomes: Iterable[Outcome]) -> Outcome:
    """Fail if one is, else inconclusive if one is or there are none, else pass."""
    found = set(outcomes)
    if Outcome.FAIL in found:
        return Outcome.FAIL
    return Outcome.PASS if found == {Outcome.PASS} else Outcome.INCONCLUSIVE


@dataclass(frozen=True, slots=True)
class Verdict:
    """A requirement held against a measure.

    Attributes:
        measure: the figure.
        low, high: the requirement's bounds in the measure's unit; None for no bound.
        outcome: pass, fail or inconclusive.
        margin: distance to the nearer bound in the measure's unit, negative when outside.
        why: one line of explanation, "" for a plain pass.
        risk: how likely a node just at the limit is passed or failed at most.
    """

    measure: Measure
    low: float | None
    high: float | None
    outcome: Outcome
    margin: float | None
    why: str = ""
    risk: float = 0.025
