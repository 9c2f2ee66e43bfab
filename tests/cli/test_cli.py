"""The command line as a user meets it: real processes, real output, exit codes that mean something."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.support import figures, open_database, wait_for

ROOT = Path(__file__).parents[2]


def gattest(*words: str, cwd: Path, timeout: float = 90) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"COLUMNS": "80", "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'gattest'; from gateway.cli import main; main()", *words],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        timeout=timeout,
    )


def verdict_rows(text: str) -> list[str]:
    return [line.rstrip() for line in text.splitlines() if re.search(r"(pass|FAIL|inconclusive)\s*$", line)]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The demo as the README runs it, once for this module."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, gattest("demo", "--into", "out", cwd=folder)


MADE_TO_FAIL = {
    ("link", "disconnects"),
    ("climate", "loss"),
    ("climate", "decode_errors"),
    ("shock", "loss"),
    ("shock", "decode_errors"),
}


def test_the_demo_passes_the_sound_crate_and_fails_the_faulty_one_in_what_it_was_made_to_break(
    demo: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    from tests.support import verdicts_of

    folder, result = demo
    assert result.returncode == 0, result.stdout + result.stderr
    _, verdicts = verdicts_of(folder / "out" / "demo.db", None, None)
    outcomes = {(v.measure.node, v.measure.subject, v.measure.name): v.outcome.value for v in verdicts}
    assert len(outcomes) == 24
    for (node, subject, name), outcome in outcomes.items():
        broken = node == "crate-b" and (subject, name) in MADE_TO_FAIL
        thin = (node, name) == ("crate-b", "connected")  # two losses tell little of how often there are any
        assert outcome == ("fail" if broken else "inconclusive" if thin else "pass"), (node, subject, name, outcome)


def test_judging_the_demos_log_repeats_its_figures(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, result = demo
    again = gattest("judge", "out/demo.db", cwd=folder)
    assert again.returncode == 1
    assert verdict_rows(again.stdout) == verdict_rows(result.stdout)
    assert len(verdict_rows(result.stdout)) == 26


def test_the_demos_output_fits_80_columns_and_has_no_traceback(
    demo: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    _, result = demo
    assert result.stderr == ""
    table = result.stdout[result.stdout.index("node ") :]
    assert max(map(len, table.splitlines())) <= 110 and max(map(len, verdict_rows(result.stdout))) <= 80


def test_judging_against_another_spec(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, _ = demo
    text = (ROOT / "configs" / "demo.toml").read_text("utf-8")
    (folder / "loose.toml").write_text(
        text[: text.index("[spec.")] + "[spec.loan-crate.link]\ndisconnects = { max = 9 }\n"
    )
    result = gattest("judge", "out/demo.db", "--spec", "loose.toml", cwd=folder)
    assert result.returncode == 0, result.stdout + result.stderr
    assert len(verdict_rows(result.stdout)) == 4


def test_a_second_demo_goes_beside_the_first(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, _ = demo
    assert "run 2" in gattest("demo", "--seconds", "2", "--into", "out", cwd=folder).stdout
    assert gattest("judge", "out/demo.db", "--run", "1", cwd=folder).returncode == 1
    assert gattest("judge", "out/demo.db", cwd=folder).returncode == 3  # two seconds prove nothing
    wrong = gattest("judge", "out/demo.db", "--run", "9", cwd=folder)
    assert wrong.returncode == 2 and "has no run 9; it has 1, 2" in wrong.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_run_cleanly_with_a_verdict(tmp_path: Path, number: signal.Signals) -> None:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    child = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from gateway.cli import main; main()",
            "run",
            str(ROOT / "configs" / "demo.toml"),
            "--for",
            "10 min",
        ],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    while "connected" not in child.stdout.readline():
        assert child.poll() is None
    time.sleep(1)
    child.send_signal(number)
    out, err = child.communicate(timeout=30)
    assert child.returncode in (1, 3) and err == ""
    assert f"stopped by {number.name}" in out and "requirements met" in out
    with open_database(tmp_path / "demo.db") as connection:
        assert connection.execute("SELECT ended_how FROM run").fetchone() == (f"stopped by {number.name}",)


def test_check_reports_good_and_bad_files(tmp_path: Path) -> None:
    good = gattest("check", str(ROOT / "plugins"), str(ROOT / "configs"), cwd=tmp_path)
    assert good.returncode == 0 and good.stdout.count(": OK, ") == 9
    (tmp_path / "bad.toml").write_text('[run]\ntitle = "t"\n[node.a]\nplugin = "nope"\nfind = { name = "A" }\n')
    (tmp_path / "worse.toml").write_text("[run")
    bad = gattest("check", "bad.toml", "worse.toml", cwd=tmp_path)
    assert bad.returncode == 2
    assert "bad.toml: node.a.plugin" in bad.stdout and "worse.toml: is not TOML" in bad.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX pipes")
def test_a_run_goes_on_when_nobody_reads_its_output_any_more(tmp_path: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    program = f"{sys.executable} -c 'from gateway.cli import main; main()'"
    for name, sink, code in (("pipe", "| head -1", 141), ("full", "> /dev/full", 2)):
        command = f"{program} run {ROOT / 'configs' / 'demo.toml'} --for '6 s' --into {name}.db {sink}; exit ${{PIPESTATUS[0]}}"
        ran = subprocess.run(
            ["bash", "-c", command], cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60
        )
        assert ran.returncode == code and "Traceback" not in ran.stderr, ran.stderr
        with open_database(tmp_path / f"{name}.db") as connection:
            assert connection.execute("SELECT ended_how FROM run").fetchone() == ("duration reached",)


def test_a_terminal_of_few_letters_still_gets_its_verdict(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    folder, result = demo
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii"}
    again = subprocess.run(
        [sys.executable, "-c", "from gateway.cli import main; main()", "judge", "out/demo.db", "--run", "1"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
    )
    assert again.returncode == 1 and verdict_rows(again.stdout) == verdict_rows(result.stdout)


def test_the_version_is_told(tmp_path: Path) -> None:
    assert gattest("--version", cwd=tmp_path).stdout.startswith("gattest 0.")


@pytest.mark.parametrize(("typed", "offered"), [("gattest jud", "judge"), ("gattest judge --ju", "--junit")])
def test_the_shell_completes_commands_and_options(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, typed: str, offered: str
) -> None:
    for name, value in (
        ("_GATTEST_COMPLETE", "complete_bash"),
        ("COMP_WORDS", typed),
        ("COMP_CWORD", str(typed.count(" "))),
    ):
        monkeypatch.setenv(name, value)
    assert gattest(cwd=tmp_path).stdout.split() == [offered]


def test_values_outside_their_limits_are_marked(tmp_path: Path) -> None:
    shown = gattest("decode", "adopted", "00002a19-0000-1000-8000-00805f9b34fb", "ff", cwd=tmp_path).stdout
    assert "255 % (outside its limits)" in shown


def test_a_new_plugin_passes_check_and_runs(tmp_path: Path) -> None:
    made = gattest("new", "plugin", "door-post", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    checked = gattest("check", "plugins/door-post", cwd=tmp_path)
    assert checked.returncode == 0 and "2 payloads decode as expected" in checked.stdout
    assert "exists; nothing was written" in gattest("new", "plugin", "door-post", cwd=tmp_path).stderr
    assert gattest("new", "plugin", "Door Post", cwd=tmp_path).returncode == 2
    (tmp_path / "run.toml").write_text(
        '[run]\ntitle = "t"\nradio = "virtual"\n[node.a]\nplugin = "door-post"\nfind = { name = "A" }\n'
        'sensor = { main = { period = "100 ms" } }\npoll = { battery = "1 s" }\n'
        '[spec.door-post.data]\nloss = { max = "10 percent" }\n'
    )
    ran = gattest("run", "run.toml", "--for", "12 s", cwd=tmp_path)
    assert ran.returncode == 0, ran.stdout + ran.stderr


def test_decode_shows_offset_bits_and_units(tmp_path: Path) -> None:
    result = gattest("decode", "loan-crate", "light", "0x64", "20", cwd=tmp_path)
    assert result.returncode == 0
    assert re.search(r"illuminance\s+0\s+13\s+64 20\s+100\s+200 lx", result.stdout)
    assert re.search(r"lid\s+1\.5\s+2\s+20\s+1\s+ajar", result.stdout)
    assert "reserved" not in result.stdout.lower()
    assert (
        "Reserved bits are set: 0x80 of byte 1.\n"
        in gattest("decode", "loan-crate", "light", "64a0", cwd=tmp_path).stdout
    )
    found = json.loads(gattest("decode", "adopted", "2A6E", "f1d8", "--json", cwd=tmp_path).stdout)
    assert found[0]["value"] == -99.99 and found[0]["unit"] == "degC"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["run", "none.toml"], "none.toml: there is no such file"),
        (["judge", "none.db"], "none.db: there is no such log"),
        (["judge", "text.db"], "not a gattest log"),
        (["check", "none"], "1 problem found"),
        (["decode", "loan-crate", "climate", "010"], "odd number of hex digits"),
        (["decode", "loan-crate", "climate", "01zz"], "'z' at digit 3"),
        (["decode", "adopted", "2A19", "1", "0"], "odd number of hex digits"),
        (["decode", "loan-crate", "shock", "00" * 513], "at most 512"),
        (["decode", "loan-crate", "climate", "0102"], "2 bytes, expected 9 bytes"),
        (["decode", "loan-crate", "climat", "01"], "no characteristic 'climat'"),
        (["decode", "loan-cart", "climate", "01"], "'loan-cart' not found"),
        (["decode", "adopted", "0xFFFF", "01"], "adopted characteristics known here"),
        (["demo", "--into", "text.db"], "can't be used as a folder"),
        (["demo", "--seconds", "0"], "seconds"),
        (["run", "good.toml", "--for", "5"], "has no unit"),
        (["run", "good.toml", "--into", "nowhere/x.db"], "there is no folder"),
        (["run", "good.toml", "--into", "text.db"], "not an SQLite database"),
        (["scan", "--seconds", "x"], "seconds"),
        (["nonsense"], "nonsense"),
    ],
)
def test_bad_input_is_one_clear_message_and_exit_code_2(tmp_path: Path, words: list[str], told: str) -> None:
    (tmp_path / "text.db").write_text("just some text\n" * 100)
    (tmp_path / "good.toml").write_text((ROOT / "configs" / "demo.toml").read_text("utf-8"))
    result = gattest(*words, cwd=tmp_path)
    assert result.returncode == 2, result.stdout + result.stderr
    assert told in result.stderr
    assert "Traceback" not in result.stderr + result.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="other systems may have an adapter")
def test_without_an_adapter_the_message_says_what_to_do(tmp_path: Path) -> None:
    if Path("/sys/class/bluetooth").is_dir() and any(Path("/sys/class/bluetooth").iterdir()):
        pytest.skip("this machine has a Bluetooth adapter")
    for words in (["scan"], ["run", str(ROOT / "configs" / "soak.toml")]):
        result = gattest(*words, cwd=tmp_path)
        assert result.returncode == 2
        assert "Bluetooth can't be used" in result.stderr and "--radio virtual" in result.stderr
        assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root writes everywhere")
def test_a_read_only_folder_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    result = gattest("demo", cwd=tmp_path)
    tmp_path.chmod(0o755)
    assert result.returncode == 2 and "can't be written" in result.stderr


def test_scan_on_the_virtual_air_lists_the_demos_nodes(tmp_path: Path) -> None:
    result = gattest("scan", "--radio", "virtual", "--seconds", "1", cwd=tmp_path)
    assert result.returncode == 0
    assert "C2:10:00:00:00:0A  CRATE-A" in result.stdout and "CRATE-B" in result.stdout


def test_help_answers_at_once_and_imports_nothing_heavy(tmp_path: Path) -> None:
    code = (
        "import sys; sys.argv = ['gattest', '--help']\n"
        "from gateway.cli import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "print([name for name in ('numpy', 'pint', 'bleak', 'bumble', 'construct', 'pydantic') if name in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=20)
    assert result.stdout.strip().endswith("[]")


@pytest.fixture(scope="module")
def folder(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> Path:
    """The folder with the demo's log."""
    return demo[0] / "out"


