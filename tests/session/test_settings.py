"""Settings other than switches and periods: declared with what they are after power-up, written by a run file, read back,
told by their fields where they differ."""

from __future__ import annotations

import asyncio
import tracemalloc
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gateway.app.verify.exercise import exercise
from gateway.config import RunConfig
from gateway.model.errors import ProblemsError
from gateway.model.events import EventKind
from gateway.model.radios import RadioName
from gateway.model.records import Outcome
from gateway.plugin import load_plugin
from gateway.verify.exercise import plan_for
from tests.support import (
    Bench,
    events,
    on_virtual_time,
    open_database,
    plugin_folder,
    run_bench,
    run_file,
    virtual_clock,
)

PLUGIN = """[plugin]
kind = "light-box"
title = "Invented: watches the light in a loan crate"
[characteristic.light]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e021"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e020"
properties = ["notify"]
fields = [{ name = "sequence", type = "uint8", role = "sequence" }]
[characteristic.switch]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e022"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e020"
properties = ["read", "write"]
fields = [{ name = "on", type = "uint8" }]
[characteristic.setup]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e023"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e020"
properties = ["read", "write"]
fields = [
  { name = "mode", type = "uint3", names = { 0 = "resting", 1 = "normal", 2 = "fast" }, default = "normal" },
  { name = "averaging", type = "uint5", limits = ["1", "16"], default = 4 },
  { name = "threshold", type = "uint16", lsb = "0.1 lux", limits = ["1 lux", "5000 lux"], default = "50 lux" },
]
[sensor.light]
data = "light"
enable = { characteristic = "switch", field = "on" }
"""
RUN = """[run]
title = "Settings"
radio = "virtual"
plugins = ["plugins"]
[node.a]
plugin = "light-box"
find = { name = "A" }
sensor = { light = {} }
set = { setup = SET }
"""


def box(folder: Path, written: str) -> RunConfig:
    plugin_folder(folder, PLUGIN, "light-box")
    return run_file(folder, RUN.replace("SET", written))


def settings(log: Path) -> dict[str, Any]:
    return {str(e.facts["characteristic"]): e.facts for e in events(log, EventKind.SETTING)}


def test_a_setting_is_written_and_what_is_not_mentioned_keeps_what_it_was(tmp_path: Path) -> None:
    run_bench(box(tmp_path, '{ mode = "fast", threshold = "120 lux" }'), tmp_path / "x.db", 10)
    assert settings(tmp_path / "x.db")["setup"]["values"] == {"mode": "fast", "averaging": 4, "threshold": 120}


def test_a_setting_that_takes_a_while_is_read_back_after_that(tmp_path: Path) -> None:
    slow = PLUGIN.replace("characteristic.setup]\n", 'characteristic.setup]\nsettles = "2 s"\n')
    plugin_folder(tmp_path, slow, "light-box")
    config = run_file(tmp_path, RUN.replace("SET", '{ mode = "fast" }'))
    run_bench(config, tmp_path / "x.db", 10)
    assert settings(tmp_path / "x.db")["setup"]["read_back"] is True
    assert events(tmp_path / "x.db", EventKind.SETTING_DIFFERS) == []


def test_a_simulated_node_starts_as_its_plugin_declares(tmp_path: Path) -> None:
    run_bench(box(tmp_path, "{ averaging = 16 }"), tmp_path / "x.db", 10)
    assert settings(tmp_path / "x.db")["setup"]["values"] == {"mode": "normal", "averaging": 16, "threshold": 50}


def test_a_setting_that_reads_back_otherwise_is_told_by_its_fields(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        twin = bench.twins["a"]
        read = twin._settings.read

        def stubborn(item: Any) -> bytes:  # a firmware that takes no averaging above 4
            raw = read(item)
            return bytes([raw[0] & 0x07 | min(raw[0] >> 3, 4) << 3]) + raw[1:] if item.name == "setup" else raw

        twin._settings.read = stubborn  # type: ignore[method-assign]
        await asyncio.sleep(0)

    run_bench(box(tmp_path, "{ averaging = 9 }"), tmp_path / "x.db", 10, script)
    (differs,) = events(tmp_path / "x.db", EventKind.SETTING_DIFFERS)
    assert differs.facts["differs"] == {"averaging": "written 9, read 4"}
    with open_database(tmp_path / "x.db") as connection:
        assert connection.execute("SELECT count(*) FROM light_box_light").fetchone()[0] > 3


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('{ mode = "asleep" }', "one of resting, normal, fast"),
        ("{ averaging = 17 }", "above the highest, 16"),
        ("{ averaging = 0 }", "below the lowest, 1"),
        ("{ averaging = 1.5 }", "lies between two steps; the nearest is 2"),
        ('{ threshold = "50.04 lux" }', "lies between two steps; the nearest is 50 "),
        ("{ threshold = 120 }", 'write "120 lux"'),
        ('{ threshold = "120 degC" }', "lux"),
        ('{ speed = "1" }', "one of mode, averaging, threshold"),
    ],
)
def test_what_a_setting_can_not_be_is_a_problem_before_the_run(tmp_path: Path, written: str, told: str) -> None:
    with pytest.raises(ProblemsError) as error:
        box(tmp_path, written)
    assert told in str(error.value)


def test_what_is_no_setting_and_what_a_sensor_sets_already_are_problems(tmp_path: Path) -> None:
    plugin_folder(tmp_path, PLUGIN, "light-box")
    for written, told in (("light = { sequence = 1 }", "has no setting"), ("switch = { on = 1 }", "with its sensor")):
        with pytest.raises(ProblemsError, match=told):
            run_file(tmp_path, RUN.replace("setup = SET", written))


