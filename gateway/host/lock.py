"""One writer for a log, and who else reads it. The lock is the operating system's, so it is gone with the process that
held it, however that ended."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

from gateway.model.errors import LogFileError

_FIRST_READ_LOCK, _LAST_READ_LOCK = 123, 127  # bytes of the -shm file: SQLite, "WAL-mode File Format", 2.3


class FileLock:
    """Held from creation until `release`.

    Raises:
        LogFileError: another process writes this log, or the folder can't be written.
    """

    def __init__(self, log: Path) -> None:
        log = log.resolve()  # one lock however the file is spelled
        self._log: int | None = None
        self._path = log.with_name(log.name + "-inuse")
        while not self._take(log):
            pass

    def _take(self, log: Path) -> bool:
        """Lock the marker file; False where its last holder removed it meanwhile, so that this locks nothing."""
        try:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise LogFileError(
                f"{log} can't be written: {error.strerror}; check the folder and its permissions"
            ) from None
        try:
            _lock(self._file)
        except OSError:
            os.close(self._file)
            raise LogFileError(_taken(log)) from None
        try:
            held, there = os.fstat(self._file), self._path.stat()
            if (held.st_dev, held.st_ino) == (there.st_dev, there.st_ino):
                return True
        except OSError:
            pass  # it was removed
        os.close(self._file)
        return False

    def hold(self, log: Path) -> None:
        """Lock the log itself too, once it is there, so that a marker file that somebody deletes lets nobody else in.

        Only Linux keeps such a lock apart from SQLite's own (flock(2) from fcntl(2)). Closing a file drops those of the
        whole process on it: `release` comes after SQLite has closed the log.

        Raises:
            LogFileError: another process writes it.
        """
        if sys.platform != "linux":
            return
        self._log = os.open(log, os.O_RDONLY)
        try:
            _lock(self._log)
        except BlockingIOError:
            raise LogFileError(_taken(log)) from None
        except OSError:
            pass  # a file system without such locks: the marker file alone has to do

    def release(self) -> None:
        """Release it and remove the marker file."""
        if self._log is not None:
            os.close(self._log)
        with contextlib.suppress(OSError):
            self._path.unlink()
        os.close(self._file)


def _taken(log: Path) -> str:
    return f"{log} is being written by another run; wait for it, or use another file name"


def readers_of(log: Path) -> list[str]:
    """The other processes that read from a log right now, which keeps its write-ahead log from being emptied, each
    as ``program (process 123)``; empty where the system, unlike Linux, does not tell who holds which lock."""
    try:
        inode = log.with_name(log.name + "-shm").stat().st_ino
        lines = Path("/proc/locks").read_text("utf-8").splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        words = line.split()
        if len(words) < 8 or words[1] != "POSIX" or not words[5].endswith(f":{inode}"):
            continue
        process, first, last = words[4], words[6], words[7]
        reads = int(first) <= _LAST_READ_LOCK and (last == "EOF" or int(last) >= _FIRST_READ_LOCK)
        if reads and process not in ("-1", "0", str(os.getpid())):
            with contextlib.suppress(OSError):
                found.append(f"{Path(f'/proc/{process}/comm').read_text('utf-8').strip()} (process {process})")
    return sorted(set(found))


if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> None:
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
