"""What every capture yields, whatever its format: records with their own times, facts of the run it was taken in,
and an account of what could not be read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from gateway.model.events import LinkEvent
from gateway.model.records import Frame
from gateway.model.utc import utc_text

Record = Frame | LinkEvent
MOST_REASONS = 200


@dataclass(frozen=True, slots=True)
class Header:
    """What is known of a capture before its records.

    Attributes:
        origin: ``invented``, ``real``, or whatever else its maker wrote.
        plugin: kind of every node that ``kinds`` does not name, "" where that was left open.
        title: of the run.
        kinds: kind by node.
        started_ns: when the run started, None for at its first record.
        planned_ns: how long it was to last, None where that is not known.
    """

    origin: str = "real"
    plugin: str = ""
    title: str = ""
    kinds: Mapping[str, str] = field(default_factory=dict)
    started_ns: int | None = None
    planned_ns: int | None = None


@dataclass(slots=True)
class Trouble:
    """What could not be read or placed: for each reason how often, and where first."""

    counts: dict[str, int] = field(default_factory=dict)
    first: dict[str, str] = field(default_factory=dict)

    def note(self, reason: str, place: str | int, count: int = 1) -> None:
        """Count it, with its place in words or its time in nanoseconds UTC; reasons beyond the first `MOST_REASONS`,
        which only garbage has, are counted together."""
        if reason not in self.counts and len(self.counts) >= MOST_REASONS:
            reason = "other problems"
        self.counts[reason] = self.counts.get(reason, 0) + count
        if reason not in self.first:
            self.first[reason] = place if isinstance(place, str) else f"at {utc_text(place)[:23]}Z"

    def lines(self) -> Iterator[str]:
        """One line for each reason."""
        for reason, count in self.counts.items():
            yield f"{count} x {reason} (first: {self.first[reason]})"
