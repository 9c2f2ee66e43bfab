"""What a gatherer writes into. A batch is taken whole or not at all; only then is it acknowledged to the broker."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

from gateway.log.gathered import GatheredLog
from gateway.model.errors import InputError, StoreError, UnknownRunError
from gateway.mqtt.gather.unpack import Events, Facts, Frames

T = TypeVar("T")


class Store(Protocol):
    """Where what is gathered goes. All but `close` inside a batch."""

    def begin(self) -> None: ...

    def commit(self) -> None:
        """Once this returns, the batch is safe.

        Raises:
            StoreError: it is not.
        """
        ...

    def abandon(self) -> None: ...

    def mark(self) -> None:
        """Begin a message of the batch."""
        ...

    def take_back(self) -> None:
        """Keep nothing of the message."""
        ...

    def keep_it(self) -> None:
        """Keep the message, with the batch."""
        ...

    def facts(self, facts: Facts) -> None: ...

    def frames(self, frames: Frames) -> int:
        """Take frames; how many were new.

        Raises:
            UnknownRunError: nothing is known of their run.
            InputError: they are not of that run.
            StoreError: the store does not take them.
        """
        ...

    def events(self, events: Events) -> int: ...

    def keep(self, run: str, topic: str, payload: bytes) -> None:
        """Keep a message until its run is known."""
        ...

    def kept(self, run: str) -> list[tuple[str, bytes]]:
        """The messages kept of a run, with their topics; they are kept no longer."""
        ...

    def conflicts(self) -> int:
        """How many frames came again with other bytes or at another time than they are kept with."""
        ...

    def say_of_pieces(self, ended: bool) -> None:
        """Note why frames did not become part of a message.

        Args:
            ended: only in runs that have ended.
        """
        ...

    def close(self) -> None: ...


class LogStore:
    """A log.

    Raises:
        LogFileError: it can't be used.
    """

    def __init__(self, path: Path) -> None:
        self._log = GatheredLog(path)

    def begin(self) -> None:
        self._tried(self._log.begin)

    def commit(self) -> None:
        self._tried(self._log.commit)

    def abandon(self) -> None:
        self._log.abandon()

    def mark(self) -> None:
        self._tried(self._log.mark)

    def take_back(self) -> None:
        self._tried(self._log.take_back)

    def keep_it(self) -> None:
        self._tried(self._log.keep_it)

    def facts(self, facts: Facts) -> None:
        self._tried(lambda: self._log.run(facts.facts, facts.gateway))

    def frames(self, frames: Frames) -> int:
        if not self._tried(lambda: self._log.knows(frames.run)):
            raise UnknownRunError(frames.run)
        self._tried(lambda: self._log.belongs(frames.run, frames.gateway))
        rows = [(one.id, one.t_ns, one.raw) for one in frames.frames]
        return self._tried(lambda: self._log.frames(frames.run, frames.node, frames.channel, rows))

    def events(self, events: Events) -> int:
        for run in dict.fromkeys(str(event.get("run")) for event in events.events):
            if not self._tried(lambda run=run: self._log.knows(run)):  # type: ignore[misc]
                raise UnknownRunError(run)
            self._tried(lambda run=run: self._log.belongs(run, events.gateway))  # type: ignore[misc]
        return self._tried(lambda: self._log.events(events.events))

    def keep(self, run: str, topic: str, payload: bytes) -> None:
        self._tried(lambda: self._log.keep(run, topic, payload))

    def kept(self, run: str) -> list[tuple[str, bytes]]:
        return self._tried(lambda: self._log.kept(run))

    def conflicts(self) -> int:
        return self._tried(self._log.conflicts)

    def say_of_pieces(self, ended: bool) -> None:
        self._tried(lambda: self._log.say_of_pieces(ended))

    def close(self) -> None:
        self._log.close()

    def _tried(self, work: Callable[[], T]) -> T:
        try:
            return work()
        except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError) as error:
            raise InputError(f"it can't be stored: {error}") from None  # the values, not the disk
        except sqlite3.Error as error:
            raise StoreError(f"{self._log.path} can't be written: {error}; retrying") from None
