"""How fast captures become logs, against the same frames inserted bare.

    python tests/bench/bench_capture.py [FRAMES]

Replay: a text capture of climate values into a log, with decoding, against SQLite's executemany of the decoded rows
in the same transaction size. Import: a snoop file of a simulated run, again and again, packets a second.
"""

from __future__ import annotations

import asyncio
import resource
import sqlite3
import struct
import sys
import tempfile
import time
from pathlib import Path

from bumble.snoop import BtSnooper

from gateway.app.replay import replay_capture
from gateway.capture import ForeignCapture, Header, TextCapture, write_capture
from gateway.capture.containers import packets
from gateway.capture.record import Trouble
from gateway.export import Wanted, export
from gateway.host.gc import freeze_gc
from gateway.log.reader import Log
from gateway.log.redecode import redecode
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from gateway.plugin.layout.columns import decode_columns
from tests.support import Bench, run_bench, run_file, verdicts_of

CRATE = find_plugin("loan-crate")
RUN = '[run]\ntitle = "t"\nradio = "virtual"\n[node.a]\nplugin = "loan-crate"\nfind = { name = "A" }\nsensor = { shock = { period = "50 ms" }, climate = { period = "50 ms" } }\n'


def payload(i: int) -> bytes:
    return struct.pack("<HhHHB", i & 0xFFFF, 2000 + i % 900, 5000 + i % 700, 0x8000 + i % 999, 1)


def replayed(folder: Path, frames: int) -> None:
    capture = folder / "x.capture"
    write_capture(
        capture,
        Header("invented", "loan-crate"),
        (Frame(1_767_225_600_000_000_000 + i * 10_000_000, "a", "climate", payload(i)) for i in range(frames)),
        None,
    )
    begun = time.perf_counter()
    with TextCapture(capture) as source:
        assert replay_capture(source, folder / "x.db", {}, CRATE, None, None, None).frames == frames
    ours = frames / (time.perf_counter() - begun)
    with sqlite3.connect(folder / "x.db") as connection:
        rows = connection.execute("SELECT * FROM loan_crate_climate").fetchall()
    with sqlite3.connect(folder / "bare.db", isolation_level=None) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        names = [f"c{i}" for i in range(len(rows[0]))]
        connection.execute(f"CREATE TABLE x (c0 INTEGER PRIMARY KEY, {', '.join(names[1:])})")
        begun = time.perf_counter()
        for start in range(0, frames, 20_000):
            connection.execute("BEGIN")
            connection.executemany(
                f"INSERT INTO x VALUES ({', '.join('?' * len(names))})", rows[start : start + 20_000]
            )
            connection.execute("COMMIT")
        bare = frames / (time.perf_counter() - begun)
    print(f"replay into a log: {ours:,.0f} frames/s; bare executemany {bare:,.0f}/s; ratio {ours / bare:.2f}")


def imported(folder: Path) -> None:
    snoop = folder / "x.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = BtSnooper(file)
            await asyncio.sleep(0)

        run_bench(run_file(folder, RUN), folder / "run.db", 60, script)
    data = snoop.read_bytes()
    snoop.write_bytes(data[:16] + data[16:] * 40)
    begun = time.perf_counter()
    count = sum(1 for _ in packets(snoop, Trouble()))
    bare = count / (time.perf_counter() - begun)
    begun = time.perf_counter()
    records = sum(1 for _ in ForeignCapture(snoop, (CRATE,), {}, {}).records())
    ours = count / (time.perf_counter() - begun)
    print(
        f"snoop import: {ours:,.0f} packets/s, {records:,} records; the container alone {bare:,.0f}/s; ratio {ours / bare:.2f}"
    )


def worked_on(folder: Path, frames: int) -> None:
    """Decode the replayed log again in place, export it, judge it."""
    log = folder / "x.db"
    with sqlite3.connect(folder / "bare.db", isolation_level=None) as connection:
        rows = connection.execute("SELECT * FROM x").fetchall()
        names = ", ".join(f"c{i} = ?{i + 1}" for i in range(5, len(rows[0])))
        begun = time.perf_counter()
        connection.execute("BEGIN")
        connection.executemany(f"UPDATE x SET {names} WHERE c0 = ?1", rows)
        connection.execute("COMMIT")
        bare = frames / (time.perf_counter() - begun)
        del rows
    begun = time.perf_counter()
    assert redecode(log, {"loan-crate": CRATE}, lambda done, whole: None).frames == frames
    ours = frames / (time.perf_counter() - begun)
    print(f"redecode in place: {ours:,.0f} frames/s; bare executemany of UPDATE {bare:,.0f}/s; ratio {ours / bare:.2f}")
    begun = time.perf_counter()
    with sqlite3.connect(log) as connection:
        cursor = connection.execute("SELECT id, t_ns, raw FROM loan_crate_climate ORDER BY id")
        while chunk := cursor.fetchmany(50_000):
            decode_columns(CRATE.characteristics["climate"].layout, [row[2] for row in chunk])
    bare = frames / (time.perf_counter() - begun)
    for what, form, plugins in (
        ("export --redecode to Parquet", "parquet", {"loan-crate": CRATE}),
        ("export to Parquet", "parquet", {}),
        ("export to CSV", "csv", {}),
    ):
        begun = time.perf_counter()
        with Log(log) as opened:
            export(opened, opened.run(), form, folder, Wanted(), plugins, lambda rows: None, force=True)  # type: ignore[arg-type]
        ours = frames / (time.perf_counter() - begun)
        print(f"{what}: {ours:,.0f} frames/s; reading and decoding alone {bare:,.0f}/s; ratio {ours / bare:.2f}")
    begun = time.perf_counter()
    verdicts_of(log, None, None)
    print(f"measuring: {frames:,} frames in {time.perf_counter() - begun:.2f} s")
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def main() -> None:
    freeze_gc()
    with tempfile.TemporaryDirectory() as name:
        replayed(Path(name), int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
        worked_on(Path(name), int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
        imported(Path(name))


if __name__ == "__main__":
    main()
