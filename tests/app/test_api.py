"""The Python API: what is exported is there, typed and documented, and each function does what its command does."""

from __future__ import annotations

import asyncio
import inspect
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import gateway
from gateway.app.check import parse_hex
from tests.support import run_bench, run_file

RUN = """
[run]
title = "API"
radio = "virtual"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "100 ms" }, shock = { period = "100 ms" } }
poll = { battery = "5 s" }
[spec.loan-crate.climate]
rate = { min = "5 /s" }
"""


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("api")
    config = run_file(folder, RUN)
    run_bench(config, folder / "run.db", 30)
    return folder / "run.db"


@pytest.mark.parametrize("name", [name for name in gateway.__all__ if not name.startswith("_")])
def test_what_is_exported_is_there_typed_and_documented(name: str) -> None:
    found = getattr(gateway, name)
    assert found.__doc__
    if inspect.isfunction(found):
        signature = inspect.signature(found)
        assert signature.return_annotation is not inspect.Signature.empty
        assert all(one.annotation is not inspect.Parameter.empty for one in signature.parameters.values())


def test_what_is_not_exported_is_no_attribute() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        gateway.nonsense  # noqa: B018
    assert set(gateway.__all__) == set(dir(gateway))


def test_importing_it_loads_no_stage() -> None:
    code = "import sys, gateway; print([m for m in sys.modules if m.startswith('gateway.') and 'model' not in m])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "[]\n"


def test_a_channel_becomes_a_data_frame_with_units(log: Path) -> None:
    climate = gateway.table(log, "a", "climate")
    frame = pd.DataFrame(climate.columns)
    assert frame["utc"].dtype == "datetime64[ns]" and frame["temperature"].dtype == float and len(frame) > 250
    assert climate.units == {"temperature": "degC", "humidity": "percent", "pressure": "hPa"} | {
        "dew_point": "degC", "absolute_humidity": "gram/m**3", "altitude": "m",
    }  # fmt: skip
    shock = gateway.table(log, "a", "shock", samples=True)
    step = np.median(np.diff(shock.columns["utc"]).astype(int))
    assert step == 10_000_000 and shock.units["magnitude"] == "g_0"
    with pytest.raises(gateway.InputError, match="has no samples"):
        gateway.table(log, "a", "climate", samples=True)


def test_figures_and_verdicts_are_those_of_the_commands(log: Path) -> None:
    by_name = {(m.subject, m.name): m for m in gateway.figures(log, fields=())}
    spec = log.with_name("run.toml")
    judged = gateway.judge(log, spec=gateway.load_run(spec))
    said = subprocess.run(
        [sys.executable, "-c", "from gateway.cli import main; main()", "judge", str(log), "--spec", str(spec), "--json"],
        capture_output=True, text=True,
    )  # fmt: skip
    (verdict,) = judged.verdicts
    (told,) = json.loads(said.stdout)["verdicts"]
    assert verdict.measure == by_name["climate", "rate"] and told["found"] == verdict.measure.value
    assert judged.outcome.value == json.loads(said.stdout)["outcome"]


def test_values_are_decoded_one_by_one_and_as_columns() -> None:
    raws = [parse_hex(["0100 6e09 8813 cd8b01"]), parse_hex(["0200 18fc ffff f82401"]), b"short"]
    single = {r.name: r.value for r in gateway.decode("loan-crate", "climate", raws[0])}
    columns, units, faults = gateway.decode_columns("loan-crate", "climate", raws)
    assert columns["temperature"][:2].tolist() == [24.14, -10.0] and np.isnan(columns["temperature"][2])
    assert columns["temperature"][0] == single["temperature"] and np.isnan(columns["humidity"][1])
    assert units["pressure"] == "hPa" and faults == {2: "5 bytes, expected 9 bytes"}
    named, _, _ = gateway.decode_columns("loan-crate", "light", [bytes.fromhex("6420")])
    assert named["lid"].tolist() == ["ajar"]


def test_a_run_and_its_replay_are_judged_alike(tmp_path: Path) -> None:
    config = run_file(tmp_path, RUN)
    finished = asyncio.run(gateway.run(config, tmp_path / "run.db", 3_000_000_000))
    info, count = gateway.extract(tmp_path / "run.db", tmp_path / "run.capture")
    again = gateway.replay(tmp_path / "run.capture", tmp_path / "again.db", spec=config)
    assert finished.troubles == [] and count > 20 and info.nodes[0].name == "a"
    assert [v.measure.value for v in again.judged.verdicts] == [v.measure.value for v in finished.judged.verdicts]