@pytest.mark.parametrize("default", ['"asleep"', "7", "true", '"0.0 lux"', '"1.23 lux"'])
def test_a_default_that_can_not_be_is_a_problem_of_the_plugin(tmp_path: Path, default: str) -> None:
    text = PLUGIN.replace('default = "50 lux"', f"default = {default}")
    with pytest.raises(ProblemsError, match="default"):
        load_plugin(plugin_folder(tmp_path, text, "light-box"))


def test_an_exercise_tries_other_settings_too_and_leaves_them_as_they_were(tmp_path: Path) -> None:
    plugin = load_plugin(plugin_folder(tmp_path, PLUGIN, "light-box"))

    async def tried() -> Any:
        clock = virtual_clock(asyncio.get_running_loop())
        return await exercise(
            "A", plugin, RadioName.VIRTUAL, plan_for(plugin, ()), tmp_path / "e.db", 60, False, clock=clock
        )

    done = on_virtual_time(tried)
    assert {one.outcome for one in done.tried} == {Outcome.PASS} and done.left == "", done
    names = [one.step.name for one in done.tried if one.step.sensor == "setup"]
    assert names == [
        "setup: can be set to mode resting",
        "setup: can be set to mode normal",
        "setup: can be set to mode fast",
        "setup: refuses mode 3",
        "setup: can be set to averaging 1",
        "setup: can be set to averaging 16",
        "setup: refuses averaging 0",
        "setup: refuses averaging 17",
        "setup: can be set to threshold 1 lx",
        "setup: can be set to threshold 5000 lx",
        "setup: refuses threshold 0.9 lx",
        "setup: refuses threshold 5000.1 lx",
    ]


def test_a_wide_field_with_names_is_planned_without_going_through_all_its_numbers(tmp_path: Path) -> None:
    text = PLUGIN.replace('type = "uint3"', 'type = "uint24"').replace('type = "uint5"', 'type = "uint8"')
    plugin = load_plugin(plugin_folder(tmp_path, text, "light-box"))
    tracemalloc.start()
    plan = plan_for(plugin, ())
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert "setup: refuses mode 3" in [step.name for step in plan] and most_bytes < 1_000_000


CLOCK = """
[characteristic.clock]
uuid = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e024"
service = "5b0a3f10-71c4-4f0e-8a5d-1d9c64a0e020"
properties = ["read", "write"]
fields = [
  { name = "time", type = "uint32", lsb = "1 s", epoch = "2000-01-01" },
  { name = "zone", type = "sint8", lsb = "15 min", limits = ["-48 h", "56 h"] },
]
"""


def test_a_clock_is_set_to_the_time_of_each_connecting(tmp_path: Path) -> None:
    """On 2026-01-01T00:00:00Z 820,540,800 s had passed since 2000 began (26 years with 7 leap days, by hand)."""
    plugin_folder(tmp_path, PLUGIN + CLOCK, "light-box")
    text = RUN.replace("{ setup = SET }", '{ clock = { time = "now" } }')
    run_bench(run_file(tmp_path, text + '[twin.a]\nfaults = { drop_link_every = "60 s" }\n'), tmp_path / "x.db", 200)
    written = [e.facts for e in events(tmp_path / "x.db", EventKind.SETTING) if e.facts["characteristic"] == "clock"]
    assert len(written) >= 3 and events(tmp_path / "x.db", EventKind.SETTING_DIFFERS) == []
    times = [int.from_bytes(bytes.fromhex(str(facts["written"]))[:4], "little") for facts in written]
    assert times[0] - 820_540_800 in range(5)
    assert all(55 <= later - earlier <= 70 for earlier, later in pairwise(times))


def test_a_clock_that_keeps_another_time_differs(tmp_path: Path) -> None:
    plugin_folder(tmp_path, PLUGIN + CLOCK, "light-box")
    config = run_file(tmp_path, RUN.replace("{ setup = SET }", '{ clock = { time = "now" } }'))

    async def script(bench: Bench) -> None:
        (twin,) = bench.twins.values()
        read = twin._settings.read

        def an_hour_behind(item: Any) -> bytes:
            raw = read(item)
            if item.name != "clock" or raw[:4] == bytes(4):
                return raw
            return (int.from_bytes(raw[:4], "little") - 3600).to_bytes(4, "little") + raw[4:]

        twin._settings.read = an_hour_behind  # type: ignore[method-assign]

    run_bench(config, tmp_path / "x.db", 10, script)
    (differs,) = events(tmp_path / "x.db", EventKind.SETTING_DIFFERS)
    assert "time" in str(differs.facts["differs"])


@pytest.mark.parametrize(
    ("field", "told"),
    [
        ('{ name = "x", type = "uint8", lsb = "1 K", epoch = "2000-01-01" }', "a unit of time"),
        ('{ name = "x", type = "uint8", lsb = "1 s", epoch = "yesterday" }', "a date such as"),
    ],
)
def test_an_epoch_is_a_date_of_a_field_that_is_a_time(tmp_path: Path, field: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        load_plugin(plugin_folder(tmp_path, PLUGIN + CLOCK.replace("fields = [", f"fields = [{field},"), "light-box"))


def test_only_a_time_with_an_epoch_can_be_set_to_now(tmp_path: Path) -> None:
    with pytest.raises(ProblemsError, match="averaging"):
        box(tmp_path, '{ averaging = "now" }')
