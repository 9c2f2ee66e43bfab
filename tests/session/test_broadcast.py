"""Nodes that advertise their values: never connected to, or as well, on the virtual air."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from bleak.backends.scanner import AdvertisementData
from bumble.hci import LeFeatureMask

from gateway.analysis.measure.energy import load_of
from gateway.analysis.measure.link import link_history
from gateway.app.air import make_twins
from gateway.app.judge import judge
from gateway.config import RunConfig
from gateway.config.lint import run_doubts
from gateway.log.reader import Log
from gateway.model.errors import ProblemsError
from gateway.model.events import EventKind, Heard, LinkEvent, Listening
from gateway.model.records import Frame
from gateway.plugin import load_plugin
from gateway.radio.virtual import VirtualRadio
from gateway.session.seek import rssi_of
from gateway.session.supervisor import Supervisor
from tests.support import Bench, events, figures, on_virtual_time, plugin_folder, run_bench, run_file, virtual_clock

TAG = """
[plugin]
kind = "shelf-tag"
title = "Tells the climate of a shelf, and is never connected to (invented)"

[characteristic.climate]
company = 0xFFFF
fields = [
  { name = "sequence", type = "uint8", role = "sequence" },
  { name = "temperature", type = "sint16", lsb = "0.01 degC", limits = ["-20 degC", "60 degC"] },
]

[sensor.climate]
data = "climate"
"""
CELL = """
[characteristic.cell]
service_data = "0x180F"
fields = [{ name = "voltage", type = "uint8", lsb = "20 mV" }]
"""
LINKED = """
[characteristic.count]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{ name = "n", type = "uint16", role = "sequence" }]
"""


def bench(folder: Path, plugin: str, spec: str = "", twin: str = "", air: str = "", node: str = "") -> RunConfig:
    plugin_folder(folder, plugin, "shelf-tag")
    return run_file(
        folder,
        f"""
[run]
title = "shelf"
length = "30 s"
radio = "virtual"
plugins = ["plugins"]
[air]
{air}
[node.tag]
plugin = "shelf-tag"
find = {{ name = "TAG" }}
{node}
[twin.tag]
signal.climate.temperature = {{ constant = "21 degC" }}
{twin}
{spec}
""",
    )


def test_a_node_that_only_advertises_is_listened_to_and_judged(tmp_path: Path) -> None:
    spec = '[spec.shelf-tag.climate]\nrate = { min = "0.8 /s", max = "1.2 /s" }\nloss = { max = "20 percent" }\n'
    config = bench(tmp_path, TAG + CELL, spec)
    run_bench(config, tmp_path / "x.db", seconds=120)
    found = figures(tmp_path / "x.db")
    rate, loss = found["tag", "climate", "rate"], found["tag", "climate", "loss"]
    assert rate.value == pytest.approx(1, rel=0.1) and loss.value == 0
    assert found["tag", "cell", "rate"].value == pytest.approx(9.5, rel=0.1)  # each advertisement: nothing counts them
    assert not any(subject == "link" and name == "connected" for _, subject, name in found)
    heard = [event.detail for event in events(tmp_path / "x.db", EventKind.HEARD)]
    assert heard and isinstance(heard[0], Heard) and heard[0].rssi_dbm == -50
    assert heard[0].advertisements - heard[0].repeated == pytest.approx(30, abs=4)
    assert not events(tmp_path / "x.db", EventKind.CONNECTED)
    assert {v.measure.name: v.outcome for v in judge(tmp_path / "x.db", spec=config).verdicts}["rate"] == "pass"


def test_a_counter_tells_values_that_were_never_advertised(tmp_path: Path) -> None:
    run_bench(bench(tmp_path, TAG, twin='faults = { lose = "30 percent" }'), tmp_path / "x.db", seconds=300)
    loss = figures(tmp_path / "x.db")["tag", "climate", "loss"]
    assert loss.value == pytest.approx(30, abs=8) and loss.low is not None and loss.low > 15


def test_packets_that_are_lost_cost_advertisements_and_not_values(tmp_path: Path) -> None:
    run_bench(bench(tmp_path, TAG, air='packet_errors = "30 percent"'), tmp_path / "x.db", seconds=60)
    found = figures(tmp_path / "x.db")
    assert found["tag", "climate", "loss"].value == 0
    (heard, *_) = (e.detail for e in events(tmp_path / "x.db", EventKind.HEARD) if isinstance(e.detail, Heard))
    assert heard.advertisements == pytest.approx(0.7 * 30 / 0.105, rel=0.15)


def test_a_node_that_is_connected_to_as_well_is_listened_to_while_it_is_not(tmp_path: Path) -> None:
    config = bench(tmp_path, TAG + LINKED, twin='faults = { drop_link_every = "10 s" }')
    run_bench(config, tmp_path / "x.db", seconds=60)
    spans = [e.detail.on for e in events(tmp_path / "x.db", EventKind.LISTENING) if isinstance(e.detail, Listening)]
    assert spans[:4] == [True, False, True, False]
    assert len(events(tmp_path / "x.db", EventKind.LOST)) >= 3
    assert figures(tmp_path / "x.db")["tag", "count", "rate"].value == pytest.approx(1, rel=0.2)


STORE = """
[characteristic.store]
company = 0xFFFE
fields = [{ name = "sequence", type = "uint8", role = "sequence" }]
samples = { count = 60, every = "100 ms", fields = [{ name = "x", type = "sint16" }] }
"""


@pytest.mark.parametrize("linked", [False, True])
def test_what_takes_more_than_31_bytes_is_advertised_in_an_extended_advertisement(tmp_path: Path, linked: bool) -> None:
    dropping = 'faults = { drop_link_every = "10 s", lose = "10 percent" }'
    config = bench(tmp_path, TAG + STORE + (LINKED if linked else ""), twin=dropping if linked else "")
    run_bench(config, tmp_path / "x.db", seconds=120)
    found = figures(tmp_path / "x.db")
    if linked:
        spans = [e.detail.on for e in events(tmp_path / "x.db", EventKind.LISTENING) if isinstance(e.detail, Listening)]
        assert spans[:4] == [True, False, True, False] and len(events(tmp_path / "x.db", EventKind.LOST)) >= 3
        return
    for channel in ("climate", "store"):
        assert found["tag", channel, "rate"].value == pytest.approx(1, rel=0.1)
        assert found["tag", channel, "loss"].value == 0
    heard = [event.detail for event in events(tmp_path / "x.db", EventKind.HEARD)]
    assert isinstance(heard[0], Heard) and heard[0].advertisements == pytest.approx(30 / 0.105, rel=0.1)
    with Log(tmp_path / "x.db") as log:
        (node,) = log.run().nodes
        (store,) = (one for one in node.channels if one.name == "store")
        assert all(len(raw) == 121 for chunk in log.rows(log.run(), node, store.relation, "raw") for (raw,) in chunk)


def test_a_central_without_extended_advertising_does_not_hear_it(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        bench.radio.controller.le_features &= ~LeFeatureMask.LE_EXTENDED_ADVERTISING
        await bench.radio.host.power_on()  # its host asks again what it can do

    run_bench(bench(tmp_path, TAG + STORE), tmp_path / "x.db", 30, script)
    assert not events(tmp_path / "x.db", EventKind.HEARD)


class Kept:
    """A sink that keeps the frames."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []

    def frame(self, frame: Frame) -> None:
        self.frames.append(frame)

    def event(self, event: LinkEvent) -> None: ...


