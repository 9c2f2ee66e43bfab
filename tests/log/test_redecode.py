"""A layout mended on Friday is applied to Monday's bytes."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from gateway.app.logs import redecode as app_redecode
from gateway.log.reader import Log
from gateway.log.redecode import Redecoded, redecode
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError, LogFileError
from gateway.model.events import EventKind
from gateway.model.records import Frame
from gateway.plugin import Plugin, load_plugin
from tests.support import figures, open_database, own_plugin

BEFORE = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }, { name = "t", type = "uint16", lsb = "0.1 degC", limits = ["0 degC", "50 degC"] }]\n'
AFTER = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }, { name = "t", type = "sint12", lsb = "0.1 degC", limits = ["-50 degC", "50 degC"], reserved = { 0x800 = "none" } }, { name = "state", type = "uint4", names = { 0 = "good" } }]\n'
SAMPLES = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }]\nsamples = { every = "10 ms", fields = [{ name = "v", type = "sint8" }] }\n'


def log_of(path: Path, plugin: Plugin, raws: list[bytes]) -> Path:
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A"), "b": (plugin, "B")}))
    for number, raw in enumerate(raws):
        writer.frame(Frame(number * 10**9, "ab"[number % 2], "c", raw))
    writer.close(len(raws) * 10**9, "test")
    return path


def rows(log: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_database(log) as connection:
        return connection.execute(sql).fetchall()


def again(log: Path, plugin: Plugin) -> Redecoded:
    return redecode(log, {plugin.kind: plugin}, lambda done, whole: None)


RAWS = [bytes([i, 0xF6 - i, 0x0F]) for i in range(10)] + [b"\x0a\x00\x08", b"\x0b"]


def test_columns_and_their_meanings_are_those_of_the_mended_layout(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    assert rows(log, "SELECT t_degC FROM own_c LIMIT 1") == [(408.6,)]
    done = again(log, own_plugin(tmp_path, AFTER))
    assert (done.frames, done.faults, done.left_alone) == (12, 1, ())
    assert rows(log, "SELECT t_degC, state FROM own_c WHERE id IN (1, 10, 11)") == [
        (-1.0, "good"), (-1.9, "good"), (None, "good"),
    ]  # fmt: skip
    assert rows(log, "SELECT column_name, low, type FROM field ORDER BY position") == [
        ("sequence", None, "uint8"), ("t_degC", -50.0, "sint12"), ("state", None, "uint4"),
    ]  # fmt: skip
    assert rows(log, "SELECT reason, count FROM absence") == [("none", 1)]
    assert rows(log, "SELECT t_degC, state, fault FROM own_c_utc WHERE id = 12")[0][2].startswith("1 byte, expected")
    assert figures(log)["a", "c", "outside_limits"].value == 0


def test_raw_bytes_and_times_stay_and_the_former_text_is_kept(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    before = rows(log, "SELECT id, node, t_ns, raw FROM own_c ORDER BY id")
    again(log, own_plugin(tmp_path, AFTER))
    again(log, own_plugin(tmp_path, AFTER))
    assert rows(log, "SELECT id, node, t_ns, raw FROM own_c ORDER BY id") == before
    assert [BEFORE in text for (text,) in rows(log, "SELECT text FROM former_plugin")] == [True]
    assert AFTER in rows(log, "SELECT text FROM plugin")[0][0]


@pytest.mark.parametrize("layouts", [(BEFORE, AFTER), (AFTER, BEFORE), (BEFORE, SAMPLES), (SAMPLES, BEFORE)])
def test_it_is_as_if_the_mended_plugin_had_been_there_from_the_start(tmp_path: Path, layouts: tuple[str, str]) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, layouts[0]), RAWS)
    mended = own_plugin(tmp_path, layouts[1])
    again(log, mended)
    other = log_of(tmp_path / "y.db", mended, RAWS)
    names = sorted(row[0] for row in rows(other, "SELECT name FROM sqlite_master WHERE name LIKE 'own%'"))
    assert sorted(row[0] for row in rows(log, "SELECT name FROM sqlite_master WHERE name LIKE 'own%'")) == names
    for name in (*(n for n in names if "autoindex" not in n), "field", "absence", "channel"):
        columns = ", ".join(f'"{row[1]}"' for row in rows(other, f"PRAGMA table_info({name})"))
        assert rows(log, f"SELECT {columns} FROM {name}") == rows(other, f"SELECT {columns} FROM {name}"), name
    with LogWriterOn(log, mended) as writer:
        writer.frame(Frame(10**12, "a", "c", RAWS[0]))
    assert figures(log)["a", "c", "decode_errors"].value == 0


class LogWriterOn(LogWriter):
    """A second run into the same log."""

    def __init__(self, path: Path, plugin: Plugin) -> None:
        super().__init__(path, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))

    def __enter__(self) -> LogWriterOn:
        return self

    def __exit__(self, *_: object) -> None:
        self.close(2 * 10**12, "test")


CONSTANT = """
[plugin]
kind = "own"
title = "Own"
[characteristic.c]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read"]
fields = [{ name = "n", type = "uint8" }]
[characteristic.k]
uuid = "b1c70012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read"]
fields = [{ name = "gain", type = "uint8" }]
[constant.unit]
characteristic = "k"
[derived.x]
unit = "m"
inputs = { n = "c.n", gain = "unit.gain" }
formula = "FORMULA"
"""


def test_each_value_is_worked_out_with_the_constants_that_held_for_it(tmp_path: Path) -> None:
    (tmp_path / "plugin.toml").write_text(CONSTANT.replace("FORMULA", "n * gain"))
    plugin = load_plugin(tmp_path)
    log = tmp_path / "x.db"
    writer = LogWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A"), "b": (plugin, "B")}))
    told = [
        ("a", "k", 2),
        ("b", "k", 3),
        ("a", "c", 5),
        ("b", "c", 5),
        ("a", "k", 10),
        ("a", "c", 6),
        ("b", "c", 6),
        ("a", "k", 10),
        ("a", "c", 7),
    ]
    for t_ns, (node, channel, value) in enumerate(told):
        writer.frame(Frame(t_ns, node, channel, bytes([value])))
    writer.close(99, "test")
    (tmp_path / "plugin.toml").write_text(CONSTANT.replace("FORMULA", "n * gain + 1000"))
    again(log, load_plugin(tmp_path))
    assert rows(log, "SELECT x_m FROM own_c ORDER BY id") == [(1010,), (1015,), (1060,), (1018,), (1070,)]


def test_channels_of_other_plugins_are_left_alone_and_told(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    before = rows(log, "SELECT * FROM own_c")
    assert redecode(log, {}, lambda done, whole: None).left_alone == ("own c",)
    assert rows(log, "SELECT * FROM own_c") == before


def test_a_log_that_is_being_written_is_refused(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, BEFORE)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    with pytest.raises(LogFileError, match="being written by another run"):
        again(tmp_path / "x.db", plugin)
    writer.close(1, "test")


@pytest.mark.parametrize("content", [b"", b"not a database at all, but long enough to look at" * 20])
def test_what_is_no_log_is_refused_and_not_changed(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(content)
    if content:
        with pytest.raises(LogFileError):
            redecode(path, {}, lambda done, whole: None)
        assert path.read_bytes() == content
    with pytest.raises(LogFileError, match="no such log"):
        redecode(tmp_path / "y.db", {}, lambda done, whole: None)


KILLED = """
import sys, time
from pathlib import Path
sys.path.insert(0, {root!r})
from gateway.log.redecode import redecode
from gateway.plugin import load_plugin
plugin = load_plugin(Path({plugin!r}))
def told(done, whole):
    print(done, flush=True)
    time.sleep(60)
