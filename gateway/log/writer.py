"""Fill a log from a run that happens now. Records are queued by the event loop and written by one thread in batches,
so that neither decoding nor the disk ever holds up the radio."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path

from gateway.log.batch import BatchWriter, WriterStatus
from gateway.log.store import RunFacts
from gateway.model.events import LinkEvent, Overflow
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import Plugin

BATCH_INTERVAL_S = 0.1
BATCH_FRAMES = 20_000
QUEUE_FRAMES = 2_000_000  # about 300 MB of waiting frames; beyond it they are dropped and counted
SPILL_FRAMES = 1_500_000  # so many waiting, and they go to a second log until the first answers again


class LogWriter:
    """A `Sink` that is a log. Delivery: once `close` has returned, every frame accepted is in the file, in the
    second file that ``status.failed`` names, or counted in ``status.dropped``.

    Args:
        path: the log; an existing one gets a new run beside those it has.
        facts: what to keep of the run.

    Raises:
        LogFileError: not a log, in use, or the folder is missing or can't be written.
    """

    def __init__(self, path: Path, facts: RunFacts) -> None:
        self._stop = threading.Event()
        self._frames: deque[Frame] = deque()
        self._writer = BatchWriter(path, facts, self._stop.is_set, lambda: len(self._frames) >= SPILL_FRAMES)
        self.run = self._writer.run
        self._events: deque[LinkEvent] = deque()
        self._ended: tuple[int, str] | None = None
        self._in_hand = 0  # frames taken from the queue and not yet accounted for
        self._thread = threading.Thread(target=self._work, name="log writer", daemon=True)
        self._thread.start()

    @property
    def status(self) -> WriterStatus:
        """How the writing goes."""
        return self._writer.status

    def frame(self, frame: Frame) -> None:
        """Queue a frame; one that finds the queue full is counted."""
        if len(self._frames) >= QUEUE_FRAMES:
            self.status.dropped += 1
        else:
            self._frames.append(frame)

    def event(self, event: LinkEvent) -> None:
        """Queue an event."""
        self._events.append(event)

    def add_node(self, name: str, plugin: Plugin, sought: str, rules: Sequence[Requirement]) -> None:
        """Tell of a node that joins the run, before its first record."""
        self._writer.add_node(name, plugin, sought, rules)

    def close(self, t_ns: int, how: str) -> None:
        """Write what is queued, note when and how the run ended, and let go of the file. Blocks."""
        if self.status.dropped:
            self.event(LinkEvent(t_ns, None, Overflow(frames=self.status.dropped)))
        self._ended = (t_ns, how)
        self._stop.set()
        self._thread.join()
        self._writer.close()

    # The writing thread

    def _work(self) -> None:
        try:
            self._drain()
        except Exception as error:  # nothing may end this thread unnoticed or leave a frame uncounted
            self.status.dropped += self._in_hand + len(self._frames)
            self.status.failed = (
                f"writing {self._writer.path} failed: {error!r}; what it holds is intact. "
                "This is a bug in gattest: please report it"
            )

    def _drain(self) -> None:
        stopping = False
        while not stopping:
            stopping = self._stop.wait(BATCH_INTERVAL_S)
            while self._frames or self._events:
                count = min(len(self._frames), BATCH_FRAMES)
                frames = [self._frames.popleft() for _ in range(count)]
                events = [self._events.popleft() for _ in range(len(self._events))]
                self._in_hand = len(frames)
                self._writer.write(frames, events)
                self._in_hand = 0
            self._writer.checkpoint()
        self._writer.write([], [], self._ended)
