"""One run file, one run for each setting of the link."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from gateway.app.sweep import sweep
from gateway.model.errors import InputError, ProblemsError
from gateway.model.events import Connected, EventKind
from gateway.model.records import Outcome
from gateway.report.sweep import sweep_json, sweep_plot, sweep_tables
from tests.support import events, on_virtual_time, run_file

RUN = """
[run]
title = "Settings"
radio = "{radio}"
[sweep]
length = "3 s"
{settings}
[node.a]
plugin = "loan-crate"
find = {{ name = "A" }}
sensor = {{ climate = {{ period = "50 ms" }}, shock = {{ on = false }}, light = {{ on = false }} }}
poll = {{ battery = "10 s" }}
[node.b]
plugin = "loan-crate"
find = {{ name = "B" }}
sensor = {{ climate = {{ period = "1 s" }}, shock = {{ on = false }}, light = {{ on = false }} }}
poll = {{ battery = "10 s" }}
[spec.a]
climate.gap_longest = {{ max = "1 s" }}
[spec.b]
climate.gap_longest = {{ max = "10 ms" }}
"""
SETTINGS = 'interval = ["15 ms", "20 ms"]\nphy = ["1M", "2M"]'


def text(settings: str = SETTINGS, radio: str = "virtual") -> str:
    return RUN.format(settings=settings, radio=radio)


def test_each_interval_is_tried_on_each_phy_in_a_run_of_its_own(tmp_path: Path) -> None:
    tried = asyncio.run(sweep(run_file(tmp_path, text()), tmp_path / "x.db"))
    assert [(one.air.interval_ns / 1e6, one.air.mbit, one.run) for one in tried] == [
        (15, 1, 1),
        (20, 1, 2),
        (15, 2, 3),
        (20, 2, 4),
    ]
    link = events(tmp_path / "x.db", EventKind.CONNECTED)[0].detail  # of the newest run
    assert isinstance(link, Connected) and (link.connection_interval_ms, link.phy_mbit_per_s) == (20, 2)
    (first, *_) = json.loads(sweep_json(tried))
    (climate,) = [one for one in first["channels"] if (one["node"], one["channel"]) == ("a", "climate")]
    assert climate["interval"] == {"value": 0.015, "unit": "s"} and climate["rate"]["value"] > 10
    links, channels = sweep_tables(tried)
    for one in tried:  # each node has its own verdict
        assert one.outcomes == {"a": Outcome.INCONCLUSIVE, "b": Outcome.FAIL}
    assert links.row_count == 8 and channels.row_count >= 4
    plot = sweep_plot("x", tried)
    assert (15.0, 20.0) in {tuple(trace["x"]) for trace in plot.figure["data"]}


@pytest.mark.parametrize(
    ("settings", "radio", "told"),
    [
        ("", "virtual", "neither interval nor phy"),
        ('interval = ["7 ms"]', "virtual", "steps of 1.25 ms"),
        ('interval = ["15 ms"]', "system", "lets nobody set its links"),
    ],
)
def test_a_sweep_that_can_not_be_is_a_problem(tmp_path: Path, settings: str, radio: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        run_file(tmp_path, text(settings, radio))


def test_a_run_file_without_a_sweep_says_what_to_add(tmp_path: Path) -> None:
    config = run_file(tmp_path, text().replace('[sweep]\nlength = "3 s"\n' + SETTINGS, ""))
    with pytest.raises(InputError, match=r"add \[sweep\]"):
        on_virtual_time(lambda: sweep(config, tmp_path / "x.db"))