redecode(Path({log!r}), {{plugin.kind: plugin}}, told)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_killed_half_way_nothing_has_changed(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS * 2000)
    before = rows(log, "SELECT * FROM own_c")
    own_plugin(tmp_path, AFTER)
    text = KILLED.format(root=str(Path(__file__).parents[2]), plugin=str(tmp_path / "plugins" / "own"), log=str(log))
    with subprocess.Popen([sys.executable, "-c", text], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None and child.stdout.readline()
        os.kill(child.pid, signal.SIGKILL)
    assert rows(log, "SELECT * FROM own_c") == before
    with Log(log) as opened:
        assert opened.run().nodes[0].channels[0].fields[1].name == "t"


def test_a_full_disk_changes_nothing(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS * 2000)
    before = rows(log, "SELECT * FROM own_c")
    plugin = own_plugin(tmp_path, AFTER)
    resource = pytest.importorskip("resource")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, limits[1]))  # far less than the write-ahead log needs
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        with pytest.raises(LogFileError, match="nothing was changed"):
            again(log, plugin)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, handler)
    assert rows(log, "SELECT * FROM own_c") == before


def test_a_constant_that_changes_inside_a_batch_holds_from_then_on(tmp_path: Path) -> None:
    """While the log is written, as when it is decoded again."""
    (tmp_path / "plugin.toml").write_text(CONSTANT.replace("FORMULA", "n * gain"))
    plugin = load_plugin(tmp_path)
    log = tmp_path / "x.db"
    writer = LogWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for t_ns, (channel, value) in enumerate([("k", 2), ("c", 5), ("k", 10), ("c", 5), ("c", 6)]):
        writer.frame(Frame(t_ns, "a", channel, bytes([value])))
    writer.close(99, "test")
    found = rows(log, "SELECT x_m FROM own_c ORDER BY id")
    assert found == [(10,), (50,), (60,)]
    again(log, plugin)
    assert rows(log, "SELECT x_m FROM own_c ORDER BY id") == found


