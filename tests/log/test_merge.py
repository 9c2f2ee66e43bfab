"""Logs of several laptops become one, without losing or doubling a frame."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.log.merge import merge
from gateway.log.redecode import redecode
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import LogFileError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import Plugin, find_plugin
from tests.support import figures, open_database, own_plugin, wait_for

CRATE = find_plugin("loan-crate")
CLIMATE = bytes.fromhex("01006e098813cd8b01")
SHOCK = bytes.fromhex("070000008000800f10001c")


def facts(started_ns: int, plugin: Plugin = CRATE, title: str = "t") -> RunFacts:
    return RunFacts(
        title,
        started_ns,
        None,
        "none",
        "run.toml",
        "text",
        {"a": (plugin, "A"), "b": (plugin, "B")},
        [Requirement(plugin.kind, "link", "disconnects", None, 0.0, "")],
    )


def run_into(path: Path, started_ns: int, count: int = 10, title: str = "t") -> None:
    writer = LogWriter(path, facts(started_ns, title=title))
    for node in "ab":
        writer.event(LinkEvent.of(started_ns, node, EventKind.READY, {}))
    for number in range(count):
        writer.frame(
            Frame(started_ns + number * 10**9, "ab"[number % 2], "climate", CLIMATE if number % 3 else bytes(9))
        )
        writer.frame(Frame(started_ns + number * 10**9, "a", "shock", SHOCK))
    writer.close(started_ns + count * 10**9, "test")


def rows(log: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_database(log) as connection:
        return connection.execute(sql).fetchall()


def whats(sources: list[Path], into: Path) -> list[tuple[int, str]]:
    return [(one.run, one.what) for one in merge(sources, into)]


def test_runs_of_two_logs_stand_side_by_side(tmp_path: Path) -> None:
    a, b, into = tmp_path / "a.db", tmp_path / "b.db", tmp_path / "all.db"
    run_into(a, 10**18)
    run_into(a, 2 * 10**18, 4)
    run_into(b, 3 * 10**18, 6)
    assert whats([a, b], into) == [(1, "added"), (2, "added"), (1, "added")]
    assert rows(into, "SELECT id, started_ns FROM run") == [(1, 10**18), (2, 2 * 10**18), (3, 3 * 10**18)]
    assert rows(into, "SELECT count(*), count(DISTINCT id) FROM loan_crate_climate") == [(20, 20)]
    assert rows(into, "SELECT count(*) FROM loan_crate_shock_sample") == [(40,)]
    assert rows(into, "PRAGMA integrity_check") == [("ok",)] and rows(into, "PRAGMA foreign_key_check") == []


def test_a_merged_run_gives_the_figures_it_gave_before(tmp_path: Path) -> None:
    a, b, into = tmp_path / "a.db", tmp_path / "b.db", tmp_path / "all.db"
    run_into(a, 10**18)
    run_into(b, 3 * 10**18, 6)
    merge([a, b], into)
    assert figures(into) == figures(b)
    for table in ("loan_crate_climate_utc", "loan_crate_shock_sample_utc"):
        columns = ", ".join(f'"{r[1]}"' for r in rows(b, f"PRAGMA table_info({table})") if r[1] not in ("id", "frame"))
        sql = f"SELECT {columns} FROM {table} WHERE utc >= '2065' ORDER BY 1, 2, 3"
        assert rows(into, sql) == rows(b, sql) != []
    assert rows(into, "SELECT count(*) FROM absence") == [(2 * rows(b, "SELECT count(*) FROM absence")[0][0],)]
    assert rows(into, "SELECT run, kind FROM plugin") == [(1, "loan-crate"), (2, "loan-crate")]


def test_merging_again_adds_nothing(tmp_path: Path) -> None:
    a, into = tmp_path / "a.db", tmp_path / "all.db"
    run_into(a, 10**18)
    merge([a], into)
    before = rows(into, "SELECT * FROM loan_crate_climate")
    assert whats([a, a], into) == [(1, "already there"), (1, "already there")]
    assert rows(into, "SELECT * FROM loan_crate_climate") == before


def test_a_run_that_has_grown_since_is_replaced_and_one_still_written_is_taken_as_far_as_it_is(tmp_path: Path) -> None:
    a, other, into = tmp_path / "a.db", tmp_path / "b.db", tmp_path / "all.db"
    run_into(other, 5 * 10**17)
    writer = LogWriter(a, facts(10**18))
    writer.frame(Frame(10**18, "a", "climate", CLIMATE))
    wait_for(lambda: writer.status.frames == 1)
    assert whats([a, other], into) == [(1, "added"), (1, "added")]
    writer.frame(Frame(10**18 + 1, "a", "climate", CLIMATE))
    writer.close(2 * 10**18, "test")
    assert whats([a], into) == [(1, "replaced")]
    assert rows(into, "SELECT count(*) FROM loan_crate_climate") == [(12,)]
    assert rows(into, "SELECT count(*), total(ended_ns IS NULL) FROM run") == [(2, 0)]
    assert whats([a], into) == [(1, "already there")]


def test_two_versions_of_a_layout_keep_apart(tmp_path: Path) -> None:
    logs = []
    for number, layout in enumerate(
        ('{ name = "t", type = "uint16" }', '{ name = "t", type = "sint8" }, { name = "u", type = "sint8" }')
    ):
        plugin = own_plugin(tmp_path, f"fields = [{layout}]\n")
        log = tmp_path / f"{number}.db"
        writer = LogWriter(log, replace(facts(10**18 + number, plugin), requirements=()))
        writer.frame(Frame(10**18, "a", "c", b"\x01\xff"))
        writer.close(2 * 10**18, "test")
        logs.append(log)
    into = tmp_path / "all.db"
    merge(logs, into)
    assert rows(into, "SELECT relation FROM channel ORDER BY 1") == [("own_c",), ("own_c_2",)]
    assert rows(into, "SELECT t FROM own_c") == [(0xFF01,)] and rows(into, "SELECT t, u FROM own_c_2_utc") == [(1, -1)]
    assert figures(into)["a", "c", "decode_errors"].value == 0


def test_the_target_can_be_a_log_that_has_runs(tmp_path: Path) -> None:
    a, into = tmp_path / "a.db", tmp_path / "all.db"
    run_into(into, 10**17)
    run_into(a, 10**18)
    merge([a], into)
    run_into(into, 2 * 10**18)
    assert rows(into, "SELECT count(*) FROM run") == [(3,)]
    assert rows(into, "SELECT count(*), count(DISTINCT id) FROM loan_crate_climate") == [(30, 30)]


def test_wrong_sources_and_targets_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    a = tmp_path / "a.db"
    run_into(a, 10**18)
    (tmp_path / "text.db").write_text("not a database, whatever its name may say" * 30)
    with pytest.raises(LogFileError, match=r"not a gattest log|not an SQLite"):
        merge([a, tmp_path / "text.db"], tmp_path / "all.db")
    assert not (tmp_path / "all.db").exists()
    with pytest.raises(LogFileError, match="no such log"):
        merge([tmp_path / "none.db"], tmp_path / "all.db")
    with pytest.raises(LogFileError, match="both a source and the target"):
        merge([a], a)
    with pytest.raises(LogFileError, match="no folder"):
        merge([a], tmp_path / "nowhere" / "all.db")


def test_a_damaged_source_adds_nothing(tmp_path: Path) -> None:
    a, b, into = tmp_path / "a.db", tmp_path / "b.db", tmp_path / "all.db"
    run_into(a, 10**18)
    run_into(b, 2 * 10**18, 3000)
    data = bytearray(b.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 40_000] = b"\xee" * 40_000
    b.write_bytes(data)
    merge([a], into)
    shutil.copy(into, tmp_path / "before.db")
    with pytest.raises(LogFileError):
        merge([b], into)
    assert rows(into, "SELECT count(*) FROM loan_crate_climate") == [(10,)] and rows(
        into, "SELECT count(*) FROM run"
    ) == [(1,)]


def test_a_log_whose_versions_were_decoded_alike_again_is_taken(tmp_path: Path) -> None:
    """Then two of its relations have one layout, and come to one relation of the target."""
    log, into = tmp_path / "a.db", tmp_path / "all.db"
    for number, layout in enumerate(
        ('{ name = "t", type = "uint16" }', '{ name = "t", type = "sint16", reserved = { 0x8000 = "none" } }')
    ):
        plugin = own_plugin(tmp_path, f"fields = [{layout}]\n")
        writer = LogWriter(log, replace(facts(10**18 + number, plugin), requirements=()))
        for raw in (b"\x01\x00", b"\x00\x80"):
            writer.frame(Frame(10**18, "a", "c", raw))
        writer.close(2 * 10**18, "test")
    redecode(log, {plugin.kind: plugin}, lambda done, whole: None)
    assert whats([log], into) == [(1, "added"), (2, "added")]
    assert rows(into, "SELECT count(*), count(t) FROM own_c") == [(4, 2)]
    assert rows(into, "SELECT total(count) FROM absence") == [(2,)]


def test_two_runs_that_look_alike_are_told_apart(tmp_path: Path) -> None:
    """Parts of one log, replayed: same time, host, title and file."""
    a, b, into = tmp_path / "a.db", tmp_path / "b.db", tmp_path / "all.db"
    run_into(a, 10**18)
    run_into(b, 10**18)
    assert whats([a, b], into) == [(1, "added"), (1, "added")]
    assert whats([a, b], into) == [(1, "already there"), (1, "already there")]


def test_a_log_of_an_earlier_version_is_taken_once(tmp_path: Path) -> None:
    a, into = tmp_path / "a.db", tmp_path / "all.db"
    run_into(a, 10**18)
    with open_database(a) as connection:
        connection.execute("ALTER TABLE run DROP COLUMN uid")
    assert whats([a], into) == [(1, "added")] and whats([a], into) == [(1, "already there")]


def test_the_source_is_not_locked_meanwhile(tmp_path: Path) -> None:
    a, into = tmp_path / "a.db", tmp_path / "all.db"
    writer = LogWriter(a, facts(10**18))
    told = []

    def write(_: Path) -> None:
        writer.frame(Frame(10**18, "a", "climate", CLIMATE))
        wait_for(lambda: writer.status.frames == 1)
        told.append(writer.status.trouble)

    merge([a], into, write)
    writer.close(2 * 10**18, "test")
    assert told == [""] and a.with_name("a.db-wal").exists() is False


def test_runs_of_a_channel_that_stores_are_kept_apart_from_those_of_one_that_did_not(tmp_path: Path) -> None:
    fields = 'fields = [{ name = "sequence", type = "uint8", role = "sequence" }]\n'
    for name, extra, started_ns in (("a", "", 10**18), ("b", "stores = 100\n", 2 * 10**18)):
        plugin = own_plugin(tmp_path / name, extra + fields)
        LogWriter(tmp_path / f"{name}.db", facts(started_ns, plugin)).close(started_ns + 10**9, "test")
    merge([tmp_path / "a.db", tmp_path / "b.db"], tmp_path / "all.db")
    assert rows(tmp_path / "all.db", "SELECT relation, stores FROM channel") == [("own_c", 0), ("own_c_2", 100)]


def test_a_log_without_the_columns_of_today_is_judged_merged_and_published(tmp_path: Path) -> None:
    from gateway.log.opening import give_ids
    from gateway.log.tail import Tail
    from tests.support import verdicts_of

    log = tmp_path / "old.db"
    run_into(log, 10**18)
    with open_database(log) as connection:
        for table, column in (("requirement", "risk"), ("channel", "stores"), ("channel", "constant")):
            connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    assert len(verdicts_of(log)[1]) == 2
    assert whats([log], tmp_path / "all.db") == [(1, "added")]
    give_ids(log)
    with Tail(log) as tail:
        (told,) = tail.runs(0, 0)
        assert len(told["requirements"]) == 1
