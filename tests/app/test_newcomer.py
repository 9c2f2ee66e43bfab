"""One description, four readers: what a newcomer writes in a few lines must mean the same to `check`, to `decode`,
to a run and to the columns of its log."""

from __future__ import annotations

from pathlib import Path

from gateway.app.check import check
from gateway.plugin import load_plugin
from gateway.plugin.derive import read_all
from tests.support import open_database, plugin_folder, run_bench, run_file

LINES = """\
[plugin]
kind = "post"
title = "A flags byte, an optional 24-bit value, a pair of 12 bits, and eight samples"
[characteristic.data]
uuid = "b1c90011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [
  { name = "has_pressure", type = "boolean" }, { rfu = 7 },
  { name = "pressure", type = "uint24", lsb = "0.1 Pa", unit = "hPa", when = "has_pressure" },
  { name = "left", type = "uint12", lsb = "1 mV" }, { name = "right", type = "uint12", lsb = "1 mV" },
]
samples = { every = "10 ms", count = 8, fields = [{ name = "x", type = "sint16", lsb = "0.01 m/s**2" }] }
"""
TWIN = """
[sensor.data]
data = "data"
"""
RUN = """
[run]
title = "t"
radio = "virtual"
plugins = ["plugins"]
[node.a]
plugin = "post"
find = {{ name = "A" }}
[twin.a.signal.data]
has_pressure = {{ constant = "{flag}" }}
pressure = {{ ramp = ["950 hPa", "1050 hPa", "3 s"] }}
left = {{ sine = ["2 V", "1 V", "2 s"] }}
right = {{ sine = ["1 V", "1 V", "3 s"] }}
x = {{ sine = ["0 m/s**2", "20 m/s**2", "1 s"] }}
"""


def test_check_decode_run_and_columns_agree_on_fifteen_lines(tmp_path: Path) -> None:
    assert len(LINES.splitlines()) < 15
    folder = plugin_folder(tmp_path, LINES + TWIN, "post")
    (told,) = check(folder)
    assert not [problem for problem in told.problems if problem.fatal]
    item = load_plugin(folder).characteristics["data"]
    readings = {r.name: (r.value, r.unit) for r in read_all(item, bytes.fromhex("0102760f e8037d" + "6400" * 8), {})}
    assert readings["pressure"] == (1013.25, "hPa") and readings["left"] == (1000, "mV")
    assert readings["samples[7].x"] == (1.0, "m/s**2") and len(readings) == 4 + 8
    for flag in (0, 1):
        log = tmp_path / f"{flag}.db"
        run_bench(run_file(tmp_path, RUN.format(flag=flag)), log, 10)
        with open_database(log) as connection:
            rows = connection.execute("SELECT id, raw, pressure_hPa, left_mV, right_mV FROM post_data").fetchall()
            samples: dict[int, list[float]] = {}
            (column,) = [row[1] for row in connection.execute("PRAGMA table_info(post_data_sample)")][2:]
            for frame, value in connection.execute(
                f"SELECT frame, {column} FROM post_data_sample ORDER BY 1, position"
            ):
                samples.setdefault(frame, []).append(value)
        assert len(rows) >= 8
        for number, raw, *columns in rows:
            single = {r.name: r.value for r in read_all(item, raw, {})}
            assert columns == [single.get("pressure"), single["left"], single["right"]]
            assert samples[number] == [single[f"samples[{i}].x"] for i in range(8)]
