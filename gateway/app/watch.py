"""A log looked at while it is written, or afterwards: what each node does, what came last, how the requirements stand,
and plots of any span. Reads only, a portion at a time, and holds nothing that could hinder the run."""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from gateway.analysis.judge import judge, outcome_of
from gateway.analysis.measure import measure_run
from gateway.analysis.measure.link import History, link_history
from gateway.analysis.measure.signal import Overview
from gateway.analysis.traces import Band, FieldKey, Trace, Traces, finer
from gateway.host.user import user_name
from gateway.log.info import RunInfo
from gateway.log.notes import Note, add_note, notes_of
from gateway.log.reader import Log
from gateway.log.tail import Tail
from gateway.model.events import LinkEvent
from gateway.model.figures import LINK
from gateway.model.link import LinkState, State
from gateway.model.records import Measure, Verdict
from gateway.model.units import unit_text
from gateway.model.utc import utc_text
from gateway.report.page import EVERYDAY
from gateway.report.plots import Plot, field_plot, link_plot, rate_plot
from gateway.report.tables import WORD, bounds_text, detail_text, number, required

PORTION = 20_000  # frames that are read at a time
MOST_POINTS = 600  # of a plot
_FINE_FRAMES = 200_000  # read at most to show a short span
_MOST_NAMES = 8  # of nodes in a list of runs
_RATES = 200  # windows of a plot of rates
_PER_WINDOW = 20  # values on average, so that it shows the node and not how windows fall on values


@dataclass(slots=True)
class _Portion:
    """Frames that were read at once: their ids, and between which times they lie."""

    first: int
    last: int
    from_ns: int
    to_ns: int


@dataclass(slots=True)
class Standing:
    """How the requirements stood when they were last looked at."""

    t_ns: int = 0
    took_s: float = 0.0
    verdicts: list[Verdict] = field(default_factory=list)
    measures: list[Measure] = field(default_factory=list)