def test_show_tells_what_a_log_holds(folder: Path) -> None:
    found = gattest("show", "demo.db", "--verify", cwd=folder)
    assert found.returncode == 0 and "Two crates in transit" in found.stdout and "no problems" in found.stdout
    told = json.loads(gattest("show", "demo.db", "--json", cwd=folder).stdout)
    climate = told["runs"][0]["nodes"][0]["channels"][0]
    assert climate["name"] == "climate" and climate["frames"] > 0 and told["runs"][0]["ended_utc"]
    values = gattest("show", "demo.db", "--channel", "climate", "--last", "3", "--run", "1", cwd=folder)
    assert len(values.stdout.splitlines()) >= 4 and "°C" in values.stdout
    rows = json.loads(
        gattest("show", "demo.db", "--channel", "light", "--last", "2", "--run", "1", "--json", cwd=folder).stdout
    )
    assert len(rows) == 2 and rows[0]["utc"] < rows[1]["utc"]


def test_extract_and_replay_repeat_the_verdict(folder: Path) -> None:
    assert gattest("extract", "demo.db", "--run", "1", "-o", "x.capture.gz", cwd=folder).returncode == 0
    runfile = ROOT / "configs" / "demo.toml"
    again = gattest("replay", "x.capture.gz", "--spec", str(runfile), "--into", "x.db", cwd=folder)
    before = gattest("judge", "demo.db", "--run", "1", cwd=folder)
    assert again.returncode == before.returncode == 1
    assert verdict_rows(again.stdout) == verdict_rows(before.stdout)


