"""A run on a controller of its own, which is another process: HCI over a socket, and nothing else in common."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import FileIO
from pathlib import Path

import pytest
from bumble.snoop import BtSnooper

from gateway.config import load_run
from gateway.model.errors import InputError, ProblemsError
from gateway.model.events import EventKind
from gateway.radio.own import _open_log
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
latency = 3
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
    assert link["peripheral_latency_events"] == 3
    assert figures(log)["a", "link", "signal_weakest"].value == -50
    lost = events(log, EventKind.LOST)
    assert lost and {event.facts["reason"] for event in lost} == {"remote user terminated connection"}
    assert figures(log)["a", "climate", "rate"].value == pytest.approx(10, rel=0.1)
    read = ["tshark", "-r", str(tmp_path / "traffic.btsnoop"), "-Y", "btatt.opcode == 0x1b", "-T", "fields"]
    passed = subprocess.run([*read, "-e", "frame.number"], capture_output=True, text=True, check=True).stdout
    kept = figures(log)["a", "climate", "rate_whole_run"]
    assert len(passed.splitlines()) >= kept.n


RESET = bytes.fromhex("01030c00")  # HCI_Reset: Core Specification, vol. 4 part E, 7.3.2


def test_an_hci_log_goes_on_in_the_next_run_and_takes_no_other_file(tmp_path: Path) -> None:
    path = tmp_path / "traffic.btsnoop"
    for _ in range(2):
        log = _open_log(path)
        log.snoop(RESET, BtSnooper.Direction.HOST_TO_CONTROLLER)
        log.close()
    assert path.read_bytes().count(b"btsnoop") == 1 and path.stat().st_size == 16 + 2 * (24 + len(RESET))
    path.write_text("notes of last week")
    with pytest.raises(InputError, match="is not an HCI log"):
        _open_log(path)
    assert path.read_text() == "notes of last week"
    with pytest.raises(InputError, match="can't be written"):
        _open_log(tmp_path / "no" / "folder")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_an_hci_log_that_finds_no_room_ends_and_the_link_does_not(tmp_path: Path) -> None:
    told: list[str] = []

    async def pass_two_packets() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: told.append(context["message"]))
        log = _open_log(tmp_path / "traffic.btsnoop")
        log.output.close()
        log.output = FileIO("/dev/full", "w")
        for _ in range(2):
            log.snoop(RESET, BtSnooper.Direction.HOST_TO_CONTROLLER)
        log.close()

    asyncio.run(pass_two_packets())
    assert told == ["the HCI log /dev/full ends here: No space left on device"]


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
