"""Figures from logs whose truth is known by construction."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.analysis.judge import judge
from gateway.analysis.measure.came import Arrivals, Content
from gateway.analysis.measure.channel import measure_channel
from gateway.analysis.measure.link import interval_s as interval_s_of
from gateway.analysis.measure.link import link_history, measure_link, reported_interval
from gateway.log.info import ChannelInfo, FieldInfo, NodeInfo
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame, Measure, Outcome
from gateway.plugin import find_plugin
from tests.support import figures, own_plugin

SECOND = 10**9


def climate(sequence: int, temperature: float = 20.0) -> bytes:
    return struct.pack("<HhH", sequence & 0xFFFF, round(temperature * 100), 5000) + (100_000).to_bytes(3, "little")


def log_of(path: Path, frames: list[Frame], spans: list[tuple[float, float]], end_s: float) -> dict[str, Measure]:
    """The climate figures of a run from 0 to ``end_s`` whose link was up in ``spans`` (seconds)."""
    writer = LogWriter(path, RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    for start, end in spans:
        writer.event(LinkEvent.of(round(start * SECOND), "a", EventKind.READY))
        if end < end_s:
            writer.event(LinkEvent.of(round(end * SECOND), "a", EventKind.LOST, {"reason": "test"}))
    for frame in frames:
        writer.frame(frame)
    writer.close(round(end_s * SECOND), "test")
    return {name: m for (_, subject, name), m in figures(path).items() if subject in ("climate", "link")}


def steady(sequence: Callable[[int], int], count: int, period_s: float = 0.1, start_s: float = 0.0) -> list[Frame]:
    return [Frame(round((start_s + i * period_s) * SECOND), "a", "climate", climate(sequence(i))) for i in range(count)]


def test_rate_counts_over_the_time_linked_and_over_the_whole_run(tmp_path: Path) -> None:
    found = log_of(tmp_path / "x.db", steady(lambda i: i, 100, 0.1), [(0, 10)], 20)
    assert found["rate"].value == pytest.approx(10)
    assert found["rate_whole_run"].value == pytest.approx(5)
    assert found["connected"].value == pytest.approx(50)
    assert found["disconnects"].value == 1


def test_gaps_are_those_inside_a_link(tmp_path: Path) -> None:
    frames = steady(lambda i: i, 50, 0.1) + steady(lambda i: 50 + i, 50, 0.1, start_s=60)
    found = log_of(tmp_path / "x.db", frames, [(0, 5), (60, 65)], 65)
    assert found["gap_median"].value == pytest.approx(0.1)
    assert found["gap_longest"].value == pytest.approx(0.1)
    assert found["reconnect_time_longest"].value == pytest.approx(55)


def test_the_longest_gap_includes_a_link_that_stays_silent(tmp_path: Path) -> None:
    found = log_of(tmp_path / "x.db", steady(lambda i: i, 50, 0.1), [(0, 30)], 30)
    assert found["gap_longest"].value == pytest.approx(30 - 4.9)


@pytest.mark.parametrize(
    "stall", [(2.0, 5.5), (-1.0, 2.5), (7.0, 11.0)], ids=["within", "before the first", "at the end"]
)
def test_silence_while_the_machine_stood_still_is_not_the_nodes(tmp_path: Path, stall: tuple[float, float]) -> None:
    """The values that waited are stamped in the moment it runs again, one of them before it is told."""
    still, again = stall
    frames = [f for f in steady(lambda i: i, 100, 0.1) if not still + 0.25 < f.t_ns / SECOND < again - 0.01]
    writer = LogWriter(
        tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    )
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    writer.event(LinkEvent.of(round(again * SECOND), "", EventKind.HOST_STALL, {"span_s": again - still}))
    for frame in [
        *frames,
        *([Frame(round((again - 0.005) * SECOND), "a", "climate", climate(0))] if again < 10 else []),
    ]:
        writer.frame(frame)
    writer.close(round(max(again, 10) * SECOND), "test")
    found = {name: m.value for (_, subject, name), m in figures(tmp_path / "x.db").items() if subject == "climate"}
    assert found["gap_longest"] == pytest.approx(0.1, abs=0.02)


def test_a_node_that_fell_silent_is_not_excused_by_a_moment_in_which_the_machine_stood_still(tmp_path: Path) -> None:
    kind = find_plugin("loan-crate")
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (kind, "A")}))
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    for frame in steady(lambda i: i, 30, 0.1):
        writer.frame(frame)
    writer.event(LinkEvent.of(6 * SECOND, "", EventKind.HOST_STALL, {"span_s": 1.0}))
    writer.close(30 * SECOND, "test")
    assert figures(tmp_path / "x.db")["a", "climate", "gap_longest"].value == pytest.approx(30 - 2.9 - 1)


def test_a_link_still_away_at_the_end_counts_as_it_stands(tmp_path: Path) -> None:
    found = log_of(tmp_path / "x.db", steady(lambda i: i, 50), [(0, 5)], 100)
    assert found["reconnect_time_longest"].value == pytest.approx(95)
    assert found["reconnect_time_median"].value is None


@pytest.mark.parametrize(
    ("sequences", "lost", "duplicates", "reordered"),
    [
        ([0, 1, 2, 3], 0, 0, 0),
        ([0, 1, 4, 5], 2, 0, 0),
        ([65534, 65535, 0, 1], 0, 0, 0),
        ([65534, 1], 2, 0, 0),
        ([5, 5, 6], 0, 1, 0),
        ([500, 501, 0, 1], 0, 0, 0),  # a restart, not 65035 lost values
        ([5, 7, 6, 8], 0, 0, 1),  # 6 seemed missing, and came late
        ([5, 8, 6, 9], 1, 0, 1),
        ([65535, 1, 0, 2], 0, 0, 1),
        ([5, 4, 6, 8], 1, 0, 1),  # 4 had not been awaited: it takes no loss away
        ([5, 6, 7, 6, 8, 10], 1, 1, 0),  # 6 came twice
    ],
)
def test_loss_by_the_sequence_counter(
    tmp_path: Path, sequences: list[int], lost: int, duplicates: int, reordered: int
) -> None:
    found = log_of(tmp_path / "x.db", steady(lambda i: sequences[i], len(sequences)), [(0, 10)], 10)
    assert found["loss"].n == len(sequences) + lost
    assert found["loss"].value == pytest.approx(100 * lost / (len(sequences) + lost))
    assert found["duplicates"].value == duplicates
    assert found["reordered"].value == reordered


def test_a_loss_longer_than_half_the_counter_is_told_from_a_restart_by_its_time(tmp_path: Path) -> None:
    """The shock counter has 8 bits: 140 in a row, and two whole turns."""
    for missing in (140, 600):
        numbers = [*range(50), *range(50 + missing, 100 + missing)]
        frames = [Frame(n * SECOND // 10, "a", "shock", bytes([n & 0xFF])) for n in numbers]
        path = tmp_path / f"{missing}.db"
        log_of(path, frames, [(0, 200)], 200)
        found = figures(path)["a", "shock", "loss"]
        assert found.n == 100 + missing and found.value == pytest.approx(100 * missing / (100 + missing))


def test_what_was_missed_while_the_link_was_down_is_not_loss(tmp_path: Path) -> None:
    frames = steady(lambda i: i, 10) + steady(lambda i: 500 + i, 10, start_s=20)
    assert log_of(tmp_path / "x.db", frames, [(0, 5), (20, 25)], 25)["loss"].value == 0


def test_an_undecodable_payload_is_no_loss(tmp_path: Path) -> None:
    frames = steady(lambda i: i, 10)
    frames[4] = frames[4]._replace(raw=b"short")
    found = log_of(tmp_path / "x.db", frames, [(0, 10)], 10)
    assert (found["decode_errors"].value, found["loss"].value) == (1, 0)


def test_values_outside_limits_are_counted(tmp_path: Path) -> None:
    frames = [Frame(i * SECOND, "a", "climate", climate(i, t)) for i, t in enumerate([20, -41, 86, 85, -40])]
    assert log_of(tmp_path / "x.db", frames, [(0, 10)], 10)["outside_limits"].value == 2


def test_fields_without_a_reading_are_counted(tmp_path: Path) -> None:
    frames = [Frame(i * SECOND, "a", "climate", climate(i, -327.68 if i % 4 == 0 else 20)) for i in range(40)]
    assert log_of(tmp_path / "x.db", frames, [(0, 50)], 50)["no_reading"].value == 25


def test_samples_without_a_reading_count_and_absent_fields_do_not(tmp_path: Path) -> None:
    fields = """
