"""From a capture to a log: its records take the way a live run's take, so that what is measured and judged is the
same. Also the way back: a part of a log becomes a capture."""

from __future__ import annotations

import heapq
import time
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Protocol

from gateway.capture import Header, Record, Trouble
from gateway.config import RunConfig
from gateway.log.batch import BatchWriter, RunFacts
from gateway.log.reader import ChannelInfo, Log, NodeInfo, RunInfo
from gateway.model.events import ConstantRead, LinkEvent, Ready
from gateway.model.link import LinkState
from gateway.model.records import Frame
from gateway.plugin import Plugin
from gateway.report.live import NodeView, RunView

BATCH_RECORDS = 20_000  # to a transaction
LOOK_EVERY_S = 0.5


class Capture(Protocol):
    """A recorded byte stream of any format."""

    path: Path
    header: Header
    trouble: Trouble
    ended: tuple[int, str] | None

    def records(self) -> Iterator[Record]: ...


@dataclass(frozen=True, slots=True)
class Replayed:
    """How a replay went.

    Attributes:
        frames, events: kept.
        trouble: what could not be read or kept.
        failed: why it had to end, "" where it did not.
    """

    run: int
    frames: int
    events: int
    trouble: Trouble
    failed: str


class _Nodes:
    """Which kind each node of a capture is, and what it is doing."""

    def __init__(self, header: Header, plugins: Mapping[str, Plugin], only: Plugin | None) -> None:
        self.kinds, self.plugins, self.only = header.kinds, plugins, only
        self.plugin_of: dict[str, Plugin | None] = {}
        self.channels: dict[str, frozenset[str]] = {}
        self.states: dict[str, NodeView] = {}

    def meet(self, name: str) -> Plugin | None:
        """The plugin of a node, looked up once."""
        if name not in self.plugin_of:
            plugin = self.plugins.get(self.kinds[name]) if name in self.kinds else self.only
            self.plugin_of[name] = plugin
            self.channels[name] = frozenset((*plugin.constants, *plugin.channels)) if plugin else frozenset()
            self.states[name] = NodeView(name, LinkState(), "")
        return self.plugin_of[name]

    def follow(self, event: LinkEvent) -> None:
        """Keep what a display shows of a node."""
        if event.node in self.states:
            before = self.states[event.node]
            self.states[event.node] = replace(before, link=before.link.after(event))


def replay(
    capture: Capture,
    log: Path,
    plugins: Mapping[str, Plugin],
    only: Plugin | None,
    spec: RunConfig | None,
    look: Callable[[RunView], None] | None,
    pace: float | None,
) -> Replayed:
    """Put a capture's records into a log.

    Args:
        capture: an open capture.
        log: the log; an existing one gets a run more.
        plugins: by kind, for the kinds that the capture names.
        only: the plugin of every node whose kind it does not name.
        spec: a run file whose requirements are kept with the run.
        look: called twice a second with its state.
        pace: as many times faster than it happened, None for as fast as it goes.

    Raises:
        LogFileError: the log can't be used.
    """
    nodes = _Nodes(capture.header, plugins, only)
    records = iter(capture.records())
    first = next(records, None)
    started_ns = capture.header.started_ns
    if started_ns is None:
        started_ns = first.t_ns if first is not None else time.time_ns()
    known = {name: (plugin, name) for name in capture.header.kinds if (plugin := nodes.meet(name)) is not None}
    writer = BatchWriter(log, _facts(capture, started_ns, known, spec))
    feed = _Feed(
        writer, nodes, capture.trouble, _Pace(started_ns, pace) if pace else None, look, capture.header, started_ns
    )
    how = "the replay was broken off"
    try:
        if first is not None:
            feed.run(chain([first], records))
        how = "the end of the capture" if not writer.lost else "the disk refused the log"
    finally:
        complete = how == "the end of the capture" and capture.ended is not None
        feed.end(*(capture.ended if complete and capture.ended else (max(feed.last_ns, started_ns), how)))
        writer.close()
    feed.show()
    if writer.status.dropped:
        capture.trouble.note("a value that could not be kept", str(log), writer.status.dropped)
    return Replayed(writer.run, writer.status.frames, feed.events, capture.trouble, writer.status.failed)


def _facts(
    capture: Capture, started_ns: int, nodes: Mapping[str, tuple[Plugin, str]], spec: RunConfig | None
) -> RunFacts:
    rules = spec.requirements if spec else ()
    return RunFacts(
        capture.header.title or capture.path.name,
        started_ns,
        capture.header.planned_ns,
        f"capture {capture.path.name} ({capture.header.origin})",
        str(capture.path),
        spec.text if spec else "",
        nodes,
        rules,
    )


class _Pace:
    """Waits until a record is due."""

    def __init__(self, started_ns: int, pace: float) -> None:
        self._started_ns, self._pace = started_ns, pace
        self._begun_s = time.monotonic()

    def wait(self, t_ns: int, meanwhile: Callable[[], None]) -> None:
        """Until the record's time has come; does ``meanwhile`` now and then."""
        due_s = self._begun_s + (t_ns - self._started_ns) / 1e9 / self._pace
        while (left_s := due_s - time.monotonic()) > 0:
            time.sleep(min(left_s, LOOK_EVERY_S))
            meanwhile()