def test_replaying_in_real_time_takes_as_long_as_it_took(folder: Path) -> None:
    gattest("extract", "demo.db", "--run", "1", "-o", "s.capture", "--since", "5 s", "--until", "8 s", cwd=folder)
    begun = time.monotonic()
    found = gattest("replay", "s.capture", "--pace", "1.5x", "--into", "s.db", cwd=folder)
    assert found.returncode == 3 and time.monotonic() - begun >= 1.8
    assert "crate-a connected" in found.stdout


def test_an_extract_becomes_a_test_stream_in_one_command(folder: Path, tmp_path: Path) -> None:
    plugin = tmp_path / "loan-crate"
    shutil.copytree(ROOT / "plugins" / "loan-crate", plugin)
    stream = plugin / "streams" / "odd.capture"
    made = gattest(
        "extract",
        "demo.db",
        "--run",
        "1",
        "-o",
        str(stream),
        "--since",
        "4 s",
        "--until",
        "5 s",
        "--expected",
        cwd=folder,
    )
    assert made.returncode == 0
    checked = gattest("check", str(plugin), cwd=tmp_path)
    assert checked.returncode == 0 and "payloads decode as expected" in checked.stdout
    stream.write_text(re.sub(r" climate .", " climate f", stream.read_text()))
    assert gattest("check", str(plugin), cwd=tmp_path).returncode == 2


