"""An independent reader: tshark (Debian's package) decodes what a simulated node sent over HCI, from a snoop file
that bumble's host wrote. Its integers must be ours. Known faults of tshark 4.0 are left out: it shows a 32-bit
FLOAT as 0, and a presentation format's exponent without its sign."""

from __future__ import annotations

import subprocess
from pathlib import Path

from bumble.snoop import BtSnooper

from gateway.app.check import find_characteristic
from tests.support import Bench, needs_program, open_database, plugin_folder, run_bench, run_file

# number: (service, signal of each field, tshark's name of each field of ours)
SERVED: dict[str, tuple[str, dict[str, str], dict[str, str]]] = {
    "2A6E": ("181A", {"temperature": 'ramp = ["-60 degC", "90 degC", "7 s"]'}, {"temperature": "temperature"}),
    "2A6F": ("181A", {"humidity": 'ramp = ["0 percent", "100 percent", "7 s"]'}, {"humidity": "humidity"}),
    "2A6D": ("181A", {"pressure": 'ramp = ["300 hPa", "1100 hPa", "7 s"]'}, {"pressure": "pressure"}),
    "2A6C": ("181A", {"elevation": 'ramp = ["-400 m", "8000 m", "7 s"]'}, {"elevation": "elevation"}),
    "2A70": ("181A", {"true_wind_speed": 'ramp = ["0 m/s", "60 m/s", "7 s"]'}, {"true_wind_speed": "true_wind_speed"}),
    "2A71": (
        "181A",
        {"true_wind_direction": 'ramp = ["0 degree", "359 degree", "7 s"]'},
        {"true_wind_direction": "true_wind_direction"},
    ),
    "2A74": ("181A", {"gust_factor": 'ramp = ["0", "25", "7 s"]'}, {"gust_factor": "gust_factor"}),
    "2A76": ("181A", {"uv_index": 'ramp = ["0", "11", "7 s"]'}, {"uv_index": "uv_index"}),
    "2A77": ("181A", {"irradiance": 'ramp = ["0 W/m**2", "1200 W/m**2", "7 s"]'}, {"irradiance": "irradiance"}),
    "2A78": ("181A", {"rainfall": 'ramp = ["0 mm", "40 mm", "7 s"]'}, {"rainfall": "rainfall"}),
    "2A79": ("181A", {"wind_chill": 'ramp = ["-60 degC", "20 degC", "7 s"]'}, {"wind_chill": "wind_chill"}),
    "2A7A": ("181A", {"heat_index": 'ramp = ["-10 degC", "60 degC", "7 s"]'}, {"heat_index": "heart_index"}),
    "2A7B": ("181A", {"dew_point": 'ramp = ["-60 degC", "40 degC", "7 s"]'}, {"dew_point": "dew_point"}),
    "2A2C": (
        "181A",
        {"magnetic_declination": 'ramp = ["0 degree", "359 degree", "7 s"]'},
        {"magnetic_declination": "magnetic_declination"},
    ),
    "2AA1": (
        "181A",
        {axis: f'sine = ["0 uT", "{peak} uT", "7 s"]' for axis, peak in (("x", 60), ("y", 40), ("z", 20))},
        {axis: f"hf_btatt_magnetic_flux_density.{axis}" for axis in "xyz"},
    ),
    "2A19": (
        "180F",
        {"battery_level": 'ramp = ["100 percent", "0 percent", "7 s"]'},
        {"battery_level": "battery_level"},
    ),
    "2A07": ("1804", {"tx_power_level": 'ramp = ["-40 dBm", "20 dBm", "7 s"]'}, {"tx_power_level": "tx_power_level"}),
    "2A63": (
        "1818",
        {"power": 'ramp = ["-100 W", "900 W", "7 s"]'},
        {"power": "cycling_power_measurement.instantaneous_power"},
    ),
}


def signals() -> str:
    return "".join(
        f"[twin.a.signal.c{number.lower()}]\n" + "".join(f"{name} = {{ {how} }}\n" for name, how in fields.items())
        for number, (_, fields, _) in SERVED.items()
    )


@needs_program("tshark")
def test_tshark_reads_the_same_integers_of_eighteen_adopted_characteristics(tmp_path: Path) -> None:
    names = {number: f"c{number.lower()}" for number in SERVED}
    tables = [
        f'[characteristic.{names[number]}]\nuuid = "0x{number}"\nservice = "0x{service}"\nproperties = ["read"]\n'
        for number, (service, _, _) in SERVED.items()
    ]
    plugin_folder(tmp_path, '[plugin]\nkind = "own"\ntitle = "Own"\n' + "".join(tables), "own")
    poll = ", ".join(f'{name} = "1 s"' for name in names.values())
    config = run_file(
        tmp_path,
        '[run]\ntitle = "t"\nradio = "virtual"\nplugins = ["plugins"]\n[node.a]\nplugin = "own"\n'
        f'find = {{ name = "A" }}\npoll = {{ {poll} }}\n{signals()}',
    )
    log, snoop = tmp_path / "run.db", tmp_path / "run.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = BtSnooper(file)

        run_bench(config, log, 20, script)
    theirs = [f"btatt.{name}" for _, _, fields in SERVED.values() for name in fields.values()]
    command = ["tshark", "-r", str(snoop), "-Y", "btatt.opcode == 0x0b", "-T", "fields", "-e", "btatt.uuid16"]
    told = subprocess.run(
        [*command, *(part for name in theirs for part in ("-e", name))], capture_output=True, text=True, check=True
    ).stdout
    rows = [dict(zip(["uuid", *theirs], line.split("\t"), strict=True)) for line in told.splitlines()]
    with open_database(log) as connection:
        for number, (_, _, fields) in SERVED.items():
            item = find_characteristic("adopted", number)
            raws = [row[0] for row in connection.execute(f"SELECT raw FROM own_{names[number]} ORDER BY id")]
            ours = [{r.name: r.raw for r in item.codec.read(raw)} for raw in raws]
            seen = [row for row in rows if row["uuid"] == f"0x{number.lower()}"]
            assert len(ours) == len(seen) > 10, number
            for name, other in fields.items():
                got = [int(row[f"btatt.{other}"], 0) for row in seen]
                assert got == [values[name] for values in ours], (number, name)
                assert len(set(got)) > 5, (number, name)
