"""Messages that are unpacked, from a simulated node into a log and out of it again: each a row with the frames it came
in, however the frames came to be there."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from gateway.app.extract import extract
from gateway.app.logs import damage, export
from gateway.app.replay import replay
from gateway.export import Wanted
from gateway.log.batch import BatchWriter
from gateway.log.merge import merge
from gateway.log.redecode import redecode
from gateway.log.store import RunFacts
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent, Resumed
from gateway.model.records import Frame
from gateway.plugin import Plugin, find_plugin, load_plugin, load_plugin_text
from tests.support import figures, open_database, plugin_folder, run_bench, run_file

RUN = """
[run]
title = "t"
radio = "virtual"
seed = 3
[air]
packet_errors = "1 percent"
[node.j]
plugin = "crate-journal"
find = { name = "J" }
[node.s]
plugin = "bore-station"
find = { name = "S" }
[twin.j.signal.climate]
temperature = { constant = "19.5 degC" }
humidity = { constant = "48 percent" }
[twin.j.signal.impact]
count = { constant = "20" }
force = { sine = ["0.5 g_0", "0.2 g_0", "7 s"] }
[twin.j.signal.lid]
state = { constant = "ajar" }
[twin.s.signal.level]
depth = { constant = "12.25 m" }
[twin.s.signal.pressure]
pressure = { constant = "1042.17 hPa" }
[twin.s.signal.pumped]
volume = { constant = "120.5 L" }
[twin.s.signal.supply]
supply = { constant = "12.6 V" }
"""


def rows(log: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_database(log) as opened:
        return opened.execute(sql).fetchall()


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unpacked")
    run_bench(run_file(folder, RUN), folder / "run.db", 20.0)
    return folder / "run.db"


MESSAGES = [
    ("crate_journal_climate", "temperature_degC", 19.5),
    ("crate_journal_lid", "state", "ajar"),
    ("bore_station_level", "depth_m", 12.25),
    ("bore_station_pressure", "pressure_hPa", 1042.17),
    ("bore_station_supply", "supply_V", 12.6),
]


@pytest.mark.parametrize(("relation", "column", "value"), MESSAGES)
def test_what_a_simulated_node_packs_comes_out_as_values(log: Path, relation: str, column: str, value: object) -> None:
    found = rows(log, f'SELECT "{column}", fault FROM {relation}')
    assert len(found) >= 15 and set(found) == {(value, None)}


def test_samples_of_packed_integers_are_those_that_were_made(log: Path) -> None:
    forces = [force for (force,) in rows(log, "SELECT force_g_0 FROM crate_journal_impact_sample")]
    assert len(forces) % 20 == 0 and 0.29 < min(forces) < max(forces) < 0.71
    assert set(rows(log, "SELECT volume_L FROM bore_station_pumped_sample")) == {(120.5,)}


def test_each_message_tells_the_frames_it_came_in(log: Path) -> None:
    whole = rows(
        log,
        "SELECT lower(hex(e.raw)), group_concat(p.content, '') FROM crate_journal_entry AS e "
        "JOIN unpacked AS u ON u.frame = e.id JOIN (SELECT * FROM crate_journal_parcel ORDER BY id) AS p "
        "ON p.node = e.node AND p.id BETWEEN u.first_frame AND u.last_frame GROUP BY e.id",
    )
    assert len(whole) >= 30 and all(raw == pieces for raw, pieces in whole)


def test_rates_are_told_of_messages_and_of_the_values_they_came_in(log: Path) -> None:
    found = figures(log)
    for subject in ("climate", "impact", "lid"):
        assert found["j", subject, "rate"].value == pytest.approx(1, abs=0.1)
    assert found["j", "parcel", "rate"].value == pytest.approx(2, abs=0.2)  # entries of climate and of tilt
    assert found["s", "pressure", "loss"].value == 0


def contents(log: Path) -> list[list[tuple[Any, ...]]]:
    relations = sorted(name for (name,) in rows(log, "SELECT relation FROM channel"))
    return [rows(log, f"SELECT t_ns, raw, fault FROM {name} ORDER BY id") for name in relations]


def test_a_capture_of_a_log_replays_into_the_same_messages(log: Path, tmp_path: Path) -> None:
    extract(log, tmp_path / "x.capture")
    assert " climate " not in (tmp_path / "x.capture").read_text()  # what came over the air, and nothing twice
    replay(tmp_path / "x.capture", tmp_path / "again.db")
    assert contents(tmp_path / "again.db") == contents(log)


def test_a_merged_log_keeps_which_frames_a_message_came_in(log: Path, tmp_path: Path) -> None:
    merge([log], tmp_path / "all.db")
    merge([log], tmp_path / "all.db")
    assert contents(tmp_path / "all.db") == contents(log)
    assert rows(tmp_path / "all.db", "SELECT count(*) FROM unpacked") == rows(log, "SELECT count(*) FROM unpacked")


PIECES = ["80aa", "01bb", "03cc", "c02100"]  # the third piece is missing; then an entry whose checksum does not fit


def facts() -> RunFacts:
    return RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("crate-journal"), "A")})


def written(log: Path, batches: Sequence[Sequence[str]]) -> None:
    writer = BatchWriter(log, facts())
    number = 0
    for batch in batches:
        frames = []
        for text in batch:
            number += 1
            frames.append(Frame(number * 10**8, "a", "parcel", bytes.fromhex(text)))
        writer.write(frames, [])
    writer.write([], [], (10**10, "test"))
    writer.close()


@pytest.mark.parametrize("batches", [[PIECES], [[one] for one in PIECES]], ids=["at once", "one by one"])
def test_what_is_wrong_with_a_piece_stands_in_its_row_and_outlasts_decoding_again(
    tmp_path: Path, batches: list[list[str]]
) -> None:
    written(tmp_path / "x.db", batches)
    sql = "SELECT hex(raw), fault FROM crate_journal_parcel ORDER BY id"
    missing = "pieces missing before it; its message is lost"
    expected = [("80AA", None), ("01BB", None), ("03CC", missing), ("C02100", None)]
    assert rows(tmp_path / "x.db", sql) == expected
    kind = find_plugin("crate-journal")
    redecode(tmp_path / "x.db", {kind.kind: kind}, lambda done, whole: None)
    assert rows(tmp_path / "x.db", sql) == expected
    assert figures(tmp_path / "x.db")["a", "parcel", "decode_errors"].value == 1


def test_a_message_broken_off_is_told_though_its_piece_was_written_before(tmp_path: Path) -> None:
    written(tmp_path / "x.db", [["80aa"], ["c0bb"]])
    faults = rows(tmp_path / "x.db", "SELECT fault FROM crate_journal_parcel ORDER BY id")
    assert faults == [("a message broken off after 1 bytes: the next one began before it ended",), (None,)]


def test_a_batch_that_is_refused_and_tried_again_gives_its_messages_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.log.opening.BUSY_S", 0.1)
    writer = BatchWriter(tmp_path / "x.db", facts())
    writer.write([Frame(10**8, "a", "parcel", bytes.fromhex("80aa"))], [])
    with open_database(tmp_path / "x.db", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(sqlite3.OperationalError):
            writer._write([Frame(2 * 10**8, "a", "parcel", bytes.fromhex("41bbcc"))], [], None)
        other.execute("ROLLBACK")
    other.close()
    writer.write([Frame(2 * 10**8, "a", "parcel", bytes.fromhex("41bbcc"))], [], (10**9, "test"))
    writer.close()
    assert rows(tmp_path / "x.db", "SELECT raw FROM crate_journal_entry") == [(b"\xaa\xbb\xcc",)]
    assert rows(tmp_path / "x.db", "SELECT * FROM unpacked") == [(3, 1, 2)]


SPARSE = [(n, "parcel", text) for n, text in enumerate(("80aa", "41bb", "80cc", "01dd", "42ee", "80ff"), 1)]


def plugin_that_waits(apart_s: float) -> Plugin:
    """The crate journal, with pieces that may be so far apart."""
    text = find_plugin("crate-journal").text
    assert 'largest = 300, timeout = "2 s"' in text
    return load_plugin_text(text.replace('timeout = "2 s"', f'timeout = "{apart_s} s"'), "crate-journal")


def sparse(log: Path, plugin: Plugin, started_ns: int, every_ns: int) -> None:
    """A run of pieces."""
    facts = RunFacts("t", started_ns, None, "none", "", "", {"a": (plugin, "A")})
    writer = BatchWriter(log, facts)
    for number, channel, text in SPARSE:
        writer.write([Frame(started_ns + number * every_ns, "a", channel, bytes.fromhex(text))], [])
    writer.write([], [], (started_ns + 10**12, "test"))
    writer.close()


@pytest.mark.parametrize("more", [False, True], ids=["fewer", "more"])
def test_decoding_again_cuts_messages_anew_as_if_the_mended_plugin_had_been_there(tmp_path: Path, more: bool) -> None:
    narrow, wide = plugin_that_waits(2), plugin_that_waits(60)
    first, mended = (narrow, wide) if more else (wide, narrow)
    for name, plugin in (("x.db", first), ("fresh.db", mended)):
        for run in range(3):  # those behind it make room
            sparse(tmp_path / name, plugin, run * 10**13, 5 * 10**9)
    counts = {True: 6, False: 0}
    assert rows(tmp_path / "x.db", "SELECT count(*) FROM crate_journal_entry") == [(counts[not more],)]
    told = redecode(tmp_path / "x.db", {mended.kind: mended}, lambda done, whole: None).messages
    assert told == {"crate-journal entry": (counts[not more], counts[more])}
    assert contents(tmp_path / "x.db") == contents(tmp_path / "fresh.db")
    ends = (
        "SELECT (SELECT raw FROM crate_journal_parcel WHERE id = first_frame), (SELECT raw FROM crate_journal_parcel "
        "WHERE id = last_frame) FROM unpacked ORDER BY frame"
    )
    assert rows(tmp_path / "x.db", ends) == rows(tmp_path / "fresh.db", ends)
    verified = damage(tmp_path / "x.db")
    assert verified.problems == [] and [one.run for one in verified.seals] == [1, 2, 3]
    redecode(tmp_path / "x.db", {first.kind: first}, lambda done, whole: None)
    redecode(tmp_path / "x.db", {mended.kind: mended}, lambda done, whole: None)
    assert contents(tmp_path / "x.db") == contents(tmp_path / "fresh.db") and damage(tmp_path / "x.db").problems == []


def test_an_export_that_decodes_again_cuts_messages_anew_and_leaves_the_log(tmp_path: Path) -> None:
    sparse(tmp_path / "x.db", plugin_that_waits(2), 0, 5 * 10**9)
    folder = plugin_folder(tmp_path, plugin_that_waits(60).text, "crate-journal")
    before = contents(tmp_path / "x.db")
    for plugins, count in (([folder], 2), ([], 0)):
        (done,) = export(
            tmp_path / "x.db", "csv", tmp_path, lambda _: Wanted(channels=["entry"]), None, True, plugins, True
        )
        assert done.rows == count
    assert contents(tmp_path / "x.db") == before


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE crate_journal_entry SET raw = x'00' WHERE id = 3", "frame 3: the message that its frames hold is another"),
        ("DELETE FROM crate_journal_entry WHERE id = 3", "the message that its frames hold is another"),
        ("DELETE FROM crate_journal_entry", "the message in frames 1 to 2 is missing"),
        ("INSERT INTO crate_journal_entry (id, node, t_ns, raw) VALUES (99, 1, 9, x'00')", "no message that its frames"),
        ("UPDATE unpacked SET first_frame = 2", "came in frames 1 to 2"),
        ("UPDATE crate_journal_parcel SET fault = NULL WHERE id = 2", ""),
        ("UPDATE crate_journal_parcel SET fault = 'x' WHERE id = 2", "frame 2: fault is x, its bytes say None"),
        ("INSERT INTO absence VALUES (1, 'crate_journal_entry', 'kind', 'no reading', 7)", "7 values are missing by the log"),
    ],
)  # fmt: skip
def test_messages_that_were_changed_with_plain_sql_are_found(tmp_path: Path, sql: str, told: str) -> None:
    sparse(tmp_path / "x.db", plugin_that_waits(60), 0, 10**9)
    assert damage(tmp_path / "x.db").problems == []
    with open_database(tmp_path / "x.db") as connection:
        connection.execute(sql)
    found = damage(tmp_path / "x.db").problems
    assert any(told in line for line in found) if told else found == []


def test_a_piece_without_a_message_that_was_made_to_look_like_one_of_a_message_is_found(tmp_path: Path) -> None:
    written(tmp_path / "x.db", [PIECES])
    with open_database(tmp_path / "x.db") as connection:
        connection.execute("UPDATE crate_journal_parcel SET fault = NULL")
    assert any("has values, its bytes say: pieces missing" in line for line in damage(tmp_path / "x.db").problems)


def lids(log: Path, plugin: Plugin) -> Path:
    """A run with three sealed values of the lid."""
    made = find_plugin("crate-journal").steps["lid_sealed"]
    writer = BatchWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    raws = [made.pack(bytes([1, n, 0]), 40, n)[0] for n in range(3)]
    writer.write([Frame(n * 10**8, "a", "lid_sealed", raw) for n, raw in enumerate(raws)], [])
    writer.write([], [], (10**9, "test"))
    writer.close()
    return log


def test_a_log_that_is_checked_without_the_key_of_its_messages_says_what_was_not_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = lids(tmp_path / "x.db", find_plugin("crate-journal"))
    assert rows(log, "SELECT count(*) FROM crate_journal_lid") == [(3,)]
    assert damage(log).problems == [] and damage(log).unchecked == []
    monkeypatch.setattr("gateway.app.logs.plugin_folders", dict)
    found = damage(log)
    reason = "no key from the file invented.key: No such file or directory"
    assert found.problems == []
    assert found.unchecked == [f"a lid could not be held against the frames it came in: {reason}"]
    keyless = load_plugin_text(find_plugin("crate-journal").text, "crate-journal")
    with pytest.raises(InputError, match=r"lid can't be decoded again: no key .*; nothing was changed"):
        redecode(log, {keyless.kind: keyless}, lambda done, whole: None)
    assert rows(log, "SELECT count(*) FROM crate_journal_lid") == [(3,)]


def test_values_received_without_their_key_are_opened_when_they_are_decoded_again_with_it(tmp_path: Path) -> None:
    keyless = load_plugin_text(find_plugin("crate-journal").text, "crate-journal")
    log = lids(tmp_path / "x.db", keyless)
    assert rows(log, "SELECT count(*) FROM crate_journal_lid") == [(0,)]
    assert damage(log).problems == []
    assert damage(log).unchecked == ["a lid_sealed: 3 values from frame 1 on were received without their key"]
    kind = find_plugin("crate-journal")
    assert redecode(log, {kind.kind: kind}, lambda done, whole: None).messages == {"crate-journal lid": (0, 3)}
    assert rows(log, "SELECT count(*), max(fault) FROM crate_journal_lid") == [(3, None)]
    assert damage(log).problems == [] and damage(log).unchecked == []


def test_a_run_that_was_cut_off_within_a_message_and_continued_is_sound(tmp_path: Path) -> None:
    """What had come of the message is lost with the process; what comes after begins anew."""
    kind = find_plugin("bore-station")
    log, second = tmp_path / "x.db", 10**9

    def own() -> RunFacts:
        return RunFacts("t", 0, None, "none", "", "", {"s": (kind, "S")}, uid="u1")

    writer = BatchWriter(log, own())
    writer.write([Frame(1 * second, "s", "console", b"1;2;3\r\n"), Frame(2 * second, "s", "console", b"4;5")], [])
    writer.close()
    writer = BatchWriter(log, own())
    resumed = LinkEvent(4 * second, None, Resumed(paused_s=2.0))
    frames = [Frame(n * second, "s", "console", text) for n, text in ((5, b"7;8;9\r\n"), (6, b"10;11;12\r\n"))]
    writer.write(frames, [resumed], (9 * second, "test"))
    writer.close()
    depths = [row[0] for row in rows(log, "SELECT depth_m FROM bore_station_level")]
    assert len(depths) == 3 and damage(log).problems == []
    redecode(log, {kind.kind: kind}, lambda done, whole: None)
    assert [row[0] for row in rows(log, "SELECT depth_m FROM bore_station_level")] == depths
    assert damage(log).problems == []


NEST = """
[plugin]
kind = "nest"
title = "Records of which one kind is encrypted (invented)"
[characteristic.box]
uuid = "5c1e3f0a-92d4-4b7b-8d3e-61f7a0c4be15"
service = "e0a91d57-3c48-4f62-b1a5-7d20c98e4f36"
properties = ["notify"]
unpack = { by = "records", length = "uint8", at = 1, adds = 2, largest = 64 }
[characteristic.plain]
within = "box"
message = 0x21
fields = [{ name = "kind", type = "uint8" }, { name = "size", type = "uint8" }, { name = "v", type = "uint16" }]
[characteristic.burst]
within = "box"
message = 0x23
fields = [{ name = "kind", type = "uint8" }, { name = "size", type = "uint8" }]
samples = { every = "1 ms", fields = [{ name = "s", type = "uint8" }] }
[characteristic.locked]
within = "box"
message = 0x22
fields = [{ name = "kind", type = "uint8" }, { name = "size", type = "uint8" }, { name = "counter", type = "uint32" }]
unpack = { by = "cipher", mode = "AES-CTR", key_file = "KEY", nonce = ["0x4C6F616E437261744C6F616E", "counter"] }
[characteristic.secret]
within = "locked"
fields = [{ name = "x", type = "uint8" }]
"""


def nested(log: Path, plugin: Plugin) -> Path:
    """A log of values with two records in clear and an encrypted one."""
    writer = BatchWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for number in range(4):
        clear = bytes([0x21, 2, number, 0]) + bytes([0x23, 2, number, 1]) + bytes([0x23, 2, number, 2])
        writer.write([Frame(number * 10**9, "a", "box", clear + bytes([0x22, 5, number, 0, 0, 0, 9]))], [])
    writer.write([], [], (10**10, "test"))
    writer.close()
    return log


@pytest.mark.parametrize("key", [False, True])
def test_a_log_with_messages_beside_encrypted_ones_is_sound(tmp_path: Path, key: bool) -> None:
    if key:
        (tmp_path / "key").write_text("00" * 16)
    plugin = load_plugin_text(NEST.replace("KEY", str(tmp_path / "key")), "nest")
    log = nested(tmp_path / "x.db", plugin)
    assert damage(log).problems == [] and bool(damage(log).unchecked) is not key
    assert rows(log, "SELECT count(*) FROM nest_plain") == [(4,)]
    with open_database(log) as opened:
        opened.execute("DELETE FROM nest_plain WHERE id = (SELECT max(id) FROM nest_plain)")
    assert any("the message in frames" in line and "is missing" in line for line in damage(log).problems)


def test_samples_of_two_messages_in_one_value_are_exported_apart(tmp_path: Path) -> None:
    (tmp_path / "key").write_text("00" * 16)
    folder = plugin_folder(tmp_path, NEST.replace("KEY", str(tmp_path / "key")), "nest")
    log = nested(tmp_path / "x.db", load_plugin(folder))
    export(log, "csv", tmp_path, lambda _: Wanted(channels=["burst"]), None, True, [folder], True)
    lines = [line.split(",")[2:5] for line in (tmp_path / "nest_burst_sample.csv").read_text().splitlines()[1:]]
    assert len({(frame, position) for frame, position, _ in lines}) == len(lines) == 16
    assert [value for *_, value in lines[:4]] == ["0", "1", "0", "2"]


def test_why_pieces_are_of_no_use_is_exported_as_it_is_logged(tmp_path: Path) -> None:
    log = tmp_path / "x.db"
    writer = BatchWriter(log, RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("crate-journal"), "A")}))
    for number, text in enumerate(("80aa", "42bb", "80cc", "41dd")):  # the second piece of the first message is missing
        writer.write([Frame(number * 10**8, "a", "parcel", bytes.fromhex(text))], [])
    writer.write([], [], (10**10, "test"))
    writer.close()
    texts = []
    for again in (False, True):
        export(log, "csv", tmp_path, lambda _: Wanted(channels=["parcel"]), None, again, [], True)
        texts.append((tmp_path / "crate_journal_parcel.csv").read_text())
    assert texts[0] == texts[1] and "missing" in texts[0]


def test_a_constant_that_comes_after_values_leaves_a_sound_log(tmp_path: Path) -> None:
    """Whether values before it were written with it or not depends on how they came."""
    kind = find_plugin("bore-gauge")
    reading, calibration = (
        Frame(1, "b", "reading", bytes(13) + b"\x10"),
        Frame(3, "b", "calibration", bytes(range(1, 25))),
    )
    for number, batches in enumerate(([[reading], [calibration]], [[reading, calibration]])):
        log = tmp_path / f"{number}.db"
        writer = BatchWriter(log, RunFacts("t", 0, None, "none", "", "", {"b": (kind, "B")}))
        for batch in batches:
            writer.write(batch, [])
        writer.write([Frame(5, "b", "reading", reading.raw)], [], (9, "test"))
        writer.close()
        assert damage(log).problems == []
