"""Captures: a run, written down and replayed, gives the run's figures; what is damaged is read as far as it goes."""

from __future__ import annotations

import gzip
import random
import sqlite3
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.app.extract import records_of
from gateway.app.replay import Replayed, replay_capture
from gateway.capture import Header, Record, TextCapture, TextWriter, write_capture
from gateway.capture.text import parse_line, record_line
from gateway.config import load_run
from gateway.log.reader import Log
from gateway.model.errors import InputError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.model.utc import utc_ns, utc_text
from gateway.plugin import find_plugin
from tests.support import figures, open_database, run_bench, run_file, verdicts_of

CRATE = find_plugin("loan-crate")
NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,9}", fullmatch=True)
TIMES = st.integers(0, 4_000_000_000_000_000_000)
FRAMES = st.builds(Frame, TIMES, NAMES, NAMES, st.binary(max_size=512))
DETAILS = st.dictionaries(
    st.text(max_size=8), st.none() | st.booleans() | st.integers(-9, 9) | st.text(max_size=9), max_size=3
)
EVENTS = st.builds(LinkEvent.of, TIMES, st.none() | NAMES, st.sampled_from(EventKind), DETAILS)

RUN = """
[run]
title = "t"
radio = "virtual"

[air]
packet_errors = "3 percent"
supervision_timeout = "400 ms"

[node.a]
plugin = "loan-crate"
find = { name = "A" }
silent_after = "5 s"
sensor = { climate = { period = "200 ms" }, shock = { period = "100 ms" } }

[node.g]
plugin = "bore-gauge"
find = { name = "G" }
sensor = { gauge = { period = "1 s" } }
poll = { reading = "500 ms", battery = "10 s" }

[twin.a]
faults = { lose = "5 percent", drop_link_every = "20 s", wrong_length_every = 31 }

[spec.loan-crate.climate]
rate = { min = "1 /s" }
loss = { max = "50 percent" }
"""


def put(capture: Path, log: Path, **changed: object) -> Replayed:
    arguments = {
        "plugins": {"loan-crate": CRATE, "bore-gauge": find_plugin("bore-gauge")},
        "only": CRATE,
        "spec": None,
    } | changed
    with TextCapture(capture) as source:
        return replay_capture(source, log, on_view=None, pace=None, **arguments)  # type: ignore[arg-type]


def records_in(path: Path) -> list[Record]:
    with TextCapture(path) as capture:
        return list(capture.records())


@given(FRAMES | EVENTS)
def test_any_record_survives_its_line(record: Record) -> None:
    assert parse_line(record_line(record)) == record


@given(TIMES)
def test_any_time_survives_its_text(t_ns: int) -> None:
    assert utc_ns(utc_text(t_ns)) == t_ns


@pytest.mark.parametrize(
    "line",
    [
        "2026-03-02T09:00:00Z a",
        "2026-03-02T09:00:00 a climate 00",
        "2026-03-02T09:00:00.1234567890Z a climate 00",
        "2026-03-02T09:00:00.٣Z a climate 00",
        "yesterday a climate 00",
        "2026-03-02T09:00:00Z a climate 0",
        "2026-03-02T09:00:00Z a climate zz",
        "2026-03-02T09:00:00Z a !exploded {}",
        "2026-03-02T09:00:00Z a !lost [1]",
        "2026-03-02T09:00:00Z a !lost {",
        "2026-03-02T09:00:00Z a !lost " + "[" * 20000,
    ],
)
def test_a_line_that_is_no_record_is_refused(line: str) -> None:
    with pytest.raises(ValueError):
        parse_line(line)