fields = [{ name = "kind", type = "uint8" }, { name = "t", type = "uint8", when = "kind == 1" }]
samples = { fields = [{ name = "v", type = "uint8", reserved = { 255 = "none" } }] }
"""
    plugin = own_plugin(tmp_path, fields)
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for raw in (b"\x02\x01", b"\x02\xff", b"\x01\x05\x01", b"\x02\x01\xff\xff"):
        writer.frame(Frame(1, "a", "c", raw))
    writer.close(SECOND, "test")
    assert figures(tmp_path / "x.db")["a", "c", "no_reading"].value == 50


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 65535), st.lists(st.integers(1, 200), min_size=1, max_size=40))
def test_loss_is_exact_whatever_the_start_and_the_wraps(start: int, steps: list[int]) -> None:
    import tempfile

    numbers = [start]
    for step in steps:
        numbers.append(numbers[-1] + step)
    with tempfile.TemporaryDirectory() as folder:
        found = log_of(Path(folder) / "x.db", steady(lambda i: numbers[i], len(numbers)), [(0, 100)], 100)
    lost = sum(step - 1 for step in steps)
    assert found["loss"].value == pytest.approx(100 * lost / (lost + len(numbers)))


def test_history_of_an_interrupted_run_ends_with_its_last_record() -> None:
    history = link_history([LinkEvent.of(10, "a", EventKind.READY)], 0, 50)
    assert history.spans == ((10, 50),)


CHANNEL = ChannelInfo(
    "crate_climate",
    None,
    "climate",
    "",
    (FieldInfo("sequence", "sequence", "", None, None, "sequence", 16, False),),
    (),
)


def simulated(
    chance: np.random.Generator, loss: float, period_s: float, count: int, bursty: bool
) -> dict[str, Measure]:
    """The figures of a node that sends on its period with jitter, over a link that loses values, at times in a row."""
    t_s = np.arange(count) * period_s + chance.normal(0, period_s / 20, count)
    kept = chance.random(count) >= loss
    if bursty:  # every value lost takes its neighbour with it: the same share in half as many events
        kept = np.repeat(chance.random(count // 2) >= loss, 2)
    counts = np.arange(count) & 0xFFFF
    history = link_history([LinkEvent.of(0, "a", EventKind.READY)], 0, round(count * period_s * SECOND))
    came = Arrivals((t_s[kept] * SECOND).astype(np.int64), counts[kept].astype(np.int64))
    found = measure_channel(NodeInfo(1, "a", "crate", (CHANNEL,)), CHANNEL, history, came, Content(0, 0, 0))
    return {measure.name: measure for measure in found}


def inside(measure: Measure, truth: float) -> bool:
    return (measure.low is None or measure.low <= truth) and (measure.high is None or truth <= measure.high)


@pytest.mark.parametrize("loss", [0.0, 0.01, 0.1])
@pytest.mark.parametrize("period_s", [0.05, 1.0])
def test_the_truth_lies_within_the_bounds_in_95_percent_of_200_trials(loss: float, period_s: float) -> None:
    """Loss and rate of simulated nodes whose period is a little off."""
    chance = np.random.default_rng(11)
    within = {"loss": 0, "rate": 0}
    for _ in range(200):
        true_period = period_s * chance.uniform(0.98, 1.02)
        found = simulated(chance, loss, true_period, 4000, bursty=False)
        within["loss"] += inside(found["loss"], 100 * loss)
        within["rate"] += inside(found["rate"], (1 - loss) / true_period)
    assert min(within.values()) >= 190, within


def test_rate_bounds_allow_for_losses_in_a_row() -> None:
    chance = np.random.default_rng(12)
    within = sum(inside(simulated(chance, 0.1, 0.1, 4000, bursty=True)["rate"], 9.0) for _ in range(200))
    assert within >= 186


def test_without_a_counter_loss_is_estimated_from_the_pace(tmp_path: Path) -> None:
    plugin = own_plugin(tmp_path, 'fields = [{ name = "v", type = "uint8" }]\n')
    writer = LogWriter(tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    chance = np.random.default_rng(5)
    missing = {7, 8, 30, 55, 56, 57}
    for i in range(100):
        if i not in missing:
            writer.frame(Frame(round((i + 0.1 * chance.random()) * SECOND), "a", "c", b"\x01"))
    writer.close(100 * SECOND, "test")
    found = figures(tmp_path / "x.db")
    assert found["a", "c", "loss_estimated"].value == pytest.approx(6)
    assert ("a", "c", "loss") not in found


@pytest.mark.parametrize("share", [0.0, 0.02, 0.2])
@pytest.mark.parametrize("period_s", [0.1, 1.0])
def test_an_estimated_loss_lies_within_its_bounds_where_the_pace_is_steady(
    tmp_path: Path, share: float, period_s: float
) -> None:
    chance = np.random.default_rng(6)
    within = 0
    for trial in range(20):
        sent = np.ceil(np.arange(1500) * period_s / 0.03) * 0.03 + 0.001 * chance.random(1500)
        kept = chance.random(1500) >= share
        frames = [(float(t), b"\x01") for t in sent[kept] + 0.1]
        found = own_log(tmp_path / str(trial), PLAIN, frames, [READY, INTERVAL], frames[-1][0] + 0.1)["loss_estimated"]
        assert found.value is not None and found.low is not None and found.high is not None
        within += found.low <= 100 * share <= found.high
        assert found.high - found.low < (0.5 if not share else 2 if share < 0.1 else 8)
    assert within >= 18


@pytest.mark.parametrize("kind", ["at random", "three a connection interval", "on demand"])
def test_without_a_steady_pace_no_loss_is_estimated(tmp_path: Path, kind: str) -> None:
    """A true loss of 2 % was told as none where three come in an interval, and as 68 % where none was lost."""
    chance = np.random.default_rng(7)
    times = {
        "at random": np.cumsum(chance.exponential(5.0, 500)),
        "three a connection interval": np.ceil(np.arange(3000) * 0.01 / 0.03) * 0.03
        + np.tile([0, 0.0007, 0.0014], 1000),
        "on demand": np.cumsum(chance.choice([1.0, 7.0, 13.0], 500)),
    }[kind]
    frames = [(float(t) + 0.1, b"\x01") for t in np.sort(times)]
    found = own_log(tmp_path, PLAIN, frames, [READY, INTERVAL], frames[-1][0] + 0.1)
    assert found["loss_estimated"].value is None


def test_a_channel_with_a_counter_needs_no_estimate(tmp_path: Path) -> None:
    found = log_of(tmp_path / "x.db", steady(lambda i: i, 100, 0.1), [(0, 10)], 10)
    assert "loss_estimated" not in found and found["loss"].value == 0


@pytest.mark.parametrize("interval_s", [0.0075, 0.015, 0.03, 0.05, 0.4])
def test_the_connection_interval_shows_in_the_spacing_of_arrivals(interval_s: float) -> None:
    """Values every 1.37 intervals on average leave at the next connection event, and reach a host that is not idle."""
    rng = np.random.default_rng(7)
    due = np.arange(3000) * 1.37 * interval_s + rng.uniform(0, interval_s, 3000)
    events = np.unique(np.ceil(due / interval_s)) * interval_s
    arrivals = events + rng.exponential(0.0003, len(events))
    assert interval_s_of(np.diff(arrivals)) == pytest.approx(interval_s)


def test_spacing_without_a_pattern_shows_no_interval() -> None:
    assert interval_s_of(np.random.default_rng(1).exponential(0.1, 3000)) is None
    assert interval_s_of(np.array([0.1] * 10)) is None


def test_bursts_are_values_without_a_connection_event_between_them(tmp_path: Path) -> None:
    times_s = [0.0, 0.001, 0.0025, 0.1, 0.2, 0.201]
    frames = [Frame(round(t * SECOND), "a", "climate", climate(i)) for i, t in enumerate(times_s)]
    assert log_of(tmp_path / "x.db", frames, [(0, 5)], 5)["burst_largest"].value == 3


def test_settings_are_held_against_what_was_measured(tmp_path: Path) -> None:
    """A node set to 100 ms that takes 102, one value in ten lost, and one that talks after it was switched off."""
    writer = LogWriter(
        tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    )
    writer.event(LinkEvent.of(1, "a", EventKind.SETTING, {"period_s": {"climate": 0.1}, "on": {"climate": True}}))
    writer.event(LinkEvent.of(2, "a", EventKind.READY))
    for i in range(1000):
        if i % 10:
            writer.frame(Frame(round((0.01 + i * 0.102) * SECOND), "a", "climate", climate(i)))
    writer.event(LinkEvent.of(102 * SECOND, "a", EventKind.SETTING, {"on": {"climate": False}}))
    writer.frame(Frame(round(102.2 * SECOND), "a", "climate", climate(1000)))  # was on its way
    writer.frame(Frame(105 * SECOND, "a", "climate", climate(1001)))
    writer.close(120 * SECOND, "test")
    found = {name: m for (_, subject, name), m in figures(tmp_path / "x.db").items() if subject == "climate"}
    assert found["period_error"].value == pytest.approx(2.0, abs=1.5)
    assert found["while_off"].value == 1
    assert found["clock_drift"].value is None  # -19,600 ppm is another period, not a crystal that is off


def test_failed_attempts_and_signal_strength_are_told(tmp_path: Path) -> None:
    writer = LogWriter(
        tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    )
    for second, rssi in enumerate((-60, -85, -70)):
        writer.event(LinkEvent.of(second * SECOND, "a", EventKind.FOUND, {"rssi_dbm": rssi}))
        writer.event(LinkEvent.of(second * SECOND + 1, "a", EventKind.CONNECT_FAILED, {"reason": "test"}))
    writer.close(10 * SECOND, "test")
    found = {name: m.value for (_, subject, name), m in figures(tmp_path / "x.db").items() if subject == "link"}
    assert (found["signal_weakest"], found["attempts_failed"]) == (-85, 3)


def own_log(
    path: Path, fields: str, frames: list[tuple[float, bytes]], events: list[LinkEvent], end_s: float
) -> dict[str, Measure]:
    """The figures of a channel of these fields, frames at seconds, between these events."""
    plugin = own_plugin(path, fields)
    writer = LogWriter(path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (plugin, "A")}))
    for event in events:
        writer.event(event)
    for second, raw in frames:
        writer.frame(Frame(round(second * SECOND), "a", "c", raw))
    writer.close(round(end_s * SECOND), "test")
    return {name: m for (_, subject, name), m in figures(path / "x.db").items() if subject in ("c", "link", "c.v")}


READY = LinkEvent.of(0, "a", EventKind.READY)
INTERVAL = LinkEvent.of(0, "a", EventKind.PARAMETERS, {"connection_interval_ms": 30.0})
PLAIN = 'fields = [{ name = "v", type = "uint8" }]'
COUNTER = 'fields = [{ name = "s", type = "uint8", role = "sequence" }]'


@pytest.mark.parametrize("burst", [2, 3, 4, 8])
@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
def test_several_values_in_a_connection_event_are_no_loss(tmp_path: Path, burst: int, every_s: float) -> None:
    frames = [(0.01 + (i // burst) * every_s + (i % burst) * 0.0003, bytes([i & 255])) for i in range(2000)]
    found = own_log(tmp_path, COUNTER, frames, [READY], frames[-1][0] + 1)
    assert found["loss"].value == 0 and found["burst_largest"].value == burst
    plain = own_log(tmp_path / "plain", 'fields = [{ name = "v", type = "uint8" }]', frames, [READY], frames[-1][0] + 1)
    assert plain["loss_estimated"].value is None  # several in a row may fall out together, and nothing shows


def test_a_pace_that_changes_is_no_loss(tmp_path: Path) -> None:
    """From 0.1 s to 60 s, which is more than a turn of the counter at the pace before."""
    times_s = [0.1 * i for i in range(1000)] + [100 + 60.0 * i for i in range(1, 100)]
    frames = [(t, bytes([i & 255])) for i, t in enumerate(times_s)]
    assert own_log(tmp_path, COUNTER, frames, [READY], times_s[-1] + 1)["loss"].value == 0


def test_time_in_which_a_sensor_was_off_is_no_loss_and_no_period(tmp_path: Path) -> None:
    times_s = [0.1 * i for i in range(600)] + [160.02 + 0.1 * i for i in range(600)]
    frames = [(t, bytes([i & 255])) for i, t in enumerate(times_s)]
    settings_ = [
        READY,
        LinkEvent.of(1, "a", EventKind.SETTING, {"period_s": {"c": 0.1}, "on": {"c": True}}),
        LinkEvent.of(round(60.05 * SECOND), "a", EventKind.SETTING, {"on": {"c": False}}),
        LinkEvent.of(160 * SECOND, "a", EventKind.SETTING, {"on": {"c": True}}),
    ]
    found = own_log(tmp_path, COUNTER, frames, settings_, 230)
    assert (found["loss"].value, found["while_off"].value) == (0, 0)
    assert found["period_error"].value == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("before", [150, 200, 230])
def test_a_restart_is_told_from_loss_wherever_the_counter_stood(tmp_path: Path, before: int) -> None:
    numbers = [*range(before - 140, before), *range(400)]
    frames = [(0.1 * i, bytes([n & 255])) for i, n in enumerate(numbers)]
    events = [READY, LinkEvent.of(1, "a", EventKind.SETTING, {"period_s": {"c": 0.1}})]
    found = own_log(tmp_path, COUNTER, frames, events, 60)
    assert found["loss"].value == 0
    assert found["restarts"].value == 1
    assert abs(found["clock_drift"].value or 0) < 100


def test_a_counter_that_is_not_in_every_value_hides_no_loss(tmp_path: Path) -> None:
    fields = 'fields = [{ name = "kind", type = "uint8" }, { name = "s", type = "uint8", role = "sequence", when = "kind == 1" }]'
    frames = []
    for i in range(1000):
        if i % 10:
            frames.append((0.2 * i, bytes([1, i & 255])))
        frames.append((0.2 * i + 0.1, b"\0"))
    found = own_log(tmp_path, fields, frames, [READY], 201)
    assert found["loss"].value == pytest.approx(100 * 99 / 999, rel=0.02)


def test_a_link_whose_end_was_missed_ends_where_the_next_begins(tmp_path: Path) -> None:
    frames = [(float(i), bytes([i])) for i in range(100)]
    found = own_log(tmp_path, COUNTER, frames, [READY, LinkEvent.of(50 * SECOND, "a", EventKind.READY)], 100)
    assert found["connected"].value == pytest.approx(100) and found["rate"].n == 100


def test_values_of_one_moment_raise_nothing(tmp_path: Path) -> None:
    found = own_log(
        tmp_path, COUNTER, [(1.0, bytes([i])) for i in range(60)], [LinkEvent.of(SECOND, "a", EventKind.READY)], 1
    )
    assert found["rate"].value is None


def test_settings_that_make_no_sense_are_passed_over(tmp_path: Path) -> None:
    for number, period in enumerate((0, -1, None, "x", float("nan"))):
        event = LinkEvent.of(1, "a", EventKind.SETTING, {"period_s": {"c": period}})
        found = own_log(
            tmp_path / str(number), COUNTER, [(float(i), bytes([i])) for i in range(30)], [READY, event], 30
        )
        assert "period_error" not in found


def test_a_sensor_that_is_almost_silent_for_three_days_fails_its_rate(tmp_path: Path) -> None:
    """Two values in 72 h leave at most 7.2 possible (Garwood), far below what is required."""
    hours = 72 * 3600
    frames = [Frame(i * 3600 * SECOND, "a", "climate", climate(i, 20)) for i in (1, 2)]
    rate = log_of(tmp_path / "x.db", frames, [(0, hours)], hours)["rate"]
    assert rate.high == pytest.approx(7.2247 / hours, rel=1e-4) and rate.low == pytest.approx(0.2422 / hours, rel=1e-3)
    (verdict,) = judge([Requirement("loan-crate", "climate", "rate", 0.9, None, "1/s")], {"a": "loan-crate"}, [rate])
    assert verdict.outcome is Outcome.FAIL


def test_no_value_at_all_is_a_rate_of_its_own(tmp_path: Path) -> None:
    rate = log_of(tmp_path / "x.db", [], [(0, 1000)], 1000)["rate"]
    assert (rate.value, rate.low) == (0, 0) and rate.high == pytest.approx(3.6889 / 1000, rel=1e-4)


def test_a_rate_is_never_known_better_than_by_one_value(tmp_path: Path) -> None:
    frames = steady(lambda i: i, 1000)
    rate = log_of(tmp_path / "x.db", frames, [(0, 100)], 100)["rate"]
    assert rate.low is not None and rate.high is not None and rate.high - rate.low >= 1.999 / 100


def test_the_same_loss_in_bursts_leaves_more_open(tmp_path: Path) -> None:
    def bounds(lost: set[int], name: str) -> Measure:
        frames = [one for i, one in enumerate(steady(lambda i: i, 10_000)) if i not in lost]
        return log_of(tmp_path / name, frames, [(0, 1000)], 1000)["loss"]

    single = bounds({i for i in range(10_000) if i % 100 == 50}, "a.db")
    burst = bounds({i for i in range(10_000) if i % 5000 in range(2000, 2050)}, "b.db")
    assert single.value == burst.value == 1.0 and single.method != burst.method
    assert (burst.high or 0) > 2 * (single.high or 0)


def test_a_connection_interval_that_was_reported_is_the_figure() -> None:
    """30, then 7.5 for longest, then 30 ms again, as an HCI log tells."""
    told = [(0, EventKind.CONNECTED, 30.0), (10, EventKind.PARAMETERS, 7.5), (70, EventKind.PARAMETERS, 30.0)]
    events = [LinkEvent.of(s * SECOND, "a", kind, {"connection_interval_ms": ms}) for s, kind, ms in told]
    events.insert(1, LinkEvent.of(SECOND, "a", EventKind.READY))
    history = link_history(events, 0, 100 * SECOND)
    assert reported_interval(history) == (0.0075, 8000)
    assert reported_interval(link_history(events[1:2], 0, 100 * SECOND)) == (None, 0)


def test_the_age_of_information_is_that_of_a_saw_tooth(tmp_path: Path) -> None:
    """A value each second has a mean age of half a second; an absence of 20 s adds its triangle (worked by hand)."""
    frames = steady(lambda i: i, 60, 1.0)
    assert log_of(tmp_path / "x.db", frames, [(0, 60)], 60)["age_mean"].value == pytest.approx(0.5)
    frames = [frame for frame in frames if not 20 * SECOND < frame.t_ns < 40 * SECOND]
    found = log_of(tmp_path / "y.db", frames, [(0, 20), (39.5, 60)], 60)
    assert found["age_mean"].value == pytest.approx((40 * 0.5 + 20**2 / 2) / 60)
    assert found["age_longest"].value == pytest.approx(20)


def test_the_first_value_of_a_link_is_waited_for(tmp_path: Path) -> None:
    frames = [f for f in steady(lambda i: i, 60, 1.0) if not 20 <= f.t_ns / SECOND < 33]
    found = log_of(tmp_path / "x.db", frames, [(0, 20), (30, 60)], 60)
    assert found["first_value_longest"].value == pytest.approx(3) and found["first_value_longest"].n == 2


def test_the_time_between_disconnects_has_the_exact_bounds_of_their_count(tmp_path: Path) -> None:
    """Garwood's bounds of 2: 0.2422 to 7.2247 (table of 1936); of none 3.6889 at most."""
    spans = [(0.0, 100.0), (101.0, 200.0), (201.0, 300.0)]
    found = log_of(tmp_path / "x.db", steady(lambda i: i, 300, 1.0), spans, 300)["time_between_disconnects"]
    assert found.value == pytest.approx(298 / 2)
    assert (found.low, found.high) == (pytest.approx(298 / 7.2247, rel=1e-4), pytest.approx(298 / 0.2422, rel=1e-3))
    never = log_of(tmp_path / "y.db", steady(lambda i: i, 300, 1.0), [(0, 300)], 300)["time_between_disconnects"]
    assert (never.value, never.low, never.high) == (300, pytest.approx(300 / 3.6889, rel=1e-4), None)


