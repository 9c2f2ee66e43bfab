"""A run on a controller of its own, which is another process: HCI over a socket, and nothing else in common."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.config import load_run
from gateway.model.errors import ProblemsError
from gateway.model.events import EventKind
from tests.support import events, figures, needs_program

ROOT = Path(__file__).parents[2]
RUN = """
[run]
title = "on a controller of its own"
radio = "hci"
transport = "tcp-client:127.0.0.1:{port}"
snoop = "traffic.btsnoop"
[air]
interval = "30 ms"
supervision_timeout = "2 s"
[node.a]
plugin = "loan-crate"
find = {{ name = "CRATE-A" }}
sensor = {{ climate = {{ period = "100 ms" }} }}
"""


@contextmanager
def peer(*faults: str) -> Iterator[int]:
    """The other process; its port."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "tests.radio.peer", "loan-crate", "CRATE-A", *faults]
    with subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.kill()


def gattest(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from gateway.cli import main; main()", *words]
    return subprocess.run(
        command, cwd=folder, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=60
    )


@needs_program("tshark")
def test_a_run_on_another_processes_controller_sets_its_links_and_keeps_what_passed(tmp_path: Path) -> None:
    with peer("drop") as port:
        (tmp_path / "run.toml").write_text(RUN.format(port=port))
        done = gattest(tmp_path, "run", "run.toml", "--for", "10 s")
    assert done.returncode == 3, done.stdout + done.stderr  # nothing is required
    log = tmp_path / "run.db"
    link = events(log, EventKind.CONNECTED)[0].facts
    assert (link["connection_interval_ms"], link["supervision_timeout_ms"]) == (30.0, 2000)
    lost = events(log, EventKind.LOST)
    assert lost and {event.facts["reason"] for event in lost} == {"remote user terminated connection"}
    assert figures(log)["a", "climate", "rate"].value == pytest.approx(10, rel=0.1)
    read = ["tshark", "-r", str(tmp_path / "traffic.btsnoop"), "-Y", "btatt.opcode == 0x1b", "-T", "fields"]
    passed = subprocess.run([*read, "-e", "frame.number"], capture_output=True, text=True, check=True).stdout
    kept = figures(log)["a", "climate", "rate_whole_run"]
    assert len(passed.splitlines()) >= kept.n


def test_a_controller_that_is_not_there_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "run.toml").write_text(RUN.format(port=1))
    done = gattest(tmp_path, "run", "run.toml", "--for", "1 s")
    assert done.returncode == 2 and "tcp-client:127.0.0.1:1' can't be used" in done.stderr
    assert "Traceback" not in done.stderr and len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("before", "after", "place"),
    [
        ('transport = "tcp-client:127.0.0.1:1"\n', "", "run.transport: missing"),
        ('radio = "hci"', 'radio = "virtual"', "run.transport: is not used by the virtual radio"),
    ],
)
def test_a_transport_belongs_to_a_controller_of_ones_own(tmp_path: Path, before: str, after: str, place: str) -> None:
    (tmp_path / "run.toml").write_text(RUN.format(port=1).replace(before, after))
    with pytest.raises(ProblemsError, match=place):
        load_run(tmp_path / "run.toml")