def test_somebody_who_reads_the_log_does_not_turn_success_into_an_error(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    reader = sqlite3.connect(log)
    reader.execute("PRAGMA journal_mode = WAL")
    reader.execute("SELECT count(*) FROM own_c").fetchone()
    assert again(log, own_plugin(tmp_path, AFTER)).frames == 12
    reader.close()


def test_what_differs_is_told_and_left_as_an_event_of_the_run(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    done = again(log, own_plugin(tmp_path, AFTER))
    (change,) = done.changes
    assert (change.column, change.count) == ("own c t_degC", 11)
    assert change.means == (pytest.approx(389.66, abs=0.01), pytest.approx(-1.45))
    assert (done.fit_now, done.misfit_now) == (0, 0)
    with Log(log) as opened:
        run = opened.run()
        (event,) = [e for e in opened.events(run) if e.kind is EventKind.DECODED_AGAIN]
        assert event.facts["differing"] == {"own c t_degC": 11} and "@" in str(event.facts["by"])
        assert run.end_ns == 12 * 10**9
    assert again(log, own_plugin(tmp_path, AFTER)).changes == ()


def test_a_run_that_was_killed_does_not_seem_longer_for_being_decoded_again(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    with open_database(log) as connection:
        connection.execute("UPDATE run SET ended_ns = NULL")
    again(log, own_plugin(tmp_path, AFTER))
    with Log(log) as opened:
        assert opened.run().end_ns == 11 * 10**9


def test_payloads_that_fit_now_are_counted(tmp_path: Path) -> None:
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    shorter = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }]\n'
    done = again(log, own_plugin(tmp_path, shorter))
    assert (done.fit_now, done.misfit_now, done.faults) == (1, 11, 11)


def test_a_plugin_whose_streams_do_not_decode_is_refused(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, BEFORE)
    log = log_of(tmp_path / "x.db", plugin, RAWS)
    streams = plugin.path / "streams"
    streams.mkdir()
    (streams / "one.capture").write_text("not a capture\n")
    before = log.read_bytes()
    with pytest.raises(InputError):
        app_redecode(log, [plugin.path])
    assert log.read_bytes() == before


def test_a_column_of_another_type_is_not_taken_for_one_that_differs(tmp_path: Path) -> None:
    fine = 'fields = [{ name = "p", type = "uint16", lsb = "0.5 hPa" }]\n'
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, fine), [bytes([i, 1]) for i in range(10)])
    assert again(log, own_plugin(tmp_path, fine.replace("0.5", "1"))).changes == ()


def test_who_has_no_name_is_told_by_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise KeyError("uid not found")

    monkeypatch.setattr("getpass.getuser", nobody)
    log = log_of(tmp_path / "x.db", own_plugin(tmp_path, BEFORE), RAWS)
    again(log, own_plugin(tmp_path, AFTER))
    with Log(log) as opened:
        (event,) = [e for e in opened.events(opened.run()) if e.kind is EventKind.DECODED_AGAIN]
        assert str(event.facts["by"]).startswith(f"{os.getuid()}@")


def test_a_checksum_that_is_new_gets_a_table_of_its_own(tmp_path: Path) -> None:
    plain = own_plugin(tmp_path / "a", SAMPLES)
    summed = own_plugin(tmp_path / "b", SAMPLES + 'check = { crc = "CRC-16/KERMIT" }\n')
    log = log_of(tmp_path / "x.db", plain, [bytes([1, 2, 3])])
    log_of(log, summed, [summed.characteristics["c"].codec.build({"sequence": 1}, [{"v": 2}, {"v": 3}])])
    assert [row[0] for row in rows(log, "SELECT relation FROM channel ORDER BY rowid")] == ["own_c", "own_c_2"]
    (first, second) = rows(log, "SELECT t_ns FROM own_c_2_sample_utc ORDER BY position")
    assert second[0] - first[0] == 10_000_000 and second[0] == 0
