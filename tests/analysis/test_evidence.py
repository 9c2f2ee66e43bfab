"""Each figure comes with a query that shows it: run on the log by plain SQLite, it gives the figure."""

from __future__ import annotations

import dataclasses
import inspect
import random
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gateway.analysis.evidence import evidence
from gateway.analysis.measure.link import interval_s
from gateway.analysis.measure.nodeclock import node_clock
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import CHANNEL_FIGURES, FIELD_FIGURES, FITTED, LINK_FIGURES
from gateway.model.figures.declare import Figure, JudgedWhen, Needs
from gateway.model.records import Frame, Measure
from tests.support import figures, open_database, own_plugin

SECOND = 10**9
START_NS = 1_772_000_000 * SECOND
FIELDS = """
fields = [
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "uptime", type = "uint32", lsb = "1 ms", role = "node time" },
  { name = "t", type = "sint16", lsb = "0.01 degC", limits = ["-40 degC", "30 degC"], reserved = { 0x8000 = "none" } },
]
[characteristic.d]
uuid = "b1c70012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "v", type = "uint8", lsb = "0.5 V", limits = ["1 V", "90 V"] }]
samples = { every = "10 ms", fields = [{ name = "w", type = "uint8", limits = ["0", "200"] }] }
[characteristic.e]
uuid = "b1c70013-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "count", type = "uint8", role = "sequence" }, { name = "level", type = "uint8", lsb = "1" }]
"""
BEFORE_LINK, BEFORE_LOSS = 1.0, 100.0


def log_of(path: Path) -> Path:
    """A node with everything wrong that a figure speaks of: two links, losses, late and doubled values, wrong lengths,
    a restart, a stuck and a spiky sensor, refused settings, a sensor that talks while it is off."""
    rng = random.Random(7)
    plugin = own_plugin(path, FIELDS)
    facts = RunFacts("t", START_NS, None, "none", "", "", {"a": (plugin, "A"), "b": (plugin, "B")})
    writer = LogWriter(path / "x.db", facts)

    def tell(second: float, kind: EventKind, **detail: object) -> None:
        writer.event(LinkEvent.of(START_NS + round(second * SECOND), "a", kind, detail))

    tell(0.1, EventKind.CONNECT_FAILED, reason="no answer")
    tell(0.5, EventKind.FOUND, rssi_dbm=-61)
    tell(0.7, EventKind.DESCRIPTOR_DIFFERS, characteristic="c", descriptor="0x2904", found="x")
    tell(0.8, EventKind.SETTING, characteristic="s", period_s={"c": 0.1, "e": 0.1}, on={"d": True})
    tell(0.9, EventKind.SETTING_DIFFERS, characteristic="s2", refused="no")
    tell(0.95, EventKind.PROCEDURE_FAILED, procedure="p", reason="no")
    tell(BEFORE_LINK, EventKind.READY)
    tell(60, EventKind.SETTING, characteristic="s", on={"d": False})
    tell(80, EventKind.SETTING, characteristic="s", on={"d": True})
    tell(BEFORE_LOSS, EventKind.LOST, reason="x")
    tell(104, EventKind.FOUND, rssi_dbm=-77)
    tell(105, EventKind.READY)
    tell(190, EventKind.LOST, reason="x")
    tell(191, EventKind.LOST, reason="y")
    for second, span_s in ((105.02, 0.6), (150.05, 2.0)):
        writer.event(LinkEvent.of(START_NS + round(second * SECOND), "", EventKind.HOST_STALL, {"span_s": span_s}))
    frames: list[tuple[float, str, bytes]] = []
    number = 0
    for i in range(1800):
        at = 1.05 + 0.105 * i + rng.choice((0.0, 0.0, 0.015))  # on connection events 15 ms apart
        number += 1 + (rng.random() < 0.03)
        value = 2000 + round(300 * np.sin(i / 200)) + rng.randrange(-4, 5)
        value = (
            2100 if 500 < i < 620 else 3000 if i == 900 else 3100 if i == 1200 else -0x8000 if i % 97 == 0 else value
        )
        uptime = round(at * 1000 * 1.0001) if i < 1500 else round((at - 150) * 1000)
        raw = struct.pack("<BIh", number & 0xFF, uptime & 0xFFFFFFFF, value)
        frames.append((at, "c", raw[:-1] if i % 211 == 7 else raw))
        frames += [(at + 0.002, "c", raw)] if i % 301 == 9 else []
        if i % 401 == 11:  # it overtakes the value before
            (first, _, earlier), (second, _, later) = frames[-2:]
            frames[-2:] = [(first, "c", later), (second, "c", earlier)]
        if i % 7 == 0 and not 800 < i < 830:
            frames.append((at + 0.001, "d", bytes([2 + i % 190, i % 256, 250, 3])))
        if i % 3 or i % 50 == 0:
            frames.append((at + 0.003, "e", bytes([i & 0xFF, i % 9 * 2])))
    for at, channel, raw in sorted(frames, key=lambda one: one[0]):
        writer.frame(Frame(START_NS + round(at * SECOND), "a", channel, raw))
    writer.frame(Frame(START_NS + SECOND, "b", "c", bytes(7)))
    writer.close(START_NS + 200 * SECOND, "test")
    return path / "x.db"


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return log_of(tmp_path_factory.mktemp("evidence"))


