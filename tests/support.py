"""What tests share: an event loop on virtual time, a run on a virtual air with the simulated nodes at hand,
and short ways to make plugins and run files."""

from __future__ import annotations

import asyncio
import contextlib
import os
import selectors
import shutil
import sqlite3
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pytest

from gateway.analysis.measure import measure_run
from gateway.app.air import make_twins
from gateway.app.judge import judge
from gateway.config import RunConfig, load_run
from gateway.host.clock import Clock
from gateway.log.info import RunInfo
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Measure, Verdict
from gateway.plugin import Plugin, load_plugin
from gateway.radio.twin import Twin
from gateway.radio.virtual import VirtualRadio
from gateway.session.supervisor import Supervisor

T = TypeVar("T")
EPOCH_NS = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z


class _Jumping(selectors.DefaultSelector):
    """Instead of waiting for a timer, moves the loop's time to it."""

    loop: VirtualTimeLoop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0 if timeout is None or timeout > 0 else timeout)
        if not ready and timeout is not None:
            self.loop.now_s += max(timeout, 0)
        elif not ready:
            ready = super().select(0.01)  # only threads are left to wait for
        return ready


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop in which a week of waiting takes as long as its work."""

    def __init__(self) -> None:
        selector = _Jumping()
        selector.loop = self
        self.now_s = 0.0
        super().__init__(selector)

    def time(self) -> float:
        return self.now_s


def virtual_clock(loop: asyncio.AbstractEventLoop) -> Clock:
    """The loop's time as UTC, beginning at 2026-01-01."""
    return Clock(lambda: round(loop.time() * 1e9), lambda: EPOCH_NS + round(loop.time() * 1e9))


def on_virtual_time(work: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run a coroutine to its end on a loop of its own."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(work())


@dataclass
class Bench:
    """A run in progress."""

    radio: VirtualRadio
    twins: dict[str, Twin]
    supervisor: Supervisor
    stop: asyncio.Event


def run_bench(
    config: RunConfig, log: Path, seconds: float, script: Callable[[Bench], Awaitable[None]] | None = None
) -> None:
    """A run on a virtual air in virtual time; ``script`` acts on it meanwhile."""

    async def run() -> None:
        loop = asyncio.get_running_loop()
        clock = virtual_clock(loop)
        async with VirtualRadio(config.air) as radio:
            twins = make_twins(config, radio)
            facts = RunFacts(
                config.title,
                clock.now_ns(),
                None,
                radio.name,
                str(config.path),
                config.text,
                {name: (node.plugin, node.find_name or "") for name, node in config.nodes.items()},
            )
            writer = LogWriter(log, facts)
            bench = Bench(radio, twins, Supervisor(config, radio, writer, clock), asyncio.Event())
            try:
                async with asyncio.TaskGroup() as group:
                    tasks = [group.create_task(twin.run()) for twin in twins.values()]
                    if script is not None:
                        tasks.append(group.create_task(script(bench)))  # type: ignore[arg-type]
                    loop.call_later(seconds, bench.stop.set)
                    await bench.supervisor.run(bench.stop)
                    for task in tasks:
                        task.cancel()
            finally:
                writer.close(bench.supervisor.ended_ns or clock.now_ns(), "test")

    on_virtual_time(run)


@contextlib.contextmanager
def open_database(path: Path, **options: Any) -> Iterator[sqlite3.Connection]:
    """A database, whose changes are kept; closed afterwards, which SQLite's own does not do."""
    with contextlib.closing(sqlite3.connect(path, **options)) as connection, connection:
        yield connection


def needs_program(name: str) -> pytest.MarkDecorator:
    """Skips a test on a machine without this program; in CI, where CI=true, it then fails instead."""
    missing = shutil.which(name) is None and os.environ.get("CI") != "true"
    return pytest.mark.skipif(missing, reason=f"{name} is not installed")


def run_file(folder: Path, text: str, name: str = "run.toml") -> RunConfig:
    """A proven run file of this text."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return load_run(path)


def plugin_folder(folder: Path, text: str, kind: str = "probe") -> Path:
    """A plugin folder of this text."""
    path = folder / "plugins" / kind
    path.mkdir(parents=True, exist_ok=True)
    (path / "plugin.toml").write_text(text, encoding="utf-8")
    return path


def own_plugin(folder: Path, fields: str) -> Plugin:
    """A plugin of the kind ``own`` whose one channel ``c`` is declared by these lines."""
    head = '[plugin]\nkind = "own"\ntitle = "Own"\n[characteristic.c]\nproperties = ["notify"]\n'
    uuids = "".join(
        f'{key} = "b1c700{number}-5d1e-4c1b-9a77-2f0d3c6e0001"\n' for key, number in (("uuid", 11), ("service", 10))
    )
    return load_plugin(plugin_folder(folder, head + uuids + fields, "own"))


def figures(log: Path) -> dict[tuple[str, str, str], Measure]:
    """The figures of a log's newest run by node, subject and name."""
    with Log(log) as opened:
        return {(m.node, m.subject, m.name): m for m in measure_run(opened, opened.run())}


def verdicts_of(log: Path, run: int | None = None, spec: RunConfig | None = None) -> tuple[RunInfo, list[Verdict]]:
    """A run of a log, judged."""
    judged = judge(log, run, spec)
    return judged.run, judged.verdicts


def events(log: Path, kind: EventKind | None = None) -> list[LinkEvent]:
    """The events of a log's newest run."""
    with Log(log) as opened:
        return [e for e in opened.events(opened.run()) if kind is None or e.kind is kind]


def run_info(log: Path) -> RunInfo:
    """The newest run of a log."""
    with Log(log) as opened:
        return opened.run()


def wait_for(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    """Wait in real time for another process."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"did not happen within {seconds} s")
        time.sleep(0.05)
