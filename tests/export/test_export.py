"""Values for analysis: what other programs read of an export is what the log holds."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars
import pyarrow.parquet
import pytest

from gateway.app.replay import replay_capture
from gateway.capture import ForeignCapture
from gateway.config import load_run
from gateway.export import Exported, Form, Wanted, export
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.model.records import Frame
from gateway.plugin import Plugin, find_plugin
from tests.capture.test_foreign import TimedSnooper
from tests.support import Bench, open_database, own_plugin, plugin_folder, run_bench

TRUTH = Path(__file__).parents[1] / "truth"
CRATE = find_plugin("loan-crate")
START = 1_767_225_600_000_000_000


def log_of(path: Path, plugin: Plugin, frames: list[tuple[str, str, str]], every_ns: int = 250_000_000) -> Path:
    writer = LogWriter(path, RunFacts("t", START, None, "none", "", "", {"a": (plugin, "A"), "b": (plugin, "B")}))
    for number, (node, channel, raw) in enumerate(frames):
        writer.frame(Frame(START + number * every_ns, node, channel, bytes.fromhex(raw)))
    writer.close(START + len(frames) * every_ns, "test")
    return path


def put(
    log: Path, folder: Path | None, form: Form, plugins: dict[str, Plugin] | None = None, **wanted: Any
) -> list[Exported]:
    with Log(log) as opened:
        return export(opened, opened.run(), form, folder, Wanted(**wanted), plugins or {}, lambda rows: None)


@pytest.fixture
def crate(tmp_path: Path) -> Path:
    frames = [
        ("a", "climate", "0100 6e09 8813 cd8b01"),
        ("b", "climate", "0100 0080 8813 cd8b01"),
        ("a", "climate", "0200"),
        ("a", "shock", "07 0000008000 800f10001c"),
        ("a", "light", "6420"),
        ("b", "climate", "0200 18fc 0000 cd8b01"),
    ]
    return log_of(tmp_path / "x.db", CRATE, frames)


def test_csv_has_units_in_its_header_and_utc_times(crate: Path, tmp_path: Path) -> None:
    done = put(crate, tmp_path, "csv", channels=["climate"])
    assert [(Path(d.path).name, d.rows) for d in done] == [("loan_crate_climate.csv", 4)]
    with (tmp_path / "loan_crate_climate.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["utc"] == "2026-01-01T00:00:00.000000000Z" and rows[0]["temperature_degC"] == "24.14"
    assert (rows[0]["node"], rows[0]["raw"], rows[0]["fault"]) == ("a", "01006e098813cd8b01", "")
    assert rows[1]["fault"].startswith("2 bytes, expected 9") and rows[1]["temperature_degC"] == ""
    assert [row["node"] for row in rows] == ["a", "a", "b", "b"]


def test_json_lines_have_null_for_no_value(crate: Path, tmp_path: Path) -> None:
    put(crate, tmp_path, "jsonl", nodes=["b"], channels=["climate"])
    rows = [json.loads(line) for line in (tmp_path / "loan_crate_climate.jsonl").read_text().splitlines()]
    assert [row["temperature_degC"] for row in rows] == [None, -10.0]
    assert rows[1]["dew_point_degC"] is None and rows[0]["humidity_percent"] == 50.0


def test_parquet_has_types_and_units_in_its_metadata(crate: Path, tmp_path: Path) -> None:
    put(crate, tmp_path, "parquet")
    table = pyarrow.parquet.read_table(tmp_path / "loan_crate_climate.parquet")
    assert table.schema.field("temperature_degC").metadata == {b"unit": b"degC"}
    assert str(table.schema.field("utc").type) == "timestamp[ns, tz=UTC]"
    assert table["utc"].cast("int64").to_pylist() == [
        START,
        START + 500_000_000,
        START + 250_000_000,
        START + 1_250_000_000,
    ]
    assert table["sequence"].type == "int64" and table["temperature_degC"].to_pylist() == [24.14, None, None, -10.0]
    assert pyarrow.parquet.read_table(tmp_path / "loan_crate_light.parquet")["lid"].to_pylist() == ["ajar"]
    assert set(tmp_path.glob("*.part")) == set()


def test_samples_have_a_file_of_their_own_with_their_own_times(crate: Path, tmp_path: Path) -> None:
    put(crate, tmp_path, "parquet", channels=["shock"])
    table = pyarrow.parquet.read_table(tmp_path / "loan_crate_shock_sample.parquet")
    last = START + 750_000_000
    assert table["utc"].cast("int64").to_pylist() == [last - 10_000_000, last]
    assert table["z_g_0"].to_pylist() == [1.0, -8.0] and table["position"].to_pylist() == [0, 1]


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_decoding_the_raw_bytes_gives_what_the_log_holds(crate: Path, tmp_path: Path, form: Form) -> None:
    put(crate, tmp_path / "a", form) if (tmp_path / "a").mkdir() is None else None
    put(crate, tmp_path / "b", form, {"loan-crate": CRATE}) if (tmp_path / "b").mkdir() is None else None
    names = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert names == sorted(path.name for path in (tmp_path / "b").iterdir()) and len(names) >= 4
    for name in names:
        if form == "parquet":
            a, b = (pyarrow.parquet.read_table(tmp_path / side / name) for side in "ab")
            assert a.schema == b.schema
            assert a.to_pylist() == b.to_pylist(), name
        else:
            assert (tmp_path / "a" / name).read_text() == (tmp_path / "b" / name).read_text()


def test_decoding_again_uses_the_mended_layout_without_touching_the_log(tmp_path: Path) -> None:
    before = own_plugin(tmp_path, 'fields = [{ name = "t", type = "uint16", lsb = "0.1 degC" }]\n')
    log = log_of(tmp_path / "x.db", before, [("a", "c", "f6ff"), ("b", "c", "0000"), ("a", "c", "00")])
    mended = own_plugin(
        tmp_path,
        'fields = [{ name = "kind", type = "uint8" }, { name = "t", type = "sint8", lsb = "1 degC", when = "kind" }]\n',
    )
    put(log, tmp_path, "jsonl", {"own": mended})
    rows = [json.loads(line) for line in (tmp_path / "own_c.jsonl").read_text().splitlines()]
    assert [(r["node"], r["kind"], r["t_degC"], r["fault"] is None) for r in rows] == [
        ("a", 246, -1, True), ("a", 0, None, True), ("b", None, None, False),
    ]  # fmt: skip
    with open_database(log) as connection:
        assert connection.execute("SELECT t_degC FROM own_c WHERE id = 1").fetchone() == (6552.6,)


def test_resampling_gives_mean_min_max_and_count(tmp_path: Path) -> None:
    plugin = own_plugin(
        tmp_path,
        'fields = [{ name = "v", type = "uint8", reserved = { 0xFF = "none" } }, { name = "s", type = "uint8", names = { 0 = "x" } }]\n',
    )
    values = [1, 2, 3, 255, 10, 20, 255, 255, 7]
    log = log_of(tmp_path / "x.db", plugin, [("a", "c", f"{v:02x}00") for v in values])
    put(log, tmp_path, "jsonl", every_ns=10**9)
    rows = [json.loads(line) for line in (tmp_path / "own_c.jsonl").read_text().splitlines()]
    assert [(r["utc"][17:19], r["count"], r["v_mean"], r["v_min"], r["v_max"], r["v_count"]) for r in rows] == [
        ("00", 4, 2.0, 1, 3, 3), ("01", 4, 15.0, 10, 20, 2), ("02", 1, 7.0, 7, 7, 1),
    ]  # fmt: skip
    assert not any(key.startswith("s_") for key in rows[0])


def test_resampling_is_that_of_polars(tmp_path: Path) -> None:
    """polars (from the registry) groups the exported values by the same intervals."""
    plugin = own_plugin(
        tmp_path, 'fields = [{ name = "v", type = "sint16", lsb = "0.1 degC", reserved = { 0x8000 = "none" } }]\n'
    )
    chance = np.random.default_rng(3)
    raws = [int(v) & 0xFFFF for v in chance.integers(-300, 300, 5000)]
    raws[7] = raws[8] = 0x8000
    log = log_of(tmp_path / "x.db", plugin, [("a", "c", raw.to_bytes(2, "little").hex()) for raw in raws], 170_000_000)
    (tmp_path / "r").mkdir()
    put(log, tmp_path, "parquet")
    put(log, tmp_path / "r", "parquet", every_ns=7 * 10**9)
    theirs = (
        polars.read_parquet(tmp_path / "own_c.parquet")
        .group_by(polars.col("utc").dt.epoch("ns") // (7 * 10**9))
        .agg(
            polars.col("v_degC").mean().alias("mean"), polars.col("v_degC").min().alias("min"),
            polars.col("v_degC").max().alias("max"), polars.len().alias("n"),
        )
        .sort("utc")
    )  # fmt: skip
    ours = polars.read_parquet(tmp_path / "r" / "own_c.parquet")
    assert ours["count"].to_list() == theirs["n"].to_list()
    for name in ("mean", "min", "max"):
        assert ours[f"v_degC_{name}"].to_list() == pytest.approx(theirs[name].to_list())


def test_a_pipe_takes_one_channel(crate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(crate, None, "csv", channels=["light"])
    rows = list(csv.reader(io.StringIO(capsys.readouterr().out)))
    assert rows[1][1:4] == ["a", "200", "ajar"]
    with pytest.raises(InputError, match="standard output takes one channel"):
        put(crate, None, "csv")


def test_times_bound_what_is_written(crate: Path, tmp_path: Path) -> None:
    (done,) = put(crate, tmp_path, "csv", channels=["climate"], since_ns=START + 1, until_ns=START + 500_000_000)
    assert done.rows == 2


@pytest.mark.parametrize("wanted", [{"nodes": ["c"]}, {"channels": ["colour"]}])
def test_an_unknown_name_is_told(crate: Path, tmp_path: Path, wanted: dict[str, list[str]]) -> None:
    with pytest.raises(InputError, match="the run has no"):
        put(crate, tmp_path, "csv", **wanted)


def test_a_file_that_can_not_be_written_is_told_and_leaves_nothing(crate: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "loan_crate_climate.csv.part").mkdir()
    with pytest.raises(InputError, match="can't be written"):
        put(crate, tmp_path / "out", "csv", channels=["climate"])
    assert not (tmp_path / "out" / "loan_crate_climate.csv").exists()


WEATHER = """
[run]
title = "A day of weather"
radio = "virtual"
plugins = ["plugins"]

