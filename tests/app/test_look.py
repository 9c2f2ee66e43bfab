"""Verdicts of a run that goes on: a process of its own that looks now and then, never twice at once."""

from __future__ import annotations

import struct
import time
from pathlib import Path

from gateway.app.look import FIRST_S, LATER, Looks
from gateway.log.batch import WriterStatus
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from gateway.report.live import RunView, SoFar
from tests.support import EPOCH_NS

SECOND = 10**9
RULES = (
    Requirement("loan-crate", "climate", "rate", 9.0, None, "1/s"),
    Requirement("loan-crate", "climate", "loss", None, 1.0, "percent"),
    Requirement("loan-crate", "climate", "decode_errors", None, 0.0, ""),
)


def looked(looks: Looks, view: RunView) -> SoFar | None:
    """What a look finds, once it is through."""
    until = time.monotonic() + 60
    while (found := looks(view)) is None and time.monotonic() < until:
        time.sleep(0.05)  # another process works
    return found


def test_a_run_is_looked_at_while_it_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    facts = RunFacts("t", EPOCH_NS, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}, RULES)
    writer = LogWriter(path, facts)
    try:
        writer.event(LinkEvent.of(EPOCH_NS, "a", EventKind.READY))
        for number in range(900):
            raw = struct.pack("<HhH", number * 2, 2000, 5000) + (100_000).to_bytes(3, "little")  # every second is lost
            writer.frame(Frame(EPOCH_NS + number * SECOND // 10, "a", "climate", raw))
        while writer.status.frames < 900:
            time.sleep(0.05)  # the writer's own thread

        def view(elapsed_s: float) -> RunView:
            return RunView("t", elapsed_s, None, (), WriterStatus(path, 900))

        with Looks() as looks:
            assert looks(view(FIRST_S - 1)) is None
            found = looked(looks, view(90.0))
            assert found is not None and found.at_s == 90.0
            assert {figure: verdict for _, _, figure, verdict in found.verdicts} == {
                "rate": "pass",
                "loss": "fail",
                "decode_errors": "inconclusive",  # only the end can show that there are none
            }
            assert found.line.endswith("1 pass, 1 FAIL (a climate loss), 1 open")
            assert looks(view(90.0 * LATER - 1)) == found
    finally:
        writer.close(EPOCH_NS + 90 * SECOND, "test")


def test_a_log_that_can_not_be_read_costs_nothing_but_the_look(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(b"no log at all" * 100)
    with Looks() as looks:
        looks(RunView("t", 61.0, None, (), WriterStatus(path, 0)))
        process = looks._process
        assert process is not None
        process.wait(60)
        assert looks(RunView("t", 62.0, None, (), WriterStatus(path, 0))) is None


def test_a_run_that_ends_while_it_is_looked_at_waits_for_nothing(tmp_path: Path) -> None:
    begun = time.monotonic()
    with Looks() as looks:
        looks(RunView("t", 61.0, None, (), WriterStatus(tmp_path / "none.db", 0)))
    assert time.monotonic() - begun < 5
