"""What the energy model costs: a grid of what-ifs, a long waveform, and a forecast against the figures of the same log.

python -m tests.bench.bench_energy [FRAMES] [SAMPLES]"""

from __future__ import annotations

import resource
import struct
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np

from gateway.analysis.measure import measure_run
from gateway.analysis.measure.energy import load_of
from gateway.analysis.measure.link import link_history
from gateway.app.energy import profile_file
from gateway.energy.trial import settings_of, tried
from gateway.energy.waveform import Recording, measure
from gateway.log.batch import BatchWriter
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.plugin import find_plugin

_BATCH = 20_000


def filled(path: Path, frames: int) -> None:
    """A log of a crate's climate, ten values a second."""
    writer = BatchWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    writer.write([], [LinkEvent.of(0, "a", EventKind.READY)])
    for at in range(0, frames, _BATCH):
        raws = [
            struct.pack("<HhH", n & 0xFFFF, 2000, 5000) + b"\xa0\x86\x01" for n in range(at, min(at + _BATCH, frames))
        ]
        writer.write([Frame((at + n) * 10**8, "a", "climate", raw) for n, raw in enumerate(raws)], [])
    writer.write([], [], (frames * 10**8, "bench"))
    writer.close()


def main() -> None:
    """Print the figures."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    samples = int(sys.argv[2]) if len(sys.argv) > 2 else 100_000_000
    kind = find_plugin("loan-crate")
    profile = profile_file(kind.path / "energy.toml")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.sr"
        rate, block = 100_000, np.full(1_000_000, 2e-6, "<f4")
        block[::5000] = 8e-3
        for offset in range(200):
            block[offset::5000] = 8e-3
        with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as file:
            file.writestr("metadata", f"[device 1]\nsamplerate={rate // 1000} kHz\n")
            for number in range(1, samples // len(block) + 1):
                file.writestr(f"analog-1-1-{number}", block.tobytes())
        began = time.perf_counter()
        found = measure(Recording(path))
        took_s, peak_mb = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(
            f"{found.samples / 1e6:.0f} M samples, {len(found.pulses)} events: {took_s:.1f} s, {peak_mb:.0f} MB at most"
        )

        log = Path(folder) / "x.db"
        filled(log, frames)
        with Log(log) as opened:
            run = opened.run()
            began = time.perf_counter()
            measure_run(opened, run)
            figures_s = time.perf_counter() - began
            began = time.perf_counter()
            history = link_history(opened.events(run, run.nodes[0]), run.started_ns, run.end_ns)
            load = load_of(opened, run, run.nodes[0], history, kind, None)
            forecast_s = time.perf_counter() - began
        ratio = forecast_s / figures_s
        print(
            f"forecast of {frames / 1e6:g} M frames: {forecast_s:.2f} s, {ratio:.2f} of the {figures_s:.2f} s of its figures"
        )

        intervals = ",".join(f"{10 * n} ms" for n in range(1, 101))
        periods = ",".join(f"{n} s" for n in range(1, 101))
        choices = [
            settings_of(f"interval={intervals}", profile, load, {}),
            settings_of(f"climate={periods}", profile, load, {}),
        ]
        began = time.perf_counter()
        count = sum(1 for _ in tried(profile, load, choices, grid=True, count=1000))
        print(f"a grid of {count} what-ifs with 1,000 draws each: {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
