"""The commands about the cell, as a user meets them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.test_cli import ROOT, gattest

PROFILE = str(ROOT / "plugins" / "loan-crate" / "energy.toml")


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("energy")
    assert gattest("demo", "--seconds", "8", cwd=folder).returncode == 0
    return folder / "demo.db"


def test_a_forecast_tells_parts_spread_other_settings_and_the_cautions(log: Path, tmp_path: Path) -> None:
    done = gattest(
        "lifetime", str(log), "--profile", PROFILE, "--node", "crate-a", "--if", "interval=15 ms,1 s",
        "--if", "cell=CR2032,CR2450", "--target", "1 week", cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for told in (
        "connection events",
        "(90 %:",
        "the spread comes from cell.capacity",
        "guessed:",
        "just reaches 1 week",
    ):
        assert told in done.stdout
    assert "A forecast is not a rating" in done.stdout and "too short to tell a slope" in done.stdout


def test_a_grid_as_json_holds_every_combination(log: Path, tmp_path: Path) -> None:
    done = gattest(
        "lifetime", str(log), "--profile", PROFILE, "--node", "crate-a", "--if", "interval=15 ms,100 ms,1 s",
        "--if", "climate=1 s,10 s", "--grid", "--json", cwd=tmp_path,
    )  # fmt: skip
    node = json.loads(done.stdout)["nodes"]["crate-a"]
    assert len(node["tried"]) == 6
    longest = max(node["tried"], key=lambda one: one["life_days"]["median"])["settings"]
    assert longest == {"interval": "1 s", "climate": "10 s"}
    life = node["life_days"]
    assert life["p05"] < life["median"] < life["p95"]
    assert sum(node["parts_a"].values()) == pytest.approx(node["mean_current_a"], rel=0.05)
    again = gattest("lifetime", str(log), "--profile", PROFILE, "--node", "crate-a", "--json", cwd=tmp_path)
    assert json.loads(again.stdout)["nodes"]["crate-a"]["life_days"] == life  # the same draws each time


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "declares no [energy]; give a profile with --profile"),
        (["--profile", "nothing.toml"], "nothing.toml"),
        (["--profile", PROFILE, "--if", "interval=15"], "interval=15"),
        (["--profile", PROFILE, "--if", "interval=9 s"], "7.5 ms to 4 s"),
        (["--profile", PROFILE, "--if", "nose=1"], "'nose' can't be tried"),
        (["--profile", PROFILE, "--if", "temperature=500 degC"], "-55 to 85 degC"),
        (["--profile", PROFILE, "--if", "interval"], "write name=value"),
        (["--profile", PROFILE, "--if", "cell=CR1"], "there is no cell 'CR1'"),
        (["--profile", PROFILE, "--grid"], "--grid combines settings"),
        (["--profile", PROFILE, "--target", "long"], "--target"),
        (["--profile", PROFILE, "--cells", "nothing.toml"], "nothing.toml"),
    ],
)
def test_what_can_not_be_forecast_is_told(log: Path, tmp_path: Path, arguments: list[str], told: str) -> None:
    done = gattest("lifetime", str(log), *arguments, cwd=tmp_path)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr


def test_a_profile_says_everything_that_is_wrong_with_it(log: Path, tmp_path: Path) -> None:
    text = Path(PROFILE).read_text("utf-8").replace('"1.6 µA"', '"1.6 V"').replace('"CR2450"', '"CR0"')
    (tmp_path / "odd.toml").write_text(text, "utf-8")
    done = gattest("lifetime", str(log), "--profile", "odd.toml", cwd=tmp_path)
    assert done.returncode == 2 and "energy.sleep" in done.stderr and "energy.cell.kind" in done.stderr


def test_a_plan_names_what_fails_and_what_would_have_to_change(tmp_path: Path) -> None:
    good = gattest("plan", "loan-crate", "--profile", PROFILE, "--period", "shock=200 ms", cwd=tmp_path)
    assert good.returncode == 0, good.stdout
    bad = gattest(
        "plan", "loan-crate", "--profile", PROFILE, "--interval", "1 s", "--latency", "4", "--timeout", "10 s",
        "--distance", "900", "--json", cwd=tmp_path,
    )  # fmt: skip
    assert bad.returncode == 1
    fails = {one["subject"]: one for one in json.loads(bad.stdout)["findings"] if one["verdict"] == "fails"}
    assert set(fails) == {"supervision timeout", "reach"} and all(one["change"] for one in fails.values())
    missed = gattest(
        "plan", "loan-crate", "--profile", PROFILE, "--period", "shock=200 ms", "--target", "9 year", cwd=tmp_path
    )
    assert missed.returncode == 1 and "reached in fewer than 95 of 100 draws" in missed.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--period", "nose=1 s"], "has no sensor nose"),
        (["--period", "climate"], "write sensor=time"),
        (["--phy", "9M"], "1M or 2M"),
        (["--place", "moon"], "free space, residential"),
    ],
)
def test_what_can_not_be_planned_is_told(tmp_path: Path, arguments: list[str], told: str) -> None:
    done = gattest("plan", "loan-crate", "--profile", PROFILE, *arguments, cwd=tmp_path)
    assert done.returncode == 2 and told in done.stderr


def test_the_charge_of_events_is_told(tmp_path: Path) -> None:
    lines = [f"{n / 1e4:.4f},{5.0 if n % 1000 < 20 else 0.002}" for n in range(5000)]
    (tmp_path / "i.csv").write_text("time (s),current (mA)\n" + "\n".join(lines) + "\n")
    done = gattest("charge", "i.csv", cwd=tmp_path)
    assert done.returncode == 0 and "5 events: 9.996" in done.stdout and "one each 100 ms" in done.stdout
    told = json.loads(gattest("charge", "i.csv", "--json", cwd=tmp_path).stdout)
    assert len(told["events"]) == 5 and told["events"][0]["charge_c"] == pytest.approx(9.996e-6)
    assert "no such file" in gattest("charge", "nothing.csv", cwd=tmp_path).stderr
