"""The seal of a run: a log that was changed with plain SQL is found out, whatever was changed, and one that was not is
sound, however its writing went."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from gateway.app.logs import damage
from gateway.log import notes, seal
from gateway.log.batch import BatchWriter
from gateway.log.merge import merge
from gateway.log.notes import Note, add_note, notes_of, notes_path
from gateway.log.reader import Log
from gateway.log.redecode import redecode
from gateway.log.store import RunFacts
from gateway.model.errors import InputError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import find_plugin, load_plugin_text
from tests.cli.test_cli import gattest
from tests.support import open_database

CLIMATE = bytes.fromhex("01006e098813cd8b01")
RULES = (Requirement("loan-crate", "climate", "rate", 5.0, None, "1/s", 0.025),)


def facts(uid: str = "one") -> RunFacts:
    kind = find_plugin("loan-crate")
    return RunFacts("t", 0, None, "none", "", "", {"a": (kind, "A"), "b": (kind, "B")}, RULES, uid)


def filled(path: Path, monkeypatch: pytest.MonkeyPatch, ended: bool = True) -> Path:
    """Ten batches of frames of two nodes and some events, with a link after each."""
    monkeypatch.setattr(seal, "EVERY_S", 0.0)
    writer = BatchWriter(path, facts())
    for batch in range(10):
        frames = [
            Frame(
                (batch * 100 + n) * 10**7,
                "ab"[n % 2],
                "climate" if n % 3 else "light",
                CLIMATE if n % 3 else b"\x64\x20",
            )
            for n in range(100)
        ]
        shock = [Frame(batch * 10**9 + 5, "a", "shock", bytes.fromhex("0700000080008" + "00f10001c"))]
        writer.write([*frames, *shock], [LinkEvent.of(batch * 10**9, "a", EventKind.READY)])
    if ended:
        writer.write([], [], (10**10, "test"))
    writer.close()
    return path


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return filled(tmp_path / "x.db", monkeypatch)


def changed(log: Path, sql: str) -> list[str]:
    with open_database(log) as connection:
        connection.executescript(sql)
    return damage(log).problems


def test_a_log_that_nobody_changed_is_sound_and_tells_its_head(log: Path) -> None:
    found = damage(log)
    assert found.problems == []
    (one,) = found.seals
    assert one.links == 11 and one.unsealed == 0 and len(one.head) == 64
    with Log(log) as opened:
        assert opened.run().seal == one.head


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE loan_crate_climate SET temperature_degC = 20.0", "temperature_degC is 20.0, its bytes say 24.14"),
        ("UPDATE loan_crate_climate SET fault = 'x' WHERE id = 5", "fault is x, its bytes say None"),
        (
            "UPDATE loan_crate_climate SET raw = x'02006e098813cd8b01' WHERE id = 301",
            "frames of a/climate are not those",
        ),
        ("UPDATE loan_crate_light SET t_ns = t_ns + 1 WHERE id = 1000", "frames of a/light are not those"),
        ("DELETE FROM loan_crate_climate WHERE id = 502", "100 frames are there, 101 were sealed"),
        ("UPDATE loan_crate_climate SET node = 3 - node WHERE id = 2", "frames of a/climate are not those"),
        ("UPDATE event SET detail = '{\"x\": 1}' WHERE id = 4", "its events are not those that were sealed"),
        (
            "INSERT INTO event (run, node, t_ns, kind, detail) SELECT 1, 1, max(t_ns), 'lost', '{}' FROM event",
            "events sealed, and",
        ),
        ("UPDATE field SET high = -1000 WHERE name = 'temperature'", "high is -1000.0, the plugin says 85.0"),
        ("UPDATE field SET unit = 'K' WHERE name = 'temperature'", "unit is K, the plugin says degC"),
        ("DELETE FROM field WHERE name = 'humidity'", "the plugin says percent"),
        (
            "CREATE TABLE gathered (uid); INSERT INTO gathered SELECT uid FROM run; INSERT INTO loan_crate_climate "
            "(id, node, t_ns, raw) SELECT 5000, 1, max(t_ns), raw FROM loan_crate_climate",
            "frames behind its last link",
        ),
        ("DELETE FROM event WHERE id = 10", "its events are not those that were sealed"),
        ("UPDATE requirement SET low = 0.1", "the facts of the run"),
        ("UPDATE run SET ended_how = 'duration reached'", "the facts of the run"),
        ("UPDATE plugin SET text = replace(text, '0.01 degC', '0.02 degC')", "the facts of the run"),
        ("UPDATE seal SET head = 'x' || substr(head, 2) WHERE number = 3", "its head does not follow"),
        ("DELETE FROM seal WHERE number = 5", "begins at frame"),
        ("DELETE FROM seal", "the run has ended and has no seal at all"),
        ("UPDATE seal SET run = 7", "the run has ended and has no seal at all"),
        ("UPDATE seal SET digests = 'not json' WHERE number = 2", "are not those that were sealed"),
        ("UPDATE loan_crate_climate SET raw = 'text' WHERE id = 5", "frame 5: its payload is no bytes"),
        (
            "INSERT INTO loan_crate_climate (id, node, t_ns, raw) VALUES (90000, 1, 1, x'00')",
            "1 frames behind its last link",
        ),
        ("UPDATE loan_crate_shock_sample SET x_g_0 = 55 WHERE position = 0", "sample 0 is"),
        ("DELETE FROM loan_crate_shock_sample", "sample 0 is missing"),
        ("INSERT INTO loan_crate_shock_sample (frame, position) VALUES (99999, 0)", "belong to no frame"),
        ("UPDATE loan_crate_shock_sample SET position = NULL WHERE rowid = 1", "holds what no log writes"),
        ("DELETE FROM run", "rows of the table seal are of a run that is not there"),
        ("DELETE FROM run; DELETE FROM seal; DELETE FROM node", "rows of loan_crate_climate are of a node that"),
        ("UPDATE seal SET t_ns = t_ns - 1 WHERE number = 4", "its time is not the one that was sealed"),
        (
            "UPDATE channel SET uuid = '2a6e' WHERE name = 'climate'",
            "the channel of loan_crate_climate is described as",
        ),
        ("UPDATE channel SET samples = NULL WHERE name = 'shock'", "the channel of loan_crate_shock is described as"),
        ("UPDATE channel SET relation = 'x' WHERE name = 'shock'", "holds what no log writes: no such table: x"),
        ("UPDATE channel SET relation = NULL WHERE name = 'shock'", "holds what no log writes"),
        ("CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM event; END", "it has a trigger, 't'"),
    ],
)
def test_whatever_is_changed_with_plain_sql_is_found(log: Path, sql: str, told: str) -> None:
    problems = changed(log, sql)
    assert any(told in line for line in problems), problems


@pytest.mark.parametrize(
    ("view", "before", "after"),
    [
        ("loan_crate_climate_utc", 'f."temperature_degC"', '20.0 AS "temperature_degC"'),
        ("loan_crate_shock_sample_utc", 's."x_g_0"', '0.0 AS "x_g_0"'),
        ("event_utc", "detail\n", "'[]' AS detail\n"),
        ("loan_crate_climate_utc", "f.id,", ""),
        ("loan_crate_climate_utc", "WHERE", ""),
    ],
)
def test_a_view_that_shows_something_else_is_told(log: Path, view: str, before: str, after: str) -> None:
    with open_database(log) as connection:
        (sql,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (view,)).fetchone()
        connection.execute(f"DROP VIEW {view}")
        connection.execute(sql.replace(before, after, 1) if before in sql else f"{sql} WHERE f.id < 100")
    assert any(f"the view {view} " in line for line in damage(log).problems)


def test_a_view_of_another_version_that_shows_the_same_is_not_checked_any_further(log: Path) -> None:
    with open_database(log) as connection:
        (sql,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'loan_crate_climate_utc'").fetchone()
        connection.execute("DROP VIEW loan_crate_climate_utc")
        connection.execute(sql.replace("SELECT ", "SELECT 1 AS more, ", 1))
    assert damage(log).unchecked == ["the times in the view loan_crate_climate_utc, which another version made"]


def test_rows_in_a_table_of_another_layout_are_found(log: Path) -> None:
    """The true rows stand there with forged columns, and an empty table has the layout that is declared."""
    with open_database(log) as connection:
        connection.executescript(
            """
            CREATE TABLE loan_crate_climate_2 AS SELECT * FROM loan_crate_climate LIMIT 0;
            INSERT INTO channel SELECT 'loan_crate_climate_2', samples, kind, name, title, uuid, layout, stores, constant,
              within, broadcast FROM channel WHERE relation = 'loan_crate_climate';
            INSERT INTO field SELECT 'loan_crate_climate_2', column_name, position, name, unit, type, lsb, low, high, role,
              bits, sometimes FROM field WHERE relation = 'loan_crate_climate';
            UPDATE channel SET layout = '0' WHERE relation = 'loan_crate_climate';
            UPDATE loan_crate_climate SET temperature_degC = 20;
            """
        )
    assert any("rows in loan_crate_climate, which is of another layout" in line for line in damage(log).problems)


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE loan_crate_climate SET temperature_degC = 25, fault = 'no key from ' WHERE id = 5", "nothing in it is encrypted"),
        (
            "ALTER TABLE loan_crate_climate ADD COLUMN t2 REAL; UPDATE loan_crate_climate SET t2 = 1000; INSERT INTO field "
            "SELECT relation, 't2', 50, name, unit, 'derived', lsb, low, high, role, bits, sometimes FROM field "
            "WHERE name = 'temperature'",
            "a column of loan_crate_climate that the plugin does not declare",
        ),
    ],
)  # fmt: skip
def test_columns_that_nobody_declared_and_faults_that_can_not_be_are_found(log: Path, sql: str, told: str) -> None:
    assert any(told in line for line in changed(log, sql))


def test_columns_of_a_value_that_does_not_decode_are_empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = filled(tmp_path / "x.db", monkeypatch, ended=False)
    writer = BatchWriter(log, facts())
    writer.write([Frame(10**11, "a", "climate", CLIMATE[:-1])], [], (10**12, "end"))
    writer.close()
    assert damage(log).problems == [] and damage(log).unchecked == []
    assert changed(log, "UPDATE loan_crate_climate SET fault = 'otherwise' WHERE fault IS NOT NULL") == []
    assert damage(log).unchecked == ["a: why 1 values did not decode, which this version says otherwise"]
    problems = changed(log, "UPDATE loan_crate_climate SET temperature_degC = 1000 WHERE fault IS NOT NULL")
    assert any("has values, its bytes say" in line for line in problems)


def test_who_makes_all_later_links_anew_leaves_another_head_than_the_one_written_down(log: Path) -> None:
    before = damage(log).seals[0].head
    with open_database(log) as connection:
        connection.execute("UPDATE requirement SET low = 0.1")
        connection.execute("DELETE FROM seal")
        sealer = seal.Sealer.of(connection, 1, 1)
        sealer.link(connection, sealer.end(connection), force=True)
    found = damage(log)
    assert found.problems == [] and found.seals[0].head != before


def test_decoding_again_is_an_entry_of_the_chain(log: Path) -> None:
    kind = find_plugin("loan-crate")
    redecode(log, {kind.kind: kind}, lambda done, whole: None)
    found = damage(log)
    assert found.problems == [] and "decoded again by" in found.seals[0].trail[0]


def test_a_merged_log_keeps_its_seals(log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    head = damage(log).seals[0].head
    other = filled(tmp_path / "other.db", monkeypatch)
    with open_database(other) as connection:
        connection.execute("UPDATE run SET uid = 'two'")
        connection.execute("DELETE FROM seal")
        sealer = seal.Sealer.of(connection, 1, 1)
        sealer.link(connection, sealer.end(connection), force=True)
    merge([other, log], tmp_path / "all.db")
    found = damage(tmp_path / "all.db")
    assert found.problems == [] and len(found.seals) == 2
    assert head in found.seals[1].same and found.seals[1].trail[0].endswith(f"; the seal was {head}")


def test_a_run_that_was_cut_off_and_continued_has_one_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = filled(tmp_path / "x.db", monkeypatch, ended=False)
    monkeypatch.setattr(seal, "EVERY_S", 1e9)
    writer = BatchWriter(path, facts())
    writer.write([Frame(10**11, "a", "climate", CLIMATE)], [])
    writer.close()  # nothing seals that frame
    assert damage(path).seals[0].unsealed == 1
    writer = BatchWriter(path, facts())
    writer.write([Frame(10**11 + 1, "a", "climate", CLIMATE)], [LinkEvent.of(1, "b", EventKind.READY)], (10**12, "end"))
    writer.close()
    found = damage(path)
    assert found.problems == [] and found.seals[0].unsealed == 0 and found.seals[0].links >= 11


WRITES = """
import sys, time
from pathlib import Path
from gateway.log import notes, seal
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.records import Frame
from gateway.plugin import find_plugin, load_plugin_text
seal.EVERY_S = 0.2
writer = LogWriter(Path(sys.argv[1]), RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
n = 0
while True:
    for _ in range(200):
        writer.frame(Frame(n, "a", "climate", bytes.fromhex("01006e098813cd8b01")))
        n += 1
    print(n, flush=True)
    time.sleep(0.05)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_killed_process_leaves_a_sound_seal(tmp_path: Path) -> None:
    command = [sys.executable, "-c", textwrap.dedent(WRITES), str(tmp_path / "x.db")]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as child:
        assert child.stdout is not None
        for _ in range(40):
            child.stdout.readline()
        child.send_signal(signal.SIGKILL)
    found = damage(tmp_path / "x.db")
    assert found.problems == [] and found.seals[0].links > 2


def test_show_verify_tells_the_seal_or_what_is_wrong(log: Path, tmp_path: Path) -> None:
    good = gattest("show", str(log), "--verify", cwd=tmp_path)
    assert good.returncode == 0 and "no problems" in good.stdout and "seal " in good.stdout
    shutil.copy(log, tmp_path / "y.db")
    changed(tmp_path / "y.db", "UPDATE loan_crate_climate SET temperature_degC = 20.0 WHERE id = 2")
    bad = gattest("show", "y.db", "--verify", cwd=tmp_path)
    assert bad.returncode == 2 and "b climate frame 2: temperature_degC is 20.0" in bad.stderr


def test_a_node_whose_name_is_no_text_is_told_of(log: Path, tmp_path: Path) -> None:
    changed(log, "UPDATE node SET name = x'ff' WHERE id = 1")
    bad = gattest("show", str(log), "--verify", cwd=tmp_path)
    assert bad.returncode == 2 and "holds what no log writes" in bad.stderr


def noted(path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run during which three notes were written down, each sealed with the next batch."""
    monkeypatch.setattr(seal, "EVERY_S", 0.0)
    writer = BatchWriter(path, facts())
    for number, text in enumerate(("heater on", "lid open", "lid closed")):
        add_note(path, Note(number * 10**9, "one", text, "who"))
        writer.write([Frame(number * 10**9, "a", "climate", CLIMATE)] if number != 1 else [], [])
    writer.write([], [], (10**10, "test"))
    writer.close()
    return path


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("", "", None),
        ("lid open", "lid shut", "note 2 ('lid shut') is not as it was written"),
        ('"t_ns": 1000000000', '"t_ns": 1000000001', "note 2 ('lid open') is not as it was written"),
        ('"by": "who"', '"by": "nobody"', "note 1 ('heater on') is not as it was written"),
    ],
)
def test_notes_are_entries_of_the_chain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: str, after: str, told: str | None
) -> None:
    log = noted(tmp_path / "x.db", monkeypatch)
    assert len(damage(log).seals[0].notes) >= 3
    notes_path(log).write_text(notes_path(log).read_text("utf-8").replace(before, after, 1), "utf-8")
    problems = damage(log).problems
    assert problems == [] if told is None else any(told in line for line in problems), problems


@pytest.mark.parametrize("kept", [[0, 1], [0, 2], [1, 2], [0]], ids=str)
def test_a_note_that_was_removed_or_put_in_anew_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept: list[int]
) -> None:
    log = noted(tmp_path / "x.db", monkeypatch)
    notes = notes_of(log)
    notes_path(log).unlink()
    for place in kept:
        add_note(log, notes[place])
    assert any("of the notes that were sealed are not in x.db.notes.jsonl" in line for line in damage(log).problems)


def test_notes_that_are_not_beside_a_log_are_told_and_later_ones_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = noted(tmp_path / "x.db", monkeypatch)
    add_note(log, Note(10**11, "one", "taken down", "who"))
    behind = "notes that no seal holds: 1"
    assert damage(log).problems == [] and damage(log).unchecked == [behind]
    notes_path(log).rename(tmp_path / "elsewhere")
    assert damage(log).problems == []
    assert damage(log).unchecked == [f"3 notes were sealed, and {notes_path(log)} is not there"]


def test_notes_go_along_when_logs_are_merged_and_are_sealed_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = noted(tmp_path / "x.db", monkeypatch), filled(tmp_path / "y.db", monkeypatch)
    with open_database(second) as connection:
        connection.execute("UPDATE run SET uid = 'two'")
        connection.execute("DELETE FROM seal")
        sealer = seal.Sealer.of(connection, 1, 1)
        sealer.link(connection, sealer.end(connection), force=True)
    add_note(first, Note(10**11, "one", "taken down", "who"))
    add_note(second, Note(5, "two", "lid open", "who"))
    whole = tmp_path / "all.db"
    for _ in range(2):  # the second time changes nothing
        merge([first, second], whole)
        assert notes_of(whole) == sorted([*notes_of(first), *notes_of(second)], key=lambda note: note.t_ns)
        assert damage(whole).problems == [] and damage(whole).unchecked == []
        assert [one.trail[0].rpartition(" by ")[0][22:] for one in damage(whole).seals] == [
            "merged from x.db",
            "merged from y.db",
        ]
    add_note(whole, Note(10**12, "two", "done", "who"))
    assert damage(whole).problems == []
    notes_path(whole).write_text(notes_path(whole).read_text("utf-8").replace("taken down", "not taken down"), "utf-8")
    assert damage(whole).problems[0].startswith("note 4 ('not taken down') is not as it was written")


def test_merging_seals_nothing_that_was_added_to_a_run_that_has_ended(log: Path, tmp_path: Path) -> None:
    changed(log, "UPDATE run SET title = 'another'")
    changed(log, "INSERT INTO event (run, t_ns, kind, detail) VALUES (1, 5, 'ready', '{}')")
    before = damage(log).problems
    merge([log], tmp_path / "all.db")
    assert len(before) == 2 and damage(tmp_path / "all.db").problems == before


def forged(log: Path, **told: object) -> None:
    """A line at the beginning of a log's notes."""
    line = {"t_ns": 5, "run": "one", "text": "lid closed all the time", "by": "who"} | told
    path = notes_path(log)
    path.write_text(json.dumps(line) + "\n" + path.read_text("utf-8"), "utf-8")


def test_notes_put_in_in_front_of_sealed_ones_are_in_no_seal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = noted(tmp_path / "x.db", monkeypatch)
    note = Note(5, "one", "lid closed all the time", "who")
    forged(log, before="", digest=notes._digest("", note))
    assert damage(log).problems == [] and damage(log).unchecked == ["notes that no seal holds: 1"]
    first = json.loads(notes_path(log).read_text("utf-8").splitlines()[1])["digest"]
    with notes_path(log).open("a", encoding="utf-8") as file:  # a branch
        told = {"t_ns": 5, "run": "one", "text": note.text, "by": "who"}
        file.write(json.dumps(told | {"before": first, "digest": notes._digest(first, note)}) + "\n")
    assert damage(log).problems == [] and damage(log).unchecked == ["notes that no seal holds: 2"]
    with notes_path(log).open("a", encoding="utf-8") as file:
        file.write(json.dumps(told) + "\n")
        file.write(json.dumps(told | {"before": first, "digest": notes._digest(first, note)}) + "\n")
    assert [line.partition(") ")[2] for line in damage(log).problems] == [
        "has no digest, and one before it has",
        "stands there twice",
    ]


@pytest.mark.parametrize(
    "odd", [{"before": []}, {"before": {}}, {"text": "\ud800"}, {"t_ns": "x"}, {"digest": 5}], ids=str
)
def test_lines_that_are_no_notes_are_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, odd: dict[str, object]
) -> None:
    log = noted(tmp_path / "x.db", monkeypatch)
    forged(log, **odd)
    assert len(notes_of(log)) == 3 and damage(log).problems == []
    merge([log], tmp_path / "all.db")
    assert len(notes_of(tmp_path / "all.db")) == 3


def test_a_note_with_half_a_character_is_refused(log: Path) -> None:
    with pytest.raises(InputError, match="half a character"):
        add_note(log, Note(1, "one", "a\ud800b", "who"))


def test_a_line_that_was_broken_off_costs_the_next_note_nothing(tmp_path: Path, log: Path) -> None:
    notes_path(log).write_text('{"t_ns": 9, "run": "on')
    add_note(log, Note(10, "one", "heater on", "who"))
    assert [note.text for note in notes_of(log)] == ["heater on"] and damage(log).problems == []


def test_what_values_were_decoded_by_before_is_sealed_when_they_are_decoded_again(log: Path, tmp_path: Path) -> None:
    kind = find_plugin("loan-crate")
    other = load_plugin_text(kind.text.replace('title = "', 'title = "Another ', 1), "other")
    redecode(log, {kind.kind: other}, lambda done, whole: None)
    assert damage(log).problems == []
    shutil.copy(log, tmp_path / "y.db")
    told = "what its values were decoded by before is not what stood there"
    assert any(told in line for line in changed(log, "UPDATE former_plugin SET text = 'changed'"))
    assert any(told in line for line in changed(tmp_path / "y.db", "DELETE FROM former_plugin"))


def test_notes_written_at_the_same_time_make_one_chain(tmp_path: Path, log: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda number: add_note(log, Note(number, "one", f"note {number}", "who")), range(24)))
    assert sorted(note.t_ns for note in notes_of(log)) == list(range(24)) and damage(log).problems == []