def test_record_writes_a_capture_instead_of_a_log(tmp_path: Path) -> None:
    runfile = ROOT / "configs" / "demo.toml"
    made = gattest("record", str(runfile), "-o", "r.capture", "--for", "4 s", cwd=tmp_path)
    assert made.returncode == 0 and [path.name for path in tmp_path.iterdir()] == ["r.capture"]
    text = (tmp_path / "r.capture").read_text()
    assert text.startswith("# gattest capture 1\n# origin: invented\n") and "# ended: " in text and " !ready {}" in text
    assert gattest("replay", "r.capture", cwd=tmp_path).returncode == 3
    assert (tmp_path / "r.db").exists()


def test_export_redecode_and_merge(folder: Path) -> None:
    made = gattest("export", "demo.db", "--to", "jsonl", "-o", "out", "--rate", "1 s", cwd=folder)
    assert made.returncode == 0 and "rows in out/loan_crate_climate.jsonl" in made.stdout
    piped = gattest("export", "demo.db", "-o", "-", "--channel", "light", "--redecode", cwd=folder)
    assert piped.stdout.startswith("utc,node,illuminance_lux,lid,raw,fault\n") and piped.stderr == ""
    assert "decoded again" in gattest("redecode", "demo.db", cwd=folder).stdout
    assert "added" in gattest("merge", "demo.db", "-o", "all.db", cwd=folder).stdout
    assert "already there" in gattest("merge", "demo.db", "-o", "all.db", cwd=folder).stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("replay", "demo.db"), "expected"),
        (("replay", "nowhere.capture"), "nowhere.capture can't be read"),
        (("replay", "x.capture.gz", "--pace", "fast"), "use 1x, 10x or max"),
        (("extract", "demo.db", "-o", "no/where.capture"), "can't be written"),
        (("extract", "demo.db", "-o", "y.capture", "--since", "tea time"), "is not a time"),
        (("export", "demo.db", "-o", "-"), "standard output takes one channel"),
        (("export", "demo.db", "--redecode", "--rate", "1 s"), "can't be combined"),
        (("export", "demo.db", "--rate", "1 kg"), "1 kg"),
        (("show", "demo.db", "--channel", "colour"), "has no channel 'colour'"),
        (("redecode", "nothing.db"), "no such log"),
        (("merge", "demo.db", "-o", "demo.db"), "both a source and the target"),
        (("record", "nowhere.toml", "-o", "z.capture"), "nowhere.toml"),
    ],
)
def test_bad_input_to_captures_and_logs_is_one_clear_message(folder: Path, words: tuple[str, ...], told: str) -> None:
    found = gattest(*words, cwd=folder)
    assert found.returncode == 2 and told in found.stderr and "Traceback" not in found.stderr, found


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT of another process is POSIX")
def test_ctrl_c_breaks_a_replay_off_and_leaves_what_was_read(tmp_path: Path) -> None:
    lines = "".join(f"2026-01-01T00:00:{i:02d}Z a climate 01006e098813cd8b01\n" for i in range(60))
    (tmp_path / "x.capture").write_text("# gattest capture 1\n# plugin: loan-crate\n" + lines)
    program = [
        sys.executable,
        "-u",
        "-c",
        "from gateway.cli import main; main()",
        "replay",
        "x.capture",
        "--pace",
        "5x",
    ]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        program, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        while "1 values" not in child.stdout.readline():
            pass
        time.sleep(1)
        child.send_signal(signal.SIGINT)
        _, told = child.communicate(timeout=30)
    assert child.returncode == 130 and told == "gattest: interrupted\n"
    found = gattest("show", "x.db", cwd=tmp_path)
    assert "replay interrupted" in found.stdout and not list(tmp_path.glob("x.db-*"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("extract", "demo.db", "-o", "demo.db"), "is the input"),
        (("judge", "demo.db", "--junit", "demo.db"), "is the input"),
        (("show", "demo.db", "--run", "7"), "need --channel"),
        (("export", "demo.db", "--plugin", "x"), "--plugin needs --redecode"),
        (("export", "demo.db", "--since", "5 s", "--until", "2 s"), "is later than --until"),
    ],
)
def test_an_output_is_no_input_and_no_option_is_passed_over(folder: Path, words: tuple[str, ...], told: str) -> None:
    before = (folder / "demo.db").read_bytes()
    found = gattest(*words, cwd=folder)
    assert found.returncode == 2 and told in found.stderr, found
    assert (folder / "demo.db").read_bytes() == before


