"""How a node's link fared: when it was up and set up, how often it was lost, how long it took to come back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from gateway.records import EventKind, LinkEvent, Measure
from gateway.spec import LINK, LINK_FIGURES


@dataclass(frozen=True, slots=True)
class History:
    """Times in nanoseconds UTC.

    Attributes:
        spans: when the link was up and set up, each (from, to), in order.
        returns_ns: how long each loss lasted until the node was set up again.
        away_ns: how long it has been away at the run's end after a loss, None where it is not.
        settings, settings_differ: how many were written, and how many read back otherwise or were refused.
        descriptors_differ: how many contradicted the layout, each counted once for all links.
    """

    start_ns: int
    end_ns: int
    spans: tuple[tuple[int, int], ...]
    losses: int
    returns_ns: tuple[int, ...]
    away_ns: int | None
    settings: int
    settings_differ: int
    descriptors_differ: int

    @property
    def linked_ns(self) -> int:
        """Total time up and set up."""
        return sum(to - start for start, to in self.spans)


def link_history(events: Iterable[LinkEvent], start_ns: int, end_ns: int) -> History:
    """Read a node's events in order."""
    spans: list[tuple[int, int]] = []
    returns: list[int] = []
    ready: int | None = None
    lost: int | None = None
    losses = written = differ = 0
    contradicted: set[tuple[object, object]] = set()
    for event in events:
        if event.kind is EventKind.READY:
            ready = event.t_ns
            if lost is not None:
                returns.append(event.t_ns - lost)
                lost = None
        elif event.kind is EventKind.LOST:
            losses += 1
            lost = event.t_ns
            if ready is not None:
                spans.append((ready, event.t_ns))
                ready = None
        elif event.kind is EventKind.LET_GO and ready is not None:  # by us: the link ends, but nothing was lost
            spans.append((ready, event.t_ns))
            ready = None
        elif event.kind in (EventKind.SETTING, EventKind.SETTING_DIFFERS):
            written += 1
            differ += event.kind is EventKind.SETTING_DIFFERS
        elif event.kind is EventKind.DESCRIPTOR_DIFFERS:
            contradicted.add((event.detail.get("characteristic"), event.detail.get("descriptor")))
    if ready is not None:
        spans.append((ready, max(ready, end_ns)))
    away = max(end_ns - lost, 0) if lost is not None else None
    return History(start_ns, end_ns, tuple(spans), losses, tuple(returns), away, written, differ, len(contradicted))


def measure_link(node: str, history: History) -> list[Measure]:
    """The figures of the link."""
    run_s = (history.end_ns - history.start_ns) / 1e9
    returns_s = np.array(history.returns_ns) / 1e9
    longest = [*returns_s.tolist(), *([history.away_ns / 1e9] if history.away_ns is not None else [])]
    values: dict[str, tuple[float | None, int]] = {
        "linked": (100 * history.linked_ns / 1e9 / run_s if run_s > 0 else None, int(run_s)),
        "losses": (history.losses, len(history.spans)),
        "return_median": (float(np.median(returns_s)) if len(returns_s) else None, len(returns_s)),
        "return_longest": (max(longest, default=None), history.losses),
        "descriptors_differ": (history.descriptors_differ, len(history.spans)),
        "settings_differ": (history.settings_differ, history.settings),
    }
    return [
        Measure(node, LINK, name, value, LINK_FIGURES[name].unit, n, LINK_FIGURES[name].basis)
        for name, (value, n) in values.items()
    ]
