"""Parts of a run between notes, compared: what was before and after does not count."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.app.judge import compare
from gateway.log.notes import Note, add_note
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent, Lost, Ready
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from tests.support import EPOCH_NS

SECOND = 10**9


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A link that is up all the time for 100 s at 2/s, then is lost three times in 100 s at 1/s; 20 s of nothing before."""
    path = tmp_path / "x.db"
    writer = LogWriter(path, RunFacts("t", EPOCH_NS, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    at = EPOCH_NS + 20 * SECOND
    raw = bytes.fromhex("01006e098813cd8b01")
    writer.event(LinkEvent(EPOCH_NS + SECOND, "a", Ready()))
    for number in range(200):
        writer.frame(Frame(at + number * SECOND // 2, "a", "climate", bytes([number % 256, 0]) + raw[2:]))
    for number in range(100):
        t_ns = at + (100 + number) * SECOND
        if number in (20, 50, 80):
            writer.event(LinkEvent(t_ns, "a", Lost(reason="out of reach")))
            writer.event(LinkEvent(t_ns + SECOND // 2, "a", Ready()))
        writer.frame(
            Frame(
                t_ns + SECOND * 3 // 4, "a", "climate", bytes([(200 + number) % 256, (200 + number) // 256]) + raw[2:]
            )
        )
    writer.close(at + 200 * SECOND, "test")
    with Log(path) as opened:
        uid = opened.run().uid
    for text, seconds in (("on the table", 20), ("in the van", 120)):
        add_note(path, Note(EPOCH_NS + seconds * SECOND, uid, text))
    return path


def test_the_times_from_one_note_to_the_next_are_held_against_each_other(log: Path) -> None:
    found = compare(log, log, span_a="on the table", span_b="in the van")
    assert (found.before.lasted_s, found.after.lasted_s) == (100, 100)
    of = {(pair.subject, pair.figure): pair for pair in found.pairs}
    rate, lost, connected = of["climate", "rate"], of["link", "disconnects"], of["link", "connected"]
    assert rate.before is not None and rate.after is not None
    assert rate.before.value == pytest.approx(2, rel=0.02) and rate.after.value == pytest.approx(1, rel=0.03)
    assert (lost.before and lost.before.value, lost.after and lost.after.value) == (0, 3)
    assert connected.before is not None and connected.before.value == pytest.approx(100)
    assert connected.after is not None and connected.after.value == pytest.approx(98.5)


def test_a_note_that_is_not_there_is_told_with_those_that_are(log: Path) -> None:
    with pytest.raises(InputError, match="0 notes 'heater on' of this run; its notes are 'on the table', 'in the van'"):
        compare(log, log, span_a="heater on")