def test_a_node_that_joins_while_others_are_listened_to_is_heard_at_once(tmp_path: Path) -> None:
    """The scan that is under way goes on, and is never begun anew."""
    late = '[node.late]\nplugin = "shelf-tag"\nfind = { name = "LATE" }\n[twin.late]\naddress = "C2:10:00:00:00:44"\n'
    config, sink = bench(tmp_path, TAG, late), Kept()

    async def run() -> None:
        async with VirtualRadio(config.air) as radio, asyncio.TaskGroup() as group:
            tasks = [group.create_task(twin.run()) for twin in make_twins(config, radio).values()]
            first = replace(config, nodes={"tag": config.nodes["tag"]})
            supervisor, stop = (
                Supervisor(first, radio, sink, virtual_clock(asyncio.get_running_loop())),
                asyncio.Event(),
            )
            tasks.append(group.create_task(supervisor.run(stop)))
            await asyncio.sleep(5)
            supervisor.add(config.nodes["late"])
            await asyncio.sleep(5)
            stop.set()
            await tasks.pop()
            for task in tasks:
                task.cancel()

    on_virtual_time(run)
    assert len([frame for frame in sink.frames if frame.node == "late"]) >= 4


def test_what_is_advertised_is_in_no_connection_event(tmp_path: Path) -> None:
    """So that a forecast does not charge its packets to the link."""
    twin = 'faults = { drop_link_every = "2 s" }'  # so that much is heard between links
    run_bench(bench(tmp_path, TAG + CELL + LINKED, twin=twin), tmp_path / "x.db", seconds=60)
    with Log(tmp_path / "x.db") as log:
        info = log.run()
        node = info.nodes[0]
        history = link_history(log.events(info, node), info.started_ns, info.end_ns)
        load = load_of(log, info, node, history, load_plugin(tmp_path / "plugins" / "shelf-tag"), None)
    assert 0.3 < load.packets_per_s < 1.1


def test_a_limit_of_silence_on_a_link_that_there_will_never_be_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProblemsError) as caught:
        bench(tmp_path, TAG, node='silent_after = "2 min"')
    (problem,) = caught.value.problems
    assert problem.place == "node.tag.silent_after" and "never connected to" in problem.found


def test_a_requirement_on_a_link_that_there_will_never_be_is_doubted(tmp_path: Path) -> None:
    spec = "[spec.shelf-tag.link]\ndisconnects = { max = 0 }\n"
    doubts = [str(one) for one in run_doubts(bench(tmp_path, TAG, spec))]
    assert any("only advertises and is never connected to" in one for one in doubts)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ('service_data = "0x180F"\ncompany = 1', "beside company"),
        ('company = 1\nproperties = ["notify"]', "of what is advertised"),
        ('company = 1\nwithin = "other"', "within another"),
        ("company = 1\nstores = 3", "what is not subscribed to"),
        ("company = 70000", "65535"),
        ('service_data = "heart"', "a 128-bit UUID, or a 16-bit number"),
    ],
)
def test_what_can_not_be_advertised_is_refused(tmp_path: Path, lines: str, told: str) -> None:
    text = (
        f'[plugin]\nkind = "x"\ntitle = "x"\n[characteristic.c]\n{lines}\nfields = [{{ name = "a", type = "uint8" }}]\n'
    )
    with pytest.raises(ProblemsError, match=told):
        load_plugin(plugin_folder(tmp_path, text, "x"))


@pytest.mark.parametrize(("told", "meant"), [(-60, -60), (20, 20), (127, None)])
def test_a_signal_strength_of_127_is_none(told: int, meant: int | None) -> None:
    """Core Specification, Vol 4, Part E, 7.7.65.2."""
    assert rssi_of(AdvertisementData(None, {}, {}, [], None, told, ())) == meant
