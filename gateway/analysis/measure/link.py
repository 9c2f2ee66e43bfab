"""How a node's link fared: when it was up and set up, how often it was lost, how long it took to come back."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gateway.analysis.bounds import DISCONNECTS, QUANTILE, count_bounds, quantile_ranks
from gateway.model.events import (
    Connected,
    DescriptorDiffers,
    EventKind,
    Found,
    Heard,
    LinkEvent,
    Listening,
    Lost,
    Parameters,
    SettingWritten,
    SignalStrength,
)
from gateway.model.figures import LINK, LINK_FIGURES
from gateway.model.link import LinkState
from gateway.model.records import Measure

NO_BOUNDS = (None, None, "")
ABSENCES = "exact Poisson bounds of the disconnects (Garwood), of lengths that differ as exponential ones"
SHORTEST_INTERVAL_S = 0.0075
_GAPS_LOOKED_AT = 300
_FEWEST_GAPS = 50
_JITTER_S = 0.0015  # of arrivals on a host that is not idle; common practice


class Loss(NamedTuple):
    """When the link was lost, why, and when it was set up again: None for not, or not before it was lost once more; and
    since when it had been away then."""

    t_ns: int
    why: str
    back_ns: int | None
    away_ns: int


@dataclass(frozen=True, slots=True)
class History:
    """Times in nanoseconds UTC.

    Attributes:
        spans: when the link was up and set up, each (from, to), in order.
        returns_ns: how long each loss lasted until the node was set up again.
        away_ns: how long it has been away at the run's end after a loss, None where it is not.
        settings, settings_differ: how many were written, and how many read back otherwise or were refused.
        descriptors_differ: how many contradicted the layout, each counted once for all links.
        attempts_failed: how often connecting or setting up failed.
        signal: (when, dBm) of the advertisements by which the node was found, and of its links.
        period: for each channel when which period was written last, and that period in seconds.
        switched: for each channel the times at which its sensor was switched on (True) or off.
        cuts: for each channel the times at which its sensor was switched or paced.
        lost: every loss of the link.
        never_linked: it is a node that is only listened to.
        intervals: connection intervals that were reported, (from when, milliseconds).
        procedures, procedures_failed: how many were carried out, and how many of them failed.
        stalls: when the machine that listened stood still, (from, to) each, in order: what came meanwhile came late.
        listening: when what the node advertises was listened to, each (from, to), in order.
    """

    start_ns: int
    end_ns: int
    spans: tuple[tuple[int, int], ...]
    returns_ns: tuple[int, ...]
    away_ns: int | None
    settings: int
    settings_differ: int
    descriptors_differ: int
    attempts_failed: int = 0
    signal: tuple[tuple[int, float], ...] = ()
    period: Mapping[str, tuple[int, float]] = field(default_factory=dict)
    switched: Mapping[str, list[tuple[int, bool]]] = field(default_factory=dict)
    cuts: Mapping[str, list[int]] = field(default_factory=dict)
    lost: tuple[Loss, ...] = ()
    paused_ns: int = 0
    stalls: tuple[tuple[int, int], ...] = ()
    procedures: int = 0
    procedures_failed: int = 0
    intervals: tuple[tuple[int, float], ...] = ()
    listening: tuple[tuple[int, int], ...] = ()
    never_linked: bool = False

    @property
    def run_ns(self) -> int:
        """How long the run lasted, without pauses."""
        return self.end_ns - self.start_ns - self.paused_ns

    @property
    def heard(self) -> History:
        """As it is for what the node advertises: in place of the time connected, that in which it was listened to."""
        return replace(self, spans=self.listening, lost=())

    @property
    def linked_ns(self) -> int:
        """Total time up and set up."""
        return sum(to - start for start, to in self.spans)


def link_history(
    events: Iterable[LinkEvent],
    start_ns: int,
    end_ns: int,
    paused_ns: int = 0,
    stalls: tuple[tuple[int, int], ...] = (),
    cut: bool = False,
) -> History:
    """Read a node's events in order; ``paused_ns`` of the run nobody listened, and in ``stalls`` the machine that does
    stood still. Of a run that is ``cut`` what was before counts for nothing, but for how the node was set."""
    events = [event for event in events if not cut or event.t_ns <= end_ns]
    spans, losses, link = _links(events, end_ns)
    period, switched, cuts = _settings(events)
    listening = list(_listened(events, end_ns))
    alone = any(isinstance(e.detail, Listening) and e.detail.alone for e in events)
    if cut:
        spans, listening = _within(spans, start_ns), _within(listening, start_ns)
        losses = [loss for loss in losses if loss.t_ns >= start_ns]
        events = [event for event in events if event.t_ns >= start_ns]
    kinds = Counter(event.kind for event in events)
    differing = {
        (e.detail.characteristic, e.detail.descriptor) for e in events if isinstance(e.detail, DescriptorDiffers)
    }
    found = [(e.t_ns, e.detail.rssi_dbm) for e in events if isinstance(e.detail, Found | SignalStrength | Heard)]
    return History(
        start_ns,
        end_ns,
        tuple(spans),
        tuple(loss.back_ns - loss.away_ns for loss in losses if loss.back_ns is not None),
        max(end_ns - link.away_ns, 0) if link.away_ns is not None else None,
        kinds[EventKind.SETTING] + kinds[EventKind.SETTING_DIFFERS],
        kinds[EventKind.SETTING_DIFFERS],
        len(differing),
        kinds[EventKind.CONNECT_FAILED],
        tuple((t_ns, dbm) for t_ns, dbm in found if dbm is not None and math.isfinite(dbm)),
        period,
        switched,
        cuts,
        tuple(losses),
        paused_ns=paused_ns,
        stalls=stalls,
        procedures=kinds[EventKind.PROCEDURE] + kinds[EventKind.PROCEDURE_FAILED],
        procedures_failed=kinds[EventKind.PROCEDURE_FAILED],
        intervals=tuple(
            (e.t_ns, e.detail.connection_interval_ms)
            for e in events
            if isinstance(e.detail, Connected | Parameters) and e.detail.connection_interval_ms is not None
        ),
        listening=tuple(listening),
        never_linked=alone,
    )


def _within(spans: Iterable[tuple[int, int]], start_ns: int) -> list[tuple[int, int]]:
    """What of some spans lies behind a moment."""
    return [(max(start, start_ns), end) for start, end in spans if end > start_ns]


def _listened(events: Iterable[LinkEvent], end_ns: int) -> Iterator[tuple[int, int]]:
    """When the node was listened to."""
    since_ns: int | None = None
    for event in events:
        if not isinstance(event.detail, Listening):
            continue
        if since_ns is not None:
            yield since_ns, event.t_ns
        since_ns = event.t_ns if event.detail.on else None
    if since_ns is not None:
        yield since_ns, max(since_ns, end_ns)


def _links(events: Iterable[LinkEvent], end_ns: int) -> tuple[list[tuple[int, int]], list[Loss], LinkState]:
    """When the link was up and set up, its losses, and its state at the end."""
    spans: list[tuple[int, int]] = []
    losses: list[Loss] = []
    link = LinkState()
    for event in events:
        before, link = link, link.after(event)
        if before.up_ns is not None and before.up_ns != link.up_ns:  # lost, disconnected, or its end was missed
            spans.append((before.up_ns, event.t_ns))
        if isinstance(event.detail, Lost):
            losses.append(Loss(event.t_ns, event.detail.reason or "unknown", None, link.away_ns or event.t_ns))
        elif before.away_ns is not None and link.away_ns is None:
            losses[-1] = losses[-1]._replace(back_ns=event.t_ns)
    if link.up_ns is not None:
        spans.append((link.up_ns, max(link.up_ns, end_ns)))
    return spans, losses, link


def _settings(
    events: Iterable[LinkEvent],
) -> tuple[dict[str, tuple[int, float]], dict[str, list[tuple[int, bool]]], dict[str, list[int]]]:
    """For each channel when its last period was written first, in seconds; when it was switched on or off; and when
    either was written."""
    period: dict[str, tuple[int, float]] = {}
    switched: dict[str, list[tuple[int, bool]]] = defaultdict(list)
    cuts: dict[str, list[int]] = defaultdict(list)
    for event in events:
        written = event.detail
        if not isinstance(written, SettingWritten):
            continue
        for channel in {*written.on, *written.period_s}:
            cuts[channel].append(event.t_ns)
        for channel, period_s in written.period_s.items():
            if 0 < period_s < math.inf and (channel not in period or period[channel][1] != period_s):
                period[channel] = event.t_ns, float(period_s)
        for channel, on in written.on.items():
            switched[channel].append((event.t_ns, on))
    return period, dict(switched), dict(cuts)


def interval_s(gaps_s: npt.NDArray[np.float64]) -> float | None:
    """The connection interval that a node's gaps show: the longest of those that the Core Specification allows (7.5 ms
    to 4 s in steps of 1.25 ms, Vol 6, Part B, 4.5.1) whose multiples the gaps are; None where they are of none.

    Where every gap is a multiple of several intervals, that is the longest of these: a node whose period is always
    the same shows its period.
    """
    gaps = gaps_s[gaps_s > SHORTEST_INTERVAL_S * 0.8][:_GAPS_LOOKED_AT]
    if len(gaps) < _FEWEST_GAPS:
        return None
    intervals = np.arange(6, 3201)[:, None] * 1.25e-3
    off = np.abs(gaps - intervals * np.rint(gaps / intervals))
    near, most = np.percentile(off, [50, 90], axis=1)
    step = intervals[:, 0]
    fits = (near <= np.minimum(_JITTER_S, step / 10)) & (most <= np.minimum(2 * _JITTER_S, step / 6))
    fits &= np.percentile(gaps, 5) > 0.8 * step
    if not fits.any():
        return None
    longest = np.flatnonzero(fits)[-1]  # of those beside it, which fit almost as well, the best
    beside = [n for n in range(max(longest - 3, 0), longest + 1) if fits[n]]
    return float(step[min(beside, key=lambda n: near[n])])


def quantile_bounds(values: npt.NDArray[np.float64], q: float) -> tuple[float | None, float | None]:
    """Bounds of a quantile of so many values, each None where they are too few for it."""
    low, high = quantile_ranks(len(values), q)
    ranks = [rank for rank in (low, high) if rank is not None]
    ordered = np.partition(values, ranks) if ranks else values
    sides = [float(ordered[rank]) if rank is not None else None for rank in (low, high)]
    return sides[0], sides[1]


def reported_interval(history: History) -> tuple[float | None, int]:
    """The connection interval that held for longest, in seconds, and for how many connection events, where a controller
    or a capture told of it."""
    held_ns: Counter[float] = Counter()
    ends = [*(t_ns for t_ns, _ in history.intervals[1:]), history.end_ns][: len(history.intervals)]
    for (from_ns, ms), to_ns in zip(history.intervals, ends, strict=True):
        held_ns[ms] += sum(max(min(end, to_ns) - max(start, from_ns), 0) for start, end in history.spans)
    if not any(held_ns.values()):
        return None, 0
    ms, held = held_ns.most_common(1)[0]
    return ms / 1e3, round(held / 1e6 / ms) if ms > 0 else 0


def measure_link(node: str, history: History, interval: tuple[float | None, int]) -> list[Measure]:
    """The figures of the link; ``interval`` is what `interval_s` found, and from how many gaps."""
    run_s, reported = history.run_ns / 1e9, reported_interval(history)
    returns_s = np.array(history.returns_ns) / 1e9
    longest = [*returns_s.tolist(), *([history.away_ns / 1e9] if history.away_ns is not None else [])]
    bounds = {
        "connected": _connected_bounds(history),
        "time_between_disconnects": _between_bounds(history),
        "reconnect_time_median": (*quantile_bounds(returns_s, 0.5), QUANTILE if len(returns_s) else ""),
    }
    values: dict[str, tuple[float | None, int]] = {
        "connected": (100 * history.linked_ns / 1e9 / run_s if run_s > 0 else None, int(run_s)),
        "disconnects": (len(history.lost), len(history.spans)),
        "time_between_disconnects": (
            history.linked_ns / 1e9 / max(len(history.lost), 1) if history.spans else None,
            len(history.lost),
        ),
        "attempts_failed": (history.attempts_failed, history.attempts_failed + len(history.spans)),
        "signal_weakest": (min((dbm for _, dbm in history.signal), default=None), len(history.signal)),
        "interval": reported if reported[0] is not None else interval,
        "reconnect_time_median": (float(np.median(returns_s)) if len(returns_s) else None, len(returns_s)),
        "reconnect_time_longest": (max(longest, default=None), len(history.lost)),
        "descriptors_differ": (history.descriptors_differ, len(history.spans)),
        "settings_differ": (history.settings_differ, history.settings),
        "procedures_failed": (history.procedures_failed, history.procedures),
    }
    return [
        Measure(
            node, LINK, name, value, LINK_FIGURES[name].unit, n, LINK_FIGURES[name].basis, *bounds.get(name, NO_BOUNDS)
        )
        for name, (value, n) in values.items()
        if name == "signal_weakest" or not history.never_linked
    ]


def _between_bounds(history: History) -> tuple[float | None, float | None, str]:
    """Of the mean time between disconnects, seconds, from the exact bounds of their count in the time connected."""
    if not history.linked_ns:
        return NO_BOUNDS
    fewest, most = count_bounds(len(history.lost))
    return history.linked_ns / 1e9 / most, history.linked_ns / 1e9 / fewest if fewest else None, DISCONNECTS


def _connected_bounds(history: History) -> tuple[float | None, float | None, str]:
    """Of the share connected, percent: how often a link is lost is open by the exact bounds of its count, the count
    being an effective one as absences differ in length, at least as exponential ones do; none where it was never
    lost."""
    # a link that was lost again before it was set up is away once, from its first loss on
    ended = [one for place, one in enumerate(history.lost, 1) if one.back_ns is not None or place == len(history.lost)]
    away_s = [((one.back_ns or history.end_ns) - one.away_ns) / 1e9 for one in ended]
    squares, run_s = sum(s * s for s in away_s), history.run_ns / 1e9
    if squares <= 0 or run_s <= 0:
        return NO_BOUNDS
    effective = min(sum(away_s) ** 2 / squares, len(away_s) / 2)
    fewest, most = count_bounds(effective)
    value, share = 100 * history.linked_ns / 1e9 / run_s, 100 * sum(away_s) / run_s
    return max(value - share * (most / effective - 1), 0.0), value + share * (1 - fewest / effective), ABSENCES
