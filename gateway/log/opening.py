"""Open a log to write: one writer at a time, a file that is a log or becomes one, and an error that says what is wrong
with any other."""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from gateway.host.lock import FileLock
from gateway.log.schema import lacks, prepare, refusal
from gateway.model.errors import LogFileError

BUSY_S = 10.0  # how long a reader or another process may hold up a statement


@dataclass(slots=True)
class WritableLog:
    """An open log and the lock on it; a context manager that closes it."""

    path: Path
    connection: sqlite3.Connection
    lock: FileLock

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Move what was written ahead into the file, and release it."""
        with contextlib.suppress(sqlite3.Error):  # somebody reads it: then the write-ahead log stays beside it
            self.connection.execute("PRAGMA journal_mode = DELETE")
        self.connection.close()
        self.lock.release()


def give_ids(path: Path) -> None:
    """See that every run of a log of an earlier version has what tells it from others; nothing is written otherwise.

    Raises:
        LogFileError: it is missing, in use, or can't be written.
    """
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        whole = not lacks(connection) and not connection.execute("SELECT 1 FROM run WHERE uid IS NULL").fetchone()
    if not whole:
        open_log(path, existing=True).close()


def open_log(path: Path, existing: bool = False) -> WritableLog:
    """Open a log to write, whichever thread then does it.

    Args:
        path: the file; made where there is none, unless it is to be there.
        existing: whether it is to be there.

    Raises:
        LogFileError: not a log, in use, missing, or the folder is missing or can't be written.
    """
    if path.is_dir():
        raise LogFileError(f"{path}: is a folder; name a log in it")
    if existing and not path.is_file():
        raise LogFileError(f"{path}: there is no such log; check the path")
    if not path.parent.is_dir():
        raise LogFileError(f"{path}: there is no folder {path.parent}; create it, or use another path")
    advice = "check the path" if existing else "use another file name"
    lock = FileLock(path)
    try:
        uri = path.resolve().as_uri()  # so that another log can be attached by one, read-only
        connection = sqlite3.connect(uri, timeout=BUSY_S, isolation_level=None, check_same_thread=False, uri=True)
        try:
            if reason := refusal(connection):
                raise LogFileError(f"{path} {reason}; {advice}")
            prepare(connection)
            lock.hold(path)
        except BaseException:
            connection.close()
            raise
    except sqlite3.DatabaseError as error:
        lock.release()
        if "not a database" in str(error):
            raise LogFileError(f"{path} is not an SQLite database; {advice}") from None
        raise LogFileError(f"{path} can't be written: {error}; check permissions and free space") from None
    except BaseException:
        lock.release()
        raise
    return WritableLog(path, connection, lock)
