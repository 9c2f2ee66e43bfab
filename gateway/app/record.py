"""Write a run straight into a capture instead of a log, while it happens."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from functools import partial
from pathlib import Path

from gateway.app.run import RunResult, execute
from gateway.capture import Header, Record, TextWriter
from gateway.config import RunConfig
from gateway.host.files import refuse_existing, refuse_same
from gateway.log.batch import WriterStatus
from gateway.log.store import RunFacts
from gateway.log.writer import QUEUE_FRAMES
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent, Overflow
from gateway.model.radios import RadioName
from gateway.model.records import Frame
from gateway.report.live import RunView

BATCH_INTERVAL_S = 0.1


async def record(
    config: RunConfig,
    output: Path,
    length_ns: int | None = None,
    on_view: Callable[[RunView], None] = lambda view: None,
    force: bool = False,
) -> RunResult:
    """Carry out a run into a capture, a text of one record a line, instead of a log.

    Args:
        output: the capture; .gz or .zst in its name compresses it.
        length_ns: how long; None until asked to stop.
        on_view: called twice a second with the state of the run.
        force: overwrite a capture that is there.

    Raises:
        AdapterError: Bluetooth can't be used.
        InputError: the capture can't be written.
    """
    refuse_same(output, config.path)
    refuse_existing(output, force)
    return await execute(config, partial(CaptureRecorder, output), length_ns, on_view)


class CaptureRecorder:
    """A `Sink` that is a capture. Delivery: once `close` has returned, every record accepted is in the file, or
    counted in ``status.dropped``; what was written before the disk refused is in the ``.part`` file.

    Args:
        path: the capture.
        facts: of the run.

    Raises:
        InputError: it can't be written.
    """

    run = 1

    def __init__(self, path: Path, facts: RunFacts) -> None:
        self.status = WriterStatus(path)
        kinds = {name: plugin.kind for name, (plugin, _) in facts.nodes.items()}
        origin = "invented" if facts.radio == RadioName.VIRTUAL else "real"
        self._writer = TextWriter(path, Header(origin, "", facts.title, kinds, facts.started_ns, facts.planned_ns))
        for name, (plugin, _) in facts.nodes.items():
            for channel in (*plugin.constants, *plugin.channels):
                _ = self.status.channels[name, channel]  # all there from the start: others look while we write
        self._records: deque[Record] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="capture writer", daemon=True)
        self._thread.start()

    def frame(self, frame: Frame) -> None:
        """Queue a frame; one that finds the queue full is counted."""
        if len(self._records) >= QUEUE_FRAMES:
            self.status.dropped += 1
        else:
            self._records.append(frame)

    def event(self, event: LinkEvent) -> None:
        """Queue an event."""
        self._records.append(event)

    def close(self, t_ns: int, how: str) -> None:
        """Write what is queued and complete the file. Blocks."""
        if self.status.dropped:
            self.event(LinkEvent(t_ns, None, Overflow(frames=self.status.dropped)))
        self._stop.set()
        self._thread.join()
        if not self.status.failed:
            try:
                self._writer.close((t_ns, how))
            except InputError as error:
                self.status.failed = str(error)

    def _work(self) -> None:
        stopping = False
        while not stopping:
            stopping = self._stop.wait(BATCH_INTERVAL_S)
            batch = [self._records.popleft() for _ in range(len(self._records))]
            frames = [record for record in batch if isinstance(record, Frame)]
            try:
                if not self.status.failed:
                    self._writer.write(batch)
                    self._writer.flush()
            except InputError as error:
                self.status.failed = str(error)
            if self.status.failed:
                self.status.dropped += len(frames)
                continue
            self.status.frames += len(frames)
            for frame in frames:
                channel = self.status.channels[frame.node, frame.channel]
                channel.frames += 1
                channel.t_ns = frame.t_ns