class _Feed:
    """Gives records to the writer, no faster than it writes, and shows how far it is."""

    def __init__(
        self,
        writer: BatchWriter,
        nodes: _Nodes,
        trouble: Trouble,
        pace: _Pace | None,
        look: Callable[[RunView], None] | None,
        header: Header,
        started_ns: int,
    ) -> None:
        self.events = 0
        self.last_ns = 0
        self._writer, self._nodes, self._trouble, self._pace = writer, nodes, trouble, pace
        self._look, self._header = look, header
        self._told = set(header.kinds)
        self._kept: set[tuple[str, str]] = set()
        self._frames: list[Frame] = []
        self._events: list[LinkEvent] = []
        self._next_look_s = 0.0
        self._first_ns = started_ns

    def run(self, records: Iterable[Record]) -> None:
        """All records, each in its time; ends early where the log can't be written any more."""
        kept, push = self._kept, self._frames.append
        for taken, record in enumerate(records, 1):
            if self._pace is not None:
                self._pace.wait(record.t_ns, self._meanwhile)
            if record.t_ns > self.last_ns:
                self.last_ns = record.t_ns
            if taken % BATCH_RECORDS == 0 and not self._hand_over():
                return
            if type(record) is Frame and (record[1], record[2]) in kept:  # all but a few, so without ceremony
                push(record)
            else:
                self._take(record)

    def _take(self, record: Record) -> None:
        node = record.node
        if node is not None and node not in self._told:
            self._introduce(node)
        if node is not None and self._nodes.plugin_of.get(node) is None:
            self._trouble.note(f"a record of {node}, of which no plugin is known", f"at {record.t_ns} ns")
        elif isinstance(record, LinkEvent):
            self._events.append(record)
            self._nodes.follow(record)
            self.events += 1
        elif record.channel in self._nodes.channels[record.node]:
            self._kept.add((record.node, record.channel))
            self._frames.append(record)
        else:
            self._trouble.note(
                f"a value of {record.node} {record.channel}, which its plugin does not keep", f"at {record.t_ns} ns"
            )

    def _introduce(self, node: str) -> None:
        self._told.add(node)
        plugin = self._nodes.meet(node)
        if plugin is not None:
            self._writer.add_node(node, plugin, node)

    def _hand_over(self) -> bool:
        """Write what has come together; False where the log can't be written any more."""
        self._writer.write(self._frames, self._events)
        self._frames.clear()
        self._events.clear()
        self._writer.keep_house()
        self.show(now_and_then=True)
        return not self._writer.lost

    def end(self, t_ns: int, how: str) -> None:
        """Write the rest, and when and how the run ended."""
        self._writer.write(self._frames, self._events, (t_ns, how))

    def _meanwhile(self) -> None:
        self._hand_over()
        self.show()

    def show(self, now_and_then: bool = False) -> None:
        """Show the state of the replay."""
        if self._look is None or (now_and_then and time.monotonic() < self._next_look_s):
            return
        self._next_look_s = time.monotonic() + LOOK_EVERY_S
        passed_s = max(self.last_ns - self._first_ns, 0) / 1e9
        planned_s = self._header.planned_ns / 1e9 if self._header.planned_ns else None
        view = RunView(self._header.title, passed_s, planned_s, tuple(self._nodes.states.values()), self._writer.status)
        self._look(view)


def extract(
    log: Log,
    run: RunInfo,
    nodes: Collection[str],
    channels: Collection[str],
    since_ns: int | None,
    until_ns: int | None,
) -> tuple[Header, Iterator[Record]]:
    """A part of a log as a capture: its header, and its records by time.

    Args:
        log, run: which run.
        nodes, channels: only those; empty for all.
        since_ns, until_ns: only between these times, nanoseconds UTC; None for no bound.

    Raises:
        InputError: the run has no such node or channel.
    """
    kept = run.chosen(nodes, channels)
    low = since_ns if since_ns is not None else -(2**63)
    high = until_ns if until_ns is not None else 2**63 - 1
    whole = since_ns is None and until_ns is None
    header = Header(
        "invented" if run.radio == "virtual" or "(invented)" in run.radio else "real",
        "",
        run.title,
        {node.name: node.kind for node in kept},
        run.started_ns if since_ns is None else since_ns,
        run.planned_ns if whole else None,
    )
    constants, ready = _before(log, run, low)
    streams: list[Iterator[Record]] = [
        _frames(log, run, node, channel, (node.name, channel.name) in constants, low, high)
        for node in kept
        for channel in node.channels
        if not channels or channel.name in channels or (node.name, channel.name) in constants
    ]
    names = {node.name for node in kept} | {None}
    streams.append(LinkEvent(low, name, Ready(since="earlier")) for name in sorted(ready & names))
    streams.append(event for event in log.events(run) if event.node in names and low <= event.t_ns <= high)
    return header, heapq.merge(*streams, key=lambda record: record.t_ns)


def _before(log: Log, run: RunInfo, low: int) -> tuple[set[tuple[str, str]], set[str]]:
    """The constants that were read, by node and channel, and the nodes that were ready at a time."""
    constants: set[tuple[str, str]] = set()
    links: dict[str, LinkState] = defaultdict(LinkState)
    for event in log.events(run):
        node = event.node or ""
        if isinstance(event.detail, ConstantRead):
            constants.add((node, event.detail.characteristic))
        elif event.t_ns < low:
            links[node] = links[node].after(event)
    return constants, {node for node, link in links.items() if link.up_ns is not None}


def _frames(
    log: Log, run: RunInfo, node: NodeInfo, channel: ChannelInfo, constant: bool, low: int, high: int
) -> Iterator[Frame]:
    """The frames of a channel between two times; of a constant also those before, which its formulas need."""
    for chunk in log.rows(run, node, channel.relation, "t_ns, raw"):
        for t_ns, raw in chunk:
            if (low <= t_ns or constant) and t_ns <= high:
                yield Frame(t_ns, node.name, channel.name, raw)
