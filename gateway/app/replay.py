"""From a capture to a log: its records take the way a live run's take, so that what is measured and judged is the
same."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Protocol

from gateway.app.judge import Judged, judge
from gateway.capture import ForeignCapture, Header, Record, TextCapture, Trouble, is_foreign, read_handles
from gateway.capture.cipher import read_keys
from gateway.config import RunConfig
from gateway.host.gc import freeze_gc
from gateway.log.batch import BatchWriter
from gateway.log.store import RunFacts
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent
from gateway.model.link import LinkState
from gateway.model.records import Frame
from gateway.plugin import Plugin, find_plugin
from gateway.report.live import NodeView, RunView

BATCH_RECORDS = 20_000  # to a transaction
VIEW_EVERY_S = 0.5


class Capture(Protocol):
    """A recorded byte stream of any format."""

    path: Path
    header: Header
    trouble: Trouble
    ended: tuple[int, str] | None

    def records(self) -> Iterator[Record]: ...

    def guesses(self) -> Iterator[str]: ...


@dataclass(frozen=True, slots=True)
class Replayed:
    """How a replay went.

    Attributes:
        frames, events: kept.
        trouble: what could not be read or kept.
        failed: why it had to end, "" where it did not.
        guesses: what may stand behind handles whose discovery is not in the capture, as lines of a file of handles.
    """

    run: int
    frames: int
    events: int
    trouble: Trouble
    failed: str
    guesses: tuple[str, ...] = ()


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


@dataclass(frozen=True, slots=True)
class Replay:
    """A capture that was put into a log, and how it was judged."""

    done: Replayed
    judged: Judged


def replay(
    path: Path,
    log: Path,
    plugin: Plugin | None = None,
    spec: RunConfig | None = None,
    handles: Path | None = None,
    ltk: Path | None = None,
    pace: float | None = None,
    on_view: Callable[[RunView], None] | None = None,
) -> Replay:
    """Put a capture into a log and judge it, as if it happened now.

    Args:
        path: the capture: gattest's own, btsnoop, pcap or pcapng.
        log: the log; an existing one gets a run more.
        plugin: of the nodes whose kind the capture does not name.
        spec: a run file whose nodes and requirements to use.
        handles: a file that names attribute handles, for a capture without their discovery.
        ltk: a file of long term keys, for links that are encrypted.
        pace: how many times faster than it happened; None for as fast as it goes.
        on_view: called twice a second with the state of the replay.

    Raises:
        InputError: the capture can't be read, or it names no plugin and none is given.
        LogFileError: the log can't be used.
    """
    freeze_gc()
    with _opened(path, plugin, spec, handles, ltk) as source:
        plugins, only = _plugins(source.header, plugin, spec)
        if only is None and not plugins:
            raise InputError(f"{path} does not name a plugin; specify it with --plugin")
        done = replay_capture(source, log, plugins, only, spec, on_view, pace)
    return Replay(done, judge(log, done.run))


@contextlib.contextmanager
def _opened(
    path: Path, given: Plugin | None, spec: RunConfig | None, handles: Path | None, ltk: Path | None
) -> Iterator[Capture]:
    if not is_foreign(path):
        for option, given_to in (("--handles", handles), ("--ltk", ltk)):
            if given_to is not None:
                raise InputError(f"{option} is for captures of phones and sniffers; {path} needs none")
        with TextCapture(path) as source:
            yield source
        return
    nodes = spec.nodes.values() if spec else ()
    plugins = list(
        {plugin.kind: plugin for plugin in [*(n.plugin for n in nodes), *([given] if given else [])]}.values()
    )
    if not plugins:
        raise InputError(
            f"{path} does not name the plugins of its nodes; use --plugin, or --spec with a run file of these nodes"
        )
    names = {sought: node.name for node in nodes for sought in (node.find_address, node.find_name) if sought}
    keys = read_keys(ltk) if ltk is not None else ()
    yield ForeignCapture(path, plugins, names, read_handles(handles, plugins) if handles else {}, keys)


def _plugins(header: Header, given: Plugin | None, spec: RunConfig | None) -> tuple[dict[str, Plugin], Plugin | None]:
    """The plugins of a capture's nodes: the one given, those of the run file, and those that are found by kind."""
    known = {node.plugin.kind: node.plugin for node in spec.nodes.values()} if spec else {}
    if given is not None:
        known[given.kind] = given
    found = {kind: known.get(kind) or find_plugin(kind) for kind in dict.fromkeys(header.kinds.values())}
    only = given
    if only is None and header.plugin:
        only = known.get(header.plugin) or find_plugin(header.plugin)
    if only is None and len(known) == 1:
        (only,) = known.values()
    return {**known, **found}, only


