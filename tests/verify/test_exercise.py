"""Exercises: a sound node passes every step, each fault of a firmware is found by the steps meant for it and by no
other, and what could not be tried is inconclusive."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from gateway.app.verify.air import SOUND, air
from gateway.app.verify.exercise import exercise
from gateway.config import FIRMWARE_FAULTS, Faults
from gateway.host.clock import Clock
from gateway.model.errors import InputError
from gateway.model.events import EventKind
from gateway.model.records import Outcome, overall
from gateway.plugin import Plugin, find_plugin, load_plugin
from gateway.report.firmware import exercise_json, exercise_junit, plan_lines, step_lines
from gateway.verify.exercise import Drive, StepKind, Tried, plan_for
from tests.support import events, figures, on_virtual_time, plugin_folder, run_info, virtual_clock

CRATE, STATION = find_plugin("loan-crate"), find_plugin("bore-station")
COMMANDS = {StepKind.ANSWERS, StepKind.UNKNOWN, StepKind.TOO_LONG, StepKind.UNHEARD, StepKind.BUSY}
LONG_S = 3 * 3600.0


def exercised(
    log: Path,
    plugin: Plugin,
    faults: Faults = SOUND,
    only: tuple[str, ...] = (),
    patience_s: float = 60.0,
    resume: bool = False,
) -> list[Tried]:
    """What an exercise of a simulated node tells; in virtual time."""

    async def run() -> list[Tried]:
        clock = virtual_clock(asyncio.get_running_loop())
        plan = plan_for(plugin, only)
        trial = await exercise("CRATE", plugin, "virtual", plan, log, patience_s, resume, lambda _: None, clock, faults)
        assert not trial.left
        return trial.tried

    return on_virtual_time(run)


class Nowhere:
    """A sink that keeps nothing."""

    def frame(self, frame: object) -> None: ...

    def event(self, event: object) -> None: ...


def failed(tried: list[Tried]) -> set[StepKind]:
    return {one.step.kind for one in tried if one.outcome is Outcome.FAIL}


def test_a_sound_node_passes_every_step_with_patience_for_all(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, patience_s=LONG_S)
    assert [(one.step.name, one.found) for one in tried if one.outcome is not Outcome.PASS] == []
    assert {one.step.kind for one in tried} == set(StepKind) - {
        StepKind.SETS
    } - COMMANDS  # the crate has no other settings, nor procedures
    assert [one.step.name for one in tried] == [step.name for step in plan_for(CRATE)]


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [
        ("starts-otherwise", {StepKind.STARTS}),
        ("never-off", {StepKind.SILENT}),
        ("never-on", {StepKind.SENDS}),
        ("rounds-periods", {StepKind.TAKES}),
        ("accepts-out-of-range", {StepKind.REFUSES}),
        ("accepts-any-length", {StepKind.REFUSES}),
        ("changes-though-refused", {StepKind.REFUSES}),
        ("paces-only-on-switching", {StepKind.CHANGES}),
        ("reads-otherwise", {StepKind.READS}),
        ("forgets-otherwise", {StepKind.RETURNS}),
        ("paces-others", {StepKind.LEAVES}),
        ("switches-others-on", {StepKind.LEAVES}),
        ("starts-when-paced", {StepKind.LEAVES}),
        ("slows-beside-another", {StepKind.BOTH}),
        ("off-takes-all", {StepKind.OTHER_OFF}),
    ],
)
def test_each_fault_of_a_firmware_is_found_by_the_steps_meant_for_it_alone(
    tmp_path: Path, fault: str, kinds: set[StepKind]
) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, Faults(firmware=(fault,)))
    assert failed(tried) == kinds, [(one.step.name, one.found) for one in tried if one.outcome is Outcome.FAIL]
    assert overall(one.outcome for one in tried) is Outcome.FAIL


PROCEDURES = ("count_days", "send_days", "delete_days")


def test_a_sound_control_point_passes_every_step(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", STATION, only=PROCEDURES)
    assert [(one.step.name, one.found) for one in tried if one.outcome is not Outcome.PASS] == []
    assert {one.step.kind for one in tried} == COMMANDS


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [
        ("answers-nothing", {StepKind.ANSWERS, StepKind.UNKNOWN, StepKind.BUSY}),
        ("answers-unsubscribed", {StepKind.UNHEARD}),
        ("takes-any-opcode", {StepKind.UNKNOWN}),
        ("counts-otherwise", {StepKind.ANSWERS}),
        ("accepts-any-length", {StepKind.TOO_LONG}),
    ],
)
def test_each_fault_of_a_control_point_is_found_by_the_steps_meant_for_it(
    tmp_path: Path, fault: str, kinds: set[StepKind]
) -> None:
    tried = exercised(tmp_path / "log.db", STATION, Faults(firmware=(fault,)), PROCEDURES)
    assert failed(tried) == kinds, [(one.step.name, one.found) for one in tried if one.outcome is Outcome.FAIL]


def test_a_control_point_that_takes_two_procedures_and_answers_both_passes(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", STATION, Faults(firmware=("takes-two-procedures",)), PROCEDURES)
    (busy,) = [one for one in tried if one.step.kind is StepKind.BUSY]
    assert busy.outcome is Outcome.PASS and busy.found == "taken, and answered one after the other"


def test_every_fault_of_a_firmware_is_tried_above() -> None:
    tests = (
        test_each_fault_of_a_firmware_is_found_by_the_steps_meant_for_it_alone,
        test_each_fault_of_a_control_point_is_found_by_the_steps_meant_for_it,
    )
    tried = {fault for test in tests for fault, _ in test.pytestmark[0].args[1]}  # type: ignore[attr-defined]
    assert tried | {"takes-two-procedures"} == set(FIRMWARE_FAULTS)


def test_a_pace_that_is_off_fails_wherever_it_shows_and_the_figures_say_so_too(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, Faults(slow=1.2), only=("shock",))
    assert failed(tried) == {StepKind.KEEPS, StepKind.CHANGES}
    assert next(one.found for one in tried if one.step.name == "shock: keeps a period 100 ms").startswith(
        "shock: a mean of 12"
    )


def test_a_step_that_takes_longer_than_the_patience_is_inconclusive(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, only=("climate",), patience_s=60)
    open_ = [one for one in tried if one.outcome is Outcome.INCONCLUSIVE]
    assert {one.step.kind for one in open_} == {StepKind.KEEPS} and all("--patience" in one.found for one in open_)
    assert overall(one.outcome for one in tried) is Outcome.INCONCLUSIVE


def test_only_what_the_plugin_declares_to_be_a_setting_is_written_and_all_is_left_as_it_was(tmp_path: Path) -> None:
    exercised(tmp_path / "log.db", CRATE)
    told = [e.facts for e in events(tmp_path / "log.db") if e.kind in (EventKind.SETTING, EventKind.SETTING_DIFFERS)]
    assert {detail["characteristic"] for detail in told} <= CRATE.settings
    last = {str(detail["characteristic"]): detail["written"] for detail in told if "refused" not in detail}
    assert last == {"settings": CRATE.characteristics["settings"].codec.build(CRATE.started("settings")).hex()}


def test_the_log_holds_every_step_and_what_was_heard(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, only=("shock",))
    noted = [e.facts for e in events(tmp_path / "log.db", EventKind.STEP)]
    assert [(d["step"], d["verdict"], d["found"]) for d in noted] == [(o.step.name, o.outcome, o.found) for o in tried]
    found = figures(tmp_path / "log.db")
    assert (found["CRATE", "shock", "while_off"].value or 0) <= 10  # what was on its way when it was switched off
    assert found["CRATE", "link", "disconnects"].value == 0


def test_an_exercise_that_is_broken_off_goes_on_where_it_was(tmp_path: Path) -> None:
    log = tmp_path / "log.db"

    async def broken_off() -> None:
        clock, count = virtual_clock(asyncio.get_running_loop()), 0
        task = asyncio.current_task()
        assert task is not None

        def told(_: Tried) -> None:
            nonlocal count
            count += 1
            if count == 12:
                task.cancel()

        await exercise("CRATE", CRATE, "virtual", plan_for(CRATE), log, 60, False, told, clock)

    with pytest.raises(asyncio.CancelledError):
        on_virtual_time(broken_off)
    first = run_info(log)
    assert first.ended_how == "interrupted"
    assert events(log)[-2].kind is EventKind.SETTING  # what it had changed is put back
    tried = exercised(log, CRATE, resume=True)
    assert [one.run for one in tried[:12]] == [first.id] * 12 and {one.run for one in tried[12:]} == {None}
    again = exercised(log, CRATE, resume=True)  # what could not be told is tried once more
    assert {one.run for one in again if one.outcome is Outcome.INCONCLUSIVE} == {None}
    assert {one.run for one in again if one.outcome is Outcome.PASS} == {first.id, first.id + 1}


def test_a_plugin_that_now_expects_something_else_has_that_step_tried_again(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    exercised(log, CRATE, only=("shock",))
    text = CRATE.text.replace(
        'field = "shock_period", default = "100 ms" }',
        'field = "shock_period", default = "100 ms" }\npace_tolerance = "2 percent"',
    )
    tried = exercised(log, load_plugin(plugin_folder(tmp_path, text, "loan-crate")), only=("shock",), resume=True)
    assert {one.step.kind for one in tried if one.run is None} == {StepKind.KEEPS, StepKind.CHANGES}


def test_nothing_to_resume_is_told(tmp_path: Path) -> None:
    exercised(tmp_path / "log.db", CRATE, only=("shock",))
    with pytest.raises(InputError, match="no exercise of OTHER"):
        on_virtual_time(lambda: exercise("OTHER", CRATE, "virtual", [], tmp_path / "log.db", 60, True, lambda _: None))


def test_a_node_that_ends_its_link_is_linked_again_and_one_that_is_gone_makes_the_rest_inconclusive(
    tmp_path: Path,
) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, Faults(drop_link_ns=40_000_000_000), only=("shock",))
    assert overall(one.outcome for one in tried) is Outcome.PASS
    assert (figures(tmp_path / "log.db")["CRATE", "link", "disconnects"].value or 0) >= 1
    text = CRATE.text.replace("8b3a1535", "b1c700ff")
    other = load_plugin(plugin_folder(tmp_path, text, "loan-crate"))

    async def run() -> list[Tried]:

        async with air("CRATE", CRATE, "virtual") as radio:
            drive = Drive("CRATE", other, None, radio, Nowhere(), Clock(), 60, {}, lambda _: None)
            await drive.run(plan_for(other, ("shock",)))
            return drive.tried

    tried = on_virtual_time(run)
    assert overall(one.outcome for one in tried) is Outcome.INCONCLUSIVE and failed(tried) == set()
    assert "has no settings" in tried[0].found


def test_settings_that_share_a_characteristic_are_exercised_too(tmp_path: Path) -> None:
    """One characteristic with a switch of two bits for each of two sensors and one period for both, big-endian."""
    text = """