def test_brackets_in_names_are_shown_as_they_are(tmp_path: Path) -> None:
    lines = "".join(f"2026-01-01T00:00:{i:02d}Z a[/b]c climate 01006e098813cd8b01\n" for i in range(3))
    (tmp_path / "x.capture").write_text("# gattest capture 1\n# title: Rig [/x]\n# plugin: loan-crate\n" + lines)
    found = gattest("replay", "x.capture", "--into", "mk[red].db", cwd=tmp_path)
    assert "Rig [/x]" in found.stdout and "mk[red].db" in found.stdout and "Traceback" not in found.stderr
    for words in (("show", "mk[red].db"), ("show", "mk[red].db", "--channel", "climate"), ("judge", "mk[red].db")):
        told = gattest(*words, cwd=tmp_path)
        assert "Traceback" not in told.stderr and told.returncode in (0, 3)


def test_a_pipe_closed_early_ends_the_program_quietly(folder: Path) -> None:
    program = (
        f"{sys.executable} -c 'from gateway.cli import main; main()' export demo.db -o - --channel climate --run 1"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    found = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {program} | head -1"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
    )
    assert found.returncode in (0, 141) and found.stderr == ""


def test_constants_are_given_to_a_single_value_and_what_fits_of_a_wrong_one_is_shown(tmp_path: Path) -> None:
    plain = gattest("decode", "bore-gauge", "level", "0000000000000000", cwd=tmp_path)
    whole = plain.stdout + plain.stderr
    assert plain.returncode in (0, 2) and "Traceback" not in whole
    short = gattest("decode", "loan-crate", "climate", "01 00 d0 07 88", cwd=tmp_path)
    assert short.returncode == 2 and "The start of it would be:" in short.stdout
    assert "temperature" in short.stdout and "20 °C" in short.stdout and "humidity" not in short.stdout
    wrong = gattest("decode", "loan-crate", "climate", "00", "--constant", "cal.gain=2", cwd=tmp_path)
    assert wrong.returncode == 2 and "has no constant 'cal.gain'" in wrong.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("show", "."), "is a folder; name a log in it"),
        (("judge", "."), "is a folder"),
        (("agree", "out/demo.db", "r.csv", "--node", "crate-a", "--field", "light.lid", "--unit", "lux"), "has no field"),
        (("agree", "out/demo.db", "r.csv", "--node", "crate-a", "--field", "climate.humidity", "--unit", "percent",
          "--uncertainty", "3"), "3 has no unit"),
        (("compare", "out/demo.db", "out/demo.db", "--margin", "10"), "10 has no unit"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_told_for_what_it_is(
    demo: tuple[Path, subprocess.CompletedProcess[str]], words: tuple[str, ...], told: str
) -> None:
    folder, _ = demo
    (folder / "r.csv").write_text("utc,t\n2026-01-01T00:00:00Z,1\n2026-01-01T00:01:00Z,1\n")
    found = gattest(*words, cwd=folder)
    assert found.returncode == 2 and told in found.stderr and "damaged" not in found.stderr, found.stderr


def test_a_run_file_and_a_plugin_are_told_from_each_other(tmp_path: Path) -> None:
    as_plugin = gattest("decode", str(ROOT / "configs" / "demo.toml"), "climate", "00", cwd=tmp_path)
    as_run = gattest("run", str(ROOT / "plugins" / "loan-crate" / "plugin.toml"), cwd=tmp_path)
    assert "is a run file" in as_plugin.stderr or "no plugin" in as_plugin.stderr
    assert as_run.returncode == 2 and "is a plugin; a run file, with tables" in as_run.stderr


def test_faults_of_simulated_nodes_are_chosen_where_one_looks_for_them(tmp_path: Path) -> None:
    known = gattest("exercise", "X", "--plugin", "loan-crate", "--fault", "list", cwd=tmp_path)
    assert known.returncode == 0 and "never-off: a sensor" in known.stdout
    real = gattest("exercise", "X", "--plugin", "loan-crate", "--fault", "never-off", cwd=tmp_path)
    assert real.returncode == 2 and "add --radio virtual" in real.stderr
    wrong = gattest("run", "x.toml", "--fault", "list", cwd=tmp_path)
    assert wrong.returncode == 0 and "never-on" in wrong.stdout
    none = gattest("exercise", "X", "--plugin", "loan-crate", "--radio", "virtual", "--fault", "nope", cwd=tmp_path)
    assert none.returncode == 2 and "--fault list" in none.stderr


def test_a_nodes_firmware_is_audited_from_the_command_line(tmp_path: Path) -> None:
    audited = gattest(
        "audit", "CRATE", "--plugin", "loan-crate", "--radio", "virtual", "--seconds", "0.7", cwd=tmp_path
    )
    assert audited.returncode == 0 and audited.stdout.endswith("pass\n") and not audited.stderr
    wrong = gattest("audit", "CRATE", "--plugin", "bore-gauge", "--radio", "virtual", "--node", "x", cwd=tmp_path)
    assert wrong.returncode == 2 and "--node applies to a capture or a log" in wrong.stderr


def test_a_contract_and_a_report_are_written_or_told_why_not(tmp_path: Path) -> None:
    assert gattest("contract", "loan-crate", "--as", "c", "-o", "out", cwd=tmp_path).returncode == 0
    assert (tmp_path / "out" / "loan_crate.h").is_file()
    assert gattest("contract", "loan-crate", "--as", "json", cwd=tmp_path).stdout.startswith("{")
    gattest("demo", "--seconds", "2", "--into", ".", cwd=tmp_path)
    done = gattest("report", "demo.db", cwd=tmp_path)
    assert done.returncode == 0 and "report in report.html" in done.stdout
    for arguments, told in (
        (("-o", "nowhere/x.html"), "can't be written"),
        (("-o", "demo.db"), "demo.db"),
        (("--plot", "x"), "-o FILE.png"),
        (("--plot", "x", "-o", "x.png"), "available are: crate-a.link"),
        (("--run", "7"), "no run 7"),
    ):
        failed = gattest("report", "demo.db", *arguments, cwd=tmp_path)
        assert failed.returncode == 2 and told in failed.stderr, failed.stderr


def test_the_faults_of_simulated_nodes_are_listed_without_a_controller() -> None:
    said = gattest("twin", "loan-crate", "--fault", "list", cwd=ROOT)
    assert said.returncode == 0 and "never-off: " in said.stdout
    assert gattest("twin", "loan-crate", cwd=ROOT).returncode == 2


def test_newest_values_keep_their_headings_whole_at_80_columns(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("gateway.cli.shared.WIDTH_OF_FILES", 80)
    from typer.testing import CliRunner

    from gateway.cli import app

    said = CliRunner().invoke(app, ["show", str(folder / "demo.db"), "--channel", "climate", "--last", "2"])
    assert said.exit_code == 0 and max(map(len, said.stdout.splitlines())) <= 80
    for name in ("temperature °C", "absolute_humidity g/m³", "dew_point °C"):
        assert name in said.stdout


def test_a_run_killed_and_resumed_stays_one_run_and_the_pause_is_charged_to_no_node(tmp_path: Path) -> None:
    """A service that is killed goes on: one run, whose pause is in no figure of the node."""
    (tmp_path / "run.toml").write_text(
        '[run]\ntitle = "t"\nlength = "12 s"\nradio = "virtual"\n[node.a]\nplugin = "loan-crate"\nfind = { name = "A" }\n'
        'sensor = { climate = { period = "100 ms" } }\n'
    )
    command = [sys.executable, "-c", "from gateway.cli import main; main()", "run", "run.toml", "--resume"]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    first = subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=subprocess.DEVNULL)

    def received() -> int:
        path = f"{(tmp_path / 'run.db').as_uri()}?mode=ro"
        with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(path, uri=True)) as log:
            return int(log.execute("SELECT count(*) FROM loan_crate_climate").fetchone()[0])
        return 0

    wait_for(lambda: received() > 20)
    first.kill()
    first.wait()
    before = received()
    time.sleep(3)
    done = gattest("run", "run.toml", "--resume", cwd=tmp_path)
    assert done.returncode == 3, done.stdout + done.stderr  # nothing is required
    assert "continuing run 1 of run.db, which was cut off after" in done.stdout
    story = (tmp_path / "run.txt").read_text().splitlines()
    assert sum("run started: " in line for line in story) == sum("run resumed: t" in line for line in story) == 1
    with contextlib.closing(sqlite3.connect(tmp_path / "run.db")) as log:
        ((ended,),) = log.execute("SELECT ended_how FROM run").fetchall()
        ((paused,),) = log.execute("SELECT detail ->> '$.paused_s' FROM event WHERE kind = 'run resumed'").fetchall()
        ids = [number for (number,) in log.execute("SELECT id FROM loan_crate_climate ORDER BY t_ns")]
    assert ended == "duration reached" and paused >= 3
    assert len(ids) > before + 20 and ids == sorted(ids)
    found = {(m.subject, m.name): m.value for m in figures(tmp_path / "run.db").values()}
    assert (found["link", "disconnects"], found["climate", "loss"]) == (0, 0)
    assert (found["climate", "gap_longest"] or 9) < 1 and (found["link", "connected"] or 0) > 60


