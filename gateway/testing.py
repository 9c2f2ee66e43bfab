"""For the tests of a firmware repository: pytest fixtures for a node on the bench or a simulated one, a run whose
figures can be asserted, and run files that pytest collects, one test item for each requirement. Imports nothing of the
rest until a test asks for it, as pytest loads it wherever gattest is installed."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from gateway.app.run import Finished
    from gateway.config import RunConfig
    from gateway.log.store import RunFacts
    from gateway.log.writer import LogWriter
    from gateway.model.events import EventKind, LinkEvent
    from gateway.model.records import Frame, Measure, Verdict
    from gateway.plugin import Plugin

_GROUP = "gattest"  # for xdist with --dist loadgroup: one radio, one worker
_READY_S, _ENDING_S, _TURN_S = 60.0, 30.0, 0.2


def pytest_addoption(parser: pytest.Parser) -> None:
    """What a test run can be told."""
    group = parser.getgroup("gattest", "nodes on the bench (gattest)")
    group.addoption("--gattest-runfile", metavar="FILE", help="Run file of the fixtures gattest_node and gattest_run.")
    group.addoption("--gattest-radio", metavar="NAME", help="Radio in place of the run file's: system, hci or virtual.")
    group.addoption("--gattest-for", metavar="DURATION", help="Length of runs in place of the run file's.")
    group.addoption(
        "--gattest-into", metavar="DIR", help="Where logs and reports are kept; pytest's own folder if not."
    )
    parser.addini("gattest_runfile", "Run file of the fixtures gattest_node and gattest_run.", default="")


def pytest_itemcollected(item: pytest.Item) -> None:
    """All that uses the radio goes to one worker of xdist."""
    if isinstance(item, RequirementItem) or {"gattest_node", "gattest_run"} & set(getattr(item, "fixturenames", ())):
        item.add_marker(pytest.mark.xdist_group(_GROUP))


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A run file that is named on the command line."""
    named = {Path(str(one).partition("::")[0]).resolve() for one in parent.config.args}
    if file_path.suffix == ".toml" and file_path.resolve() in named:
        return RunFile.from_parent(parent, path=file_path)
    return None


class RequirementFailedError(Exception):
    """A requirement that was not met."""


class InconclusiveError(Exception):
    """A requirement that the run could not decide."""


@dataclass(slots=True)
class Run:
    """A run that has ended.

    Attributes:
        log, report: the files that are kept of it.
        verdicts: on each requirement.
        measures: all figures.
    """

    log: Path
    report: Path
    verdicts: list[Verdict]
    measures: list[Measure]
    troubles: list[str] = field(default_factory=list)

    def figure(self, node: str, subject: str, name: str) -> Measure:
        """A figure, such as ``figure("crate-1", "climate", "rate")``.

        Raises:
            KeyError: there is none such.
        """
        for one in self.measures:
            if (one.node, one.subject, one.name) == (node, subject, name):
                return one
        raise KeyError(f"no figure {name} of {node} {subject}")

    def verdict(self, node: str, subject: str, name: str) -> Verdict:
        """A verdict.

        Raises:
            KeyError: that is not required.
        """
        for one in self.verdicts:
            if (one.measure.node, one.measure.subject, one.measure.name) == (node, subject, name):
                return one
        raise KeyError(f"{name} of {node} {subject} is not required")


@dataclass(frozen=True, slots=True)
class Value:
    """A value that came: when, nanoseconds UTC, its bytes, and its fields in their units; None for no reading."""

    t_ns: int
    raw: bytes
    fields: dict[str, int | float | str | None]


class _Tee:
    """A log that also hands on what it is given."""

    def __init__(self, writer: LogWriter, node: Node) -> None:
        self._writer, self._node = writer, node
        self.status, self.run = writer.status, writer._writer.run

    def frame(self, frame: Frame) -> None:
        self._writer.frame(frame)
        self._node._take(frame)

    def event(self, event: LinkEvent) -> None:
        self._writer.event(event)
        self._node._happened(event)

    def add_node(self, *arguments: Any) -> None:
        self._writer.add_node(*arguments)

    def close(self, t_ns: int, how: str) -> None:
        self._writer.close(t_ns, how)


