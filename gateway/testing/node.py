"""A node for a test: linked and set up, listened to by a thread of its own, so that it serves tests with and without a
loop."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gateway.config import RunConfig
    from gateway.log.store import RunFacts
    from gateway.log.writer import LogWriter
    from gateway.model.events import EventKind, LinkEvent
    from gateway.model.records import Frame
    from gateway.plugin import Plugin

_READY_S, _ENDING_S = 60.0, 30.0


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

    def start(self) -> None:
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

    def end(self) -> None:
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(_ENDING_S)