def test_what_only_rises_has_no_decreases(tmp_path: Path) -> None:
    for dip, expected in ((None, 0), (30, 1)):
        frames = [
            Frame(i * SECOND, "a", "climate", climate(i, 10 + i / 10 - (5 if i == dip else 0))) for i in range(60)
        ]
        path = tmp_path / f"{dip}.db"
        log_of(path, frames, [(0, 60)], 60)
        assert figures(path)["a", "climate.temperature", "decreases"].value == expected


@pytest.mark.parametrize("often", [1, 4, 20])
def test_the_bounds_of_the_share_connected_hold_the_truth(often: int) -> None:
    """Links lost as a Poisson process and away for exponential times, seeded; 93 % of runs at least."""
    rng, held, runs = np.random.default_rng(often), 0, 400
    length_s, away_s = 100_000.0, 500.0
    between_s = length_s / often - away_s
    truth = 100 * between_s / (between_s + away_s)
    for _ in range(runs):
        at, events = 0.0, [LinkEvent.of(0, "a", EventKind.READY)]
        while (at := at + rng.exponential(between_s)) < length_s:
            events.append(LinkEvent.of(round(at * SECOND), "a", EventKind.LOST, {"reason": "x"}))
            if (at := at + rng.exponential(away_s)) < length_s:
                events.append(LinkEvent.of(round(at * SECOND), "a", EventKind.READY))
        (share,) = [
            m
            for m in measure_link("a", link_history(events, 0, round(length_s * SECOND)), (None, 0))
            if m.name == "connected"
        ]
        held += not share.method or ((share.low or 0) <= truth <= (share.high or 100))
    assert held / runs >= 0.93