def test_a_comparison_for_scripts_holds_runs_warnings_verdicts_and_bounds(folder: Path) -> None:
    from typer.testing import CliRunner

    from gateway.cli import app

    log = str(folder / "demo.db")
    said = CliRunner().invoke(app, ["compare", log, log, "--json"])
    told = json.loads(said.stdout)
    assert said.exit_code == 0 and (told["before"], told["verdicts"]) == (told["after"], [])
    rate = next(f for f in told["figures"] if (f["node"], f["of"], f["figure"]) == ("crate-a", "climate", "rate"))
    low, high = rate["before_bounds_95_percent"]
    assert low < rate["before"] < high and rate["change"] == "no change seen"
    said = CliRunner().invoke(app, ["compare", log, log])
    apart = sum(f["change"] == "not comparable" for f in told["figures"])
    assert f"{apart} have no bounds or counts to compare by" in " ".join(said.stdout.split())


@pytest.mark.parametrize("words", [("audit", "missing.pcap"), ("new", "plugin", "seen", "--from", "missing.db")])
def test_a_file_that_is_not_there_is_no_node_to_look_for(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = gattest(*words, cwd=tmp_path)
    assert done.returncode == 2 and f"{words[-1]}: there is no such file" in done.stderr


def test_a_status_file_takes_no_other_files_place(tmp_path: Path) -> None:
    """Nor is a run continued that nobody cut off: that is told."""
    (tmp_path / "run.toml").write_text(
        '[run]\ntitle = "t"\nlength = "1 s"\nradio = "virtual"\n[node.a]\nplugin = "loan-crate"\nfind = { name = "A" }\n'
    )
    notes = tmp_path / "notes.json"
    notes.write_text('["mine"]')
    done = gattest("run", "run.toml", "--health", "notes.json", cwd=tmp_path)
    assert done.returncode == 2 and "not a status file of gattest" in done.stderr and notes.read_text() == '["mine"]'
    for _ in range(2):
        done = gattest("run", "run.toml", "--resume", "--health", "status.json", cwd=tmp_path)
        assert done.returncode == 3 and "run.db: starting a new one" in done.stdout, done.stderr
    assert json.loads((tmp_path / "status.json").read_text())["nodes"]["a"]["state"] == "ended"


def test_adopted_characteristics_are_listed_and_decoded_by_name(tmp_path: Path) -> None:
    listed = gattest("decode", "adopted", "list", cwd=tmp_path)
    assert listed.returncode == 0 and "0x2A6E  Temperature: temperature °C" in listed.stdout
    assert len(listed.stdout.splitlines()) > 260
    by_name = gattest("decode", "adopted", "temperature", "f1d8", cwd=tmp_path)
    assert by_name.returncode == 0 and "-99.99 °C" in by_name.stdout
    assert gattest("decode", "adopted", "temperature", cwd=tmp_path).returncode == 2


def values_in(log: Path) -> int:
    """How many of the climate values a log that is being written holds by now."""
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(sqlite3.connect(f"file:{log}?mode=ro", uri=True)) as file,
    ):
        return int(file.execute("SELECT count(*) FROM loan_crate_climate").fetchone()[0])
    return 0


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_machine_that_stands_still_is_told_and_its_gap_is_not_the_nodes(tmp_path: Path) -> None:
    """SIGSTOP for three seconds, as a suspended laptop or a starved machine."""
    (tmp_path / "run.toml").write_text(
        '[run]\ntitle = "t"\nradio = "virtual"\n[node.a]\nplugin = "loan-crate"\nfind = { name = "A" }\n'
        'sensor = { climate = { period = "100 ms" } }\n[spec.loan-crate.climate]\ngap_longest = { max = "1 s" }\n'
    )
    command = [sys.executable, "-c", "from gateway.cli import main; main()", "run", "run.toml", "--for", "14 s"]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=subprocess.DEVNULL) as child:
        wait_for(lambda: values_in(tmp_path / "run.db") > 5)
        child.send_signal(signal.SIGSTOP)
        time.sleep(3)
        child.send_signal(signal.SIGCONT)
        assert child.wait(30) == 0
    with contextlib.closing(sqlite3.connect(tmp_path / "run.db")) as log:
        spans = [span for (span,) in log.execute("SELECT detail ->> '$.span_s' FROM event WHERE kind = 'host stalled'")]
    assert max(spans) == pytest.approx(3, abs=0.5)
    found = figures(tmp_path / "run.db")
    assert (found["a", "climate", "gap_longest"].value or 9) < 1
    judged = gattest("judge", "run.db", cwd=tmp_path)
    assert judged.returncode == 0 and "This machine stood still" in judged.stdout


def test_a_capture_in_which_no_node_is_recognised_says_so(tmp_path: Path) -> None:
    (tmp_path / "x.btsnoop").write_bytes(b"btsnoop\0" + (1).to_bytes(4, "big") + (1002).to_bytes(4, "big"))
    found = gattest("replay", "x.btsnoop", "--plugin", "loan-crate", cwd=tmp_path)
    assert found.returncode == 3 and "No node was recognised in it" in found.stdout
