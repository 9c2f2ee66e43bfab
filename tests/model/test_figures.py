"""What may be required of whom, and where requirements come from."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.analysis.judge import judge
from gateway.config import RunConfig
from gateway.model.errors import ProblemsError
from gateway.model.figures import CHANNEL_FIGURES, FIELD_FIGURES, LINK_FIGURES, Requirement
from gateway.model.records import Measure, Outcome
from tests.support import plugin_folder, run_file

PLUGIN = """
[plugin]
kind = "probe"
title = "Probe"
[characteristic.air]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "temperature", type = "sint16", lsb = "0.01 degC" }, { name = "rate", type = "uint8" }]
[spec.air]
rate = { min = "1 /s" }
gap_longest = { max = "9 s" }
[spec.air.temperature]
noise = { max = "0.5 degC" }
"""
HEAD = """
[run]
title = "t"
radio = "virtual"
[node.a]
plugin = "probe"
find = { name = "A" }
[node.b]
plugin = "probe"
find = { name = "B" }
"""


def config_of(folder: Path, spec: str, plugin: str = PLUGIN) -> RunConfig:
    plugin_folder(folder, plugin)
    return run_file(folder, HEAD.replace('radio = "virtual"', 'radio = "virtual"\nplugins = ["plugins"]') + spec)


def rules_of(folder: Path, spec: str) -> dict[tuple[str, str, str], tuple[float | None, float | None, str]]:
    return {rule[:3]: rule[3:6] for rule in config_of(folder, spec).requirements}


def test_a_plugin_brings_requirements_and_a_run_file_replaces_them(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, '[spec.probe.air]\nrate = { min = "2 /s", max = "4 /s" }\n')
    assert rules["probe", "air", "rate"] == (2, 4, "1/s")
    assert rules["probe", "air", "gap_longest"] == (None, 9, "s")


def test_a_field_is_bounded_in_its_own_unit_and_noise_is_a_difference(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, '[spec.probe.air.temperature]\nnoise = { max = "0.1 K" }\nhighest = { max = "300 K" }\n')
    assert rules["probe", "air.temperature", "noise"] == (None, pytest.approx(0.1), "degC")
    assert rules["probe", "air.temperature", "highest"] == (None, pytest.approx(26.85), "degC")


def test_a_field_that_is_called_like_a_figure_is_told_by_its_table(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, "[spec.probe.air.rate]\nhighest = { max = 3 }\n")
    assert rules["probe", "air.rate", "highest"] == (None, 3, "")


@pytest.mark.parametrize(
    ("decision", "risk"),
    [("", 0.025), (', decision = "guard"', 0.025), (', decision = "simple"', 0.5), (', decision = "5 percent"', 0.05)],
)
def test_a_requirement_has_the_risk_of_its_decision_rule(tmp_path: Path, decision: str, risk: float) -> None:
    (rule,) = [
        rule
        for rule in config_of(tmp_path, f'[spec.probe.air]\nrate = {{ min = "2 /s"{decision} }}\n').requirements
        if rule.figure == "rate"
    ]
    assert rule.risk == pytest.approx(risk)


def test_abs_bounds_a_figure_on_both_sides_of_zero(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, '[spec.probe.air.temperature]\ndrift = { abs = "0.5 K" }\n')
    assert rules["probe", "air.temperature", "drift"] == (-0.5, 0.5, "degC")


@pytest.mark.parametrize(
    ("spec", "told"),
    [
        ('rate = { abs = "2 /s" }', "rate is never below zero, so abs says nothing"),
        ('temperature = { drift = { abs = "1 K", max = "1 K" } }', "abs beside min or max"),
        ('rate = { min = "2 /s", decision = "60 percent" }', "'60 percent'"),
        ('rate = { min = "2 /s", decision = "bold" }', "'bold'"),
    ],
)
def test_a_bound_that_says_two_things_or_a_rule_that_is_none_is_refused(tmp_path: Path, spec: str, told: str) -> None:
    with pytest.raises(ProblemsError, match=told):
        config_of(tmp_path, f"[spec.probe.air]\n{spec}\n")


def test_all_stands_for_every_kind(tmp_path: Path) -> None:
    assert rules_of(tmp_path, "[spec.all.link]\ndisconnects = { max = 0 }\n")["probe", "link", "disconnects"] == (
        None,
        0,
        "",
    )


def test_one_node_can_be_held_to_something_else(tmp_path: Path) -> None:
    rules = config_of(tmp_path, '[spec.b.air]\nrate = { max = "4 /s" }\n').requirements
    assert Requirement("b", "air", "rate", None, 4, "1/s") in rules
    measures = [Measure(node, "air", "rate", 5.0, "1/s", 10_000, "values") for node in "ab"]
    found = {
        v.measure.node: v.outcome
        for v in judge(rules, {"a": "probe", "b": "probe"}, measures)
        if v.measure.name == "rate"
    }
    assert found == {"a": Outcome.PASS, "b": Outcome.FAIL}


@pytest.mark.parametrize(
    ("spec", "told"),
    [
        ('[spec.probe.air.temperature]\nnoise = { max = "0.1 hPa" }', "spec.probe.air.temperature.noise.max"),
        ('[spec.probe.air.humidity]\nnoise = { max = "0.1 K" }', "there is no field 'humidity'"),
        ("[spec.probe.air.temperature]\nrate = { max = 1 }", "is not a known figure"),
        ("[spec.probe.air]\nnoise = { max = 1 }", "is not a known figure"),
        ("[spec.probe.air]\nreordered = { max = 0 }", "no field with the role sequence"),
        ("[spec.probe.air.temperature]\nnoise = { max = 1 }", "1 has no unit"),
        ("[spec.probe.air.temperature]\nnoise = 3", "spec.probe.air.temperature.noise: 3; a table"),
        ("[spec.nobody.link]\ndisconnects = { max = 0 }", "all, probe, a, b"),
        ('[spec.all.water]\nrate = { max = "1 /s" }', "no node has a channel 'water'"),
        ('[spec.a.water]\nrate = { max = "1 /s" }', "spec.a.water"),
        ('[spec.probe.air]\nrate = { max = "1 /s", median = 3 }', "unknown key"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(tmp_path: Path, spec: str, told: str) -> None:
    with pytest.raises(ProblemsError) as caught:
        config_of(tmp_path, spec + "\n")
    assert told in str(caught.value)


def test_a_plugins_own_spec_is_proven_with_it(tmp_path: Path) -> None:
    with pytest.raises(ProblemsError, match=r"spec\.air\.rate"):
        config_of(tmp_path, "", PLUGIN.replace('"1 /s"', '"1 hPa"'))


@pytest.mark.parametrize(
    ("n", "basis", "told"),
    [
        (1, "links", "1 link"),
        (0, "links", "0 links"),
        (1, "settings written", "1 setting written"),
        (2, "pairs of successive values", "2 pairs of successive values"),
    ],
)
def test_observations_are_counted_in_plain_words(n: int, basis: str, told: str) -> None:
    assert Measure("a", "link", "disconnects", 0.0, "", n, basis).observed == told


def test_the_basis_of_every_figure_begins_with_a_plural() -> None:
    figures = {**LINK_FIGURES, **CHANNEL_FIGURES, **FIELD_FIGURES}
    assert [name for name, one in figures.items() if not one.basis.split()[0].endswith("s")] == []
