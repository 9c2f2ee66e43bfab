"""Measures, verdicts and the report of a long log.

    python tests/bench/bench_report.py [frames]

Makes a log of two crates (ten million frames by default, which takes minutes), then prints how long the figures and
the page take against bare reading of the same columns in the same run, the page's size and the memory held at most.
"""

from __future__ import annotations

import resource
import sqlite3
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from gateway.analysis.measure import measure_run
from gateway.app.report import review
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.plugin import find_plugin

START_NS = 1_767_225_600_000_000_000
PERIOD_NS = 100_000_000


def make(path: Path, frames: int) -> None:
    plugin, rng = find_plugin("loan-crate"), np.random.default_rng(1)
    nodes = {"crate-a": (plugin, "A"), "crate-b": (plugin, "B")}
    writer = LogWriter(path, RunFacts("bench", START_NS, frames * PERIOD_NS // 2, "none", "", "", nodes))
    for node in nodes:
        writer.event(LinkEvent.of(START_NS, node, EventKind.READY))
    for start in range(0, frames, 100_000):
        count = min(100_000, frames - start)
        late_ns = rng.normal(0, 2e6, count).astype(int)
        celsius = (2000 + 200 * np.sin(np.arange(start, start + count) / 5e4) + rng.normal(0, 3, count)).astype(int)
        for i in range(count):
            number = (start + i) // 2
            if (start + i) % 997:
                raw = struct.pack("<HhH", number & 0xFFFF, celsius[i], 5000 + i % 50) + (100_000 + i % 9).to_bytes(
                    3, "little"
                )
                t_ns = START_NS + number * PERIOD_NS + int(late_ns[i])
                writer.frame(Frame(t_ns, "crate-b" if i % 2 else "crate-a", "climate", raw))
        while writer.status.frames < start * 0.99:
            time.sleep(0.05)
    writer.close(START_NS + frames // 2 * PERIOD_NS, "bench")


def timed(work: Callable[[], object]) -> tuple[float, object]:
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result


def bare(path: Path) -> int:
    with sqlite3.connect(path) as connection:
        cursor = connection.execute("SELECT t_ns, sequence FROM loan_crate_climate ORDER BY id")
        rows = 0
        while chunk := cursor.fetchmany(50_000):
            rows += len(chunk)
        return rows


def judged(path: Path) -> int:
    with Log(path) as log:
        return len(measure_run(log, log.run(), ()))


def main() -> None:
    frames = int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        make(path, frames)
        baseline_s, _ = timed(lambda: bare(path))
        figures_s, _ = timed(lambda: judged(path))
        page_s, page = timed(lambda: review(path, None).page())
    most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1e3
    print(f"{frames} frames; bare reading of two columns: {baseline_s:.1f} s")
    print(f"figures: {figures_s:.1f} s, {figures_s / baseline_s:.2f} of bare reading")
    print(f"report: {page_s:.1f} s, {page_s / baseline_s:.2f} of bare reading; {len(str(page).encode()) / 1e6:.1f} MB")
    print(f"memory: {most:.0f} MB at most in one process")


if __name__ == "__main__":
    main()
