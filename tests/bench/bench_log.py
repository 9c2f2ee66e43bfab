"""From notification callback to committed row, in one process.

    python tests/bench/bench_log.py

Prints frames per second against bare `executemany` of the same rows in the same run, the event loop's stall
while 50,000 frames per second go through, the CPU share at 2,000 a second against an empty callback, and
memory over five million frames.
"""

from __future__ import annotations

import asyncio
import os
import random
import resource
import sqlite3
import statistics
import struct
import sys
import tempfile
import time
from pathlib import Path

from gateway.host.clock import Clock
from gateway.host.gc import freeze_gc
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.plugin import find_plugin

PLUGIN = find_plugin("loan-crate")
PAYLOADS = [
    struct.pack("<HhH", i & 0xFFFF, random.randint(-4000, 8500), random.randint(0, 10000))
    + random.randint(30000, 110000).to_bytes(3, "little")
    for i in range(65536)
]


def writer(path: Path) -> LogWriter:
    return LogWriter(path, RunFacts("bench", time.time_ns(), None, "none", "", "", {"crate-a": (PLUGIN, "CRATE-A")}))


class Source:
    """What the session's callback does for one notification: stamp, wrap, queue."""

    def __init__(self, sink: LogWriter) -> None:
        self.now_ns, self.push = Clock().now_ns, sink.frame
        self.last_ns = 0

    def received(self, _: object, data: bytes) -> None:
        self.last_ns = t_ns = self.now_ns()
        self.push(Frame(t_ns, "crate-a", "climate", bytes(data)))


def sustained(folder: Path, frames: int) -> float:
    sink = writer(folder / "sustained.db")
    source = Source(sink)
    received = source.received
    begun = time.perf_counter()
    for start in range(0, frames, 2000):
        for payload in PAYLOADS[start % 65536 : start % 65536 + 2000]:
            received(None, payload)
        while len(sink._frames) > 100_000:  # the radio would not outrun the disk for long
            time.sleep(0.001)
    sink.close(time.time_ns(), "bench")
    took = time.perf_counter() - begun
    return sink.status.frames / took


def bare(folder: Path, log: Path) -> float:
    """The same rows into the same kind of table, nothing else."""
    source = sqlite3.connect(log)
    rows = source.execute("SELECT * FROM loan_crate_climate").fetchall()
    target = sqlite3.connect(folder / "bare.db", isolation_level=None)
    target.execute("PRAGMA journal_mode = WAL")
    target.execute("PRAGMA synchronous = NORMAL")
    target.execute(source.execute("SELECT sql FROM sqlite_master WHERE name = 'loan_crate_climate'").fetchone()[0])
    marks = ", ".join("?" * len(rows[0]))
    begun = time.perf_counter()
    for start in range(0, len(rows), 20_000):
        target.execute("BEGIN")
        target.executemany(f"INSERT INTO loan_crate_climate VALUES ({marks})", rows[start : start + 20_000])
        target.execute("COMMIT")
    return len(rows) / (time.perf_counter() - begun)


async def paced(sink: LogWriter | None, per_s: int, seconds: float) -> tuple[list[float], float]:
    """Frames in bursts each 10 ms; returns how late the loop was each time, and the CPU share."""
    received = Source(sink).received if sink else (lambda _, data: None)
    late, cpu = [], time.process_time()
    loop = asyncio.get_running_loop()
    begun = due = loop.time()
    sent = 0
    while due < begun + seconds:
        due += 0.01
        await asyncio.sleep(max(0, due - loop.time()))
        late.append(loop.time() - due)
        for _ in range(int((due - begun) * per_s) - sent):
            received(None, PAYLOADS[sent & 0xFFFF])
            sent += 1
    return late, (time.process_time() - cpu) / (loop.time() - begun)


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1]) if sys.platform == "linux" else 0
    return (
        pages * os.sysconf("SC_PAGE_SIZE") / 1e6 if pages else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    )


def main() -> None:
    freeze_gc()  # as a run does before it starts
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rates = []
        for _ in range(3):
            for old in folder.glob("*.db*"):
                old.unlink()
            ours, base = sustained(folder, 600_000), bare(folder, folder / "sustained.db")
            rates.append((ours, base, ours / base))
        ours, base, ratio = (statistics.median(column) for column in zip(*rates, strict=True))
        print(f"callback to committed row: {ours:,.0f} frames/s; bare executemany {base:,.0f}; ratio {ratio:.2f}")

        sink = writer(folder / "stall.db")
        late, _ = asyncio.run(paced(sink, 50_000, 10))
        sink.close(time.time_ns(), "bench")
        late.sort()
        print(
            f"loop stall at 50,000/s: 99th percentile {late[int(len(late) * 0.99)] * 1e3:.1f} ms, most {late[-1] * 1e3:.1f}"
        )

        _, empty = asyncio.run(paced(None, 2_000, 10))
        sink = writer(folder / "cpu.db")
        _, full = asyncio.run(paced(sink, 2_000, 10))
        sink.close(time.time_ns(), "bench")
        print(f"CPU at 2,000/s: {full:.1%} of a core, an empty callback {empty:.1%}")

        (folder / "sustained.db").unlink()
        before = memory_mb()
        rate = sustained(folder, 5_000_000)
        print(f"five million frames at {rate:,.0f}/s: memory {before:.0f} MB before, {memory_mb():.0f} MB after")
        with Log(folder / "sustained.db") as log:
            info = log.run()
            print(f"log: {(folder / 'sustained.db').stat().st_size / 5e6:.0f} bytes a frame, run {info.id}")


if __name__ == "__main__":
    main()
