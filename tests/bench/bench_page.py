"""How soon the live page shows something of a large log, and what it takes of a core while a run goes on.

    python tests/bench/bench_page.py [FRAMES]

A finished log of so many frames (2 million by default): seconds to the first state, whole reading, memory; the baseline
is reading the same columns once with SQLite and numpy. Then 2,000 values a second for 20 s: processor time of reading and
of writing.
"""

from __future__ import annotations

import resource
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from gateway.app.watch import Watch
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.plugin import find_plugin

CLIMATE = bytes.fromhex("01006e098813cd8b01")


def filled(path: Path, frames: int) -> Path:
    writer = LogWriter(path, RunFacts("bench", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    for number in range(frames):
        writer.frame(Frame(number * 10**8, "a", "climate", CLIMATE))
        if number % 50_000 == 0:
            while writer.status.frames < number - 100_000:
                time.sleep(0.01)
    writer.close(frames * 10**8, "bench")
    return path


def finished(folder: Path, frames: int) -> None:
    path = filled(folder / "x.db", frames)
    begun = time.perf_counter()
    watch = Watch(path)
    watch.look(portions=1)
    watch.state()
    first = time.perf_counter() - begun
    begun = time.perf_counter()
    while watch.read < 1:
        watch.look()
    whole = time.perf_counter() - begun
    begun = time.perf_counter()
    plots = watch.plots(["a.climate.temperature", "a.climate.humidity", "a.climate:rate", "a.link"])
    drawn = time.perf_counter() - begun
    watch.close()
    begun = time.perf_counter()
    with sqlite3.connect(path) as connection:
        sql = "SELECT t_ns, temperature_degC, humidity_percent, pressure_hPa FROM loan_crate_climate"
        np.array(connection.execute(sql).fetchall())
    base = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{frames:,} frames: first state after {first:.2f} s, {len(plots)} plots in {drawn * 1e3:.0f} ms")
    print(
        f"whole reading {frames / whole / 1e6:.2f} M frames/s; ratio to one reading of three columns {base / whole:.2f}"
    )
    print(f"peak memory of all this, baseline included: {peak:.0f} MB")


def live(folder: Path) -> None:
    path = folder / "live.db"
    writer = LogWriter(path, RunFacts("bench", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    while not path.exists():
        time.sleep(0.01)
    time.sleep(0.5)
    watch = Watch(path)
    took, looks, begun = 0.0, 0, time.perf_counter()
    sent = 0
    while (passed := time.perf_counter() - begun) < 20:
        while sent < passed * 2000:
            writer.frame(Frame(sent * 500_000, "a", "climate", CLIMATE))
            sent += 1
        if passed > looks:
            cpu = time.thread_time()
            watch.look()
            watch.state()
            watch.plots(["a.climate.temperature", "a.climate.humidity", "a.climate:rate", "a.link"])
            took, looks = took + time.thread_time() - cpu, looks + 1
        time.sleep(0.01)
    writer.close(sent * 500_000, "bench")
    watch.close()
    print(f"2,000 values/s, looked at once a second: {100 * took / 20:.1f} % of a core")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        finished(Path(name), int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000)
        live(Path(name))
