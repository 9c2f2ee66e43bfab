"""The log: nothing lost, nothing doubled, readable by anything that reads SQLite."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import stat
import struct
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Iterator
from itertools import accumulate
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.log.batch import BatchWriter
from gateway.log.reader import Log
from gateway.log.store import RunFacts
from gateway.log.table import ChannelTable
from gateway.log.writer import LogWriter
from gateway.model.errors import LogFileError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from tests.support import open_database, own_plugin, wait_for

CLIMATE = bytes.fromhex("01006e098813cd8b01")


def facts(title: str = "test", started_ns: int = 1) -> RunFacts:
    plugin = find_plugin("loan-crate")
    return RunFacts(title, started_ns, None, "none", "run.toml", "text", {"a": (plugin, "A"), "b": (plugin, "B")})


def write(path: Path, frames: list[Frame], events: list[LinkEvent] | None = None, title: str = "test") -> LogWriter:
    writer = LogWriter(path, facts(title))
    for frame in frames:
        writer.frame(frame)
    for event in events or []:
        writer.event(event)
    writer.close(10**9, "test")
    return writer


def query(path: Path, sql: str) -> list[tuple[object, ...]]:
    with open_database(path) as connection:
        return connection.execute(sql).fetchall()


def test_values_are_plain_columns_with_their_unit_in_the_name(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [Frame(5, "a", "climate", CLIMATE)])
    assert query(log, "SELECT temperature_degC, humidity_percent, pressure_hPa FROM loan_crate_climate") == [
        (24.14, 50.0, 1013.25)
    ]
    assert query(log, "SELECT utc, node, raw FROM loan_crate_climate_utc") == [
        ("1970-01-01T00:00:00.000Z", "a", CLIMATE.hex().upper())
    ]
    assert query(log, "SELECT unit, low, high FROM field WHERE column_name = 'temperature_degC'") == [
        ("degC", -40.0, 85.0)
    ]


def test_samples_get_their_own_times(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [Frame(50_000_000, "a", "shock", bytes.fromhex("070000008000800f10001c"))])
    got = query(log, "SELECT position, t_ns, x_g_0, magnitude_g_0 FROM loan_crate_shock_sample_utc ORDER BY position")
    assert [row[:3] for row in got] == [(0, 40_000_000, 0.0), (1, 50_000_000, -1.0)]
    assert got[1][3] == pytest.approx(69**0.5)


STAMPED = """
fields = [{ name = "base", type = "uint32", lsb = "1 s", role = "node time" }]
samples = { fields = [
  { name = "after", type = "uint8", lsb = "20 ms", role = "sample time", reserved = { 0xFF = "not known" } },
  { name = "v", type = "uint8" },
] }
"""


def test_samples_that_tell_when_they_were_taken_get_that_time(tmp_path: Path) -> None:
    """The newest is as old as the frame; one that does not tell has the frame's own time."""
    plugin = own_plugin(tmp_path, STAMPED)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    writer.frame(Frame(10_000_000_000, "a", "c", bytes.fromhex("00000000 0001 0a02 0903 ff04")))
    writer.close(20_000_000_000, "test")
    got = query(tmp_path / "x.db", "SELECT t_ns, v FROM own_c_sample_utc ORDER BY position")
    assert got == [(9_800_000_000, 1), (10_000_000_000, 2), (9_980_000_000, 3), (10_000_000_000, 4)]


WRAPPING = st.lists(st.integers(1, (1 << 14) - 1), min_size=1, max_size=12).map(lambda steps: [*accumulate(steps)])