[plugin]
kind = "door"
title = "Door"
[characteristic.passed]
uuid = "b1c90011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "passed", type = "uint8" }]
[characteristic.draught]
uuid = "b1c90012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "indicate"]
fields = [{ name = "draught", type = "float32", unit = "m/s" }]
[characteristic.settings]
uuid = "b1c90013-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "write"]
byte_order = "big"
fields = [
  { name = "passing", type = "uint2" }, { name = "blowing", type = "uint2" }, { rfu = 4 },
  { name = "slow", type = "uint16", lsb = "10 ms", limits = ["100 ms", "20 s"] },
  { name = "fast", type = "uint8", lsb = "0.1 s", limits = ["0.2 s", "5 s"] },
]
[sensor.passed]
data = "passed"
enable = { characteristic = "settings", field = "passing", on = 2, off = 1, default = "on" }
period = { characteristic = "settings", field = "slow", default = "1 s" }
after_reconnect = "default"
[sensor.draught]
data = "draught"
enable = { characteristic = "settings", field = "blowing", on = 3, off = 0 }
period = { characteristic = "settings", field = "fast", default = "0.5 s" }
after_reconnect = "default"
takes_effect = "2 s"
"""
    plugin = load_plugin(plugin_folder(tmp_path, text, "door"))
    tried = exercised(tmp_path / "log.db", plugin, patience_s=LONG_S)
    assert [(one.step.name, one.found) for one in tried if one.outcome is not Outcome.PASS] == []


def test_a_gauge_that_is_only_read_has_its_settings_tried(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", find_plugin("bore-gauge"))
    assert {one.step.kind for one in tried} == {StepKind.STARTS, StepKind.TAKES, StepKind.REFUSES}
    assert overall(one.outcome for one in tried) is Outcome.PASS


def test_a_plan_is_refused_for_what_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no sensor, setting or procedure 'nose'"):
        plan_for(CRATE, ["nose"])
    lone = 'data = "c"\n'
    text = f"""
