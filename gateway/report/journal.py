"""The text beside a log: every event of a run as it happens, and a line an hour, to be read by a person who comes back
after a week, or followed meanwhile."""

from __future__ import annotations

from pathlib import Path

from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.texts import shown
from gateway.model.utc import utc_text
from gateway.report.live import RunView, line_of
from gateway.report.tables import detail_text

HOUR_S = 3600.0
_PATH_OF = ".txt"
_MOST_WAITING = 10_000  # lines, while the disk refuses
_LEFT_OUT = {EventKind.CONSTANT, EventKind.TABLE, EventKind.SIGNAL}


class Journal:
    """Writes the text, in the folder of the log and by its name. A disk that refuses costs lines here, not the run."""

    def __init__(self, log: Path, resumed_ns: int | None = None) -> None:
        path = log.with_suffix(_PATH_OF)
        self.path = path if path != log else log.with_name(log.name + _PATH_OF)
        self._waiting: list[str] = []
        self._resumed_ns = resumed_ns
        self._started_ns = 0
        self._next_s = 0.0
        self._counted: tuple[float, dict[tuple[str, str], int]] = (0.0, {})
        self._sending = ""

    def sink(self, facts: RunFacts, log: Path) -> JournaledWriter:
        """A log writer whose events come here as well.

        Raises:
            LogFileError: the log can't be written.
        """
        writer = JournaledWriter(log, facts, self)
        self._started_ns = facts.started_ns if self._resumed_ns is None else self._resumed_ns
        how = "started" if self._resumed_ns is None else "resumed"
        self.line(self._started_ns, f"run {how}: {facts.title}, log {log}")
        return writer

    def line(self, t_ns: int, text: str) -> None:
        """Add a line of this time, UTC; it is written when the run is looked at next."""
        self._waiting.append(" ".join([f"{utc_text(t_ns)[:23]}Z", *shown(text).splitlines()]))

    def __call__(self, view: RunView) -> None:
        """Write what has gathered, and once an hour how the run goes."""
        if view.elapsed_s >= self._next_s:
            then_s, before = self._counted
            now = {key: status.frames for key, status in view.status.channels.items()}
            passed_s = view.elapsed_s - then_s
            rates = {key: (n - before.get(key, 0)) / passed_s if passed_s > 0 else None for key, n in now.items()}
            self._counted, self._next_s = (view.elapsed_s, now), self._next_s + HOUR_S
            self.line(self._started_ns + round(view.elapsed_s * 1e9), line_of(view, rates))
        if (sending := view.sending.rpartition(" (")[0] or view.sending) != self._sending:  # but for how much is left
            self._sending = sending
            self.line(self._started_ns + round(view.elapsed_s * 1e9), view.sending)
        self.flush()

    def flush(self) -> None:
        """Write what has gathered; what the disk refuses waits for the next time."""
        if not self._waiting:
            return
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write("\n".join(self._waiting) + "\n")
            self._waiting.clear()
        except OSError:
            del self._waiting[:-_MOST_WAITING]


class JournaledWriter(LogWriter):
    """A log writer that tells a journal of each event."""

    def __init__(self, path: Path, facts: RunFacts, journal: Journal) -> None:
        super().__init__(path, facts)
        self._journal = journal

    def close(self, t_ns: int, how: str) -> None:
        super().close(t_ns, how)
        self._journal.line(t_ns, f"run ended: {how}; {self.status.frames} values")
        self._journal.flush()

    def event(self, event: LinkEvent) -> None:
        super().event(event)
        if event.kind not in _LEFT_OUT:
            whose = f"{event.node} " if event.node else ""
            text = f"{whose}{event.kind}: {detail_text(event)}".rstrip(": ")
            self._journal.line(event.t_ns, text)