class Node:
    """A node that is linked and set up, listened to by a thread of its own.

    Attributes:
        name: in the run file.
        plugin: what it is.
        log: where all is kept.
    """

    def __init__(self, config: RunConfig, log: Path) -> None:
        self.name, one = next(iter(config.nodes.items()))
        self.plugin: Plugin = one.plugin
        self.log = log
        self._config = config
        self._changed = threading.Condition()
        self._values: dict[str, list[tuple[int, bytes]]] = defaultdict(list)
        self._events: list[LinkEvent] = []
        self._failed: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[Any] | None = None
        from gateway.plugin.unpack import Unpacking

        self._unpacking = Unpacking()
        self._thread = threading.Thread(target=self._work, name="gattest node", daemon=True)

    def events(self, kind: EventKind | None = None) -> list[LinkEvent]:
        """What happened so far, of one kind or all."""
        with self._changed:
            return [one for one in self._events if kind is None or one.kind is kind]

    def values(self, channel: str, count: int = 1, within_s: float = 10.0) -> list[Value]:
        """The next values of a channel.

        Raises:
            TimeoutError: fewer came in time.
            KeyError: the plugin has no such channel.
        """
        if channel not in self.plugin.channels:
            raise KeyError(f"{self.plugin.kind} has no channel {channel!r}; it has {', '.join(self.plugin.channels)}")
        deadline = time.monotonic() + within_s
        with self._changed:
            first = len(self._values[channel])
            while len(self._values[channel]) < first + count:
                left = deadline - time.monotonic()
                if self._failed is not None:
                    raise self._failed
                if left <= 0:
                    came = len(self._values[channel]) - first
                    raise TimeoutError(f"{came} of {count} values of {self.name} {channel} in {within_s:g} s")
                self._changed.wait(left)
            found = self._values[channel][first : first + count]
        codec = self.plugin.characteristics[channel].codec
        made = []
        for t_ns, raw in found:
            try:
                fields = {one.name: one.value for one in codec.read(raw)}
            except Exception as error:
                raise AssertionError(f"{self.name} {channel}: {error}; bytes {raw.hex()}") from error
            made.append(Value(t_ns, raw, fields))
        return made

    def _take(self, frame: Frame) -> None:
        with self._changed:
            self._values[frame.channel].append((frame.t_ns, frame.raw))
            if frame.channel in self.plugin.steps:
                one = [(len(self._values[frame.channel]), frame.t_ns, frame.raw)]
                messages, _ = self._unpacking.take(frame.node, self.plugin, frame.channel, one)
                for name, ones in messages.items():
                    self._values[name] += [(message.t_ns, message.raw) for message in ones]
            self._changed.notify_all()

    def _happened(self, event: LinkEvent) -> None:
        with self._changed:
            self._events.append(event)
            self._changed.notify_all()

    def _work(self) -> None:
        from gateway.app.run import execute
        from gateway.log.writer import LogWriter

        def sink(facts: RunFacts) -> Any:
            return _Tee(LogWriter(self.log, facts), self)

        async def live() -> None:
            self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
            with contextlib.suppress(asyncio.CancelledError):
                await execute(self._config, sink, None, lambda view: None)

        try:
            asyncio.run(live())
        except BaseException as error:
            with self._changed:
                self._failed = error
                self._changed.notify_all()

    def _start(self) -> None:
        from gateway.model.events import EventKind

        self._thread.start()
        deadline = time.monotonic() + _READY_S
        with self._changed:
            while not any(one.kind is EventKind.READY for one in self._events):
                if self._failed is not None:
                    raise self._failed
                unfit = [one for one in self._events if one.kind is EventKind.UNFIT]
                if unfit or (left := deadline - time.monotonic()) <= 0:
                    last = [f"{one.kind}: {one.facts}" for one in (unfit or self._events)[-3:]]
                    raise TimeoutError(
                        f"{self.name} was not ready in {_READY_S:g} s; last: {'; '.join(last) or 'nothing'}"
                    )
                self._changed.wait(left)

    def _end(self) -> None:
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(_ENDING_S)