def shown(log: Path, measure: Measure) -> list[tuple[Any, ...]]:
    with Log(log) as opened:
        query = evidence(opened.run(), measure)
    with open_database(log) as connection:
        return connection.execute(query).fetchall()


def fitted(measure: Measure, rows: list[tuple[Any, ...]]) -> float | None:
    """What the rows of a query show of a figure that SQL can't work out."""
    if measure.name == "interval":
        return interval_s(np.array([gap for _, gap in rows]))
    times, stamps = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    turn_s, step_s, leap_s = (2.0**32 / 1000, 0.001, None) if measure.subject == "c" else (25.6, 1.8, 1.6)
    clock = node_clock(times, stamps, turn_s, step_s, leap_s)
    return clock.drift_ppm if measure.name == "clock_drift" else clock.jitter_s


OF_STORED = {name for name, figure in CHANNEL_FIGURES.items() if figure.needs.stores}  # in test_stored
OF_ENERGY = {"battery_life"}  # in tests/energy


@pytest.mark.parametrize(
    "name", [n for n in (*CHANNEL_FIGURES, *LINK_FIGURES, *FIELD_FIGURES) if n not in OF_STORED | OF_ENERGY]
)
def test_the_query_of_a_figure_gives_the_figure(log: Path, name: str) -> None:
    measures = [m for m in figures(log).values() if m.name == name and m.node == "a"]
    assert any(m.value for m in measures), "the log shows nothing of it"
    for measure in measures:
        rows = shown(log, measure)
        if measure.value is None:
            assert name in FITTED or not rows or rows[0][-1] is None
        elif name in FITTED:
            assert fitted(measure, rows) == pytest.approx(measure.value), measure
        else:
            assert (rows[0][-1] if rows else 0) == pytest.approx(measure.value, rel=1e-6, abs=1e-9), measure


def test_what_a_log_does_not_hold_has_no_query(log: Path) -> None:
    with Log(log) as opened:
        run = opened.run()
    for node, subject, name in (("z", "c", "rate"), ("a", "z", "rate"), ("a", "c.z", "mean"), ("a", "c", "none")):
        assert evidence(run, Measure(node, subject, name, 1.0, "", 1, "")) == ""


@pytest.mark.parametrize("kind", [Figure, JudgedWhen, Needs])
def test_a_figure_that_lacks_one_of_its_facts_cannot_be_declared(kind: type) -> None:
    facts = {field.name: None for field in dataclasses.fields(kind)}
    given = {one.name for one in inspect.signature(kind).parameters.values() if one.default is not one.empty}
    assert given <= {"nothing"}  # why there is no figure, which is nearly always the same
    for name in facts.keys() - given:
        with pytest.raises(TypeError, match=name):
            kind(**{key: value for key, value in facts.items() if key != name})
