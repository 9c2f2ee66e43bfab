"""Send a log to a broker in a process of its own while a run writes it, so that nothing of that takes time from the
radio or from the writing, and no fault of it ends the run. The process is told over its standard input what to send and
when to end; it tells over its standard output how it goes. When the run's process is killed, that input ends, and the
sending stops without a farewell: the broker then publishes the will."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any, TextIO

from gateway.config import MqttConfig
from gateway.model.errors import GattestError
from gateway.mqtt.publish.forward import Forwarder, Progress

FAREWELL_S = 10.0  # how long a run that has ended waits for what is still to be sent
_KILLED_AFTER_S = 5.0
_TOLD_EVERY_S = 0.5
_FIRST_RESTART_S, _LONGEST_RESTART_S = 1.0, 60.0  # waits before a process that died is started again


class Beside:
    """The process, as the run sees it.

    Attributes:
        progress: how the sending goes, as last told.
    """

    def __init__(self, config: MqttConfig, log: Path) -> None:
        self._name, self._log = f"{config.host}:{config.port}", log
        self._plain = {key: str(value) if isinstance(value, Path) else value for key, value in asdict(config).items()}
        self._restarts, self._wait_s = 0, _FIRST_RESTART_S
        self._again_s: float | None = None
        self._start()

    def _start(self) -> None:
        self.progress = Progress()
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "gateway.mqtt.publish"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # Ctrl-C is the run's to answer
        )
        self._say({"broker": self._plain, "log": str(self._log.resolve())})
        self._reader = threading.Thread(target=self._read, name="sending told", daemon=True)
        self._reader.start()

    def tend(self, now_s: float) -> None:
        """Start the process again where it has died by itself, after a longer wait each time; to be called often.

        Args:
            now_s: a monotonic time, seconds.
        """
        if self._process.poll() is None or self.progress.done:
            self._again_s = None
        elif self._again_s is None:
            self._again_s = now_s + self._wait_s
            self._wait_s = min(2 * self._wait_s, _LONGEST_RESTART_S)
        elif now_s >= self._again_s:
            self._again_s = None
            self._reader.join(_KILLED_AFTER_S)
            self._close_pipes()
            self._restarts += 1
            self._start()

    def follow(self, log: Path) -> None:
        """Go on with a log that was made anew elsewhere; nothing where it is the same still."""
        if log != self._log:
            self.kill()
            self._log = log
            self._start()

    def _say(self, what: dict[str, Any]) -> None:
        with contextlib.suppress(OSError, ValueError):  # it is gone; what it did not send is still in the log
            assert self._process.stdin is not None  # noqa: S101  a pipe was asked for
            self._process.stdin.write(json.dumps(what) + "\n")
            self._process.stdin.flush()

    def _read(self) -> None:
        assert self._process.stdout is not None  # noqa: S101  a pipe was asked for
        for line in self._process.stdout:
            with contextlib.suppress(ValueError, TypeError):
                self.progress = Progress(**json.loads(line))
        if not self.progress.done:  # the last that was told says why, where it says anything
            trouble = self.progress.trouble or "sending ended before everything was sent"
            self.progress = replace(self.progress, connected=False, trouble=trouble)

    @property
    def line(self) -> str:
        """How the sending goes, for people."""
        progress = self.progress
        where = f"broker {self._name}"
        behind = f" ({progress.behind} values to send)" if progress.behind else ""
        times = "once" if self._restarts == 1 else f"{self._restarts} times"
        again = f"; sending was restarted {times}" if self._restarts else ""
        return f"{where}: {progress.trouble or 'connected'}{again}{behind}"

    def verdicts(self, node: str, verdicts: list[dict[str, Any]]) -> None:
        """Send a node's verdicts."""
        self._say({"node": node, "verdicts": verdicts})

    def end(self) -> None:
        """Let it send what is left, for a while; what then is not sent stays in the log."""
        self._say({"end": FAREWELL_S})
        try:
            self._process.wait(FAREWELL_S + _KILLED_AFTER_S)
        except (subprocess.TimeoutExpired, KeyboardInterrupt):  # who is not waited for any longer loses nothing
            self._process.kill()
        self._close()

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()
        self._close()

    def _close(self) -> None:
        self._process.wait()
        self._reader.join(_KILLED_AFTER_S)
        self._close_pipes()
        if self._log.exists():  # or it would be made here
            with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(self._log)) as log:
                log.execute("PRAGMA journal_mode = DELETE")  # all of it in one file, as a run leaves it

    def _close_pipes(self) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # what it was still to be told
                    pipe.close()


@contextmanager
def sending(config: MqttConfig | None, log: Path) -> Iterator[Beside | None]:
    """Send a log while the block runs; nothing without a broker."""
    if config is None:
        yield None
        return
    beside = Beside(config, log)
    try:
        yield beside
    finally:
        beside.kill()  # where it was not let end


def main() -> None:
    """The process itself."""
    try:
        asyncio.run(_serve())
    except (KeyboardInterrupt, BrokenPipeError):
        pass
    except GattestError as error:
        _tell(Progress(False, str(error)))


async def _serve() -> None:
    first = json.loads(await asyncio.to_thread(sys.stdin.readline) or "{}")
    if not first:
        return
    forwarder = Forwarder(_config(first["broker"]), Path(first["log"]))
    async with asyncio.TaskGroup() as group:
        sender = group.create_task(forwarder.run(), name="sending")
        teller = group.create_task(_tell_often(forwarder), name="telling")
        reader = group.create_task(_obey(forwarder, sys.stdin, sender), name="obeying")
        await asyncio.wait([sender])
        teller.cancel()
        reader.cancel()
    _tell(forwarder.progress)
    sys.stdout.flush()
    _leave()


def _leave() -> None:
    """End without waiting for the thread that still reads the standard input."""
    os._exit(0)


async def _tell_often(forwarder: Forwarder) -> None:
    while True:
        _tell(forwarder.progress)
        await asyncio.sleep(_TOLD_EVERY_S)


def _tell(progress: Progress) -> None:
    try:
        print(json.dumps(asdict(progress)), flush=True)  # noqa: T201
    except OSError:  # the run is gone
        _leave()


async def _obey(forwarder: Forwarder, told: TextIO, sender: asyncio.Task[None]) -> None:
    """Do what the run says, until it is gone."""
    while line := await asyncio.to_thread(told.readline):
        what = json.loads(line)
        if "verdicts" in what:
            forwarder.verdicts(what["node"], what["verdicts"])
        if "end" in what:
            forwarder.end()
            await asyncio.wait([sender], timeout=float(what["end"]))
            if not sender.done():
                break
            return
    _tell(forwarder.progress)
    _leave()  # the run was killed, or waits no longer: no farewell, so that the broker publishes the will


def _config(plain: dict[str, Any]) -> MqttConfig:
    paths = {field.name for field in fields(MqttConfig) if "Path" in str(field.type)}
    made: dict[str, Any] = {key: Path(value) if key in paths and value else value for key, value in plain.items()}
    return MqttConfig(**made)
