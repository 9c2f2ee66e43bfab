"""A run as it happens: a table that redraws in place on a terminal, a line now and then elsewhere."""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from gateway.log.batch import WriterStatus
from gateway.model.figures import Requirement
from gateway.model.link import LinkState
from gateway.model.records import Outcome
from gateway.report.tables import bounds_of

RATE_WINDOW_S = 5.0
RATE_LOOKS = 6
LINE_EVERY_S = 5.0


@dataclass(frozen=True, slots=True)
class NodeView:
    """A node in a run in progress: the state of its link, and what is wrong with it."""

    name: str
    link: LinkState
    unfit: str

    @property
    def text(self) -> str:
        """What it is doing, and how often its link was lost."""
        lost = f", lost {self.link.disconnects}x" if self.link.disconnects else ""
        return f"{self.link.state}{lost}"


@dataclass(frozen=True, slots=True)
class SoFar:
    """What can be said of the requirements of a run before its end, whenever that is: node, subject, figure and
    verdict of each, inconclusive for what is open."""

    at_s: float
    verdicts: tuple[tuple[str, str, str, str], ...]

    @property
    def line(self) -> str:
        """How many are decided, and which fail."""
        found = Counter(verdict for *_, verdict in self.verdicts)
        failed = [" ".join(whose) for *whose, verdict in self.verdicts if verdict == Outcome.FAIL]
        which = f" ({', '.join(failed[:3])}{', ...' if len(failed) > 3 else ''})" if failed else ""
        return (
            f"verdicts after {clock_text(self.at_s)}, valid whenever the run ends: {found[Outcome.PASS]} pass, "
            f"{found[Outcome.FAIL]} FAIL{which}, {found[Outcome.INCONCLUSIVE]} open"
        )


@dataclass(frozen=True, slots=True)
class RunView:
    """A run in progress, to be looked at; nothing in it may be changed. Times in seconds."""

    title: str
    elapsed_s: float
    length_s: float | None
    nodes: tuple[NodeView, ...]
    status: WriterStatus
    required: Mapping[tuple[str, str], Requirement] = field(default_factory=dict)  # rates, by node and channel
    sending: str = ""  # how the values go on to a broker
    so_far: SoFar | None = None


def clock_text(seconds: float) -> str:
    """Hours, minutes and seconds, with days in front from the first day on."""
    days, rest = divmod(int(seconds), 86400)
    text = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days} d {text}" if days else text