def test_how_long_a_sensor_that_is_switched_on_takes_to_its_first_value(tmp_path: Path) -> None:
    writer = LogWriter(
        tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    )
    writer.event(LinkEvent.of(1, "a", EventKind.READY))
    for on_s, first_s, off_s in ((10, 10.7, 20), (30, 32.5, 40), (50, 70.0, 60)):  # the last had none while it was on
        writer.event(LinkEvent.of(on_s * SECOND, "a", EventKind.SETTING, {"on": {"climate": True}}))
        writer.event(LinkEvent.of(off_s * SECOND, "a", EventKind.SETTING, {"on": {"climate": False}}))
        writer.frame(Frame(round(first_s * SECOND), "a", "climate", climate(on_s)))
    writer.close(100 * SECOND, "test")
    found = figures(tmp_path / "x.db")["a", "climate", "switched_on_longest"]
    assert (found.value, found.n) == (pytest.approx(2.5), 2)


def test_a_link_that_is_lost_again_before_it_was_set_up_is_away_once() -> None:
    events = [
        LinkEvent.of(round(at * SECOND), "a", kind, {"reason": "x"} if kind is EventKind.LOST else {})
        for at, kind in ((0, EventKind.READY), (10, EventKind.LOST), (11, EventKind.LOST), (12, EventKind.READY))
    ]
    found = measure_link("a", link_history(events, 0, 1000 * SECOND), (None, 0))
    (share,) = [m for m in found if m.name == "connected"]
    assert share.value == pytest.approx(99.8) and share.low is not None and share.high is not None
    assert 97 < share.low < 99.8 < share.high <= 100


def test_a_pause_in_which_nobody_listened_makes_no_value_old(tmp_path: Path) -> None:
    writer = LogWriter(
        tmp_path / "x.db", RunFacts("t", 0, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")})
    )
    writer.event(LinkEvent.of(0, "a", EventKind.READY))
    for i in range(100):
        writer.frame(Frame(i * SECOND, "a", "climate", climate(i)))
    writer.event(LinkEvent.of(100 * SECOND, "a", EventKind.DISCONNECTED))
    writer.event(LinkEvent.of(3700 * SECOND, None, EventKind.RESUMED, {"paused_s": 3600.0}))
    writer.close(3800 * SECOND, "test")
    assert figures(tmp_path / "x.db")["a", "climate", "age_longest"].value is None