[node.a]
plugin = "station"
find = { name = "A" }
silent_after = "5 min"
poll = { temperature = "1 min", humidity = "1 min", pressure = "1 min" }

[twin.a.signal.temperature]
temperature = { csv = "CSV", column = "temp", unit = "degC" }
[twin.a.signal.humidity]
humidity = { csv = "CSV", column = "rh", unit = "percent" }
[twin.a.signal.pressure]
pressure = { csv = "CSV", column = "pressure", unit = "hPa" }
"""
STATION = """
[plugin]
kind = "station"
title = "Environmental Sensing"
[characteristic.temperature]
uuid = "0x2A6E"
service = "0x181A"
properties = ["read"]
[characteristic.humidity]
uuid = "0x2A6F"
service = "0x181A"
properties = ["read"]
[characteristic.pressure]
uuid = "0x2A6D"
service = "0x181A"
properties = ["read"]
"""


def test_a_weather_day_survives_radio_snoop_file_import_and_export(tmp_path: Path) -> None:
    """NOAA SURFRAD, tests/truth/weather_day.csv: 1440 minutes played by a simulated node, caught by bumble's snooper,
    imported, exported to Parquet, read by polars and by DuckDB: exactly the published values."""
    plugin_folder(tmp_path, STATION, "station")
    text = WEATHER.replace("CSV", str(TRUTH / "weather_day.csv"))
    (tmp_path / "run.toml").write_text(text)
    config = load_run(tmp_path / "run.toml")
    snoop = tmp_path / "day.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = TimedSnooper(file)
            await asyncio.sleep(0)

        run_bench(config, tmp_path / "day.db", 86_460, script)
    plugin = config.nodes["a"].plugin
    capture = ForeignCapture(snoop, (plugin,), {"A": "a"}, {})
    replay_capture(capture, tmp_path / "again.db", {"station": plugin}, None, None, None, None)
    put(tmp_path / "again.db", tmp_path, "parquet")
    truth = polars.read_csv(TRUTH / "weather_day.csv")
    assert len(truth) == 1440
    for name, column, unit in (
        ("temperature", "temp", "degC"),
        ("humidity", "rh", "percent"),
        ("pressure", "pressure", "hPa"),
    ):
        path = tmp_path / f"station_{name}.parquet"
        stored = polars.read_parquet(path)
        (values,) = [c for c in stored.columns if c.startswith(f"{name}_")]
        wanted = truth[column].cast(polars.Float64).to_list()
        scale = 100 if unit == "hPa" and values.endswith("_Pa") else 1
        assert [round(v / scale, 6) for v in stored[values].to_list()[:1440]] == wanted
        sql = f"SELECT {values} FROM read_parquet('{path}') ORDER BY utc LIMIT 1440"
        assert [round(row[0] / scale, 6) for row in duckdb.sql(sql).fetchall()] == wanted


@pytest.mark.parametrize("again", [False, True])
def test_samples_that_tell_when_they_were_taken_are_exported_with_that_time(again: bool, tmp_path: Path) -> None:
    inner = '{ name = "after", type = "uint8", lsb = "20 ms", role = "sample time", reserved = { 0xFF = "not known" } }'
    plugin = own_plugin(tmp_path, f'samples = {{ fields = [{inner}, {{ name = "v", type = "uint8" }}] }}\n')
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", START, None, "none", "", "", {"a": (plugin, "A")}))
    writer.frame(Frame(START + 10**9, "a", "c", bytes.fromhex("0001 0a02 0903 ff04")))
    writer.frame(Frame(START + 2 * 10**9, "a", "c", bytes.fromhex("ff05")))
    writer.frame(Frame(START + 3 * 10**9, "a", "c", bytes.fromhex("f006 ff07 fa08 0a09")))  # it wraps
    writer.close(START + 40 * 10**9, "test")
    put(tmp_path / "x.db", tmp_path, "jsonl", {"own": plugin} if again else {})
    rows = [json.loads(line) for line in (tmp_path / "own_c_sample.jsonl").read_text().splitlines()]
    assert [(row["v"], row["utc"][17:23]) for row in rows] == [
        (1, "00.800"), (2, "01.000"), (3, "00.980"), (4, "01.000"), (5, "02.000"),
        (6, "02.480"), (7, "03.000"), (8, "02.680"), (9, "03.000"),
    ]  # fmt: skip


def test_an_interval_stands_once_though_samples_overlap(tmp_path: Path) -> None:
    """Samples of a notification reach back before those of the one before it."""
    plugin = own_plugin(tmp_path, 'samples = { every = "10 ms", fields = [{ name = "v", type = "uint8" }] }\n')
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", START, None, "none", "", "", {"a": (plugin, "A")}))
    for late_ms in (980, 1010, 1040, 30_000):
        writer.frame(Frame(START + late_ms * 10**6, "a", "c", bytes(range(9))))
    writer.close(START + 40 * 10**9, "test")
    put(tmp_path / "x.db", tmp_path, "jsonl", every_ns=10**9)
    rows = [json.loads(line) for line in (tmp_path / "own_c_sample.jsonl").read_text().splitlines()]
    assert [(row["utc"][17:19], row["count"]) for row in rows] == [("00", 20), ("01", 7), ("29", 8), ("30", 1)]


@pytest.mark.parametrize(
    "field", ['type = "uint64"', 'type = "uint48", lsb = "100000 Pa"', 'type = "sint64"', 'type = "uint63"']
)
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_integers_of_any_size_are_exported(tmp_path: Path, field: str, form: Form) -> None:
    plugin = own_plugin(
        tmp_path,
        f'fields = [{{ name = "v", {field} }}, {{ rfu = 16 }}]\n'.replace(
            ", { rfu = 16 }", ", { rfu = 1 }" if "63" in field else ""
        ),
    )
    size = plugin.characteristics["c"].layout.head
    log = log_of(
        tmp_path / "x.db",
        plugin,
        [("a", "c", ("ff" * size)), ("a", "c", ("ff" * (size - 1) + "10")), ("a", "c", "01" + "00" * (size - 1))],
    )
    for name, plugins in (("stored", {}), ("again", {"own": plugin})):
        (tmp_path / name).mkdir()
        put(log, tmp_path / name, form, plugins)
    if form == "parquet":
        a, b = (pyarrow.parquet.read_table(tmp_path / name / "own_c.parquet") for name in ("stored", "again"))
        assert a.schema == b.schema and a.to_pylist() == b.to_pylist()