@given(st.lists(st.tuples(st.integers(0, (1 << 16) - 1), WRAPPING), min_size=1, max_size=5), st.integers(0, 11))
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_a_clock_of_samples_that_wraps_within_a_value_tells_what_a_wide_one_does(
    tmp_path: Path, values: list[tuple[int, list[int]]], silent: int
) -> None:
    """The sample in place ``silent`` does not tell; a tick of 0, which is reserved, is sent as 1."""
    field = 'name = "at", type = "uint{}", lsb = "1 ms", role = "sample time", reserved = {{ 0 = "none" }}'
    told = {}
    for bits in (16, 32):
        folder = Path(tempfile.mkdtemp(dir=tmp_path))
        plugin = own_plugin(
            folder, f'samples = {{ fields = [{{ {field.format(bits)} }}, {{ name = "step", type = "uint8" }}] }}\n'
        )
        writer = LogWriter(folder / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
        for number, (start, taken) in enumerate(values, 1):
            ticks = [0 if place == silent else max((start + at) % (1 << bits), 1) for place, at in enumerate(taken)]
            raw = b"".join(tick.to_bytes(bits // 8, "little") + b"\0" for tick in ticks)
            writer.frame(Frame(number * 10**12, "a", "c", raw))
        writer.close(10**14, "test")
        by_view = query(folder / "x.db", "SELECT frame, position, t_ns FROM own_c_sample_utc ORDER BY 1, 2")
        told[bits] = [t_ns for _, _, t_ns in by_view]
    assert len(told[16]) == len(told[32]) == sum(len(taken) for _, taken in values)
    assert told[16] == pytest.approx(told[32], rel=0, abs=2_000_000)


def test_missing_values_are_counted_by_their_reason(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    unknown = bytes.fromhex("0100 0080 8813 cd8b01")
    dry = bytes.fromhex("0200 6e09 0000 cd8b01")  # no dew point: the logarithm of nothing
    write(log, [Frame(1, "a", "climate", raw) for raw in (CLIMATE, unknown, unknown, dry)])
    assert query(log, "SELECT column_name, reason, count FROM absence ORDER BY 1, 2") == [
        ("absolute_humidity_gram_per_m3", "no answer", 2),
        ("dew_point_degC", "no answer", 3),
        ("temperature_degC", "not known", 2),
    ]


def test_a_payload_that_does_not_decode_is_kept_with_its_reason(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(
        log, [Frame(1, "a", "climate", CLIMATE), Frame(2, "a", "climate", b"\x01"), Frame(3, "a", "climate", CLIMATE)]
    )
    assert query(log, "SELECT id, hex(raw), fault, sequence FROM loan_crate_climate ORDER BY id") == [
        (1, CLIMATE.hex().upper(), None, 1),
        (2, "01", "1 byte, expected 9 bytes", None),
        (3, CLIMATE.hex().upper(), None, 1),
    ]


def test_no_reading_is_null_and_names_are_text(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(
        log,
        [Frame(1, "a", "climate", bytes.fromhex("01000080ffffcd8b01")), Frame(2, "a", "light", bytes.fromhex("ff5f"))],
    )
    assert query(log, "SELECT temperature_degC, humidity_percent FROM loan_crate_climate") == [(None, None)]
    assert query(log, "SELECT illuminance_lux, lid FROM loan_crate_light") == [(None, "open")]


def test_a_second_run_is_added_beside_the_first(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [Frame(1, "a", "climate", CLIMATE)], title="one")
    write(log, [Frame(2, "a", "climate", CLIMATE), Frame(3, "a", "climate", CLIMATE)], title="two")
    with Log(log) as opened:
        runs = [opened.run(run) for run in opened.run_ids()]
        assert [run.title for run in runs] == ["one", "two"]
        counts = [
            sum(len(chunk) for chunk in opened.rows(run, run.nodes[0], "loan_crate_climate", "id")) for run in runs
        ]
    assert counts == [1, 2]


def test_a_changed_layout_gets_a_relation_of_its_own(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [Frame(1, "a", "climate", CLIMATE)])
    other = find_plugin("loan-crate")
    text = other.text.replace('lsb = "0.01 degC"', 'lsb = "0.02 degC"')
    folder = tmp_path / "loan-crate"
    folder.mkdir()
    (folder / "plugin.toml").write_text(text)
    plugin = find_plugin(str(folder))
    writer = LogWriter(log, RunFacts("t", 1, None, "none", "", "", {"a": (plugin, "A")}))
    writer.frame(Frame(1, "a", "climate", CLIMATE))
    writer.close(2, "test")
    assert query(log, "SELECT temperature_degC FROM loan_crate_climate") == [(24.14,)]
    assert query(log, "SELECT temperature_degC FROM loan_crate_climate_2") == [(48.28,)]


def test_a_run_of_a_channel_that_stores_changes_nothing_for_the_runs_before_it(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    fields = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }]\n'
    for run, stores in enumerate(("", "stores = 100\n", "stores = 50\n", ""), start=1):
        plugin = own_plugin(tmp_path / str(run), stores + fields)
        writer = LogWriter(log, RunFacts("t", run * 10**10, None, "none", "", "", {"a": (plugin, "A")}))
        writer.frame(Frame(run * 10**10, "a", "c", b"\x01"))
        writer.close(run * 10**10 + 2, "test")
    assert query(log, "SELECT relation, stores FROM channel") == [("own_c", 0), ("own_c_2", 100), ("own_c_3", 50)]
    assert [query(log, f"SELECT count(*) FROM {name}") for name in ("own_c", "own_c_2", "own_c_3")] == [
        [(2,)],
        [(1,)],
        [(1,)],
    ]


def test_the_log_explains_itself(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [], [LinkEvent.of(7, "a", EventKind.LOST, {"reason": "x"}), LinkEvent.of(8, None, EventKind.RADIO, {})])
    assert query(log, "SELECT title, radio, run_text, ended_how FROM run") == [("test", "none", "text", "test")]
    (text,) = query(log, "SELECT text FROM plugin")[0]
    assert text == find_plugin("loan-crate").text
    assert query(log, "SELECT t_ns, kind, detail FROM event ORDER BY id") == [
        (7, "lost", '{"reason": "x"}'),
        (8, "radio error", "{}"),
    ]


@pytest.mark.parametrize("content", [b"", b"not a database at all, but long enough to look at" * 20])
def test_a_file_that_is_no_log_is_refused_to_readers(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(content)
    with pytest.raises(LogFileError, match=r"x\.db"):
        Log(path)


def test_a_foreign_database_is_neither_read_nor_written(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    with open_database(path) as connection:
        connection.execute("CREATE TABLE precious (x)")
    before = path.read_bytes()
    with pytest.raises(LogFileError, match="not a gattest log"):
        Log(path)
    with pytest.raises(LogFileError, match="not a gattest log"):
        LogWriter(path, facts())
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(b"precious" * 100)
    with pytest.raises(LogFileError, match="not an SQLite database"):
        LogWriter(path, facts())
    assert path.read_bytes() == b"precious" * 100


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(LogFileError, match="folder"):
        LogWriter(tmp_path / "nowhere" / "x.db", facts())


def test_a_log_in_use_is_refused_and_free_again_afterwards(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    with pytest.raises(LogFileError, match="being written by another run"):
        LogWriter(log, facts())
    writer.close(1, "test")
    LogWriter(log, facts()).close(1, "test")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["x.db"]


def test_a_log_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    writer.frame(Frame(1, "a", "climate", CLIMATE))
    wait_for(lambda: writer.status.frames == 1)
    with Log(log) as opened:
        run = opened.run()
        assert run.ended_ns is None
        assert sum(len(c) for c in opened.rows(run, run.nodes[0], "loan_crate_climate", "id")) == 1
    writer.close(1, "test")


CHILD = """
    import sys, time
    from pathlib import Path
    from gateway.log.writer import LogWriter
    from gateway.model.records import Frame
    from tests.log.test_log import CLIMATE, facts
    writer = LogWriter(Path(sys.argv[1]), facts())
    print("open", flush=True)
    for number in range(10**9):
        writer.frame(Frame(number, "a", "climate", CLIMATE))
        if number % 200 == 0:
            time.sleep(0.01)
            print(writer.status.frames, flush=True)
"""


def test_kill_9_loses_at_most_the_last_moment_and_leaves_a_sound_log(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(CHILD), str(log)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    told = 0
    end = time.monotonic() + 30
    while told < 2000 and time.monotonic() < end:
        line = child.stdout.readline().strip()
        told = int(line) if line.isdigit() else told
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert query(log, "PRAGMA integrity_check") == [("ok",)]
    (count,) = query(log, "SELECT count(*) FROM loan_crate_climate")[0]
    assert isinstance(count, int) and count >= told >= 2000
    assert query(log, "SELECT ended_ns FROM run") == [(None,)]
    write(log, [Frame(1, "a", "climate", CLIMATE)])  # and the next run goes beside it
    assert len(query(log, "SELECT id FROM run")) == 2


FULL = """
    import resource, sys, time
    from pathlib import Path
    import gateway.log.batch as batch
    import gateway.log.writer as w
    from gateway.model.records import Frame
    from tests.log.test_log import CLIMATE, facts
    batch.PATIENCE_AT_END_S = 0.5
    writer = w.LogWriter(Path(sys.argv[1]), facts())
    size = Path(sys.argv[1] + "-wal").stat().st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 200_000, resource.RLIM_INFINITY))
    for number in range(20_000):
        writer.frame(Frame(number, "a", "climate", CLIMATE))
    end = time.monotonic() + 20
    while not writer.status.trouble and time.monotonic() < end:
        time.sleep(0.05)
    assert not writer.status.failed
    if sys.argv[2] == "freed":
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    writer.close(1, "test")
    print(writer.status.failed)
    print(writer.status.frames, writer.status.dropped)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
@pytest.mark.parametrize("then", ["freed", "full"])
def test_a_full_disk_ends_nothing_and_counts_what_it_can_not_take(tmp_path: Path, then: str) -> None:
    """The limit on file sizes makes the real SQLite fail as a full disk does, in the folder for temporary files too."""
    log = tmp_path / "x.db"
    (tmp_path / "spare").mkdir()
    environment = os.environ | {"TMPDIR": str(tmp_path / "spare")}
    child = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FULL), str(log), then],
        capture_output=True,
        text=True,
        env=environment,
        timeout=60,
    )
    *message, counts = child.stdout.splitlines()
    frames, dropped = map(int, counts.split())
    assert query(log, "PRAGMA integrity_check") == [("ok",)]
    kept = query(log, "SELECT count(*) FROM loan_crate_climate")[0][0]
    rest = [query(path, "SELECT count(*) FROM loan_crate_climate")[0][0] for path in (tmp_path / "spare").glob("*.db")]
    assert kept + sum(rest) + dropped == 20_000  # type: ignore[operator, arg-type]
    assert frames + dropped == 20_000
    if then == "freed":
        assert message == [""] and kept == 20_000, child.stderr
        ((detail,),) = query(log, "SELECT detail FROM event WHERE kind = 'log trouble'")
        assert "full" in str(detail) or "disk" in str(detail)
    else:
        assert "could not be written" in message[0], child.stderr


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Short waits, and a folder for temporary files of this test's own."""
    for name, seconds in (("batch.CHECKPOINT_S", 0.0), ("batch._RETRY_S", 0.01), ("batch.PATIENCE_AT_END_S", 0.2)):
        monkeypatch.setattr(f"gateway.log.{name}", seconds)
    monkeypatch.setattr("gateway.log.opening.BUSY_S", 0.05)
    spare = tmp_path / "spare"
    spare.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(spare))
    return spare


def feed(writer: LogWriter, first: int, end: int) -> None:
    for number in range(first, end):
        writer.frame(Frame(number, "a", "climate", CLIMATE))


def test_a_log_that_another_program_locks_is_waited_for_as_long_as_it_takes(tmp_path: Path, impatient: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        feed(writer, 0, 100)
        wait_for(lambda: "locked" in writer.status.trouble)
        other.execute("ROLLBACK")
    wait_for(lambda: writer.status.frames == 100)
    assert not writer.status.trouble
    writer.close(9, "test")
    assert query(log, "SELECT count(*) FROM loan_crate_climate") == [(100,)] and not writer.status.failed
    ((detail,),) = query(log, "SELECT detail FROM event WHERE kind = 'log trouble'")
    assert json.loads(str(detail))["reason"] == "database is locked" and json.loads(str(detail))["span_s"] >= 0
    assert list(impatient.iterdir()) == []


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells of locks")
def test_a_reader_that_makes_the_write_ahead_log_grow_is_named_in_the_log(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.batch.WAL_BYTES", 200_000)
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    told = "SELECT count(*) FROM event WHERE kind = 'log trouble'"
    read = "import sqlite3, sys; db = sqlite3.connect(sys.argv[1]); db.execute('BEGIN')\n"
    read += "db.execute('SELECT * FROM run').fetchall(); print(flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", read, log], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as reader:
        assert reader.stdin is not None and reader.stdout is not None
        reader.stdout.readline()
        feed(writer, 0, 20_000)
        wait_for(lambda: feed(writer, 20_000, 20_001) is None and query(log, told) != [(0,)])
        reader.stdin.close()
    writer.close(10**9, "test")
    reasons = [json.loads(str(row[0]))["reason"] for row in query(log, told.replace("count(*)", "detail"))]
    assert f"(process {reader.pid})" in reasons[0] and "x.db-wal has grown to" in reasons[0]
    assert query(log, "SELECT count(DISTINCT t_ns) FROM loan_crate_climate") == [(20_001,)]


@contextlib.contextmanager
def spilled(log: Path, writer: LogWriter) -> Iterator[None]:
    """Frames 0 to 9 are in the log, which is locked then, and 10 to 199 in a second one."""
    feed(writer, 0, 10)
    wait_for(lambda: writer.status.frames == 10)
    with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        feed(writer, 10, 20)
        wait_for(lambda: "locked" in writer.status.trouble)
        feed(writer, 20, 200)
        wait_for(lambda: writer.status.frames == 200)
        yield


def test_what_finds_no_room_in_the_queue_goes_to_a_second_log_and_comes_back(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.writer.SPILL_FRAMES", 50)
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    writer.event(LinkEvent.of(1, "a", EventKind.READY))
    with spilled(log, writer):
        writer.event(LinkEvent.of(300, "a", EventKind.LOST, {"reason": "test"}))
        (rest,) = impatient.glob("x-rest-*.db")
        assert stat.S_IMODE(rest.stat().st_mode) == 0o600 or sys.platform == "win32"
    wait_for(lambda: "missing" in writer.status.note)
    feed(writer, 200, 210)
    writer.close(999, "test")
    assert query(log, "SELECT t_ns FROM loan_crate_climate ORDER BY id") == [(number,) for number in range(210)]
    kinds = [kind for (kind,) in query(log, "SELECT kind FROM event ORDER BY id")]
    assert [kind for kind in kinds if kind != "log trouble"] == ["ready", "lost"]
    assert writer.status.frames == 210 and not writer.status.failed and list(impatient.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="an open file can't be deleted there")
def test_a_log_deleted_while_a_second_one_takes_its_place_is_made_anew_whole(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.writer.SPILL_FRAMES", 50)
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    with spilled(log, writer):
        log.unlink()
    wait_for(lambda: "nothing is missing" in writer.status.note)
    feed(writer, 200, 210)
    writer.close(10**9, "test")
    whole = writer.status.path
    assert not writer.status.failed and list(tmp_path.glob("x-rest-*.db")) == [whole] and not list(impatient.iterdir())
    assert query(whole, "SELECT t_ns FROM loan_crate_climate ORDER BY id") == [(number,) for number in range(210)]
    assert query(whole, "SELECT ended_how FROM run") == [("test",)]


def test_a_run_that_ends_in_a_second_log_ends_in_the_first(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.writer.SPILL_FRAMES", 50)
    monkeypatch.setattr("gateway.log.batch.CHECKPOINT_S", 1e9)  # goes back only when it is closed
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    with spilled(log, writer):
        writer._ended = 10**9, "test"
        writer._stop.set()
        writer._thread.join()
    writer.close(10**9, "test")
    assert query(log, "SELECT ended_ns, ended_how FROM run") == [(10**9, "test")]
    assert query(log, "SELECT count(*) FROM loan_crate_climate") == [(200,)] and not list(impatient.iterdir())


def test_values_of_a_second_log_come_back_with_the_constants_that_held_when_they_came(
    tmp_path: Path, impatient: Path
) -> None:
    plugin, log = find_plugin("bore-gauge"), tmp_path / "x.db"
    zeros = [struct.pack("<ifffff", zero, 1.0, 0, 0, 0, 0) for zero in (0, 5000)]
    raw = bytes.fromhex("0100000000ff0040017017001027")
    writer = BatchWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}), full=lambda: True)
    writer.write([Frame(0, "a", "calibration", zeros[0]), Frame(1, "a", "reading", raw)], [])
    with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        away = [Frame(2, "a", "reading", raw), Frame(3, "a", "calibration", zeros[1]), Frame(4, "a", "reading", raw)]
        writer.write(away, [])
        assert writer.path != log
        other.execute("ROLLBACK")
    writer.checkpoint()
    writer.write([Frame(5, "a", "reading", raw)], [])
    writer.close()
    found = [value for (value,) in query(log, "SELECT pressure_hPa FROM bore_gauge_reading ORDER BY id")]
    assert isinstance(found[0], float)
    assert found == pytest.approx([found[0], found[0], found[0] + 50, found[0] + 50]) and not list(impatient.iterdir())


def test_a_second_log_that_refuses_too_is_left_once_the_first_answers(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.writer.SPILL_FRAMES", 50)
    monkeypatch.setattr("gateway.log.batch.CHECKPOINT_S", 1e9)  # comes back only because of the refusal
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    with contextlib.ExitStack() as stack:
        with spilled(log, writer):
            second = stack.enter_context(contextlib.closing(sqlite3.connect(writer._writer.path, isolation_level=None)))
            second.execute("BEGIN IMMEDIATE")
        feed(writer, 200, 300)
        wait_for(lambda: writer.status.frames == 300)
    writer.close(10**9, "test")
    assert query(log, "SELECT count(*) FROM loan_crate_climate") == [(300,)] and not writer.status.dropped


@pytest.mark.skipif(sys.platform == "win32", reason="an open file can't be moved there")
def test_a_second_log_that_could_not_be_made_leaves_no_file(
    tmp_path: Path, impatient: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    log.rename(tmp_path / "moved.db")

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("gateway.log.batch.Store", full)
    wait_for(lambda: "full" in writer.status.trouble)
    writer.close(10**9, "test")
    assert "moved or deleted" in writer.status.failed
    assert not list(tmp_path.glob("x-rest-*")) and not list(impatient.iterdir())


def test_a_log_that_never_answers_again_leaves_a_second_one_that_can_be_judged(tmp_path: Path, impatient: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    for node, kind in (("a", EventKind.READY), ("b", EventKind.READY), ("a", EventKind.DISCONNECTED)):
        writer.event(LinkEvent.of(1, node, kind))
    writer.frame(Frame(1, "b", "climate", CLIMATE))
    wait_for(lambda: writer.status.frames == 1)
    with contextlib.closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.frame(Frame(2, "b", "climate", CLIMATE))
        writer.close(10**9, "test")
    (rest,) = (path for path in impatient.glob("x-rest-*.db") if path.is_file())
    assert f"The rest of the run is in {rest}" in writer.status.failed and writer.status.rest == rest
    assert query(rest, "SELECT t_ns FROM loan_crate_climate") == [(2,)]
    assert query(rest, "SELECT node.name, event.kind FROM event JOIN node ON node.id = event.node") == [("b", "ready")]


def test_a_file_in_the_way_of_a_second_log_breaks_nothing(tmp_path: Path, impatient: Path) -> None:
    (impatient / f"x-rest-{os.getpid()}.db").mkdir()
    test_a_log_that_never_answers_again_leaves_a_second_one_that_can_be_judged(tmp_path, impatient)


def test_frames_beyond_the_queue_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.log.writer.QUEUE_FRAMES", 0)
    writer = LogWriter(tmp_path / "x.db", facts())
    writer.frame(Frame(1, "a", "climate", CLIMATE))
    writer.close(2, "test")
    assert writer.status.dropped == 1
    assert query(tmp_path / "x.db", "SELECT kind, detail FROM event") == [("frames dropped", '{"frames": 1}')]


def own(folder: Path, fields: str) -> RunFacts:
    """Facts of a run with one node of a plugin whose channel ``c`` has these fields."""
    return RunFacts("t", 1, None, "none", "", "", {"a": (own_plugin(folder, fields), "A")})


def test_integers_beyond_sqlites_are_kept_and_stop_nothing(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, own(tmp_path, 'fields = [{ name = "big", type = "uint64" }]'))
    for raw in (b"\xff" * 8, b"\x01" + bytes(7)):
        writer.frame(Frame(1, "a", "c", raw))
    writer.close(2, "test")
    assert writer.status.failed == ""
    assert query(log, "SELECT big, hex(raw), fault FROM own_c ORDER BY id") == [
        (2.0**64, "FF" * 8, None),
        (1, "01" + "00" * 7, None),
    ]


def test_a_fault_while_decoding_keeps_the_bytes_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    real = ChannelTable.rows

    def odd(self: ChannelTable, *rest: Any) -> Any:
        if self.item.name == "light":
            raise OverflowError("odd")
        return real(self, *rest)

    monkeypatch.setattr(ChannelTable, "rows", odd)
    writer.frame(Frame(1, "a", "light", b"\x64\x20"))
    writer.frame(Frame(2, "a", "climate", CLIMATE))
    writer.close(3, "test")
    assert query(log, "SELECT hex(raw), fault FROM loan_crate_light") == [("6420", "can't be stored decoded: odd")]
    assert query(log, "SELECT count(*) FROM loan_crate_climate") == [(1,)]


def test_fields_absent_under_their_condition_are_null(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    fields = 'fields = [{ name = "kind", type = "uint8" }, { name = "t", type = "uint8", lsb = "1 degC", when = "kind == 1" }]\nsamples = { fields = [{ name = "v", type = "uint8" }] }'
    writer = LogWriter(log, own(tmp_path, fields))
    for raw in (b"\x01\x14\x05\x06", b"\x02\x07", b"\x01"):
        writer.frame(Frame(1, "a", "c", raw))
    writer.close(2, "test")
    assert query(log, "SELECT kind, t_degC, fault IS NULL FROM own_c ORDER BY id") == [
        (1, 20, 1),
        (2, None, 1),
        (None, None, 0),
    ]
    assert query(log, "SELECT frame, position, v FROM own_c_sample_utc ORDER BY frame, position") == [
        (1, 0, 5),
        (1, 1, 6),
        (2, 0, 7),
    ]


def test_a_log_that_was_not_closed_and_cannot_be_recovered_in_place_is_not_half_read(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    write(log, [Frame(1, "a", "climate", CLIMATE)])
    (tmp_path / "x.db-wal").write_bytes(b"something" * 100)
    (tmp_path / "x.db-shm").mkdir()  # as where nothing can be written
    with pytest.raises(LogFileError, match="was not closed"):
        Log(log)


def test_one_lock_however_the_file_is_spelled(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    (tmp_path / "y.db").symlink_to(log)
    with pytest.raises(LogFileError, match="being written by another run"):
        LogWriter(tmp_path / "y.db", facts())
    writer.close(1, "test")


def test_the_file_alone_holds_what_is_a_moment_old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a copy of it made during a run, or after a kill, is a log."""
    monkeypatch.setattr("gateway.log.batch.CHECKPOINT_S", 0.0)
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    writer.frame(Frame(1, "a", "climate", CLIMATE))
    wait_for(lambda: writer.status.frames == 1)
    copy = tmp_path / "copy.db"

    def copied() -> bool:
        shutil.copy(log, copy)
        with contextlib.suppress(sqlite3.DatabaseError):  # it was copied while it was being written
            return bool(query(copy, "SELECT 1 FROM sqlite_master") and query(copy, "SELECT 1 FROM loan_crate_climate"))

    wait_for(copied)
    writer.close(2, "test")
    assert sorted(path.name for path in tmp_path.glob("x.db*")) == ["x.db"]


@pytest.mark.skipif(sys.platform == "win32", reason="an open file can't be moved there")
@pytest.mark.parametrize("deleted", [False, True])
def test_a_log_moved_or_deleted_under_a_run_is_made_anew_and_the_run_is_whole(
    tmp_path: Path, impatient: Path, deleted: bool
) -> None:
    log = tmp_path / "x.db"
    writer = LogWriter(log, facts())
    writer.event(LinkEvent.of(1, "a", EventKind.READY))
    writer.frame(Frame(1, "a", "climate", CLIMATE))
    wait_for(lambda: writer.status.frames == 1)
    (uid,) = query(log, "SELECT uid FROM run")
    if deleted:
        log.unlink()
    else:
        log.rename(tmp_path / "moved.db")
    wait_for(lambda: bool(writer.status.note))
    writer.frame(Frame(2, "a", "climate", CLIMATE))
    writer.close(10**9, "test")
    (whole,) = tmp_path.glob("x-rest-*.db")
    assert str(whole) in writer.status.note and writer.status.path == whole and not writer.status.failed
    assert query(whole, "SELECT t_ns FROM loan_crate_climate") == [(1,), (2,)]
    assert query(whole, "SELECT uid, ended_how FROM run") == [(*uid, "test")]
    assert query(whole, "SELECT kind FROM event ORDER BY id") == [("ready",), ("log trouble",)]
    assert deleted or query(tmp_path / "moved.db", "SELECT count(*) FROM loan_crate_climate") == [(1,)]


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE event SET detail = '{notjson'",
        "UPDATE event SET kind = 'odd'",
        "UPDATE event SET t_ns = 'x'",
        "UPDATE run SET started_ns = 'abc'",
        "UPDATE run SET ended_ns = 'x'",
        "UPDATE loan_crate_climate SET t_ns = 'zz'",
        "UPDATE loan_crate_climate SET t_ns = 9e30",
        "UPDATE loan_crate_climate SET sequence = 'q'",
        "UPDATE requirement SET low = 'abc'",
        "DROP TABLE loan_crate_climate",
    ],
)
def test_damaged_content_is_an_error_that_says_so(tmp_path: Path, damage: str) -> None:
    from dataclasses import replace

    from tests.support import verdicts_of

    log = tmp_path / "x.db"
    rules = [
        Requirement("loan-crate", "climate", "rate", 1.0, 2.0, "1/s"),
        Requirement("loan-crate", "climate", "loss", None, 1.0, "percent"),
    ]
    writer = LogWriter(log, replace(facts(), requirements=rules))
    writer.event(LinkEvent.of(1, "a", EventKind.READY))
    for number in range(30):
        writer.frame(Frame(number, "a", "climate", CLIMATE))
    writer.close(10**9, "test")
    with open_database(log) as connection:
        connection.execute("DROP VIEW loan_crate_climate_utc")
        connection.execute(damage)
    with pytest.raises(LogFileError, match="is damaged"):
        verdicts_of(log, None, None)


def test_a_fault_of_the_writer_itself_is_told_and_leaves_no_frame_uncounted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> None:
        raise KeyError("odd")

    writer = LogWriter(tmp_path / "x.db", facts())
    monkeypatch.setattr(writer._writer, "_write", broken)
    for number in range(3):
        writer.frame(Frame(number, "a", "climate", CLIMATE))
    writer.close(9, "test")
    assert writer.status.dropped == 3
    assert "KeyError('odd')" in writer.status.failed
