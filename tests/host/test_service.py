"""A run under a service manager: it is told of readiness, life, reloads and the end; nodes join; the health file and the
unit say what they should."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.log.reader import Log
from gateway.model.events import EventKind
from gateway.report.unit import unit_file
from tests.support import events, figures

RUN = """
[run]
title = "Crates under a manager"
radio = "virtual"
length = "9 s"
[node.crate-a]
plugin = "loan-crate"
find = { name = "CRATE-A" }
sensor = { climate = { period = "100 ms" } }
[spec.loan-crate.climate]
rate = { min = "5 /s" }
"""
MORE = """
[node.crate-b]
plugin = "loan-crate"
find = { name = "CRATE-B" }
sensor = { climate = { period = "100 ms" } }
[spec.crate-b.climate]
rate = { min = "4 /s" }
"""
GATTEST = [sys.executable, "-c", "from gateway.cli import main; main()"]


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no service manager of this kind on this system")
def test_a_manager_is_told_and_a_reload_lets_nodes_join(tmp_path: Path) -> None:
    run_file, log, health = tmp_path / "run.toml", tmp_path / "run.db", tmp_path / "health.json"
    run_file.write_text(RUN)
    told: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "manager"))
        manager.settimeout(0.2)
        process = subprocess.Popen(
            [*GATTEST, "run", str(run_file), "--into", str(log), "--health", str(health)],
            env=os.environ | {"NOTIFY_SOCKET": str(tmp_path / "manager")},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        asked = 0
        end = time.monotonic() + 60
        while process.poll() is None and time.monotonic() < end:
            try:
                told.append(manager.recv(4096).decode())
            except TimeoutError:
                continue
            if asked == 0 and "2 nodes" not in told[-1] and "1 nodes connected" in told[-1]:
                run_file.write_text(RUN + "[nonsense")
                process.send_signal(signal.SIGHUP)
                asked = 1
            elif asked == 1 and told[-1] == "READY=1":
                run_file.write_text(RUN + MORE)
                process.send_signal(signal.SIGHUP)
                asked = 2
        said = process.communicate()[0]
    assert process.returncode == 0, said
    plain = [line.split("\n")[0] for line in told if not line.startswith("WATCHDOG=1\nSTATUS=")]
    assert plain == ["READY=1", "RELOADING=1", "READY=1", "RELOADING=1", "READY=1", "STOPPING=1"]
    assert len(told) - len(plain) > 10
    assert any("2 nodes connected" in line for line in told)
    refused, joined = (event.facts for event in events(log, EventKind.RELOADED))
    assert "is not TOML" in str(refused["refused"]) and joined["added"] == ["crate-b"]
    assert figures(log)["crate-b", "climate", "rate"].value == pytest.approx(10, rel=0.1)
    with Log(log) as opened:
        assert [(rule.whom, rule.figure) for rule in opened.run().requirements] == [
            ("loan-crate", "rate"),
            ("crate-b", "rate"),
        ]
    seen = json.loads(health.read_text())
    assert (
        seen["nodes"]["crate-a"]["state"] == "ended" and seen["nodes"]["crate-b"]["channels"]["climate"]["values"] > 0
    )
    assert not health.with_name("health.json.new").exists()


def test_a_unit_takes_any_path_as_it_is() -> None:
    text = unit_file(
        '100 % "proven"', Path("/opt/a b/gattest"), Path("/srv/$x/run.toml"), Path("/srv/$x/run.db"), "bench"
    )
    assert (
        'ExecStart="/opt/a b/gattest" run /srv/$$x/run.toml --into /srv/$$x/run.db --health /srv/$$x/run.health.json'
        in text
    )
    assert 'Description=100 %% "proven"' in text and "Type=notify" in text and "User=bench" in text


def test_the_command_prints_a_unit(tmp_path: Path) -> None:
    (tmp_path / "run.toml").write_text(RUN)
    told = subprocess.run([*GATTEST, "service", str(tmp_path / "run.toml")], capture_output=True, text=True, check=True)
    assert f"run {tmp_path}/run.toml --into {tmp_path}/run.db" in told.stdout and "WatchdogSec=" in told.stdout


def reloaded(folder: Path, change: str, plugin: str | None = None) -> dict[str, object]:
    """What a reload tells after the run file, and perhaps the plugin of a known kind, were changed."""
    import asyncio

    from gateway.app.run import execute
    from gateway.config import load_run
    from gateway.log.writer import LogWriter
    from gateway.plugin import find_plugin
    from tests.support import plugin_folder

    plugin_folder(folder, find_plugin("loan-crate").text, "loan-crate")
    run_file = folder / "run.toml"
    text = RUN.replace('radio = "virtual"', 'radio = "virtual"\nplugins = ["plugins"]')
    run_file.write_text(text)
    config = load_run(run_file)

    def again() -> object:
        return load_run(run_file)

    async def run() -> None:
        async def act() -> None:
            await asyncio.sleep(1.0)
            run_file.write_text(text.replace("[spec.loan-crate.climate]", f"{change}\n[spec.loan-crate.climate]"))
            if plugin is not None:
                plugin_folder(folder, plugin, "loan-crate")
            os.kill(os.getpid(), signal.SIGHUP)

        async with asyncio.TaskGroup() as group:
            group.create_task(act())
            await execute(
                config,
                lambda facts: LogWriter(folder / "log.db", facts),
                3_000_000_000,
                lambda view: None,
                reload=again,
            )  # type: ignore[arg-type]

    asyncio.run(run())
    (event,) = events(folder / "log.db", EventKind.RELOADED)
    return event.facts


NODE = (
    '[node.crate-b]\nplugin = "loan-crate"\nfind = { name = "CRATE-B" }\nsensor = { climate = { period = "100 ms" } }'
)


def test_a_node_whose_plugin_has_changed_does_not_join(tmp_path: Path) -> None:
    from gateway.plugin import find_plugin

    text = find_plugin("loan-crate").text.replace("0.01 degC", "0.02 degC")
    assert "has changed since the start" in str(reloaded(tmp_path, NODE, text)["refused"])


def test_a_node_that_is_new_in_the_file_joins(tmp_path: Path) -> None:
    assert reloaded(tmp_path, NODE) == {"added": ["crate-b"]}


def test_health_is_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "run.toml").write_text(RUN)
    for health in (tmp_path / "run.toml", tmp_path / "log.db", tmp_path / "nowhere" / "health"):
        command = [
            *GATTEST,
            "run",
            str(tmp_path / "run.toml"),
            "--into",
            str(tmp_path / "log.db"),
            "--health",
            str(health),
        ]
        told = subprocess.run(command, capture_output=True, text=True, check=False)
        assert told.returncode == 2 and "--health" in told.stderr
    assert (tmp_path / "run.toml").read_text() == RUN
