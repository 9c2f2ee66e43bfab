"""How fast a log goes to a broker: from frame to subscriber at 2,000 frames per second, sustained into a broker, a day that
was missed, and the memory of a sender whose broker is away. Prints ratios against publishing ready packs of the same size
by aiomqtt alone in the same run. ``python -m tests.bench.bench_publish [FRAMES_OF_A_DAY]``; needs mosquitto."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
import threading
import time
from functools import partial
from pathlib import Path

from gateway.host.clock import Clock
from gateway.log.batch import BatchWriter
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.mqtt.link import Broker
from gateway.mqtt.publish.forward import Forwarder
from gateway.mqtt.publish.process import sending
from tests.broker import Mosquitto, free_port, mqtt
from tests.feed import NODES, facts, fill


def rss_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def latency(folder: Path, port: int) -> None:
    log, late = folder / "live.db", []
    with subprocess.Popen(
        ["mosquitto_sub", "-p", str(port), "-q", "1", "-t", "gattest/bench/+/knock"], stdout=subprocess.PIPE, text=True
    ) as sub:

        def listen() -> None:
            for line in sub.stdout or ():
                now, t = time.time(), 0.0
                for record in json.loads(line):
                    t = record.get("bt", t)
                    if record.get("n") == "frame":
                        late.append(now - t)

        listener = threading.Thread(target=listen)
        listener.start()
        clock = Clock()
        writer = LogWriter(log, facts(clock))
        with sending(mqtt(port, pack_age_ns=100_000_000), log) as beside:
            assert beside is not None
            while not beside.progress.connected:
                time.sleep(0.1)
            fill(writer, clock, 2000, 15)
            writer.close(clock.now_ns(), "bench")
            beside.end()
        time.sleep(1)
        sub.kill()
        listener.join()
    late.sort()
    print(
        f"frame to subscriber at 2,000/s: median {late[len(late) // 2] * 1e3:.0f} ms, 99th percentile {late[int(len(late) * 0.99)] * 1e3:.0f} ms, longest {late[-1] * 1e3:.0f} ms of {len(late)}"
    )


def made(log: Path, frames: int) -> None:
    """A log of this many frames, a day at a time."""
    clock = Clock()
    writer = BatchWriter(log, facts(clock))
    begun = clock.now_ns()
    for start in range(0, frames, 20_000):
        batch = [
            Frame(
                begun + number * 10_000_000,
                NODES[number % 2],
                "climate",
                number.to_bytes(2, "little", signed=False)[:2] + b"\x00\x08\x10\x27\x01",
            )
            if number % 4 < 2
            else Frame(begun + number * 10_000_000, NODES[number % 2], "knock", number.to_bytes(4, "little"))
            for number in (n % 65536 for n in range(start, min(start + 20_000, frames)))
        ]
        writer.write(batch, [])
    writer.write([], [], (begun + frames * 10_000_000, "bench"))
    writer.close()


async def sent(log: Path, port: int, backfill: float, form: str) -> tuple[float, int, int]:
    forwarder = Forwarder(mqtt(port, backfill=backfill, form=form), log)
    forwarder.end()
    begun = time.perf_counter()
    await forwarder.run()
    return time.perf_counter() - begun, forwarder.progress.frames, forwarder.progress.records


async def baseline(port: int, packs: int, size: int) -> float:
    async with Broker(mqtt(port)).connected() as link:
        payload = b"x" * size
        begun = time.perf_counter()
        await link.wide.send((size, partial(link.send, "bench/packs", payload, 1)) for _ in range(packs))
        return time.perf_counter() - begun


def away(folder: Path) -> None:
    clock = Clock()
    writer = LogWriter(folder / "away.db", facts(clock))
    with sending(mqtt(free_port()), folder / "away.db") as beside:
        assert beside is not None
        seen = []
        for _ in range(6):
            fill(writer, clock, 20_000, 5)
            seen.append(rss_mb(beside._process.pid))
        print(
            f"sender's memory with the broker away, every 100,000 frames: {', '.join(f'{one:.0f}' for one in seen)} MB"
        )
    writer.close(clock.now_ns(), "bench")


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 8_640_000
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        folder = Path(name)
        latency(folder, broker.port)
        away(folder)
        made(folder / "some.db", 400_000)
        for form in ("json", "cbor"):
            subprocess.run(
                [
                    sys.executable,
                    "-c",
                    f"import sqlite3; c = sqlite3.connect({str(folder / 'some.db')!r}); c.execute('DROP TABLE IF EXISTS taken'); c.commit()",
                ],
                check=True,
            )
            seconds, count, records = asyncio.run(sent(folder / "some.db", broker.port, 1e7, form))
            bare = asyncio.run(baseline(broker.port, count // 200, 200 * 280))
            print(
                f"{form}: {count / seconds:,.0f} frames/s, {records / seconds:,.0f} records/s; {seconds / bare:.1f} times ready packs of that size alone"
            )
        made(folder / "day.db", frames)
        seconds, count, _ = asyncio.run(sent(folder / "day.db", broker.port, 40_000, "json"))
        print(
            f"a day at 100 frames/s ({count:,} frames) at the default rate: {seconds:.0f} s, {count / seconds:,.0f} frames/s"
        )


if __name__ == "__main__":
    main()
