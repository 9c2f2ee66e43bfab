"""Channels that store values while nobody listens: nothing that arrives late is taken for loss, drift or a burst."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from gateway.analysis.evidence import evidence
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import ProblemsError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame, Measure
from tests.support import figures, own_plugin, plugin_folder, run_bench, run_file

SECOND = 10**9
COUNTED = """stores = 400
fields = [{ name = "sequence", type = "uint8", role = "sequence" }, { name = "level", type = "uint16" }]
"""
STAMPED = """stores = 400
fields = [
  { name = "at", type = "uint32", lsb = "1 ms", unit = "s", role = "node time" },
  { name = "level", type = "uint16" },
]
"""


def soak(
    folder: Path, fields: str, absences: list[tuple[float, float]], lost: set[int] = frozenset(), depth: int = 400
) -> dict[str, Measure]:
    """The figures of an hour of a value each second by a clock 50 ppm fast; while the link is away values are kept, and
    sent eight a connection event of 30 ms once it is back."""
    period_s, end_s = 1 / (1 + 50e-6), 3600.0
    plugin, path = own_plugin(folder, fields), folder / "soak.db"
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    for gone, back in absences:
        writer.event(LinkEvent.of(round(gone * SECOND), "a", EventKind.LOST, {"reason": "test"}))
        writer.event(LinkEvent.of(round(back * SECOND), "a", EventKind.READY))
    kept: list[int] = []
    sent_s = 0.0
    for number in range(1, int(end_s / period_s)):
        sampled_s = number * period_s
        away = next((span for span in absences if span[0] <= sampled_s < span[1]), None)
        if away is not None:
            kept = [*kept, number][-depth:]
            continue
        back_s = max((back for _, back in absences if back <= sampled_s), default=0.0)
        for place, old in enumerate(kept):
            sent_s = back_s + 0.05 + 0.03 * (place // 8)
            write(writer, fields, old, sent_s, lost)
        kept = []
        sent_s = max(float(np.ceil(sampled_s / 0.03)) * 0.03, sent_s)  # what is stored goes first
        write(writer, fields, number, sent_s, lost)
    writer.close(round(end_s * SECOND), "test")
    return {name: m for (_, subject, name), m in figures(path).items() if subject in ("c", "link")}


def write(writer: LogWriter, fields: str, number: int, at_s: float, lost: set[int]) -> None:
    if number in lost:
        return
    own = struct.pack("<B", number & 0xFF) if fields is COUNTED else struct.pack("<I", round(number * 1000))
    writer.frame(Frame(round(at_s * SECOND), "a", "c", own + struct.pack("<H", number)))


ABSENCES = [(600.4, 900.2), (2000.7, 2300.9)]


@pytest.mark.parametrize("fields", [COUNTED, STAMPED])
def test_what_was_stored_and_sent_later_is_neither_loss_nor_drift_nor_a_burst(tmp_path: Path, fields: str) -> None:
    found = soak(tmp_path, fields, ABSENCES)
    assert found["rate"].value == pytest.approx(1, rel=0.005)
    assert found["gap_longest"].value is not None and found["gap_longest"].value < 2.2
    assert found["burst_largest"].value == 1
    assert found["coverage"].value == pytest.approx(100)
    assert found["stored_most"].value == pytest.approx(301, abs=2)
    assert found["catch_up_longest"].value == pytest.approx(0.05 + 0.03 * 301 / 8, abs=1.1)
    if fields is COUNTED:
        assert (found["loss"].value, found["duplicates"].value) == (0, 0)
    else:
        drift = found["clock_drift"]
        assert drift.low is not None and drift.high is not None and drift.low <= 50 <= drift.high
        assert found["restarts"].value == 0


@pytest.mark.parametrize("fields", [COUNTED, STAMPED])
def test_what_is_missing_among_stored_values_is_missing(tmp_path: Path, fields: str) -> None:
    found = soak(tmp_path, fields, ABSENCES, lost={100, 700, 701, 702, 2100, 3000})
    n = 3599 - 6 + 6
    assert found["coverage"].value == pytest.approx(100 - 100 * 6 / n, abs=0.01)
    if fields is COUNTED:
        assert found["loss"].value == pytest.approx(100 * 6 / n, abs=0.01)


def test_an_absence_longer_than_the_store_is_deep_costs_what_did_not_fit(tmp_path: Path) -> None:
    """A counter of 8 bits, an absence of 300 s, a store of 200: 100 values are gone."""
    found = soak(tmp_path, COUNTED, ABSENCES[:1], depth=200)
    assert found["loss"].value == pytest.approx(100 * 100 / 3599, abs=0.05)
    assert found["stored_most"].value == pytest.approx(200, abs=1)


def test_a_channel_that_was_never_away_has_no_stored_values(tmp_path: Path) -> None:
    found = soak(tmp_path, COUNTED, [])
    assert found["stored_most"].value is None and found["catch_up_longest"].value is None
    assert found["coverage"].value == pytest.approx(100) and found["rate"].n == 3599


def test_the_evidence_of_a_figure_of_live_values_is_every_value_as_it_came(tmp_path: Path) -> None:
    soak(tmp_path, COUNTED, ABSENCES)
    with Log(tmp_path / "soak.db") as log:
        run = log.run()
        query = evidence(run, Measure("a", "c", "loss", 0.0, "percent", 1, "values"))
        assert len(list(log._query(query))) == 3599


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ('stores = 5\nfields = [{ name = "x", type = "uint8" }]', "neither a sequence counter nor a node time"),
        ('stores = 0\nfields = [{ name = "x", type = "uint8", role = "sequence" }]', "greater than or equal to 1"),
    ],
)
def test_stored_values_need_something_that_tells_when_they_were_sampled(tmp_path: Path, fields: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        own_plugin(tmp_path, fields)


PLUGIN = """
[plugin]
kind = "keeper"
title = "Keeps what nobody heard"
[characteristic.level]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
stores = 50
fields = [{ name = "sequence", type = "uint16", role = "sequence" }, { name = "level", type = "uint16" }]
[characteristic.pace]
uuid = "b1c70012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "write"]
fields = [{ name = "period", type = "uint16", lsb = "1 ms", unit = "s", limits = ["0.05 s", "10 s"] }]
[sensor.level]
data = "level"
period = { characteristic = "pace", default = "0.1 s" }
"""
RUN = """
[run]
title = "t"
radio = "virtual"
plugins = ["plugins"]
[node.a]
plugin = "keeper"
find = { name = "A" }
sensor = { level = {} }
[twin.a]
faults = { drop_link_every = "20 s" }
"""


def test_a_simulated_node_keeps_what_nobody_heard_and_sends_it_first(tmp_path: Path) -> None:
    plugin_folder(tmp_path, PLUGIN, "keeper")
    run_bench(run_file(tmp_path, RUN), tmp_path / "x.db", 120)
    found = figures(tmp_path / "x.db")
    assert found["a", "link", "disconnects"].value in (4, 5)
    assert found["a", "level", "loss"].value == 0
    assert found["a", "level", "coverage"].value == pytest.approx(100)
    stored = found["a", "level", "stored_most"].value
    assert stored is not None and 2 <= stored <= 50
    assert found["a", "level", "rate"].value == pytest.approx(10, rel=0.02)


@pytest.mark.parametrize("times_too_fast", [2, 5])
def test_a_node_that_sends_too_fast_is_no_backlog(tmp_path: Path, times_too_fast: int) -> None:
    plugin, path = own_plugin(tmp_path, COUNTED.replace("400", "50")), tmp_path / "x.db"
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    writer.event(LinkEvent.of(0, "a", EventKind.SETTING, {"period_s": {"c": 1.0}}))
    writer.event(LinkEvent.of(1, "a", EventKind.READY))
    for number in range(100 * times_too_fast):
        raw = struct.pack("<BH", number & 0xFF, 1)
        writer.frame(Frame(round((number + 1) / times_too_fast * SECOND), "a", "c", raw))
    writer.close(100 * SECOND, "test")
    found = figures(path)
    assert found["a", "c", "rate"].value == pytest.approx(times_too_fast, rel=0.02)
    assert found["a", "c", "stored_most"].value is None


def test_a_clock_that_is_set_between_stored_and_live_values_leaves_them_in_place(tmp_path: Path) -> None:
    """Thirty values stamped since power-up, then stamps of the time of day."""
    plugin, path = own_plugin(tmp_path, STAMPED.replace("1 ms", "1 s")), tmp_path / "x.db"
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    writer.event(LinkEvent.of(40 * SECOND, "a", EventKind.READY))
    for number in range(30):
        at_s = 40.05 + 0.03 * (number // 8)
        writer.frame(Frame(round(at_s * SECOND), "a", "c", struct.pack("<IH", number, 1)))
    for number in range(300):
        writer.frame(Frame((41 + number) * SECOND, "a", "c", struct.pack("<IH", 1_700_000_000 + number, 1)))
    writer.close(341 * SECOND, "test")
    coverage = figures(path)["a", "c", "coverage"].value
    assert coverage is not None and coverage > 95