[plugin]
kind = "own"
title = "Own"
[characteristic.c]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read"]
fields = [{{ name = "x", type = "uint8" }}]
[sensor.c]
{lone}
"""
    with pytest.raises(InputError, match="nothing to exercise"):
        plan_for(load_plugin(plugin_folder(tmp_path, text, "own")))


def test_names_of_steps_are_unique_and_the_plan_tells_what_each_takes() -> None:
    plan = plan_for(CRATE)
    assert len({step.name for step in plan}) == len(plan)
    lines = [str(line) for line in plan_lines(plan, 60)]
    assert len(lines) == len(plan) + 1 and "longer than --patience" in lines[-1]


def test_an_exercise_for_machines_tells_what_people_read(tmp_path: Path) -> None:
    tried = exercised(tmp_path / "log.db", CRATE, Faults(firmware=("never-off",)), only=("shock",), patience_s=2)
    told = json.loads(exercise_json("CRATE", Path("log.db"), 1, tried))
    assert told["outcome"] == "fail" and len(told["steps"]) == len(tried)
    (suite,) = ElementTree.fromstring(exercise_junit("CRATE", tried))
    counts = {o: sum(one.outcome is o for one in tried) for o in Outcome}
    assert (suite.get("failures"), suite.get("errors")) == (
        str(counts[Outcome.FAIL]),
        str(counts[Outcome.INCONCLUSIVE]),
    )
    text = "\n".join(str(line) for one in tried for line in step_lines(one))
    assert "FAIL  shock: is silent when off" in text


def bench_node(folder: Path, settings: str, sensors: str) -> Plugin:
    """A plugin with two channels, these settings and these sensors."""
    head = '[plugin]\nkind = "bench"\ntitle = "Bench"\n'
    for number, name in enumerate(("a", "b")):
        head += f'[characteristic.{name}]\nuuid = "b1c9002{number}-5d1e-4c1b-9a77-2f0d3c6e0001"\nservice = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"\nproperties = ["notify"]\nfields = [{{ name = "x", type = "uint8" }}]\n'
    return load_plugin(plugin_folder(folder, head + settings + sensors, "bench"))


def setting(name: str, number: int, fields: str, properties: str = '"read", "write"') -> str:
    return f'[characteristic.{name}]\nuuid = "b1c9003{number}-5d1e-4c1b-9a77-2f0d3c6e0001"\nservice = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"\nproperties = [{properties}]\nfields = [{fields}]\n'


SWITCH = '{ name = "on", type = "uint8" }'
SENSOR = '[sensor.{0}]\ndata = "{0}"\nenable = {{ characteristic = "{0}_on" }}\n'


@pytest.mark.parametrize(("fault", "kinds"), [("never-on", {StepKind.SENDS}), ("never-off", {StepKind.SILENT})])
def test_a_sensor_whose_pace_is_not_declared_is_switched_all_the_same(
    tmp_path: Path, fault: str, kinds: set[StepKind]
) -> None:
    plugin = bench_node(
        tmp_path, setting("a_on", 0, SWITCH) + setting("b_on", 1, SWITCH), SENSOR.format("a") + SENSOR.format("b")
    )
    sound = exercised(tmp_path / "log.db", plugin)
    assert overall(one.outcome for one in sound) is Outcome.PASS and StepKind.OTHER_OFF in {
        one.step.kind for one in sound
    }
    assert failed(exercised(tmp_path / "log2.db", plugin, Faults(firmware=(fault,)))) == kinds


def test_what_is_neither_answered_nor_readable_can_t_be_told(tmp_path: Path) -> None:
    both = f'{SWITCH}, {{ name = "every", type = "uint8", lsb = "100 ms", limits = ["200 ms", "5 s"] }}'
    plugin = bench_node(
        tmp_path,
        setting("a_on", 0, both, '"write-without-response"'),
        '[sensor.a]\ndata = "a"\nenable = { characteristic = "a_on", field = "on" }\nperiod = { characteristic = "a_on", field = "every", default = "1 s" }\n',
    )
    tried = exercised(tmp_path / "log.db", plugin, patience_s=LONG_S)
    assert {one.step.kind for one in tried if one.outcome is Outcome.INCONCLUSIVE} == {StepKind.REFUSES}
    assert failed(tried) == set()


@pytest.mark.parametrize(
    "period",
    [
        'type = "float32", unit = "s", limits = ["0.1 s", "20 s"]',
        'type = "uint16", lsb = "1/1024 s", limits = ["100 ms", "20 s"]',
        'type = "uint8", lsb = "50 ms", limits = ["120 ms", "9980 ms"]',
        'type = "uint16", lsb = "100 ms", reserved = { 0 = "on change only" }, limits = ["100 ms", "60 s"]',
    ],
)
def test_periods_of_any_type_are_tried_within_their_limits(tmp_path: Path, period: str) -> None:
    plugin = bench_node(
        tmp_path,
        setting("a_on", 0, SWITCH) + setting("a_every", 1, f'{{ name = "every", {period} }}'),
        SENSOR.format("a") + 'period = { characteristic = "a_every", default = "0.5 s" }\n',
    )
    tried = exercised(tmp_path / "log.db", plugin, patience_s=LONG_S)
    assert [(one.step.name, one.found) for one in tried if one.outcome is not Outcome.PASS] == []
    assert sum(one.step.kind is StepKind.KEEPS for one in tried) >= 5


def test_a_sensor_that_is_always_on_is_given_the_time_to_take_up_its_pace(tmp_path: Path) -> None:
    every = '{ name = "every", type = "uint8", lsb = "1 s", limits = ["1 s", "20 s"] }'
    plugin = bench_node(
        tmp_path,
        setting("a_every", 0, every) + setting("b_every", 1, every),
        "".join(
            f'[sensor.{n}]\ndata = "{n}"\nperiod = {{ characteristic = "{n}_every", default = "3 s" }}\n' for n in "ab"
        ),
    )
    tried = exercised(tmp_path / "log.db", plugin, patience_s=LONG_S)
    assert [(one.step.name, one.found) for one in tried if one.outcome is not Outcome.PASS] == []


def test_a_setting_that_reads_as_something_else_fails_its_steps_and_no_other(tmp_path: Path) -> None:
    """The node's firmware has a record of six bytes where five are declared."""
    text = CRATE.text.replace('name = "shock_period",   type = "uint6",', 'name = "shock_period",   type = "uint14",')
    assert text != CRATE.text
    served = load_plugin(plugin_folder(tmp_path, text, "loan-crate"))

    async def run() -> list[Tried]:

        async with air("CRATE", served, "virtual") as radio:
            drive = Drive(
                "CRATE",
                CRATE,
                None,
                radio,
                Nowhere(),
                virtual_clock(asyncio.get_running_loop()),
                60,
                {},
                lambda _: None,
            )
            await drive.run(plan_for(CRATE, ("shock",)))
            return drive.tried

    tried = on_virtual_time(run)
    assert StepKind.TAKES in failed(tried) and len(tried) == len(plan_for(CRATE, ("shock",)))


