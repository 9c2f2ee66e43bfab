"""Plugins, run files and captures: everything wrong is reported in one pass, with place and remedy."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.app.check import check
from gateway.capture import read_capture
from gateway.config import load_run
from gateway.host import shipped
from gateway.model.errors import InputError, ProblemsError
from gateway.plugin import find_plugin, load_plugin, plugin_folders
from tests.support import plugin_folder, run_file

GOOD = """
[plugin]
kind = "probe"
title = "Probe"
[characteristic.data]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "t", type = "sint16", lsb = "0.01 degC" }]
[characteristic.config]
uuid = "b1c70012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "write"]
fields = [{ name = "on", type = "uint8" }, { name = "period", type = "uint8", lsb = "100 ms", limits = ["100 ms", "5 s"] }]
[sensor.probe]
data = "data"
enable = { characteristic = "config", field = "on" }
period = { characteristic = "config", field = "period", default = "1 s" }
[derived.f]
unit = "degF"
inputs = { t = "data.t in degF" }
formula = "t"
"""


def problems(folder: Path, text: str) -> str:
    with pytest.raises(ProblemsError) as caught:
        load_plugin(plugin_folder(folder, text))
    return str(caught.value)


@pytest.mark.parametrize("kind", sorted(plugin_folders()))
def test_every_shipped_plugin_is_good_and_its_streams_decode_as_expected(kind: str) -> None:
    (result,) = check(shipped.folder("plugins") / kind)
    assert result.problems == ()
    assert not result.summary.startswith("0 ") and "; 0 recorded" not in result.summary


@pytest.mark.parametrize("path", sorted(shipped.folder("configs").glob("*.toml")), ids=lambda p: p.name)
def test_every_shipped_run_file_is_good(path: Path) -> None:
    load_run(path)


def test_a_good_plugin_loads(tmp_path: Path) -> None:
    plugin = load_plugin(plugin_folder(tmp_path, GOOD))
    assert plugin.channels == ("data",)
    assert plugin.settings == {"config"}
    assert plugin.characteristics["data"].derived[0].column == "f_degF"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('title = "Probe"', "", "plugin.title: missing"),
        ('kind = "probe"', 'kind = "Probe!"', "plugin.kind"),
        ('kind = "probe"', 'kind = "probe"\ncolour = "red"', "plugin.colour: unknown key"),
        ("b1c70011-5d1e", "zzz70011-5d1e", "characteristic.data.uuid"),
        ("b1c70012-5d1e", "b1c70011-5d1e", "is used twice"),
        ('properties = ["notify"]', 'properties = ["shout"]', "characteristic.data.properties[0]"),
        ('"0.01 degC"', '"0.01 degreez"', "characteristic.data.fields[0].lsb"),
        ('data = "data"', 'data = "date"', "no characteristic named 'date'; one of data, config"),
        ('field = "on" }', 'field = "off" }', "config has the fields on, period"),
        ('enable = { characteristic = "config"', 'enable = { characteristic = "data"', "can't be written"),
        ('default = "1 s"', 'default = "9 s"', "inside the field's limits"),
        ('default = "1 s"', 'default = "1 m"', "is length"),
        ('"data.t in degF"', '"data.t in Pa"', "derived.f.inputs.t"),
        ('"data.t in degF"', '"data.x in degF"', "there is no data.x"),
        ('formula = "t"', 'formula = "t + u"', "uses 'u'"),
        ('formula = "t"', "formula = \"__import__('os').system('x')\"", "not supported: use"),
        ('type = "sint16"', 'type = "sint16", limits = ["0 degC"]', "limits"),
        ('"0.01 degC"', '"0.01 km**9999999"', "powers of one digit"),
        ('"0.01 degC"', '"1e99**64 degC"', "beyond 1e100"),
        ('name = "t",', 'name = "raw", lsb = "1", type = "uint8" }, { name = "t",', "a column that the log itself uses"),
        ('name = "t", type = "sint16", lsb = "0.01 degC" }', 'name = "t_degc", type = "uint8" }, { name = "t", type = "sint16", lsb = "0.01 degC" }', "share the log's column 't_degc'"),
        ("[characteristic.config]", "[characteristic.link]", "which the log uses itself"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_plugin_is_named_with_its_place(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in GOOD
    found = problems(tmp_path, GOOD.replace(old, new, 1))
    assert told in found
    assert "plugin.toml" in found


def test_all_problems_of_a_plugin_come_in_one_pass(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        GOOD.replace("0.01 degC", "0.01 RH").replace('data = "data"', 'data = "x"').replace("b1c70012", "b1c7001Z"),
    )
    assert len(found.splitlines()) >= 3


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff\xfe", "not UTF-8"),
        (b"[plugin", "not TOML"),
        (b"x" * (1 << 20) + b"yz", "larger than"),
        (b"a = " + b"9" * 5000, "not TOML"),
        (b"", "plugin: missing"),
    ],
)
def test_a_file_that_is_no_toml_is_told(tmp_path: Path, content: bytes, told: str) -> None:
    path = tmp_path / "plugin.toml"
    path.write_bytes(content)
    with pytest.raises(ProblemsError, match=told):
        load_plugin(path)


def test_plugins_of_installed_packages_are_found_and_nothing_of_them_is_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "crates_and_more"
    (package / "probe").mkdir(parents=True)
    (package / "__init__.py").write_text("raise SystemExit('run')")
    (package / "probe" / "plugin.toml").write_text(GOOD)
    info = tmp_path / "crates_and_more-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: crates-and-more\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[gattest.plugins]\nmine = crates_and_more\n")
    monkeypatch.syspath_prepend(tmp_path)
    assert find_plugin("probe").path == package / "probe"


def test_a_byte_order_mark_is_no_matter(tmp_path: Path) -> None:
    path = plugin_folder(tmp_path, GOOD) / "plugin.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_plugin(path).kind == "probe"


def test_an_unknown_plugin_is_named_with_those_that_are_known() -> None:
    with pytest.raises(InputError, match="bore-gauge, bore-station, crate-journal, loan-crate"):
        find_plugin("nope")


RUN = """
[run]
title = "t"
radio = "virtual"
length = "1 min"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "1 s" } }
poll = { battery = "10 s" }
[twin.a]
address = "C2:00:00:00:00:01"
faults = { lose = "1 percent" }
[twin.a.signal.climate]
temperature = { constant = "20 degC", noise = "0.1 K" }
[spec.loan-crate.climate]
rate = { min = "0.9 /s", max = "1.1 /s" }
"""


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('title = "t"', 'title = "t"\nspeed = 3', "run.speed: unknown key"),
        ('battery = "10 s"', 'battery = "1 us"', "at least 10 ms"),
        ('sensor = { climate = { period = "1 s" } }', "", "the sensor of climate is never switched on"),
        ('max = "1.1 /s"', 'max = "-1 /s"', "zero or more, as nothing can be below zero"),
        ('period = "1 s"', 'period = "0.075 s"', "outside what climate can be set to"),
        ('period = "1 s"', "period = 1", "text in quotes"),
        ('length = "1 min"', 'length = "1 m"', "run.length"),
        ('plugin = "loan-crate"', 'plugin = "loan-cart"', "node.a.plugin: plugin 'loan-cart' not found"),
        ('find = { name = "A" }', "find = {}", "exactly one of them"),
        ('period = "1 s"', 'period = "1 h"', "outside what climate can be set to; 0.05 to 600 s"),
        ("climate = { period", "weather = { period", "no sensor 'weather'; one of climate, shock, light"),
        ('battery = "10 s"', 'shock = "10 s"', "can't be read"),
        ('find = { name = "A" }', 'find = { name = "A" }\nsilent_after = "1 s"', "not longer than 1 s"),
        ("C2:00", "02:00", "static random address"),
        ('lose = "1 percent"', 'lose = "2"', "a share from"),
        ('lose = "1 percent"', 'freeze = "climate.x"', "no field climate.x"),
        ('constant = "20 degC"', 'constant = "20 Pa"', "pressure"),
        ('constant = "20 degC"', 'csv = "none.csv"', "there is no file"),
        ("temperature = {", "temperatur = {", "no field climate.temperatur"),
        ("[spec.loan-crate.climate]", "[spec.bore-gauge.climate]", "no node of this run is a bore-gauge"),
        ("[spec.loan-crate.climate]", "[spec.loan-crate.weather]", "no channel 'weather'"),
        ("rate = {", "speed = {", "is not a known figure"),
        ('min = "0.9 /s"', 'min = "0.9 s"', "rate.min"),
        ('min = "0.9 /s"', "min = 1", "has no unit"),
        ('min = "0.9 /s"', 'min = "9 /s"', "is above max"),
        ('{ min = "0.9 /s", max = "1.1 /s" }', "{}", "no bound"),
        ("[spec.loan-crate.climate]\nrate", "[spec.loan-crate.light]\nloss", "no field with the role sequence"),
        ("[node.a]", '[air]\ninterval = "1 ms"\n[node.a]', "7.5 ms to 4 s"),
        ("[node.a]", '[air]\nsupervision_timeout = "20 ms"\n[node.a]', "more than 2 x (1 + latency) intervals"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_run_file_is_named_with_its_place(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in RUN
    with pytest.raises(ProblemsError) as caught:
        run_file(tmp_path, RUN.replace(old, new, 1))
    assert told in str(caught.value)


def test_a_channel_that_is_only_read_needs_a_period(tmp_path: Path) -> None:
    with pytest.raises(ProblemsError, match="reading can only be polled, but no polling period is set"):
        run_file(tmp_path, '[run]\ntitle = "t"\n[node.b]\nplugin = "bore-gauge"\nfind = { name = "B" }\n')


def test_plugins_beside_the_run_file_are_found(tmp_path: Path) -> None:
    plugin_folder(tmp_path, GOOD)
    config = run_file(
        tmp_path, '[run]\ntitle = "t"\nplugins = ["plugins"]\n[node.p]\nplugin = "probe"\nfind = { name = "P" }\n'
    )
    assert config.nodes["p"].plugin.kind == "probe"


def test_two_nodes_are_not_sought_by_the_same(tmp_path: Path) -> None:
    second = RUN[RUN.index("[node.a]") : RUN.index("[twin.a]")].replace("node.a", "node.b")
    with pytest.raises(ProblemsError, match=r"node\.b\.find: another node has the same name or address"):
        run_file(tmp_path, RUN + second)


def test_a_simulated_nodes_constants_must_fit_their_fields(tmp_path: Path) -> None:
    text = (shipped.folder("configs") / "bore.toml").read_text("utf-8").replace('"81300 Pa"', '"1e12 Pa"')
    with pytest.raises(ProblemsError, match=r"twin\.bore-1\.constant\.calibration\.zero"):
        run_file(tmp_path, text)


def test_twins_share_no_address(tmp_path: Path) -> None:
    second = RUN[RUN.index("[node.a]") : RUN.index("[spec")].replace(".a", ".b")
    with pytest.raises(ProblemsError, match="share an address"):
        run_file(tmp_path, RUN + second)


CAPTURE = "# gattest capture 1\n# plugin: probe\n# origin: invented\n2026-03-02T09:00:00.5Z p data 0100\n"


def stream(folder: Path, capture: str, expected: str) -> str:
    path = plugin_folder(folder, GOOD)
    (path / "streams").mkdir(exist_ok=True)
    (path / "streams" / "s.capture").write_text(capture)
    (path / "streams" / "s.expected.toml").write_text(expected)
    (result,) = check(path)
    return "\n".join(map(str, result.problems))


def test_a_stream_that_decodes_as_expected_is_good(tmp_path: Path) -> None:
    assert stream(tmp_path, CAPTURE, '[[frame]]\nline = 4\nt = "0.01 degC"\nf = "32.018 degF"\n') == ""


@pytest.mark.parametrize(
    ("capture", "expected", "told"),
    [
        (CAPTURE, '[[frame]]\nline = 4\nt = "0.02 degC"\nf = "32.018 degF"\n', "line 4.t"),
        (CAPTURE, '[[frame]]\nline = 4\nt = "0.01 Pa"\nf = "32.018 degF"\n', "line 4.t"),
        (CAPTURE, '[[frame]]\nline = 4\nt = "0.01 degC"\n', "line 4.f: missing; decoded as 32.018"),
        (CAPTURE, "", "0 frames; 1, one for each"),
        (CAPTURE, "frame = 5", "not a list of tables"),
        (CAPTURE, "frame = [1]", "not a list of tables"),
        (CAPTURE, '[[frame]]\nline = 4\nrefused = true\n', "the payload decodes"),
        (CAPTURE.replace("0100", "01"), '[[frame]]\nline = 4\nt = "1 degC"\n', "1 byte, expected 2 bytes"),
        (CAPTURE.replace(" data ", " date "), "[[frame]]\nline = 4\n", "no characteristic 'date'"),
        (CAPTURE.replace("0100", "010"), "", "line 4"),
        (CAPTURE.replace("Z", ""), "", "UTC"),
        (CAPTURE.replace("capture 1", "capture 9"), "", "line 1"),
    ],
)  # fmt: skip
def test_what_differs_in_a_stream_is_named_with_its_line(
    tmp_path: Path, capture: str, expected: str, told: str
) -> None:
    assert told in stream(tmp_path, capture, expected)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=80))
def test_any_line_is_a_frame_or_a_problem(line: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.capture"
        path.write_text("# gattest capture 1\n" + line, encoding="utf-8")
        try:
            read_capture(path)
        except ProblemsError:
            pass


def test_the_time_of_a_frame_is_exact(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    path.write_text("# gattest capture 1\n1970-01-01T00:00:01.000000001Z n c 00\n")
    assert read_capture(path)[0][1].t_ns == 1_000_000_001


@pytest.mark.parametrize(("kind", "channel"), [("event", "utc"), ("former", "plugin"), ("sqlite-node", "x")])
def test_a_table_that_the_log_has_of_its_own_is_refused(tmp_path: Path, kind: str, channel: str) -> None:
    text = f"""
[plugin]
kind = "{kind}"
title = "t"
[characteristic.{channel}]
uuid = "b1c90011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c90010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read"]
fields = [{{ name = "v", type = "uint8" }}]
"""
    with pytest.raises(ProblemsError, match="the log itself uses that one"):
        load_plugin(plugin_folder(tmp_path, text, kind))


def test_the_reserved_tables_are_all_that_a_plugin_could_name() -> None:
    from gateway.log.schema import TABLES
    from gateway.plugin.characteristic import RESERVED_RELATIONS

    names = set(re.findall(r"EXISTS (\w+)", TABLES))
    assert {name for name in names if "_" in name} == RESERVED_RELATIONS
