"""What becomes of a log when its process is killed, its disk refuses, another program locks it, or power is cut."""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.support import wait_for

RATE = 2000
KILLS = 50
CUTS = 60
VALUES = "SELECT count(*), ifnull(max(t_ns), 0), ifnull(max(id) - min(id) + 1, 0) FROM loan_crate_climate"


def _feed(log: Path, *words: str, before: tuple[str, ...] = ()) -> subprocess.Popen[str]:
    command = [*before, sys.executable, "-m", "tests.campaign.feed", str(log), str(RATE), *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def _values(log: Path) -> tuple[int, int, int]:
    """How many, the stamp of the last, and how many ids they span."""
    with contextlib.closing(sqlite3.connect(log)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        count, last_ns, span = connection.execute(VALUES).fetchone()
    return count, last_ns, span


def _all_kept(process: subprocess.Popen[str], log: Path) -> str:
    """What a feed says in the end, once all that it counted is in the log."""
    out, _ = process.communicate()
    given, dropped = map(int, re.findall(r"(\d+) (?:values|dropped)", out))
    count, _, span = _values(log)
    assert (count, dropped) == (given, 0) and span == count, f"{out.strip()}, {count} in the log of {span}"
    return out.strip()


def _written(log: Path) -> bool:
    try:
        with contextlib.closing(sqlite3.connect(log)) as connection:
            return bool(connection.execute(VALUES).fetchone()[0])
    except sqlite3.Error:
        return False


def kills() -> None:
    """Fifty times kill -9 at 2,000 values/s: what is lost, and whether the log is sound."""
    lost_ms = []
    chance = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        for n in range(KILLS):
            log = Path(folder) / f"{n}.db"
            process = _feed(log)
            wait_for(lambda log=log: _written(log))  # type: ignore[misc]
            time.sleep(chance.uniform(0.1, 1.0))
            process.kill()
            killed_ns = time.time_ns()
            process.wait()
            count, last_ns, span = _values(log)
            assert count == span, "values are missing in the middle"
            lost_ms.append((killed_ns - last_ns) / 1e6)
    print(
        f"{KILLS} kills: {statistics.median(lost_ms):.0f} ms lost at the median, {max(lost_ms):.0f} at worst, 0 corrupt"
    )


@contextlib.contextmanager
def _small_disk(megabytes: int) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp())
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)
        folder.rmdir()


def full() -> None:
    """A disk that is full for 30 s at 2,000 values/s: all are in the log once there is room again."""
    with _small_disk(30) as folder:
        log, filler = folder / "x.db", folder / "filler"
        process = _feed(log, "45")
        wait_for(lambda: _written(log))
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(1 << 16))
        time.sleep(30)
        filler.unlink()
        print(f"full disk for 30 s: {_all_kept(process, log)}; all are in the log")


def locked() -> None:
    """Another program locks the log for 30 s at 2,000 values/s."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "x.db"
        process = _feed(log, "45")
        wait_for(lambda: _written(log))
        with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            time.sleep(30)
            other.execute("ROLLBACK")
        print(f"locked for 30 s: {_all_kept(process, log)}; all are in the log")


def sync_fails() -> None:
    """Each fdatasync of a thread fails with EIO from its seventh on, by strace: told as an event, and nothing is lost."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "x.db"
        inject = ("strace", "-f", "-qq", "-o", "/dev/null", "-e", "inject=fdatasync,fsync:error=EIO:when=7+")
        said = _all_kept(_feed(log, "25", before=inject), log)
        with contextlib.closing(sqlite3.connect(log)) as connection:
            told = connection.execute("SELECT DISTINCT detail FROM event WHERE kind = 'log trouble'").fetchall()
        assert told, "the failure is not told"
        print(f"EIO on fdatasync: {said}; all are in the log; told: {told[0][0][:90]}")


