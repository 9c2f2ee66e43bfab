"""The forecast from a log, against what the virtual air counts of the same run, and the slope of a battery level against
scipy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import theilslopes

from gateway.analysis.measure.energy import level_of, load_of
from gateway.analysis.measure.link import link_history
from gateway.energy import Draws, Profile, nominal, parts_of
from gateway.energy.life import total
from gateway.energy.radio import advertising_event, around, charge, pair, widening_s
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame, Outcome
from gateway.plugin import find_plugin
from gateway.radio.air import Counted
from tests.energy.support import profile
from tests.support import Bench, figures, plugin_folder, run_bench, run_file, verdicts_of

RUN = """
[run]
title = "t"
radio = "virtual"
[air]
interval = "50 ms"
packet_errors = "ERRORS percent"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "500 ms" }, shock = { period = "200 ms" }, light = { period = "2 s" } }
poll = { battery = "20 s" }
[twin.a]
faults = { drop_link_every = "60 s" }
"""
DAY_NS = 86_400 * 10**9


def spent_c(made: Profile, draws: Draws, done: Counted, interval_s: float, run_s: float) -> float:
    """The charge of everything that the air saw, event by event."""
    first_s = draws["radio.first_receive"] - draws["radio.before_receive.time"] + widening_s(interval_s, made.clock_ppm)
    event = around(draws) + first_s * draws["radio.before_receive.current"] - charge(draws, ("send_to_receive",))
    spent = done.events * event + done.advertised * advertising_event(draws, made.advertising_bytes)
    spent = spent + sum(n * pair(draws, down, up, 1) for (down, up), n in done.pairs.items())
    return float(np.asarray(spent + draws["sleep"] * run_s)[0])


@pytest.mark.parametrize("errors", [0, 3])
def test_the_forecast_is_within_two_percent_of_what_the_air_counted(tmp_path: Path, errors: int) -> None:
    kept: list[Bench] = []

    async def keep(bench: Bench) -> None:
        kept.append(bench)

    run_bench(run_file(tmp_path, RUN.replace("ERRORS", str(errors))), tmp_path / "x.db", 240.0, keep)
    (done,) = [one for one in kept[0].radio.air.counted.values() if one.events]
    made, plugin = profile(), find_plugin("loan-crate")
    draws = nominal(made)
    with Log(tmp_path / "x.db") as log:
        run = log.run()
        history = link_history(log.events(run, run.nodes[0]), run.started_ns, run.end_ns)
        load = load_of(log, run, run.nodes[0], history, plugin, None)
    load = replace(load, retries=1 - (1 - errors / 100) ** 2, advertising_s=0.1)
    run_s = history.run_ns / 1e9
    forecast_c = float(total(parts_of(made, load, draws))[0]) * run_s
    assert forecast_c == pytest.approx(spent_c(made, draws, done, 0.05, run_s), rel=0.02)
    # a crate measures its shocks a hundred times a second, and tells them twenty at a time
    assert load.sensors["shock"].measurements_per_s == pytest.approx(100, rel=0.03)
    assert load.interval_s == pytest.approx(0.05) and load.connected > 0.98


ENERGY = """
[energy]
sleep = { value = "1 uA", source = "measured" }
[energy.cell]
capacity = ["180 mAh", "180 mAh", "180 mAh"]
capacitor = "10 mF"
[energy.radio]
head = { current = "6 mA", time = "0.5 ms" }
preprocessing = { current = "8 mA", time = "0.3 ms" }
preamble = { current = "12 mA", time = "0.1 ms" }
before_receive = { current = "26 mA", time = "0.1 ms" }
first_receive = "0.4 ms"
receive = "26 mA"
receive_to_send = { current = "14 mA", time = "0.1 ms" }
before_send = { current = "36 mA", time = "0.1 ms" }
send = "36 mA"
send_to_receive = { current = "15 mA", time = "0.1 ms" }
transient = { current = "12 mA", time = "0.1 ms" }
postprocessing = { current = "8 mA", time = "0.8 ms" }
tail = { current = "4 mA", time = "0.1 ms" }
"""


@pytest.mark.parametrize(
    ("limit", "outcome"), [("1 hour", Outcome.PASS), ("30 year", Outcome.FAIL), ("WHATEVER", Outcome.INCONCLUSIVE)]
)
def test_battery_life_is_judged_by_its_interval(tmp_path: Path, limit: str, outcome: Outcome) -> None:
    text = find_plugin("loan-crate").text.replace('kind  = "loan-crate"', 'kind  = "own-crate"')
    plugin_folder(tmp_path, text + ENERGY, "own-crate")
    run_text = (
        RUN.replace("loan-crate", "own-crate")
        .replace("ERRORS", "0")
        .replace('title = "t"', 'title = "t"\nplugins = ["plugins"]')
    )
    run_bench(run_file(tmp_path, run_text), tmp_path / "x.db", 60.0)
    found = figures(tmp_path / "x.db")["a", "link", "battery_life"]
    assert found.low is not None and found.high is not None and found.value is not None
    assert found.low < found.value < found.high
    middle = f"{found.value:.3f} day" if limit == "WHATEVER" else limit
    spec = run_file(tmp_path, run_text + f'[spec.own-crate.link]\nbattery_life = {{ min = "{middle}" }}\n', "spec.toml")
    (verdict,) = verdicts_of(tmp_path / "x.db", spec=spec)[1]
    assert verdict.outcome is outcome


def log_with_levels(path: Path, levels: list[int]) -> Path:
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    for number, level in enumerate(levels):
        writer.frame(Frame(number * DAY_NS // 4, "a", "battery", bytes([level])))
    writer.close(len(levels) * DAY_NS // 4, "test")
    return path


def test_the_slope_of_a_level_is_that_of_scipy(tmp_path: Path) -> None:
    chance = np.random.default_rng(3)
    levels = [int(100 - 0.3 * n / 4 + chance.normal(0, 0.6)) for n in range(200)]
    with Log(log_with_levels(tmp_path / "x.db", levels)) as log:
        run = log.run()
        found = level_of(log, run, run.nodes[0])
    referee = theilslopes(levels, np.arange(len(levels)) / 4, 0.95)
    assert found is not None and found.per_day == pytest.approx(referee.slope)
    assert found.low == pytest.approx(referee.low_slope, abs=2e-3)
    assert found.high == pytest.approx(referee.high_slope, abs=2e-3)


def test_a_level_that_hardly_fell_says_nothing(tmp_path: Path) -> None:
    with Log(log_with_levels(tmp_path / "x.db", [100, 100, 99, 99])) as log:
        run = log.run()
        found = level_of(log, run, run.nodes[0])
    assert found is not None and found.per_day is None and "1 steps of 1 % in 0.75 days: too short" in found.said