def replay_capture(
    capture: Capture,
    log: Path,
    plugins: Mapping[str, Plugin],
    only: Plugin | None,
    spec: RunConfig | None,
    on_view: Callable[[RunView], None] | None,
    pace: float | None,
) -> Replayed:
    """Put a capture's records into a log.

    Args:
        capture: an open capture.
        log: the log; an existing one gets a run more.
        plugins: by kind, for the kinds that the capture names.
        only: the plugin of every node whose kind it does not name.
        spec: a run file whose requirements are kept with the run; those of the plugins by default.
        on_view: called twice a second with its state.
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
    waiting = _Pace(started_ns, pace) if pace else None
    feed = _Feed(
        writer, nodes, capture.trouble, waiting, on_view, capture.header, started_ns, judged_by_plugins=spec is None
    )
    how = "replay interrupted"
    try:
        if first is not None:
            feed.run(chain([first], records))
        how = "end of capture" if not writer.lost else "log could not be written"
    finally:
        complete = how == "end of capture" and capture.ended is not None
        feed.end(*(capture.ended if complete and capture.ended else (max(feed.last_ns, started_ns), how)))
        writer.close()
    feed.show()
    if writer.status.dropped:
        capture.trouble.note("value that could not be stored", str(log), writer.status.dropped)
    guesses = tuple(capture.guesses())
    return Replayed(writer.run, writer.status.frames, feed.events, capture.trouble, writer.status.failed, guesses)


def _facts(
    capture: Capture, started_ns: int, nodes: Mapping[str, tuple[Plugin, str]], spec: RunConfig | None
) -> RunFacts:
    of_kinds = {plugin.kind: plugin.requirements for plugin, _ in nodes.values()}
    rules = spec.requirements if spec else tuple(rule for own in of_kinds.values() for rule in own)
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
            time.sleep(min(left_s, VIEW_EVERY_S))
            meanwhile()


class _Feed:
    """Gives records to the writer, no faster than it writes, and shows how far it is."""

    def __init__(
        self,
        writer: BatchWriter,
        nodes: _Nodes,
        trouble: Trouble,
        pace: _Pace | None,
        on_view: Callable[[RunView], None] | None,
        header: Header,
        started_ns: int,
        judged_by_plugins: bool,
    ) -> None:
        self._judged_by_plugins = judged_by_plugins
        self.events = 0
        self.last_ns = 0
        self._writer, self._nodes, self._trouble, self._pace = writer, nodes, trouble, pace
        self._on_view, self._header = on_view, header
        self._introduced = set(header.kinds)
        self._kept: set[tuple[str, str]] = set()
        self._frames: list[Frame] = []
        self._events: list[LinkEvent] = []
        self._next_view_s = 0.0
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
            if type(record) is Frame and (record[1], record[2]) in kept:  # all but a few, so by a short way
                push(record)
            else:
                self._take(record)

    def _take(self, record: Record) -> None:
        node = record.node
        if node is not None and node not in self._introduced:
            self._introduce(node)
        if node is not None and self._nodes.plugin_of.get(node) is None:
            self._trouble.note(f"record of {node}, which has no known plugin", record.t_ns)
        elif isinstance(record, LinkEvent):
            self._events.append(record)
            self._nodes.follow(record)
            self.events += 1
        elif record.channel in self._nodes.channels[record.node]:
            self._kept.add((record.node, record.channel))
            self._frames.append(record)
        else:
            self._trouble.note(
                f"value of {record.node} {record.channel}, which its plugin does not declare", record.t_ns
            )

    def _introduce(self, node: str) -> None:
        self._introduced.add(node)
        plugin = self._nodes.meet(node)
        if plugin is None:
            return
        others = (self._nodes.plugin_of.get(other) for other in self._introduced if other != node)
        fresh = plugin.kind not in {other.kind for other in others if other is not None}
        self._writer.add_node(node, plugin, node, plugin.requirements if self._judged_by_plugins and fresh else ())

    def _hand_over(self) -> bool:
        """Write what has come together; False where the log can't be written any more."""
        self._writer.write(self._frames, self._events)
        self._frames.clear()
        self._events.clear()
        self._writer.checkpoint()
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
        if self._on_view is None or (now_and_then and time.monotonic() < self._next_view_s):
            return
        self._next_view_s = time.monotonic() + VIEW_EVERY_S
        passed_s = max(self.last_ns - self._first_ns, 0) / 1e9
        planned_s = self._header.planned_ns / 1e9 if self._header.planned_ns else None
        view = RunView(self._header.title, passed_s, planned_s, tuple(self._nodes.states.values()), self._writer.status)
        self._on_view(view)
