"""Real parts that publishing needs: a broker from its own package, a database from its own, a network that can be cut,
and a process that fills a log as a run does."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.config import MqttConfig

ROOT = Path(__file__).parent.parent


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listens(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.2)
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Mosquitto:
    """A broker on a port of its own, which can be killed and started again."""

    def __init__(self, folder: Path, *lines: str, port: int | None = None) -> None:
        self.port = port or free_port()
        self._folder = folder / f"broker-{self.port}"
        self._folder.mkdir(exist_ok=True)
        self._file = self._folder / "mosquitto.conf"
        known = (
            ["allow_anonymous true"]
            if not any("password_file" in line for line in lines)
            else ["allow_anonymous false"]
        )
        kept = [
            "persistence true",
            f"persistence_location {self._folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
        ]
        limits = ["max_queued_messages 0", "max_inflight_messages 200", *(["user root"] if not os.geteuid() else [])]
        self._file.write_text("\n".join([f"listener {self.port} 127.0.0.1", *known, *kept, *limits, *lines]) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            ["mosquitto", "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end = time.monotonic() + 10
        while not listens(self.port):
            assert time.monotonic() < end and self._process.poll() is None, "the broker did not start"
            time.sleep(0.02)

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def mqtt(port: int, **more: object) -> MqttConfig:
    """A broker to publish to, quick and small."""
    plain: dict[str, object] = {
        "host": "127.0.0.1", "port": port, "tls": False, "ca": None, "certificate": None, "key": None,
        "credentials": None, "client_id": None, "prefix": "gattest", "gateway": "bench", "qos": 1, "form": "json",
        "pack": 200, "pack_age_ns": 50_000_000, "backfill": 40_000.0, "keep_ns": 10**15,
    }  # fmt: skip
    return MqttConfig(**(plain | more))  # type: ignore[arg-type]


class Proxy:
    """A network between a client and a broker that can be cut, or can swallow everything."""

    def __init__(self, to: int) -> None:
        self.port, self._to = free_port(), to
        self._loop = asyncio.new_event_loop()
        self._writers: set[asyncio.StreamWriter] = set()
        self.swallow = False
        self.bytes_per_s = 0.0  # 0 for as fast as it goes
        self.passed = 0
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._ready = threading.Event()
        self._thread.start()
        self._ready.wait(5)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(asyncio.start_server(self._serve, "127.0.0.1", self.port))
        self._ready.set()
        self._loop.run_forever()
        server.close()
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
        self._loop.run_until_complete(asyncio.sleep(0.05))
        self._loop.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            up, down = await asyncio.open_connection("127.0.0.1", self._to)
        except OSError:
            writer.close()
            return
        self._writers |= {writer, down}
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(self._pump(reader, down), self._pump(up, writer))
        for one in (writer, down):
            one.close()
            self._writers.discard(one)

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536 if not self.bytes_per_s else 8192):
                self.passed += len(data)
                if self.bytes_per_s:
                    await asyncio.sleep(len(data) / self.bytes_per_s)
                if not self.swallow:
                    writer.write(data)
                    await writer.drain()
        writer.close()

    def cut(self) -> None:
        """End every connection, without a farewell."""

        def abort() -> None:
            for writer in list(self._writers):
                writer.transport.abort()

        self._loop.call_soon_threadsafe(abort)

    def close(self) -> None:
        self.cut()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)


@contextmanager
def feeding(log: Path, port: int, per_s: int = 2000, *more: str) -> Iterator[subprocess.Popen[str]]:
    """A process that fills a log at a rate, as a run does, and sends it to a broker."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.feed", str(log), str(port), str(per_s), *more],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@contextmanager
def postgres() -> Iterator[str]:
    """A database server of its own; its address."""
    (bin_,) = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1:]
    # Not in pytest's folder: the next pytest that starts closes that to all users but its own.
    port, data = free_port(), Path(tempfile.mkdtemp(prefix="postgres-"))
    user: list[str] = []
    if os.geteuid() == 0:  # it refuses to run as root
        owner = pwd.getpwnam("postgres")
        os.chown(data, owner.pw_uid, owner.pw_gid)
        user = ["runuser", "-u", "postgres", "--"]

    def do(*arguments: str) -> None:
        subprocess.run([*user, *arguments], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/")

    do(str(bin_ / "initdb"), "-D", str(data), "-A", "trust", "-U", "gattest", "-E", "UTF8")
    options = f"-p {port} -k {data} -c listen_addresses=127.0.0.1 -c fsync=off"
    do(str(bin_ / "pg_ctl"), "-D", str(data), "-o", options, "-l", str(data / "log"), "-w", "start")
    try:
        do(str(bin_ / "createdb"), "-h", "127.0.0.1", "-p", str(port), "-U", "gattest", "fleet")
        yield f"postgresql://gattest@127.0.0.1:{port}/fleet"
    finally:
        do(str(bin_ / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(data)


def has_postgres() -> bool:
    return bool(list(Path("/usr/lib/postgresql").glob("*/bin/initdb"))) and shutil.which("runuser") is not None
