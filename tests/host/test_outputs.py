"""Nothing is overwritten that was not made by the same command, unless that is asked for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import run_bench, run_file

RUN = """
[run]
title = "Files"
radio = "virtual"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "1 s" } }
poll = { battery = "5 s" }
"""


def gattest(cwd: Path, *words: str) -> subprocess.CompletedProcess[str]:
    code = "from gateway.cli import main; main()"
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, cwd=cwd)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    run_bench(run_file(tmp_path, RUN), tmp_path / "x.db", 15)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (("extract", "x.db", "-o", "out.capture"), "out.capture"),
        (("extract", "x.db", "-o", "out.capture", "--expected"), "out.expected.toml"),
        (("report", "x.db", "-o", "notes.html"), "notes.html"),
        (("export", "x.db", "-o", "out"), "out/loan_crate_climate.csv"),
        (("contract", "loan-crate", "--as", "markdown", "-o", "out"), "out/loan-crate.md"),
        (("record", "run.toml", "-o", "out.capture", "--for", "1 s"), "out.capture"),
        (("new", "plugin", "probe"), "plugins/probe/plugin.toml"),
    ],
)
def test_a_file_that_is_there_stays_unless_it_is_forced(folder: Path, words: tuple[str, ...], file: str) -> None:
    path = folder / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("mine")
    refused = gattest(folder, *words)
    assert refused.returncode == 2 and path.read_text() == "mine"
    assert f"{file} exists; nothing was written" in refused.stderr and "--force" in refused.stderr
    assert gattest(folder, *words, "--force").returncode in (0, 3)
    assert path.read_text() != "mine"


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (("report", "x.db"), "report.html"),
        (("contract", "loan-crate", "--as", "c", "-o", "out"), "out/loan_crate.h"),
        (("contract", "loan-crate", "--as", "json", "-o", "out"), "out/loan-crate.json"),
        (("contract", "loan-crate", "--as", "markdown", "-o", "out"), "out/loan-crate.md"),
        (("judge", "x.db", "--junit", "out.xml"), "out.xml"),
    ],
)
def test_what_the_same_command_wrote_before_is_replaced(folder: Path, words: tuple[str, ...], file: str) -> None:
    for _ in range(2):
        assert gattest(folder, *words).returncode in (0, 3)
    assert (folder / file).exists()


def test_the_text_beside_a_log_is_never_the_log(tmp_path: Path) -> None:
    run_file(tmp_path, RUN)
    assert gattest(tmp_path, "run", "run.toml", "--for", "2 s", "--into", "x.txt").returncode == 3
    assert gattest(tmp_path, "show", "x.txt", "--verify").returncode == 0
    assert "run started" in (tmp_path / "x.txt.txt").read_text() or "started" in (tmp_path / "x.txt.txt").read_text()


@pytest.mark.parametrize("user", ["a;rm -rf /", "", "Root", "-x", "a b", "a\nExecStart=x"])
def test_a_service_runs_as_a_user_name_and_nothing_else(folder: Path, user: str) -> None:
    said = gattest(folder, "service", "run.toml", "--user", user)
    assert said.returncode == 2 and said.stdout == "" and "--user" in said.stderr