@contextlib.contextmanager
def radio_turn(radio: str) -> Iterator[None]:
    """Have the radio of this machine to oneself: other processes that test with it wait for their turn. A virtual radio
    is each process's own."""
    from gateway.host.lock import FileLock
    from gateway.model.errors import LogFileError

    if radio == "virtual":
        yield
        return
    path = Path(tempfile.gettempdir()) / f"gattest-radio-{radio}"
    while True:
        try:
            lock = FileLock(path)
            break
        except LogFileError:
            time.sleep(_TURN_S)
    try:
        yield
    finally:
        lock.release()


def _told(config: pytest.Config, name: str) -> str:
    return str(config.getoption(name) or "")


def _loaded(config: pytest.Config, path: Path) -> RunConfig:
    """A run file, with the radio that the command line asks for."""
    from gateway.config import load_run
    from gateway.model.errors import GattestError
    from gateway.model.radios import RadioName

    try:
        loaded = load_run(path)
        if radio := _told(config, "--gattest-radio"):
            loaded = replace(loaded, radio=RadioName(radio))
    except (GattestError, ValueError) as error:
        raise pytest.UsageError(str(error)) from None
    return loaded


def _length_ns(config: pytest.Config, loaded: RunConfig) -> int:
    from gateway.model.errors import UnitError
    from gateway.model.units import parse_duration_ns

    if told := _told(config, "--gattest-for"):
        try:
            return parse_duration_ns(told)
        except UnitError as error:
            raise pytest.UsageError(f"--gattest-for {told!r}: {error}") from None
    if loaded.length_ns is None:
        raise pytest.UsageError(f"{loaded.path}: no length; add one under [run], or use --gattest-for")
    return loaded.length_ns


def _folder(config: pytest.Config, factory: pytest.TempPathFactory) -> Path:
    if told := _told(config, "--gattest-into"):
        Path(told).mkdir(parents=True, exist_ok=True)
        return Path(told)
    return factory.mktemp("gattest", numbered=True)


def _unused(folder: Path, stem: str) -> Path:
    names = (folder / f"{stem}{f'-{n}' if n > 1 else ''}.db" for n in range(1, 10_000))
    return next(path for path in names if not path.exists())


def _carried_out(config: pytest.Config, loaded: RunConfig, folder: Path) -> Run:
    """A run from its beginning to its report; in a thread, as a test may have a loop of its own."""
    from gateway.app.report import review
    from gateway.app.run import run

    log, length_ns = _unused(folder, loaded.path.stem), _length_ns(config, loaded)
    done: list[Finished] = []
    failed: list[BaseException] = []

    def work() -> None:
        try:
            done.append(asyncio.run(run(loaded, log, length_ns)))
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=work, name="gattest run")
    with radio_turn(loaded.radio.value):
        thread.start()
        thread.join()
    if failed:
        raise failed[0]
    judged = done[0].judged
    report = log.with_suffix(".html")
    review(done[0].log, judged.run.id).write_page(report, force=True)
    return Run(done[0].log, report, judged.verdicts, judged.measures, done[0].troubles)


@pytest.fixture(scope="session")
def gattest_config(request: pytest.FixtureRequest) -> RunConfig:
    """The run file of ``--gattest-runfile``, or of ``gattest_runfile`` in the configuration of pytest."""
    told = _told(request.config, "--gattest-runfile") or str(request.config.getini("gattest_runfile") or "")
    if not told:
        raise pytest.UsageError("no run file: use --gattest-runfile FILE, or gattest_runfile in pytest's configuration")
    return _loaded(request.config, request.config.rootpath / told)


