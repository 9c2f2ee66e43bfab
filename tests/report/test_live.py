"""What a person sees of a run as it happens, and finds when coming back to it."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from gateway.log.batch import ChannelStatus, WriterStatus
from gateway.log.store import RunFacts
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.link import LinkState, State
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from gateway.report.journal import Journal
from gateway.report.live import LiveDisplay, NodeView, RunView
from tests.support import EPOCH_NS

SECOND = 10**9


def view(path: Path, elapsed_s: float, frames: int) -> RunView:
    status = WriterStatus(path, frames)
    newest = {"sequence": 7, "temperature_degC": 19.53, "humidity_percent": 51.02, "pressure_hPa": 1006.4}
    status.channels["crate-a", "climate"] = ChannelStatus(frames, 2, 0, 2_340_000_000, newest, frozenset({"sequence"}))
    nodes = (
        NodeView("crate-a", LinkState(State.CONNECTED, 1, disconnects=3), ""),
        NodeView("crate-b", LinkState(), ""),
    )
    rule = Requirement("loan-crate", "climate", "rate", 5.0, 10.5, "1/s")
    return RunView("Two crates", elapsed_s, 7 * 86400.0, nodes, status, {("crate-a", "climate"): rule})


def test_the_display_tells_all_that_matters_within_80_columns(tmp_path: Path) -> None:
    (tmp_path / "x.db").write_bytes(bytes(2_500_000))
    out = io.StringIO()
    display = LiveDisplay(Console(file=out, width=80, force_terminal=True, color_system=None))
    with display:
        display(view(tmp_path / "x.db", 3600, 100))
        display(view(tmp_path / "x.db", 3602, 108))
    text = out.getvalue().replace("\x1b[2K", "").replace("\x1b[1A", "")
    last = text[text.rindex("Two crates") :]
    assert max(len(line) for line in last.replace("\r", "").splitlines()) <= 80
    for told in ("6 d 22:59:58 left", "108 values in 2.5 MB", "4.0-", "5 to 10.5", "lost 3x", "2.34", "searching"):
        assert told in last, told


@pytest.mark.parametrize("per_s", [1 / 60, 0.1, 1.0, 4.0, 100.0])
def test_a_channel_at_its_required_rate_is_shown_at_it_and_at_nothing_soon_after_it_stops(
    tmp_path: Path, per_s: float
) -> None:
    out = io.StringIO()
    shown = []
    every_s, stops_s = max(0.25, 0.05 / per_s), 100.0 + 6 / per_s
    with LiveDisplay(Console(file=out, width=100, force_terminal=True, color_system=None)) as display:
        for look in range(int((stops_s + 100 + 6 / per_s) / every_s)):
            at_s = look * every_s
            out.truncate(0)
            display(view(tmp_path / "x.db", at_s, int(min(at_s, stops_s) * per_s + 0.3)))
            shown.append((at_s, out.getvalue().split(" climate ")[1].split()[0].rstrip("-+")))
    steady = {float(text) for at_s, text in shown if 3 / per_s + 5 < at_s < stops_s}
    assert all(abs(value - per_s) <= 0.06 * per_s for value in steady), steady
    assert {text for at_s, text in shown if at_s > stops_s + max(6.0, 4 / per_s)} == {"0.0"}


def test_elsewhere_a_run_is_told_in_lines(tmp_path: Path) -> None:
    out = io.StringIO()
    with LiveDisplay(Console(file=out, width=80)) as display:
        display(view(tmp_path / "x.db", 0, 0))
        display(view(tmp_path / "x.db", 1, 8))
        display(view(tmp_path / "x.db", 5, 40))
    assert len(out.getvalue().splitlines()) == 2


def test_a_week_leaves_a_line_an_hour_and_every_event_beside_its_log(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "soak.db")
    facts = RunFacts("Soak", EPOCH_NS, None, "none", "", "", {"crate-a": (find_plugin("loan-crate"), "A")})
    writer = journal.sink(facts, tmp_path / "soak.db")
    writer.event(LinkEvent.of(EPOCH_NS + SECOND, "crate-a", EventKind.LOST, {"reason": "timeout\nforged line"}))
    for minute in range(7 * 24 * 60):
        journal(view(tmp_path / "soak.db", 60.0 * minute, 480 * minute))
    writer.frame(Frame(EPOCH_NS, "crate-a", "climate", b""))
    writer.close(EPOCH_NS + 7 * 86400 * SECOND, "duration reached")
    lines = (tmp_path / "soak.txt").read_text("utf-8").splitlines()
    assert len(lines) == 1 + 1 + 7 * 24 + 1
    assert lines[1] == "2026-01-01T00:00:01.000Z crate-a lost: reason timeout forged line"
    assert lines[3].startswith("2026-01-01T01:00:00.000Z") and "climate 8.0/s" in lines[3]
    assert lines[-1].endswith("run ended: duration reached; 1 values")


def test_a_disk_that_refuses_the_journal_costs_the_run_nothing(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "soak.db")
    facts = RunFacts("Soak", EPOCH_NS, None, "none", "", "", {"crate-a": (find_plugin("loan-crate"), "A")})
    writer = journal.sink(facts, tmp_path / "soak.db")
    (tmp_path / "soak.txt").unlink(missing_ok=True)
    (tmp_path / "soak.txt").mkdir()
    journal(view(tmp_path / "soak.db", 0, 0))
    (tmp_path / "soak.txt").rmdir()
    writer.close(EPOCH_NS, "stopped")
    assert "run started" in (tmp_path / "soak.txt").read_text("utf-8")


def test_the_longest_gap_shown_is_one_of_a_link(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "x.db")
    facts = RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    writer = journal.sink(facts, tmp_path / "x.db")
    for second in (1, 2, 5):
        writer.frame(Frame(second * SECOND, "a", "climate", b""))
    writer.close(6 * SECOND, "test")
    assert writer.status.channels["a", "climate"].gap_longest_ns == 3 * SECOND
