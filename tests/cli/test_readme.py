"""The README followed to the letter: every command that it shows runs, in its order, in one folder, on what the
commands before it left there. Where a command needs hardware or a day, what stands in for it is named here."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.broker import Mosquitto
from tests.capture.test_foreign import TimedSnooper
from tests.support import Bench, needs_program, run_bench, run_file

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
PAGES = README + (ROOT / "configs" / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"(?:<!-- [\w ]+ -->\n)?```sh\n.*?```", PAGES, flags=re.DOTALL)
COMMANDS = [
    line.split("  #")[0].rstrip() for block in BLOCKS for line in block.splitlines()[1:-1] if "<!--" not in block
]
VERDICTS = {"judge", "run", "replay", "audit", "exercise", "plan"}  # 1 and 3 say what was found
INSTEAD = {
    "gattest audit CRATE-1 --plugin loan-crate": "gattest audit CRATE-1 --plugin loan-crate --radio virtual",
    "gattest exercise CRATE-1 --plugin loan-crate": (
        "gattest exercise CRATE-1 --plugin loan-crate --radio virtual --only light --patience '4 s'"
    ),
    "gattest twin loan-crate --controller usb:0": "gattest twin loan-crate --fault list",
    'gattest run configs/fleet.toml --for "1 h"': "gattest run configs/fleet.toml --for '3 s'",
    "mosquitto_sub -t 'gattest/#' -v": "mosquitto_sub -p PORT -t 'gattest/#' -v -W 2",
    "gattest replay crate.pcapng --spec soak.toml --into crate.db": (
        "gattest replay crate.btsnoop --plugin loan-crate --into crate.db"
    ),
}


def arguments(command: str) -> list[str]:
    """A command as a process: gattest is run from this tree."""
    words = shlex.split(command)
    return (
        [sys.executable, "-c", "from gateway.cli import main; main()", *words[1:]] if words[0] == "gattest" else words
    )


def carried_out(command: str, folder: Path) -> str:
    """What a command line prints; an exit code that its kind does not have fails the test."""
    shown = ""
    for part in command.split(" && "):
        done = subprocess.run(arguments(part), cwd=folder, capture_output=True, text=True, timeout=120, env=ENVIRONMENT)
        found = VERDICTS & set(part.split()[1:2])
        allowed = (
            {0, 1, 3} if found else {0, 27} if part.startswith("mosquitto_sub") else {0}
        )  # 27: its time has passed
        assert done.returncode in allowed, f"{part}\n{done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr, done.stderr
        shown += done.stdout
    return shown


ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "120"}


@pytest.fixture(scope="module")
def after_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A newcomer's folder after `gattest demo`: the configs, the plugins and demo.db."""
    folder = tmp_path_factory.mktemp("newcomer")
    for name in ("configs", "plugins"):
        shutil.copytree(ROOT / name, folder / name)
    carried_out("gattest demo", folder)
    return folder


@pytest.fixture
def folder(after_demo: Path, tmp_path: Path) -> Path:
    shutil.copytree(after_demo, tmp_path, dirs_exist_ok=True)
    return tmp_path


@pytest.fixture
def snoop(tmp_path: Path) -> Path:
    """What a phone's HCI log would hold: a host that connects to a crate and subscribes to what it sends."""
    run = """
[run]
title = "seen by a phone"
radio = "virtual"
[node.crate-1]
plugin = "loan-crate"
find = { name = "CRATE-1" }
sensor = { climate = { period = "1 s" } }
"""
    path = tmp_path / "snooped.btsnoop"
    with path.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = TimedSnooper(file)

        run_bench(run_file(tmp_path, run, "snooped.toml"), tmp_path / "snooped.db", 10, script)
    return path


@needs_program("mosquitto")
@needs_program("sqlite3")
def test_every_command_of_the_readme_runs_in_its_order(folder: Path, snoop: Path) -> None:
    assert set(INSTEAD) <= set(COMMANDS), "a command that is stood in for is no longer in the README"
    for name in ("phone.btsnoop", "crate.btsnoop"):
        shutil.copy(snoop, folder / name)
    with Mosquitto(folder) as broker:
        runfile = folder / "configs" / "fleet.toml"
        text = runfile.read_text("utf-8").replace('host    = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}')
        runfile.write_text(text, "utf-8")
        collector = None
        for command in COMMANDS:
            if command.startswith("gattest gather"):  # "Ctrl-C ends it"
                collector = subprocess.Popen(arguments(command), cwd=folder, env=ENVIRONMENT)
                continue
            if collector is not None and "gathered.db" in command:
                collector.send_signal(signal.SIGINT)
                assert collector.wait(20) == 0
                collector = None
            carried_out(INSTEAD.get(command, command).replace("PORT", str(broker.port)), folder)


def test_the_ten_minute_plugin_followed_to_the_letter(folder: Path) -> None:
    chapter = README.partition("## A plugin for your own node")[2].partition("\n## ")[0]
    steps = re.findall(r"`(gattest [^`]+)`", re.sub(r"```.*?```", "", chapter, flags=re.DOTALL))
    plugin, runfile = re.findall(r"```toml\n(.*?)```", chapter, flags=re.DOTALL)
    assert [step.split()[1] for step in steps] == ["new", "check", "decode", "run", "report"]
    for step in steps:
        shown = carried_out(step.replace('"1 min"', "'3 s'"), folder)
        if step.startswith("gattest new"):
            (folder / "plugins" / "door-post" / "plugin.toml").write_text(plugin, "utf-8")
            for path in (folder / "plugins" / "door-post" / "streams").iterdir():
                path.unlink()
            (folder / "my-run.toml").write_text(runfile, "utf-8")
        if step.startswith("gattest run"):
            assert "post-1: 1 of 2 requirements met: inconclusive" in shown or "0 of 2 requirements" in shown
        if step.startswith("gattest check"):
            assert ": OK, a door-post with 3 characteristics" in shown


def test_the_python_example_runs_and_prints_what_its_comments_say(folder: Path) -> None:
    (example,) = re.findall(r"<!-- api example -->\n```python\n(.*?)```", README, flags=re.DOTALL)
    (folder / "example.py").write_text(example, "utf-8")
    done = subprocess.run(
        [sys.executable, "example.py"], cwd=folder, capture_output=True, text=True, timeout=60, env=ENVIRONMENT
    )
    assert done.returncode == 0, done.stderr
    assert "\ndegC\ncrate-a: 0.0 percent" in done.stdout and "crate-b disconnects 2 at most 0" in done.stdout