@pytest.fixture
def gattest_node(
    request: pytest.FixtureRequest, gattest_config: RunConfig, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Node]:
    """The first node of the run file, or the one that ``@pytest.mark.parametrize("gattest_node", ["NAME"],
    indirect=True)`` names: linked and set up, and let go at the end of the test."""
    name = getattr(request, "param", None) or next(iter(gattest_config.nodes))
    if name not in gattest_config.nodes:
        raise pytest.UsageError(f"{gattest_config.path} has no node {name!r}: {', '.join(gattest_config.nodes)}")
    only = replace(
        gattest_config,
        nodes={name: gattest_config.nodes[name]},
        twins={key: twin for key, twin in gattest_config.twins.items() if key == name},
    )
    folder = _folder(request.config, tmp_path_factory)
    node = Node(only, _unused(folder, request.node.name.replace("/", "_").replace("[", "-").rstrip("]")))
    with radio_turn(only.radio.value):
        try:
            node._start()
            yield node
        finally:
            node._end()


@pytest.fixture(scope="session")
def gattest_run(
    request: pytest.FixtureRequest, gattest_config: RunConfig, tmp_path_factory: pytest.TempPathFactory
) -> Run:
    """A run of the whole run file, carried out once, with its figures and verdicts."""
    return _carried_out(request.config, gattest_config, _folder(request.config, tmp_path_factory))


class RunFile(pytest.File):
    """A run file: one item for each requirement and node."""

    _run: Run | None = None

    def collect(self) -> Iterator[pytest.Item]:
        """The items; nothing is carried out yet."""
        loaded = _loaded(self.config, self.path)
        for name, node in loaded.nodes.items():
            own = {(rule.subject, rule.figure) for rule in loaded.requirements if rule.whom == name}
            for rule in loaded.requirements:
                mine = rule.whom == name or (rule.whom == node.plugin.kind and (rule.subject, rule.figure) not in own)
                if mine:
                    yield RequirementItem.from_parent(
                        self, name=f"{name}::{rule.subject}::{rule.figure}", wanted=(name, rule.subject, rule.figure)
                    )

    def run_once(self) -> Run:
        """The run of this file, carried out when the first of its items asks for it."""
        if self._run is None:
            factory: pytest.TempPathFactory = self.config._tmp_path_factory  # type: ignore[attr-defined]
            loaded = _loaded(self.config, self.path)
            self._run = _carried_out(self.config, loaded, _folder(self.config, factory))
        return self._run


class RequirementItem(pytest.Item):
    """A requirement on a node."""

    def __init__(self, *, wanted: tuple[str, str, str], **more: Any) -> None:
        super().__init__(**more)
        self._wanted = wanted

    def setup(self) -> None:
        """Carry out the run; what it could not decide is an error, not a failure."""
        from gateway.model.records import Outcome

        assert isinstance(self.parent, RunFile)  # noqa: S101  that is who makes them
        run = self.parent.run_once()
        self.add_report_section("setup", "gattest", f"log {run.log}, report {run.report}")
        verdict = run.verdict(*self._wanted)
        if verdict.outcome is Outcome.INCONCLUSIVE:
            raise InconclusiveError("; ".join([_verdict_text(verdict), *run.troubles]))

    def runtest(self) -> None:
        """Fail where the requirement was not met."""
        from gateway.analysis.evidence import evidence
        from gateway.log.reader import Log
        from gateway.model.records import Outcome

        assert isinstance(self.parent, RunFile)  # noqa: S101
        run = self.parent.run_once()
        verdict = run.verdict(*self._wanted)
        if verdict.outcome is Outcome.FAIL:
            with Log(run.log) as log:
                query = evidence(log.run(), verdict.measure)
            raise RequirementFailedError(f"{_verdict_text(verdict)}\nreport {run.report}\nlog {run.log}\n{query}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What was found, without a traceback."""
        if isinstance(excinfo.value, RequirementFailedError | InconclusiveError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it stands."""
        return self.path, None, " ".join(self._wanted)


def _verdict_text(verdict: Verdict) -> str:
    """A verdict in a line: the figure, its bounds, what is required and why."""
    from gateway.report.tables import number, required

    one = verdict.measure
    bounds = ""
    if one.low is not None or one.high is not None:
        bounds = f" (95 %: {number(one.low, one.unit)} to {number(one.high, one.unit)})"
    why = f"; {verdict.why}" if verdict.why else ""
    return (
        f"{one.node} {one.subject} {one.name}: {number(one.value, one.unit)}{bounds}, required {required(verdict)}"
        f"{why}; {one.observed}"
    )
