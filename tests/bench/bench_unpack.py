"""What it costs to unpack: processor time of a batch writer that takes 2,000 notifications of pieces with a checksum a
second, and records and differences a second, with ratios to the same bytes kept without unpacking.

python -m tests.bench.bench_unpack"""

from __future__ import annotations

import struct
import tempfile
import time
from pathlib import Path

import numpy as np

from gateway.log.batch import BatchWriter
from gateway.log.store import RunFacts
from gateway.model.records import Frame
from gateway.plugin import Plugin, find_plugin
from gateway.plugin.unpack import Unpacking
from tests.support import own_plugin

NOTIFICATIONS = 20_000
BATCH = 200  # a tenth of a second of them


def written_s(plugin: Plugin, channel: str, payloads: list[bytes]) -> float:
    """Processor seconds to write them in batches."""
    with tempfile.TemporaryDirectory() as folder:
        facts = RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")})
        writer = BatchWriter(Path(folder) / "x.db", facts)
        frames = [Frame(n * 500_000, "a", channel, raw) for n, raw in enumerate(payloads)]
        began = time.process_time()
        for at in range(0, len(frames), BATCH):
            writer.write(frames[at : at + BATCH], [])
        took = time.process_time() - began
        writer.close()
    return took


def main() -> None:
    """Print the figures."""
    journal = find_plugin("crate-journal")
    climate, entry, parcel = (journal.characteristics[name] for name in ("climate", "entry", "parcel"))
    assert entry.step is not None and parcel.step is not None
    values = {"kind": 33, "size": 7, "noted": 1, "temperature": 19.5, "humidity": 48}
    (whole,) = entry.step.pack(climate.codec.build(values), 244, 0)
    pieces = parcel.step.pack(whole, 9, 0)  # two notifications
    payloads = [piece for _ in range(NOTIFICATIONS // len(pieces)) for piece in pieces]
    with tempfile.TemporaryDirectory() as folder:
        plain = own_plugin(Path(folder), 'fields = [{ name = "b", type = "uint8[]" }]')
        base_s, took_s = written_s(plain, "c", payloads), written_s(journal, "parcel", payloads)
    share = 100 * took_s / NOTIFICATIONS * 2000
    print(
        f"pieces, CRC and records at 2,000/s: {share:.1f} % of a core; {took_s / base_s:.1f} times the same bytes kept"
    )

    record = bytes([0x22, 2, 3, 4])
    value = entry.layout.check.appended(record * 40) if entry.layout.check else b""
    frames = [(n, n * 10**6, value) for n in range(2000)]
    began = time.perf_counter()
    found, _ = Unpacking().take("a", journal, "entry", frames)
    records = sum(len(ones) for ones in found.values())
    cut_s = time.perf_counter() - began
    by_hand = np.frombuffer(b"".join([record] * records), np.uint8).reshape(-1, 4)
    began = time.perf_counter()
    _ = by_hand[:, 2].astype(np.int8), by_hand[:, 3].astype(np.int8)
    print(
        f"records cut from values: {records / cut_s / 1e6:.2f} M/s; {(time.perf_counter() - began) / cut_s:.4f} of numpy on "
        "records that are laid out already"
    )

    numbers = [(i * 7) % 31 - 15 for i in range(50)]
    impact = journal.characteristics["impact_packed"]
    assert impact.step is not None
    (packed,) = impact.step.pack(struct.pack("<HB50i", 1, 50, *np.cumsum(numbers).tolist()), 244, 0)
    frames = [(n, n * 10**6, packed) for n in range(4000)]
    began = time.perf_counter()
    found, faults = Unpacking().take("a", journal, "impact_packed", frames)
    assert not faults
    print(f"differences of six bits: {50 * len(found['impact']) / (time.perf_counter() - began) / 1e6:.2f} M samples/s")


if __name__ == "__main__":
    main()
