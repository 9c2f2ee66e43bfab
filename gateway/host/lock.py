"""One writer for a log. The lock is the operating system's, so it is gone with the process that held it,
however that ended."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

from gateway.model.errors import LogFileError


class FileLock:
    """Held from creation until `release`.

    Raises:
        LogFileError: another process writes this log, or the folder can't be written.
    """

    def __init__(self, log: Path) -> None:
        log = log.resolve()  # one lock however the file is spelled
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
            raise LogFileError(
                f"{log} is being written by another run; wait for it, or use another file name"
            ) from None
        try:
            held, there = os.fstat(self._file), self._path.stat()
            if (held.st_dev, held.st_ino) == (there.st_dev, there.st_ino):
                return True
        except OSError:
            pass  # it was removed
        os.close(self._file)
        return False

    def release(self) -> None:
        """Release it and remove the marker file."""
        with contextlib.suppress(OSError):
            self._path.unlink()
        os.close(self._file)


if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> None:
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
