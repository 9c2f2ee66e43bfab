"""One writer for a log, whatever the moment in which another lets it go."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from gateway.host import lock
from gateway.host.lock import FileLock, readers_of
from gateway.log.opening import open_log
from gateway.model.errors import LogFileError
from tests.support import open_database


def test_a_log_that_is_written_is_refused_to_others_until_it_is_released(tmp_path: Path) -> None:
    held = FileLock(tmp_path / "x.db")
    with pytest.raises(LogFileError, match="another run"):
        FileLock(tmp_path / "x.db")
    held.release()
    FileLock(tmp_path / "x.db").release()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="an open file can't be removed there")
def test_a_lock_on_a_marker_that_its_last_holder_removed_is_taken_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last holder removes the marker after it was opened here and before it is locked here: that lock would hold
    nothing, and a third process could take the next marker beside it."""
    first = FileLock(tmp_path / "x.db")
    real, calls = lock._lock, 0

    def late(file: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            first.release()
        real(file)

    monkeypatch.setattr(lock, "_lock", late)
    second = FileLock(tmp_path / "x.db")
    assert calls == 2
    with pytest.raises(LogFileError, match="another run"):
        FileLock(tmp_path / "x.db")
    second.release()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps this lock apart from SQLite's")
def test_two_runs_in_one_log_are_refused_also_when_the_marker_file_was_deleted(tmp_path: Path) -> None:
    with open_log(tmp_path / "x.db"):
        (tmp_path / "x.db-inuse").unlink()
        with pytest.raises(LogFileError, match="another run"):
            open_log(tmp_path / "x.db")
        with open_database(tmp_path / "x.db") as reader:  # who is not kept out
            reader.execute("SELECT * FROM run").close()
    open_log(tmp_path / "x.db").close()


_READ = """
import sqlite3, sys, time
db = sqlite3.connect(sys.argv[1])
db.execute("BEGIN")
db.execute("SELECT count(*) FROM run").fetchall()
print("reading", flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells of locks")
def test_who_keeps_reading_a_log_is_named_while_he_does(tmp_path: Path) -> None:
    with open_log(tmp_path / "x.db"):
        assert readers_of(tmp_path / "x.db") == []
        command = [sys.executable, "-c", _READ, str(tmp_path / "x.db")]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as reader:
            assert reader.stdin is not None and reader.stdout is not None
            reader.stdout.readline()
            (named,) = readers_of(tmp_path / "x.db")
            assert str(reader.pid) in named and "python" in named
            reader.stdin.close()
        assert readers_of(tmp_path / "x.db") == []