class LiveDisplay:
    """Shows a `RunView` each time it is called; a context manager."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = (
            Live(console=console, auto_refresh=False, transient=True)
            if console.is_terminal and not console.is_dumb_terminal
            else None
        )
        self._seen: dict[tuple[str, str], deque[tuple[float, int]]] = defaultdict(deque)
        self._next_line_s = 0.0

    def __enter__(self) -> Self:
        if self._live:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Show nothing any more, so that other output can follow."""
        if self._live:
            self._live.stop()
            self._live = None

    def __call__(self, view: RunView) -> None:
        rates = {key: self._rate(key, view.elapsed_s, status.frames) for key, status in view.status.channels.items()}
        if self._live:
            self._live.update(self._table(view, rates), refresh=True)
        elif view.elapsed_s >= self._next_line_s:
            self._next_line_s += LINE_EVERY_S if view.elapsed_s < 300 else 3600.0
            self._console.print(line_of(view, rates), soft_wrap=True, highlight=False)

    def _rate(self, key: tuple[str, str], now_s: float, frames: int) -> float | None:
        """Values a second, between the looks that found more; of a slow channel over as long as that takes."""
        seen = self._seen[key]
        if frames and (not seen or frames > seen[-1][1]):
            seen.append((now_s, frames))
        while len(seen) > RATE_LOOKS and seen[0][0] < now_s - RATE_WINDOW_S:
            seen.popleft()
        if len(seen) < 2:
            return None if seen else 0.0
        (first_s, first), (last_s, last) = seen[0], seen[-1]
        interval_s = (last_s - first_s) / (last - first)
        silent_s = now_s - last_s
        if silent_s > max(RATE_WINDOW_S, 3 * interval_s):
            return 0.0
        return (last - first) / (last_s - first_s + max(silent_s - interval_s, 0.0))

    def _table(self, view: RunView, rates: dict[tuple[str, str], float | None]) -> Group:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold", expand=True)
        for name in ("node", "channel"):
            table.add_column(name, no_wrap=True)
        for name in ("per s", "required", "values", "errors", "gap s"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("newest", no_wrap=True, overflow="ellipsis", ratio=1)
        for node in view.nodes:
            style = "" if node.link.up_ns is not None else "yellow"
            table.add_row(Text(node.name, "bold"), Text(node.text, style), "", "", "", "", "", node.unfit)
            for (owner, channel), status in sorted(view.status.channels.items()):
                if owner == node.name:
                    rate = rates[owner, channel]
                    newest = ", ".join(
                        _short(*item) for item in status.newest.items() if item[0] not in status.counters
                    )
                    bad = Text(str(status.faults), "red") if status.faults else Text("0")
                    rule = view.required.get((owner, channel))
                    table.add_row(
                        "",
                        channel,
                        _held(rate, rule),
                        bounds_of(rule.low, rule.high) if rule else "",
                        str(status.frames),
                        bad,
                        f"{status.gap_longest_ns / 1e9:.3g}" if status.gap_longest_ns else "",
                        newest,
                    )
        left_s = None if view.length_s is None else max(view.length_s - view.elapsed_s, 0)
        left = "" if left_s is None else f", {clock_text(left_s)} left"
        trouble = f"  log: {view.status.trouble}" if view.status.trouble else ""
        log = f"{view.status.frames} values in {_size(view.status.path)}"
        head = [Text(view.title, "bold"), Text(f"{clock_text(view.elapsed_s)}{left}; {log}{trouble}")]
        told = [view.so_far.line] if view.so_far is not None and view.so_far.verdicts else []
        return Group(*head, *(Text(line) for line in (*told, view.sending) if line), table)


def line_of(view: RunView, rates: Mapping[tuple[str, str], float | None]) -> str:
    """A run in a line, for files and for those who read along."""
    parts = []
    for node in view.nodes:
        own = [channel for owner, channel in view.status.channels if owner == node.name]
        heard = ", ".join(f"{channel} {_per_s(rates[node.name, channel] or 0.0)}/s" for channel in own)
        parts.append(f"{node.name} {node.text}" + (f" ({heard})" if heard else ""))
    length = "" if view.length_s is None else f" of {clock_text(view.length_s)}"
    trouble = f"; log: {view.status.trouble}" if view.status.trouble else ""
    log = f"{view.status.frames} values in {_size(view.status.path)}"
    sending = f"; {view.sending}" if view.sending else ""
    told = f"; {view.so_far.line}" if view.so_far is not None and view.so_far.verdicts else ""
    return f"{clock_text(view.elapsed_s)}{length}  {'; '.join(parts)}; {log}{trouble}{sending}{told}"


def _per_s(rate: float) -> str:
    return f"{rate:.2g}" if 0 < rate < 1 else f"{rate:.1f}"


def _held(rate: float | None, rule: Requirement | None) -> Text:
    """A rate, marked where it is outside what is required."""
    if rate is None:
        return Text("")
    low = rule is not None and rule.low is not None and rate < rule.low
    high = rule is not None and rule.high is not None and rate > rule.high
    return Text(f"{_per_s(rate)}{'-' if low else '+' if high else ' '}", "red" if low or high else "")


def _size(path: Path) -> str:
    """The size of a log, what is written ahead of it included."""
    size = sum(part.stat().st_size for part in (path, path.with_name(path.name + "-wal")) if part.exists())
    return f"{size / 1e6:.1f} MB" if size < 1e9 else f"{size / 1e9:.2f} GB"


class CountDisplay:
    """Shows how far a replay is that goes as fast as it can; nothing where the output is no terminal."""

    def __init__(self, console: Console) -> None:
        self._status = console.status("reading")

    def __enter__(self) -> Self:
        self._status.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._status.stop()

    def __call__(self, view: RunView) -> None:
        self._status.update(f"{view.status.frames} values in the log, {clock_text(view.elapsed_s)} of the capture")


def _short(column: str, value: object) -> str:
    shown = "-" if value is None else f"{value:.5g}" if isinstance(value, float) else str(value)
    return f"{column} {shown}"