@pytest.mark.parametrize("ending", ["", ".gz", ".zst"])
def test_a_capture_is_written_whole_and_read_back(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"x.capture{ending}"
    header = Header("invented", "loan-crate", "two crates", {"b": "bore-gauge"}, 17, 10**9)
    records: list[Record] = [
        Frame(20, "a", "climate", b"\x01"),
        LinkEvent.of(30, None, EventKind.RADIO, {"reason": "ä"}),
    ]
    write_capture(path, header, records, (40, "duration reached"))
    with TextCapture(path) as capture:
        assert capture.header == header
        assert list(capture.records()) == records
        assert capture.ended == (40, "duration reached")
    assert not list(tmp_path.glob("*.part"))


def test_what_stands_under_the_name_is_always_whole(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    writer = TextWriter(path, Header())
    writer.write([Frame(20, "a", "climate", b"\x01")])
    writer.flush()
    assert not path.exists() and records_in(tmp_path / "x.capture.part") == [Frame(20, "a", "climate", b"\x01")]
    writer.close()
    assert path.exists()


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A minute of a faulty crate and a polled gauge: its log, and its capture."""
    folder = tmp_path_factory.mktemp("recorded")
    log, capture = folder / "run.db", folder / "run.capture"
    run_bench(run_file(folder, RUN), log, 60)
    with Log(log) as opened:
        info = opened.run()
        header, records = records_of(opened, info, (), (), None, None)
        write_capture(capture, header, records, (info.end_ns, info.ended_how))
    return log, capture


def test_a_replay_gives_the_figures_of_the_run_exactly(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    log, capture = recorded
    done = put(capture, tmp_path / "again.db", spec=load_run(log.with_name("run.toml")))
    assert not done.trouble.counts
    before = figures(log)
    assert before["a", "link", "disconnects"].value and before["a", "climate", "loss"].value
    assert figures(tmp_path / "again.db") == before
    assert (
        verdicts_of(tmp_path / "again.db", None, None)[1]
        == verdicts_of(log, None, load_run(log.with_name("run.toml")))[1]
    )


def test_a_replay_keeps_every_byte_and_every_decoded_value(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    log, capture = recorded
    put(capture, tmp_path / "again.db")
    for relation in ("loan_crate_climate", "loan_crate_shock", "bore_gauge_reading", "bore_gauge_calibration"):
        with open_database(log) as a, open_database(tmp_path / "again.db") as b:
            columns = [row[1] for row in a.execute(f"PRAGMA table_info({relation})") if row[1] not in ("id", "node")]
            sql = f"SELECT {', '.join(columns)} FROM {relation} ORDER BY t_ns"
            assert (found := a.execute(sql).fetchall()) and found == b.execute(sql).fetchall()


def test_extracting_a_replay_gives_the_same_capture(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    _, capture = recorded
    put(capture, tmp_path / "again.db")
    with Log(tmp_path / "again.db") as opened:
        info = opened.run()
        header, records = records_of(opened, info, (), (), None, None)
        write_capture(tmp_path / "again.capture", header, records, (info.end_ns, info.ended_how))
    assert (tmp_path / "again.capture").read_text() == capture.read_text()


def test_a_part_of_a_log_can_be_judged_by_itself(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """Ten seconds of one channel: what was linked before is told at its start, constants come along."""
    log, _ = recorded
    with Log(log) as opened:
        info = opened.run()
        start = info.started_ns + 25 * 10**9
        header, records = records_of(opened, info, ["g"], ["reading"], start, start + 10 * 10**9)
        write_capture(tmp_path / "part.capture", header, records, (start + 10 * 10**9, "cut out"))
    put(tmp_path / "part.capture", tmp_path / "part.db")
    assert figures(tmp_path / "part.db")["g", "reading", "rate"].value == pytest.approx(2, rel=0.1)
    with open_database(tmp_path / "part.db") as connection:
        assert connection.execute("SELECT count(*) FROM bore_gauge_reading WHERE level_m IS NULL").fetchone() == (0,)


def test_an_unknown_channel_or_node_is_named(recorded: tuple[Path, Path]) -> None:
    with Log(recorded[0]) as opened:
        with pytest.raises(InputError, match="no node 'x'; it has a, g"):
            records_of(opened, opened.run(), ["x"], [], None, None)
        with pytest.raises(InputError, match="no channel 'climat'"):
            records_of(opened, opened.run(), ["a"], ["climat"], None, None)


def test_what_no_plugin_keeps_is_left_out_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    frames: list[Record] = [
        Frame(1, "a", "climate", bytes(9)),
        Frame(2, "a", "colour", b"\x01"),
        Frame(3, "b", "x", b"\x01"),
    ]
    write_capture(path, Header("invented", "", "t", {"a": "loan-crate", "b": "unheard-of"}), frames, None)
    done = put(path, tmp_path / "x.db")
    assert done.frames == 1
    assert list(done.trouble.counts) == [
        "value of a colour, which its plugin does not declare",
        "record of b, which has no known plugin",
    ]


SMALL = "# gattest capture 1\n# origin: invented\n" + "".join(
    record_line(record)
    for record in (
        LinkEvent.of(10**9, "a", EventKind.READY, {}),
        *(Frame(10**9 * i, "a", "climate", bytes([i, 0, *CLIMATE])) for i, CLIMATE in enumerate([bytes(7)] * 20, 2)),
        LinkEvent.of(30 * 10**9, "a", EventKind.LOST, {"reason": "gone"}),
    )
)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(SMALL)), st.binary(max_size=40))
def test_a_capture_cut_off_anywhere_with_garbage_in_it_is_read_as_far_as_it_goes(
    tmp_path_factory: pytest.TempPathFactory, place: int, garbage: bytes
) -> None:
    folder = tmp_path_factory.mktemp("cut")
    path = folder / "x.capture"
    data = SMALL.encode()
    path.write_bytes(data[:place] + garbage + b"\n" + data[place:])
    try:
        done = put(path, folder / "x.db")
    except InputError:
        assert place <= len(SMALL.splitlines()[0])
        return
    assert done.frames >= 18 or place < SMALL.index("\n", 30)


@pytest.mark.parametrize("ending", [".gz", ".zst"])
def test_a_compressed_capture_that_is_cut_off_gives_what_is_there(tmp_path: Path, ending: str) -> None:
    chance = random.Random(1)
    frames = (Frame(10**9 * i, "a", "climate", chance.randbytes(9)) for i in range(20_000))
    text = (SMALL + "".join(map(record_line, frames))).encode()
    packed = gzip.compress(text) if ending == ".gz" else zstandard.ZstdCompressor().compress(text)
    path = tmp_path / f"x.capture{ending}"
    path.write_bytes(packed[: len(packed) * 3 // 4])
    done = put(path, tmp_path / "x.db")
    assert 10_000 < done.frames < 20_000 and done.trouble.counts


def test_a_line_without_end_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    path.write_bytes(b"# gattest capture 1\n" + b"f" * 3_000_000 + b"\n" + SMALL.splitlines()[3].encode() + b"\n")
    done = put(path, tmp_path / "x.db")
    assert done.frames == 1 and "line longer than 65536 bytes" in done.trouble.counts


def test_times_that_run_backwards_do_not_end_a_replay(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    frames: list[Record] = [Frame(t, "a", "climate", bytes(9)) for t in (5, 3, 10**18, 1)]
    write_capture(path, Header(plugin="loan-crate"), frames, None)
    assert put(path, tmp_path / "x.db").frames == 4
    assert figures(tmp_path / "x.db")["a", "climate", "decode_errors"].value == 0


@pytest.mark.parametrize("moment", ["9999-01-01T00:00:00Z", "0001-01-01T00:00:00Z"])
def test_a_time_beyond_64_bits_of_nanoseconds_is_no_record(tmp_path: Path, moment: str) -> None:
    path = tmp_path / "x.capture"
    path.write_text(SMALL + f"{moment} a climate 00\n# ended: {moment} whenever\n")
    done = put(path, tmp_path / "x.db")
    assert done.frames == 20 and done.trouble.counts == {"line that is not a record": 1}
    for line in (
        f"# started: {moment}",
        "# planned: 99999999999999999999999 ns",
        "# planned: -5 ns",
        "# planned: soon",
    ):
        path.write_text(f"# gattest capture 1\n{line}\n")
        with pytest.raises(InputError):
            TextCapture(path)


def test_events_without_details_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    events_ = "".join(f"2026-01-01T00:00:00Z a !{kind.value.replace(' ', '-')}\n" for kind in EventKind)
    path.write_text("# gattest capture 1\n# plugin: loan-crate\n" + events_ + "2026-01-01T00:00:01Z a climate 00\n")
    put(path, tmp_path / "x.db")
    figures(tmp_path / "x.db")
    with Log(tmp_path / "x.db") as opened:
        assert len(list(records_of(opened, opened.run(), (), ("climate",), None, None)[1])) == len(EventKind) + 1


def test_a_disk_that_fills_up_during_a_replay_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rest goes into a second log, as in a run."""
    from gateway.log import batch

    monkeypatch.setattr(batch, "PATIENCE_S", 0.0)
    monkeypatch.setattr("gateway.app.replay.BATCH_RECORDS", 5)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    real, calls = batch.BatchWriter._write, []

    def refuse_once(self: batch.BatchWriter, *arguments: object) -> None:
        calls.append(self.path.name)
        if len(calls) == 2:
            raise sqlite3.OperationalError("database or disk is full")
        real(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(batch.BatchWriter, "_write", refuse_once)
    path = tmp_path / "x.capture"
    path.write_text(SMALL)
    done = put(path, tmp_path / "x.db")
    (rest,) = tmp_path.glob("x-rest-*.db")
    kept = []
    for log in (tmp_path / "x.db", rest):
        with open_database(log) as connection:
            kept.append(connection.execute("SELECT count(*) FROM loan_crate_climate").fetchone()[0])
    assert sum(kept) == 20 and all(kept) and str(rest) in done.failed


def test_a_replay_is_judged_by_the_plugins_own_spec_where_no_run_file_is_given(tmp_path: Path) -> None:
    from gateway import find_plugin, replay
    from gateway.plugin import load_plugin
    from tests.support import plugin_folder

    text = find_plugin("loan-crate").text + '\n[spec.climate]\nrate = { min = "50 /s" }\n'
    plugin = load_plugin(plugin_folder(tmp_path, text, "loan-crate"))
    lines = "".join(f"2026-01-01T00:00:{n:02d}Z a climate {n:02x}00 6e09 8813 cd8b01\n" for n in range(1, 59))
    for number, head in enumerate(("# node: a loan-crate\n", "")):  # named from the start, or met on the way
        path = tmp_path / f"{number}.capture"
        path.write_text(f"# gattest capture 1\n{head}2026-01-01T00:00:00Z a !ready\n{lines}")
        found = replay(path, tmp_path / f"{number}.db", plugin=plugin)
        assert [(v.measure.name, v.outcome.value) for v in found.judged.verdicts] == [("rate", "fail")]