@pytest.mark.parametrize("limits", ['limits = ["1 s", "1 s"]', 'limits = ["1 s", "1 s"], reserved = { 0 = "never" }'])
def test_a_period_that_can_have_only_one_value_is_tried_as_far_as_that_goes(tmp_path: Path, limits: str) -> None:
    plugin = bench_node(
        tmp_path,
        setting("a_on", 0, SWITCH) + setting("a_every", 1, f'{{ name = "every", type = "uint8", lsb = "1 s", {limits} }}'),
        SENSOR.format("a") + 'period = { characteristic = "a_every", default = "1 s" }\n',
    )  # fmt: skip
    tried = exercised(tmp_path / "log.db", plugin)
    assert failed(tried) == set() and [one.step.label for one in tried if one.step.kind is StepKind.KEEPS] == ["1 s"]


def test_values_do_not_come_in_a_setting(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a setting or a constant"):
        bench_node(
            tmp_path, setting("a_on", 0, SWITCH), '[sensor.a]\ndata = "a_on"\nenable = { characteristic = "a_on" }\n'
        )


def test_an_exercise_gone_on_with_twice_keeps_what_each_told(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    exercised(log, CRATE, only=("shock",))
    exercised(log, CRATE, only=("light",), resume=True)
    tried = exercised(log, CRATE, resume=True)
    assert {
        one.run for one in tried if one.step.sensor == "shock" and not one.step.other and one.outcome is Outcome.PASS
    } == {1}


def test_sensors_that_share_a_switch_or_a_period_are_not_held_against_each_other(tmp_path: Path) -> None:
    every = '{ name = "every", type = "uint8", lsb = "100 ms", limits = ["200 ms", "5 s"] }'
    one_switch = "".join(
        f'[sensor.{n}]\ndata = "{n}"\nenable = {{ characteristic = "both_on" }}\nperiod = {{ characteristic = "{n}_every", default = "1 s" }}\n'
        for n in "ab"
    )
    plugin = bench_node(
        tmp_path,
        setting("both_on", 0, SWITCH) + setting("a_every", 1, every) + setting("b_every", 2, every),
        one_switch,
    )
    tried = exercised(tmp_path / "log.db", plugin)
    assert failed(tried) == set() and not any(one.step.other for one in tried)
