"""One writer for a log, whatever the moment in which another lets it go."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from gateway.host import lock
from gateway.host.lock import FileLock
from gateway.model.errors import LogFileError


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