def stopped() -> None:
    """SIGSTOP for 60 s: stamps are right within 10 ms of UTC afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "x.db"
        process = _feed(log, "70")
        wait_for(lambda: _written(log))
        process.send_signal(signal.SIGSTOP)
        time.sleep(60)
        process.send_signal(signal.SIGCONT)
        resumed_ns = time.time_ns()
        process.communicate()
        with contextlib.closing(sqlite3.connect(log)) as connection:
            (first_ns,) = connection.execute(
                "SELECT min(t_ns) FROM loan_crate_climate WHERE t_ns >= ?", (resumed_ns - 50_000_000,)
            ).fetchone()
        off_ms = (first_ns - resumed_ns) / 1e6
        assert abs(off_ms) <= 10, f"{off_ms:+.1f} ms"
        print(f"SIGSTOP for 60 s: first value after it is stamped {off_ms:+.1f} ms of UTC")


_CALL = re.compile(r"^\d+ +(\w+)\((.*)\) += (-?\d+)")


def power() -> None:
    """Power cut at sixty moments: of what was written since a file was last synced any part may be missing."""
    chance = random.Random(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log, trace = folder / "x.db", folder / "trace"
        calls = "openat,pwrite64,write,ftruncate,fdatasync,fsync,unlink,close"
        watch = ("strace", "-f", "-qq", "-xx", "-s", "9000000", "-o", str(trace), "-e", f"trace={calls}")
        _feed(log, "12", before=watch).communicate()
        steps = list(_steps(trace, log))
        kept = []
        for _ in range(CUTS):
            cut = folder / "cut"
            cut.mkdir()
            _replay(steps[: chance.randrange(len(steps))], cut, chance)
            if (cut / "x.db").exists() and (cut / "x.db").stat().st_size:
                with contextlib.closing(sqlite3.connect(cut / "x.db")) as connection:
                    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
                    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'loan_crate_climate'").fetchone():
                        count, _, span = connection.execute(VALUES).fetchone()
                        assert count == span, "values are missing in the middle"
                        kept.append(count)
            shutil.rmtree(cut)
    assert len(kept) > CUTS // 2, f"only {len(kept)} of {CUTS} cuts left values to look at"
    print(
        f"{CUTS} power cuts in {len(steps)} calls: 0 corrupt, 0 with a value missing in the middle; {len(kept)} had values"
    )


def _steps(trace: Path, log: Path) -> Iterator[tuple[str, str, int, bytes]]:
    """The calls that change a log's files: what, which file, where, the bytes."""
    names: dict[str, str] = {}
    offsets: dict[str, int] = {}
    for line in _whole_lines(trace):
        found = _CALL.match(line)
        if found is None or int(found[3]) < 0:
            continue
        call, words, value = found.groups()
        strings = [bytes.fromhex(one.replace("\\x", "")) for one in re.findall(r'"((?:\\x[0-9a-f]{2})*)"', words)]
        first = words.split(",")[0]
        if call == "openat" and strings and Path(os.fsdecode(strings[0])).name.startswith(log.name):
            names[value], offsets[value] = Path(os.fsdecode(strings[0])).name, 0
        elif call == "close":
            names.pop(first, None)
        elif call == "unlink" and Path(os.fsdecode(strings[0])).name.startswith(log.name):
            yield call, Path(os.fsdecode(strings[0])).name, 0, b""
        elif first in names and names[first].endswith((".db", "-wal", "-journal")):
            if call == "pwrite64":
                yield call, names[first], int(words.rsplit(",", 1)[1]), strings[0]
            elif call == "write":
                yield "pwrite64", names[first], offsets[first], strings[0]
                offsets[first] += int(value)
            elif call == "ftruncate":
                yield call, names[first], int(words.rsplit(",", 1)[1]), b""
            elif call in ("fdatasync", "fsync"):
                yield "sync", names[first], 0, b""


def _whole_lines(trace: Path) -> Iterator[str]:
    """The lines of a trace, those joined that another thread's came between."""
    begun: dict[str, str] = {}
    for line in trace.read_text("latin-1").splitlines():
        thread = line.split(" ", 1)[0]
        if line.endswith("<unfinished ...>"):
            begun[thread] = line.removesuffix("<unfinished ...>").rstrip()
        elif (resumed := re.match(r"\d+ +<\.\.\. \w+ resumed>(.*)", line)) and thread in begun:
            yield begun.pop(thread) + resumed[1]
        else:
            yield line


def _replay(steps: list[tuple[str, str, int, bytes]], folder: Path, chance: random.Random) -> None:
    """What of some calls is on the disk: all that was synced, of the rest what chance leaves, in pages of 512 bytes."""
    synced = {name: n for n, (call, name, _, _) in enumerate(steps) if call == "sync"}
    for n, (call, name, place, data) in enumerate(steps):
        path = folder / name
        sure = n < synced.get(name, -1)
        if call == "unlink":
            path.unlink(missing_ok=True)
        elif call == "ftruncate" and (sure or chance.random() < 0.5):
            path.touch()
            os.truncate(path, place)
        elif call == "pwrite64":
            with path.open("r+b" if path.exists() else "w+b") as file:
                for at in range(0, len(data), 512):
                    if sure or chance.random() < 0.5:
                        file.seek(place + at)
                        file.write(data[at : at + 512])