class Watch:
    """One run of a log.

    Args:
        path: the log.
        run: its number, the newest by default.

    Raises:
        LogFileError: the log can't be used, or has no such run.
    """

    def __init__(self, path: Path, run: int | None = None) -> None:
        self.path = path
        with Log(path) as log:
            self.info = log.run(run)
        self._file = _identity(path)
        self._tail = Tail(path)
        self._traces = Traces(self.info.started_ns)
        self._events: list[tuple[int, LinkEvent]] = []
        self._links: dict[str, LinkState] = {}
        self._next_event = -(1 << 62)  # of a gathered run they stand below zero
        self._lock = threading.Lock()
        self._ahead = self._behind = 0  # frames that were not read yet have these ids or higher ones, or lower ones
        self._portions: list[_Portion] = []
        self.standing = Standing()

    def close(self) -> None:
        """Leave the log."""
        with self._lock, self._tail:
            pass

    @property
    def replaced(self) -> bool:
        """Whether another file stands where the log was."""
        return _identity(self.path) != self._file

    def look(self, portions: int = 4) -> None:
        """Read what is new, and then of what is older as much as ``portions``, the newest first.

        Raises:
            LogFileError: the log can't be read any more, or is damaged.
        """
        with self._lock, Log(self.path) as log, log.damage_reported():
            self.info = log.run(self.info.id)
            for place, event in log.numbered_events(self.info, self._next_event):
                self._events.append((place, event))
                self._next_event = place + 1
                if event.node is not None:
                    self._links[event.node] = self._links.get(event.node, LinkState()).after(event)
            end = min(self._tail.heads()[0] + 1, self.info.end_frame)
            if not self._ahead:
                self._ahead = self._behind = end
            while self._ahead < end:
                self._read(self._ahead, min(self._ahead + PORTION, end) - 1)
                self._ahead = min(self._ahead + PORTION, end)
            for _ in range(portions):
                if self._behind <= self.info.first_frame:
                    break
                first = max(self._behind - PORTION, self.info.first_frame)
                self._read(first, self._behind - 1)
                self._behind = first

    def _read(self, first: int, last: int) -> None:
        stretches = list(self._tail.stretches(first, last))
        if stretches:
            times = [row[1] for one in stretches for row in (one.rows[0], one.rows[-1])]
            self._portions.append(_Portion(first, last, min(times), max(times)))
        self._traces.add(stretches)

    def judge(self) -> None:
        """Work out how the requirements would stand if the run ended now.

        Raises:
            LogFileError: the log can't be read.
        """
        begun = time.perf_counter()
        with Log(self.path) as log, log.damage_reported():
            info = log.run(self.info.id)
            fields = {rule.subject for rule in info.requirements if "." in rule.subject}
            measures = measure_run(log, info, fields)
            kinds = {node.name: node.kind for node in info.nodes}
            shortfall = info.shortfall if info.ended_ns is not None else ""
            verdicts = judge(info.requirements, kinds, measures, shortfall)
        self.standing = Standing(info.end_ns, time.perf_counter() - begun, verdicts, measures)

    @property
    def read(self) -> float:
        """The share of the run's frames that has been read."""
        whole = self.info.end_frame - self.info.first_frame
        return 1 - max(self._behind - self.info.first_frame, 0) / whole if whole > 0 else 1.0

    def state(self) -> dict[str, Any]:
        """All that is shown but plots and events, as JSON can hold it."""
        info, now_ns = self.info, time.time_ns()
        running = info.ended_ns is None
        return {
            "title": info.title,
            "log": self.path.name,
            "run": info.id,
            "started": utc_text(info.started_ns)[:19],
            "running": running,
            "ended": "" if running else f"{utc_text(info.end_ns)[:19]}, {info.ended_how}",
            "quiet_s": max(round((now_ns - self._end_ns) / 1e9), 0) if running else 0,
            "lasted_s": round(((now_ns if running else info.end_ns) - info.started_ns - info.paused_ns) / 1e9),
            "seal": info.seal[:16],
            "read": round(self.read, 3),
            "values": sum(self._traces.values.values()),
            "nodes": [self._node(info, name, now_ns if running else None) for name in (n.name for n in info.nodes)],
            "requirements": self._requirements(),
            "notes": [{"utc": utc_text(one.t_ns)[:19], "text": one.text, "by": one.by} for one in self.notes()],
            "first_ms": info.started_ns // 10**6,
            "last_ms": self._end_ns // 10**6,
        }

    @property
    def _end_ns(self) -> int:
        return max(
            self.info.end_ns, *(newest.t_ns for newest in self._traces.newest.values()), self.info.started_ns + 1
        )

    def notes(self) -> list[Note]:
        """What was written down during the run, oldest first."""
        return [one for one in notes_of(self.path) if one.run == self.info.uid]

    def note(self, text: str, t_ns: int) -> Note:
        """Write something down beside the log, of the moment ``t_ns``, nanoseconds UTC.

        Raises:
            InputError: it is empty or too long, or can't be written.
        """
        note = Note(t_ns, self.info.uid, text.strip(), user_name())
        add_note(self.path, note)
        return note

    def _node(self, info: RunInfo, name: str, now_ns: int | None) -> dict[str, Any]:
        node = next(one for one in info.nodes if one.name == name)
        link = self._links.get(name, LinkState())
        channels, battery = [], ""
        for channel in node.channels:
            newest = self._traces.newest.get((name, channel.name))
            if channel.constant or newest is None:
                continue
            shown = []
            for one in (*channel.fields, *channel.sample_fields):
                if one.role in ("sequence", "node time", "sample time"):
                    continue
                value = newest.values.get(one.name)
                text = "no reading" if value is None else f"{_short(value)} {unit_text(one.unit)}".rstrip()
                shown.append([one.name, text])
                battery = text if one.role == "battery" else battery
            age_s = None if now_ns is None else max(round((now_ns - newest.t_ns) / 1e9, 1), 0)
            channels.append(
                {
                    "name": channel.name,
                    "utc": utc_text(newest.t_ns)[11:19],
                    "age_s": age_s,
                    "values": self._traces.values.get((name, channel.name), 0),
                    "faults": self._traces.faults.get((name, channel.name), 0),
                    "newest": shown,
                }
            )
        life = next(
            (m for m in self.standing.measures if (m.node, m.subject, m.name) == (name, LINK, "battery_life")), None
        )
        return {
            "name": name,
            "kind": node.kind,
            "state": link.state.value if now_ns is not None or link.state is State.UNFIT else "ended",
            "disconnects": link.disconnects,
            "battery": battery,
            "life": number(life.value, life.unit) if life is not None and life.value is not None else "",
            "channels": channels,
        }

    def _requirements(self) -> dict[str, Any]:
        standing = self.standing
        rows = [
            {
                "node": one.measure.node,
                "subject": one.measure.subject,
                "figure": one.measure.name,
                "found": number(one.measure.value, one.measure.unit),
                "bounds": bounds_text(one),
                "required": required(one),
                "verdict": one.outcome.value,
                "word": WORD[one.outcome],
                "why": one.why,
            }
            for one in standing.verdicts
        ]
        outcome = outcome_of(self.info, standing.verdicts) if standing.t_ns and self.info.ended_ns is not None else None
        return {
            "utc": utc_text(standing.t_ns)[:19] if standing.t_ns else "",
            "verdict": WORD[outcome] if outcome is not None else "",
            "rows": rows,
        }

    def events(self, after: int, most: int, before: int | None = None) -> list[dict[str, Any]]:
        """The newest events with numbers above ``after`` and below ``before``, at most so many, oldest first."""
        shown = [one for one in self._events if one[1].kind not in EVERYDAY]
        wanted = [one for one in shown if one[0] > after and (before is None or one[0] < before)][-most:]
        return [
            {
                "number": place,
                "utc": utc_text(event.t_ns)[:23],
                "node": event.node or "",
                "kind": event.kind.value,
                "detail": detail_text(event),
            }
            for place, event in wanted
        ]

    def plot_names(self) -> list[dict[str, str]]:
        """What can be plotted: the name of each plot, its node and its title."""
        found = []
        for node in self.info.nodes:
            found.append({"name": f"{node.name}.link", "node": node.name, "title": "Link"})
            for channel in node.channels:
                if channel.constant or (node.name, channel.name) not in self._traces.channels:
                    continue
                rate = f"{node.name}.{channel.name}:rate"
                found.append({"name": rate, "node": node.name, "title": f"Rate of {channel.name}"})
                for one in (*channel.fields, *channel.sample_fields):
                    if (node.name, channel.name, one.name) in self._traces.fields:
                        name = f"{node.name}.{channel.name}.{one.name}"
                        found.append({"name": name, "node": node.name, "title": f"{channel.name}: {one.name}"})
        return found

    def plots(self, names: Collection[str], from_ns: int | None = None, to_ns: int | None = None) -> list[Plot]:
        """Plots of a span, of the whole run by default."""
        with self._lock:
            return list(self._plots(names, from_ns, to_ns))

    def _plots(self, names: Collection[str], from_ns: int | None, to_ns: int | None) -> Iterator[Plot]:
        start_ns, end_ns = self.info.started_ns, self._end_ns
        from_ns, to_ns = max(from_ns or start_ns, start_ns), min(to_ns or end_ns, end_ns)
        to_ns = max(to_ns, from_ns + 1)
        wanted = {key: trace for key, trace in self._traces.fields.items() if ".".join(key) in names}
        bands = {key: trace.part(from_ns, to_ns, MOST_POINTS) for key, trace in wanted.items()}
        if wanted and to_ns - from_ns < MOST_POINTS * min(trace.width_ns for trace in wanted.values()):
            bands |= self._closely(wanted, from_ns, to_ns)
        for node in self.info.nodes:
            history = self._history(node.name, end_ns)
            if f"{node.name}.link" in names and not history.never_linked:
                lost, share = len(history.lost), 100 * history.linked_ns / max(history.run_ns, 1)
                yield link_plot(node.name, history, f"connected {share:.4g} % of the run, lost {lost} times")
            for channel in node.channels:
                own = history.heard if channel.broadcast else history
                trace = self._traces.channels.get((node.name, channel.name))
                if trace is not None and f"{node.name}.{channel.name}:rate" in names:
                    windows = max(min(_RATES, int(trace.counts.sum()) // _PER_WINDOW), 1)
                    yield self._rate(node.name, node.kind, channel.name, own, trace.part(start_ns, end_ns, windows))
                for one in (*channel.fields, *channel.sample_fields):
                    band = bands.get((node.name, channel.name, one.name))
                    if band is None or not np.isfinite(band.low).any():
                        continue
                    unit, low, high = unit_text(one.unit), float(np.nanmin(band.low)), float(np.nanmax(band.high))
                    said = f"{low:.6g} to {high:.6g} {unit}".rstrip()
                    overview, step_ms = Overview(band.low, band.high), band.width_ns / 1e6
                    yield field_plot(node.name, channel.name, one, own, band.start_ns, step_ms, overview, said)

    def _rate(self, node: str, kind: str, channel: str, history: History, band: Band) -> Plot:
        rules = [
            r for r in self.info.requirements if (r.subject, r.figure) == (channel, "rate") and r.whom in (kind, node)
        ]
        ended = int(np.searchsorted(band.start_ns + np.arange(len(band.counts)) * band.width_ns, self._end_ns))
        counts = band.counts[: max(ended - 1, 1)]  # the last window is not over
        seconds = band.width_ns / 1e9
        return rate_plot(
            node, channel, history, counts / seconds, seconds * 1e3, rules[-1] if rules else None,
            f"in windows of {seconds:.3g} s",
        )  # fmt: skip

    def _history(self, node: str, end_ns: int) -> History:
        own = [event for _, event in self._events if event.node == node]
        return link_history(own, self.info.started_ns, end_ns, self.info.paused_ns, self.info.stalls)

    def _closely(self, wanted: Mapping[FieldKey, Trace], from_ns: int, to_ns: int) -> Mapping[FieldKey, Band]:
        """The same from the frames themselves, where these are few."""
        near = [one for one in self._portions if one.from_ns < to_ns and from_ns <= one.to_ns]
        if not near or sum(one.last - one.first + 1 for one in near) > _FINE_FRAMES:
            return {}
        stretches = [found for one in near for found in self._tail.stretches(one.first, one.last)]
        return finer(stretches, wanted, from_ns, to_ns, MOST_POINTS)


def logs_in(paths: Sequence[Path]) -> dict[str, Path]:
    """The logs among some paths, and in the folders among them, by a name of its own each."""
    found: dict[str, Path] = {}
    for path in paths:
        for one in sorted(path.glob("*.db")) if path.is_dir() else [path]:
            if one in found.values():
                continue
            name = one.name
            while name in found:
                name = f"{name}~"
            found[name] = one
    return found


def runs_of(path: Path) -> list[dict[str, Any]]:
    """What a log holds, the newest run first, as JSON can hold it.

    Raises:
        LogFileError: it can't be used.
    """
    with Log(path) as log, log.damage_reported():
        runs = [log.run(number) for number in reversed(log.run_ids())]
    return [
        {
            "id": run.id,
            "title": run.title,
            "started": utc_text(run.started_ns)[:19],
            "ended": "goes on, or was cut off" if run.ended_ns is None else run.ended_how,
            "nodes": ", ".join(node.name for node in run.nodes[:_MOST_NAMES])
            + (" …" if len(run.nodes) > _MOST_NAMES else ""),
        }
        for run in runs
    ]


def _short(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _identity(path: Path) -> tuple[int, int]:
    """Which file stands there."""
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_dev, found.st_ino
