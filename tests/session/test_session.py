"""Whole runs on a virtual air in virtual time: found, linked, set up, decoded, logged, measured."""

from __future__ import annotations

import asyncio
import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bumble.core import UUID
from bumble.gatt import Characteristic, CharacteristicValue

from gateway.model.errors import NodeError
from gateway.model.events import EventKind
from gateway.model.link import State
from gateway.plugin import find_plugin
from gateway.radio.stack import StackClient
from gateway.radio.twin import Twin
from gateway.radio.virtual import VirtualRadio, make_host
from gateway.session.node import UNFIT_AFTER
from tests.support import (
    Bench,
    events,
    figures,
    on_virtual_time,
    open_database,
    plugin_folder,
    run_bench,
    run_file,
    run_info,
)

CRATE = """
[run]
title = "one crate"
radio = "virtual"
[air]
packet_errors = "{errors}"
supervision_timeout = "{supervision}"
[node.a]
plugin = "loan-crate"
find = {{ name = "A" }}
silent_after = "{silent}"
sensor = {{ climate = {{ period = "{period}" }}, shock = {{ on = {shock} }}, light = {{ on = false }} }}
poll = {{ battery = "10 s" }}
[twin.a]
faults = {{ {faults} }}
[twin.a.signal.climate]
temperature = {{ constant = "21.5 degC" }}
pressure = {{ constant = "1000 hPa" }}
"""


def crate(tmp_path: Path, **changes: str) -> Any:
    values = {
        "errors": "0 percent",
        "supervision": "2 s",
        "silent": "30 s",
        "period": "1 s",
        "faults": "",
        "shock": "false",
    }
    return run_file(tmp_path, CRATE.format(**values | changes))


def rows(log: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_database(log) as connection:
        return connection.execute(sql).fetchall()


def test_every_value_is_decoded_and_kept_with_its_bytes(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path), log, 60)
    got = rows(
        log,
        "SELECT sequence, temperature_degC, humidity_percent, pressure_hPa, length(raw), fault FROM loan_crate_climate ORDER BY id",
    )
    assert got[0] == (1, 21.5, 50.0, 1000.0, 9, None)
    assert [row[0] for row in got] == list(range(1, len(got) + 1))
    assert len(got) in (57, 58, 59)
    assert rows(log, "SELECT DISTINCT battery_level_percent FROM loan_crate_battery") == [(100,)]


def test_what_happened_to_the_link_is_told_in_order(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path), log, 10)
    kinds = [e.kind for e in events(log) if e.node is not None]
    assert kinds[:2] == [EventKind.FOUND, EventKind.CONNECTED]
    assert kinds.count(EventKind.SETTING) == 1
    assert kinds[-3:] == [EventKind.SUBSCRIBED, EventKind.READY, EventKind.SIGNAL]
    connected = events(log, EventKind.CONNECTED)[0].facts
    assert connected["att_mtu_bytes"] == 247 and connected["connection_interval_ms"] == 15


def test_each_sensor_is_switched_and_paced_on_its_own(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, period="0.25 s", shock="true"), log, 60)
    found = figures(log)
    assert found["a", "climate", "rate"].value == pytest.approx(4, rel=0.02)
    assert found["a", "shock", "rate"].value == pytest.approx(10, rel=0.02)  # the node's own pace
    assert found["a", "light", "rate"].n == 0
    assert found["a", "link", "settings_differ"].value == 0


@pytest.mark.parametrize(
    ("faults", "channel", "figure", "low", "high"),
    [
        ('lose = "20 percent"', "climate", "loss", 14, 26),
        ('slow = "1.25"', "climate", "rate", 3.1, 3.3),
        ("wrong_length_every = 10", "climate", "decode_errors", 20, 26),
        ("jump_sequence_every = 20", "climate", "loss", 28, 37),
        ('drop_link_every = "10 s"', "link", "disconnects", 4, 6),
    ],
)
def test_a_fault_shows_in_its_figure(
    tmp_path: Path, faults: str, channel: str, figure: str, low: float, high: float
) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, period="0.25 s", faults=faults), log, 60)
    value = figures(log)["a", channel, figure].value
    assert value is not None and low <= value <= high


def test_a_frozen_value_stays_while_the_counter_runs(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    config = run_file(
        tmp_path,
        CRATE.format(
            errors="0 percent",
            supervision="2 s",
            silent="30 s",
            period="1 s",
            shock="false",
            faults='freeze = "climate.temperature"',
        ).replace('{ constant = "21.5 degC" }', '{ ramp = ["0 degC", "50 degC", "1 min"] }'),
    )
    run_bench(config, log, 30)
    assert len(rows(log, "SELECT DISTINCT temperature_degC FROM loan_crate_climate")) == 1


def test_wrong_lengths_are_kept_with_their_reason_and_cost_no_loss(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, period="0.25 s", faults="wrong_length_every = 10"), log, 60)
    refused = rows(log, "SELECT length(raw), fault, temperature_degC FROM loan_crate_climate WHERE fault IS NOT NULL")
    assert len(refused) >= 20 and set(refused) == {(8, "8 bytes, expected 9 bytes", None)}
    assert figures(log)["a", "climate", "loss"].value == 0


def test_the_link_comes_back_and_how_long_it_took_is_measured(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, faults='drop_link_every = "10 s"'), log, 60)
    found = figures(log)
    back = events(log, EventKind.RECONNECTED)
    losses = len(events(log, EventKind.LOST))
    assert found["a", "link", "disconnects"].value == losses and losses - 1 <= len(back) <= losses and len(back) >= 3
    assert {e.facts["reason"] for e in events(log, EventKind.LOST)} == {"remote user terminated connection"}
    assert 0.3 < (found["a", "link", "reconnect_time_median"].value or 0) < 4
    assert found["a", "climate", "rate"].value == pytest.approx(1, abs=0.15)


def test_a_node_that_vanishes_and_returns_is_linked_again(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        twin = bench.twins["a"]
        await asyncio.sleep(20)
        bench.radio.air.silence(twin.device.host.hci_sink, True)
        await asyncio.sleep(60)
        bench.radio.air.silence(twin.device.host.hci_sink, False)

    run_bench(crate(tmp_path), log, 120, script)
    (lost,) = events(log, EventKind.LOST)
    (back,) = events(log, EventKind.RECONNECTED)
    assert lost.facts["reason"] == "connection timeout"
    assert 58 < float(str(back.facts["after_s"])) < 75
    assert events(log, EventKind.NOT_FOUND)


def test_a_link_that_is_up_but_silent_is_probed_given_up_and_made_again(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        await asyncio.sleep(20)
        twin = bench.twins["a"]
        twin.device.gatt_server.subscribers.clear()  # firmware that forgets its subscribers

    config = run_file(
        tmp_path,
        CRATE.format(
            errors="0 percent", supervision="2 s", silent="5 s", period="1 s", shock="false", faults=""
        ).replace('poll = { battery = "10 s" }', 'poll = { battery = "10 min" }'),
    )
    run_bench(config, log, 60, script)
    (silent,) = events(log, EventKind.SILENT)
    assert silent.facts["probe"] == "it responds to a read"
    assert float(str(silent.facts["silent_s"])) == pytest.approx(5, abs=0.1)
    (lost,) = events(log, EventKind.LOST)
    assert "silent for 5.0 s" in str(lost.facts["reason"])
    assert len(events(log, EventKind.READY)) == 2
    assert (silent.t_ns - lost.t_ns) / 1e9 == pytest.approx(5, abs=0.1)  # stamped with its last sign of life
    found = figures(log)
    assert found["a", "climate", "gap_longest"].value == pytest.approx(1, abs=0.2)
    assert (found["a", "link", "reconnect_time_longest"].value or 0) > 5


def test_a_late_callback_of_an_earlier_link_is_ignored_and_counted(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        await asyncio.sleep(5)
        (session,) = bench.supervisor.sessions
        assert session._link is not None
        stale = session._receiver(session._link, "climate")
        await next(iter(bench.twins["a"].device.connections.values())).disconnect()
        await asyncio.sleep(5)
        assert session.state.state is State.CONNECTED
        for _ in range(3):
            stale(None, bytearray(b"123456789"))  # type: ignore[arg-type]

    run_bench(crate(tmp_path), log, 20, script)
    assert events(log, EventKind.LATE_CALLBACK)[0].facts == {"count": 3}
    assert not rows(log, "SELECT 1 FROM loan_crate_climate WHERE raw = CAST('123456789' AS BLOB)")


def test_settings_that_read_back_otherwise_or_are_refused_are_told(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        write = {"a": lambda _, __: None, "b": _refuse}
        for name, twin in bench.twins.items():
            served = twin._served["settings"]
            served.value = CharacteristicValue(read=lambda _: bytes.fromhex("5110110104"), write=write[name])

    second = '[node.b]\nplugin = "loan-crate"\nfind = { name = "B" }\nsensor = { climate = { period = "1 s" } }\n'
    run_bench(run_file(tmp_path, crate(tmp_path).text + second), log, 10, script)
    differ = {e.node: e.facts for e in events(log, EventKind.SETTING_DIFFERS)}
    assert differ["a"]["read"] == "5110110104" and str(differ["a"]["written"]).startswith("5100")
    assert "ATT error 0x13" in str(differ["b"]["refused"])
    assert [figures(log)[node, "link", "settings_differ"].value for node in "ab"] == [1, 1]


def _refuse(_: Any, __: bytes) -> None:
    from bumble import att

    raise att.ATT_Error(0x13)


def test_a_node_without_an_expected_characteristic_is_unfit_and_the_run_ends(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    config = crate(tmp_path)
    wanted = config.nodes["a"].plugin.characteristics["climate"]

    async def script(bench: Bench) -> None:
        for service in bench.twins["a"].device.gatt_server.services:
            for item in service.characteristics:
                if item is bench.twins["a"]._served["climate"]:
                    item.uuid = type(item.uuid)("b1c7ffff-5d1e-4c1b-9a77-2f0d3c6e0001")
                    declaration = next(
                        a
                        for a in bench.twins["a"].device.gatt_server.attributes
                        if getattr(a, "characteristic", None) is item
                    )
                    declaration.value = declaration.value[:3] + bytes(item.uuid)

    run_bench(config, log, 600, script)
    (unfit,) = events(log, EventKind.UNFIT)
    assert f"no characteristic climate ({wanted.uuid})" in str(unfit.facts["reason"])
    info = run_info(log)
    assert info.ended_ns is not None and info.ended_ns - info.started_ns < 30e9


def test_two_nodes_share_the_air_and_one_that_fails_does_not_disturb_the_other(tmp_path: Path) -> None:
    text = CRATE.format(errors="1 percent", supervision="2 s", silent="30 s", period="0.1 s", shock="true", faults="")
    text += (
        text[text.index("[node.a]") :]
        .replace(".a", ".b")
        .replace('"A"', '"B"')
        .replace("faults = {  }", 'faults = { drop_link_every = "5 s" }')
    )
    log = tmp_path / "run.db"
    run_bench(run_file(tmp_path, text), log, 60)
    found = figures(log)
    assert found["a", "link", "disconnects"].value == 0
    assert (found["b", "link", "disconnects"].value or 0) >= 5
    assert found["a", "climate", "rate"].value == pytest.approx(10, rel=0.03)
    assert found["a", "climate", "loss"].value == 0


def test_a_gauge_is_polled_and_its_pressure_worked_out_from_its_own_constants(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "configs" / "bore.toml").read_text("utf-8")
    text = text.replace(', noise = "200"', "").replace('sine = ["4100000", "60000", "10 min"]', 'constant = "4100000"')
    log = tmp_path / "run.db"
    run_bench(run_file(tmp_path, text), log, 60)
    got = rows(log, "SELECT DISTINCT pressure_hPa FROM bore_gauge_reading")
    assert len(got) == 1
    assert got[0][0] == pytest.approx((813 + 0.000125 * 4100000) * (1 + 2e-5 * (12.5 - 20)), rel=1e-7)
    assert figures(log)["bore-1", "reading", "rate"].value == pytest.approx(0.5, rel=0.05)
    assert [e.facts["raw"] for e in events(log, EventKind.CONSTANT)] == [
        "943d0100cdcc4c3cacc5a737ebff933a737f75395947bc33"
    ]


WEATHER_PLUGIN = """
[plugin]
kind = "station"
title = "Weather"
[characteristic.air]
uuid = "b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [
  { name = "temperature", type = "sint16", lsb = "0.01 degC" },
  { name = "humidity", type = "uint16", lsb = "0.01 percent" },
  { name = "pressure", type = "uint32", lsb = "0.1 Pa", unit = "hPa" },
]
[characteristic.air_period]
uuid = "b1c70012-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["read", "write"]
fields = [{ name = "period", type = "uint8", lsb = "1 s" }]
[sensor.air]
data = "air"
period = { characteristic = "air_period", default = "60 s" }
"""


def test_a_weather_day_played_by_a_node_is_read_back_exactly(tmp_path: Path) -> None:
    """Source: NOAA SURFRAD Alamosa, 2016-01-01, see tests/truth/README.md."""
    day = Path(__file__).parents[1] / "truth" / "weather_day.csv"
    plugin_folder(tmp_path, WEATHER_PLUGIN, "station")
    signals = "\n".join(
        f'{field} = {{ csv = "{day.as_posix()}", column = "{column}", unit = "{unit}" }}'
        for field, column, unit in [
            ("temperature", "temp", "degC"),
            ("humidity", "rh", "percent"),
            ("pressure", "pressure", "hPa"),
        ]
    )
    config = run_file(
        tmp_path,
        '[run]\ntitle = "weather"\nradio = "virtual"\nplugins = ["plugins"]\n[node.w]\nplugin = "station"\nfind = { name = "W" }\n'
        f'silent_after = "5 min"\nsensor = {{ air = {{}} }}\n[twin.w.signal.air]\n{signals}\n',
    )
    log = tmp_path / "run.db"
    run_bench(config, log, 1440 * 60 + 90)
    with day.open(newline="") as file:
        wanted = [(float(r["temp"]), float(r["rh"]), float(r["pressure"])) for r in csv.DictReader(file)]
    got = rows(log, "SELECT temperature_degC, humidity_percent, pressure_hPa FROM station_air ORDER BY id")
    assert len(wanted) == 1440
    assert got[:1440] == wanted


HEART_PLUGIN = """
[plugin]
kind = "strap"
title = "bumble's own services"
[characteristic.heart]
uuid = "0x2A37"
service = "0x180D"
properties = ["notify"]
fields = [
  { name = "flags", type = "uint8" },
  { name = "rate", type = "uint8", lsb = "1 bpm" },
  { name = "energy", type = "uint16", lsb = "1 kJ" },
]
samples = { fields = [{ name = "rr", type = "uint16", lsb = "1/1024 s" }] }
[characteristic.battery]
uuid = "0x2A19"
service = "0x180F"
properties = ["read", "notify"]
"""


def test_bumbles_own_battery_and_heart_rate_services_are_read_through_a_session(tmp_path: Path) -> None:
    """bumble's profiles are an encoder independent of ours: HR 100, contact, energy 5 kJ, RR 0.5 s and 0.6 s."""
    from bumble.profiles.battery_service import BatteryService
    from bumble.profiles.heart_rate_service import HeartRateService

    plugin_folder(tmp_path, HEART_PLUGIN, "strap")
    config = run_file(
        tmp_path,
        '[run]\ntitle = "strap"\nradio = "virtual"\nplugins = ["plugins"]\n[node.s]\nplugin = "strap"\nfind = { name = "S" }\npoll = { battery = "5 s" }\n',
    )
    log = tmp_path / "run.db"
    measured = HeartRateService.HeartRateMeasurement(
        heart_rate=100, sensor_contact_detected=True, energy_expended=5, rr_intervals=[0.5, 0.6]
    )
    heart = HeartRateService(read_heart_rate_measurement=lambda _: measured)
    battery = BatteryService(lambda _: 87)

    async def script(bench: Bench) -> None:
        twin = bench.twins["s"]
        server = twin.device.gatt_server
        for attribute in list(server.attributes):  # the simulated node's table makes way for bumble's
            server.attributes.remove(attribute)
        server.services.clear()
        server.attributes_by_handle.clear()
        twin.device.add_services([heart, battery])
        for _ in range(30):
            await asyncio.sleep(1)
            await twin.device.notify_subscribers(heart.heart_rate_measurement_characteristic)

    run_bench(config, log, 25, script)
    (frame,) = rows(log, "SELECT DISTINCT hex(raw), rate_bpm, energy_kJ FROM strap_heart")
    assert frame == ("1E64050000026602", 100, 5)
    assert rows(log, "SELECT DISTINCT position, rr_s FROM strap_heart_sample ORDER BY position") == [
        (0, 0.5),
        (1, 614 / 1024),
    ]
    assert rows(log, "SELECT DISTINCT battery_level_percent FROM strap_battery") == [(87,)]


def test_a_day_passes_in_virtual_time_without_drift(tmp_path: Path) -> None:
    """Common practice for soaks; here a day at one value a minute, a month in ``tests/campaign``."""
    text = CRATE.format(
        errors="0 percent", supervision="6 s", silent="10 min", period="1 min", shock="false", faults=""
    ).replace('battery = "10 s"', 'battery = "6 h"')
    log = tmp_path / "run.db"
    run_bench(run_file(tmp_path, text), log, 86400)
    found = figures(log)
    assert found["a", "climate", "rate"].n == pytest.approx(1440, abs=2)
    assert found["a", "climate", "gap_longest"].value == pytest.approx(60, abs=0.1)
    assert found["a", "link", "disconnects"].value == 0


def test_characteristic_properties_are_checked_too(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        server = bench.twins["a"].device.gatt_server
        item = bench.twins["a"]._served["climate"]
        declaration = next(a for a in server.attributes if getattr(a, "characteristic", None) is item)
        declaration.value = bytes([int(Characteristic.Properties.READ)]) + declaration.value[1:]

    run_bench(crate(tmp_path), log, 60, script)
    assert "climate needs indicate or notify, but the node offers read" in str(
        events(log, EventKind.UNFIT)[0].facts["reason"]
    )


def test_descriptors_that_contradict_the_layout_are_told_and_counted(tmp_path: Path) -> None:
    """User description 0x2901, presentation format 0x2904 and valid range 0x2906, GATT Specification Supplement."""
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        for served in bench.twins["a"]._served.values():
            for descriptor in served.descriptors:
                if "2904" in str(descriptor.type) and served is bench.twins["a"]._served["battery"]:
                    descriptor.value = bytes.fromhex("04002F27010000")
                if "2901" in str(descriptor.type) and served is bench.twins["a"]._served["climate"]:
                    descriptor.value = b"Cargo climate"

    run_bench(crate(tmp_path), log, 10, script)
    told = {str(e.facts["characteristic"]): str(e.facts["found"]) for e in events(log, EventKind.DESCRIPTOR_DIFFERS)}
    assert told == {
        "battery": "unit Celsius temperature (degree Celsius), the layout's is percent",
        "climate": "'Cargo climate', declared as 'Crate climate'",
    }
    assert figures(log)["a", "link", "descriptors_differ"].value == 2


def test_a_simulated_nodes_descriptors_agree_with_its_layout(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, shock="true"), log, 10)
    assert events(log, EventKind.DESCRIPTOR_DIFFERS) == []


def test_one_nodes_surprise_does_not_end_the_run_of_the_others(tmp_path: Path) -> None:
    text = CRATE.format(errors="0 percent", supervision="2 s", silent="30 s", period="1 s", shock="false", faults="")
    text += text[text.index("[node.a]") :].replace(".a", ".b").replace('"A"', '"B"')
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        odd = bench.supervisor.sessions[1]

        async def surprise(*_: Any) -> None:
            raise ZeroDivisionError("odd")

        odd._set_up = surprise  # type: ignore[method-assign]

    run_bench(run_file(tmp_path, text), log, 30, script)
    failures = [e for e in events(log, EventKind.CONNECT_FAILED) if e.node == "b"]
    assert len(failures) >= 2 and "unexpected: ZeroDivisionError" in str(failures[0].facts["reason"])
    assert figures(log)["a", "climate", "rate"].value == pytest.approx(1, rel=0.1)


def test_letting_go_slowly_takes_nothing_from_the_figures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from gateway.radio.stack import StackClient

    real = StackClient.disconnect

    async def slow(self: StackClient) -> None:
        self.link.gatt_client.notification_subscribers.clear()
        await asyncio.sleep(3)
        await real(self)

    monkeypatch.setattr(StackClient, "disconnect", slow)
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, period="0.1 s"), log, 60)
    found = figures(log)
    assert found["a", "climate", "rate"].value == pytest.approx(10, rel=0.01)
    assert (found["a", "climate", "gap_longest"].value or 9) < 0.2


def test_frames_that_come_again_during_the_probe_keep_the_link(tmp_path: Path) -> None:
    log = tmp_path / "run.db"
    probed: list[str] = []

    async def script(bench: Bench) -> None:
        await asyncio.sleep(20)
        (session,) = bench.supervisor.sessions
        assert session._link is not None
        again, real = session._receiver(session._link, "climate"), session._probe

        async def probe(*rest: Any) -> str:
            again(None, bytearray(9))  # type: ignore[arg-type]
            probed.append(await real(*rest))
            return probed[-1]

        session._probe = probe  # type: ignore[method-assign]
        bench.twins["a"].device.gatt_server.subscribers.clear()

    text = CRATE.format(errors="0 percent", supervision="2 s", silent="5 s", period="1 s", shock="false", faults="")
    run_bench(run_file(tmp_path, text.replace('battery = "10 s"', 'battery = "10 min"')), log, 50, script)
    assert len(probed) >= 4 and set(probed) == {"it responds to a read"}
    assert events(log, EventKind.LOST) == []


def test_indications_are_confirmed_and_a_node_that_gets_no_confirmation_lives_on(tmp_path: Path) -> None:
    plugin_folder(tmp_path, WEATHER_PLUGIN.replace('properties = ["notify"]', 'properties = ["indicate"]'), "station")
    config = run_file(
        tmp_path,
        '[run]\ntitle = "w"\nradio = "virtual"\nplugins = ["plugins"]\n[node.w]\nplugin = "station"\nfind = { name = "W" }\nsensor = { air = { period = "1 s" } }\n',
    )
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        await asyncio.sleep(20)
        bench.radio.air.silence(bench.twins["w"].device.host.hci_sink, True)
        await asyncio.sleep(50)
        bench.radio.air.silence(bench.twins["w"].device.host.hci_sink, False)

    run_bench(config, log, 120, script)
    assert events(log, EventKind.SUBSCRIBED)[0].facts["way"] == "indicate"
    assert len(events(log, EventKind.READY)) == 2
    assert figures(log)["w", "air", "rate"].value == pytest.approx(1, rel=0.1)


def test_links_are_dropped_so_long_after_each_set_up(tmp_path: Path) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        await asyncio.sleep(12)
        await next(iter(bench.twins["a"].device.connections.values())).disconnect()

    run_bench(crate(tmp_path, faults='drop_link_every = "20 s"'), log, 60, script)
    connected = [e.t_ns for e in events(log, EventKind.CONNECTED)]
    lost = [e.t_ns for e in events(log, EventKind.LOST)]
    assert (lost[1] - connected[1]) / 1e9 == pytest.approx(20, abs=1.5)


def test_settings_that_share_bytes_leave_other_bits_alone(tmp_path: Path) -> None:
    text = WEATHER_PLUGIN.replace(
        'fields = [{ name = "period", type = "uint8", lsb = "1 s" }]',
        'fields = [{ name = "mode", type = "uint3", names = { 0 = "slow" } }, { name = "period", type = "uint4", lsb = "1 s" }, { rfu = 1 }]',
    ).replace(
        'characteristic = "air_period", default = "60 s"',
        'characteristic = "air_period", field = "period", default = "2 s"',
    )
    plugin_folder(tmp_path, text, "station")
    config = run_file(
        tmp_path,
        '[run]\ntitle = "w"\nradio = "virtual"\nplugins = ["plugins"]\n[node.w]\nplugin = "station"\nfind = { name = "W" }\nsensor = { air = { period = "5 s" } }\n',
    )
    log = tmp_path / "run.db"
    written: list[bytes] = []

    async def script(bench: Bench) -> None:
        served = bench.twins["w"]._served["air_period"]
        served.value = CharacteristicValue(
            read=lambda _: written[-1] if written else b"\x9f", write=lambda _, raw: written.append(bytes(raw))
        )

    run_bench(config, log, 10, script)
    assert written == [bytes([0x80 | 5 << 3 | 7])]  # mode 7 has no name here, bit 7 is reserved: both as they were


def test_nothing_of_a_virtual_radio_lives_on_when_it_is_left(tmp_path: Path) -> None:
    """A simulated node that begins to advertise again just then."""

    async def scene() -> set[str]:
        config = crate(tmp_path)
        async with VirtualRadio(config.air) as radio:
            twin = Twin(
                config.nodes["a"].plugin,
                "A",
                config.twins["a"],
                make_host(radio.air, "A", config.twins["a"].address)[0],
                1,
            )
            await twin.device.power_on()
            await twin.device.power_off()
            straggler = asyncio.ensure_future(twin.device.start_advertising())
            await asyncio.sleep(0)
        assert straggler.done()
        return {task.get_name() for task in asyncio.all_tasks()} - {asyncio.current_task().get_name()}  # type: ignore[union-attr]

    assert on_virtual_time(scene) == set()


BLIND = """
[plugin]
kind = "probe"
title = "Two sensors set by a record that can't be read"
[characteristic.settings]
uuid = "b1c70014-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["write"]
fields = [
  { name = "a_on", type = "uint4" },
  { name = "b_on", type = "uint4" },
  { name = "b_every", type = "uint8", lsb = "0.1 s", limits = ["0.1 s", "20 s"] },
]
[sensor.a]
data = "a"
enable = { characteristic = "settings", field = "a_on", default = "on" }
[sensor.b]
data = "b"
enable = { characteristic = "settings", field = "b_on", default = "on" }
period = { characteristic = "settings", field = "b_every", default = "2 s" }
""" + "".join(
    f"""
[characteristic.{name}]
uuid = "b1c7001{number}-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "b1c70010-5d1e-4c1b-9a77-2f0d3c6e0001"
properties = ["notify"]
fields = [{{ name = "x", type = "uint8" }}]
"""
    for number, name in enumerate("ab", 2)
)


def test_a_sensor_that_a_run_is_not_told_to_set_stays_as_it_starts_where_its_setting_cannot_be_read(
    tmp_path: Path,
) -> None:
    plugin_folder(tmp_path, BLIND)
    text = '[run]\ntitle = "t"\nradio = "virtual"\nplugins = ["plugins"]\n[node.a]\nplugin = "probe"\n'
    config = run_file(tmp_path, text + 'find = { name = "A" }\nsensor = { a = { on = true } }\n')
    log = tmp_path / "run.db"
    run_bench(config, log, 20)
    (written,) = events(log, EventKind.SETTING)
    assert written.facts["written"] == "1114" and written.facts["on"] == {"a": True, "b": True}
    assert len(rows(log, "SELECT 1 FROM probe_b")) >= 8


def test_every_link_is_released_also_after_a_loss(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only that frees what a system holds for a link: without it BlueZ delivers each value once more after each loss."""
    made, released = [], []
    client, left = VirtualRadio.client, StackClient.disconnect

    async def counted(self: StackClient) -> None:
        released.append(self)
        await left(self)

    monkeypatch.setattr(VirtualRadio, "client", lambda *args: made.append(client(*args)) or made[-1])
    monkeypatch.setattr(StackClient, "disconnect", counted)
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, faults='drop_link_every = "10 s"'), log, 60)
    assert len(events(log, EventKind.LOST)) >= 3
    assert {id(one._backend) for one in made} == {id(one) for one in released}


def test_values_that_come_while_a_link_is_ended_in_order_are_values(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = StackClient.disconnect

    async def slow(self: StackClient) -> None:
        await asyncio.sleep(2.4)  # as long as BlueZ 5.66 took
        await left(self)

    monkeypatch.setattr(StackClient, "disconnect", slow)
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, period="0.1 s"), log, 20)
    ((last, ended),) = rows(log, "SELECT max(f.t_ns), run.ended_ns FROM loan_crate_climate f, run")
    assert last - ended > 2e9 and not events(log, EventKind.LATE_CALLBACK)
    assert figures(log)["a", "climate", "rate"].value == pytest.approx(10, rel=0.02)


def test_a_silent_link_is_probed_with_what_is_not_subscribed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """BlueZ passes a read of a subscribed characteristic on as a notification, which would feed the watchdog."""
    read: list[str] = []
    reading = StackClient.read_gatt_char

    async def noted(self: StackClient, characteristic: BleakGATTCharacteristic, **more: Any) -> bytearray:
        read.append(characteristic.uuid)
        return await reading(self, characteristic, **more)

    async def script(bench: Bench) -> None:
        await asyncio.sleep(20)
        read.clear()
        bench.twins["a"].device.gatt_server.subscribers.clear()

    monkeypatch.setattr(StackClient, "read_gatt_char", noted)
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path, silent="5 s"), log, 24.9, script)
    assert not {find_plugin("loan-crate").characteristics[name].uuid for name in ("climate", "shock", "light")} & {
        *read
    }


def test_a_node_that_the_system_has_a_link_with_is_taken_over_without_an_advertisement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a run that was killed leaves it on BlueZ."""

    async def connected(self: VirtualRadio, services: Sequence[str]) -> list[BLEDevice]:
        assert find_plugin("loan-crate").characteristics["climate"].service in services
        return held

    async def script(bench: Bench) -> None:
        address = bench.twins["a"].device.random_address
        held.append(BLEDevice(address.to_string(False), "A", address))

    held: list[BLEDevice] = []
    monkeypatch.setattr(VirtualRadio, "connected", connected)
    monkeypatch.setattr("gateway.session.seek.matches", lambda *_: False)  # nothing is heard
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path), log, 30, script)
    assert "rssi_dbm" not in events(log, EventKind.FOUND)[0].facts
    assert events(log, EventKind.READY) and rows(log, "SELECT count(*) FROM loan_crate_climate")[0][0] > 10


def test_a_system_that_remembers_tables_is_made_to_forget_one_that_contradicts_and_only_then_is_a_node_unfit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forgotten: list[str] = []

    async def forget(self: VirtualRadio, device: BLEDevice) -> None:
        forgotten.append(device.address)

    monkeypatch.setattr(VirtualRadio, "remembers", lambda self, device: True)
    monkeypatch.setattr(VirtualRadio, "forget", forget)
    monkeypatch.setattr(
        "gateway.session.node.resolve", lambda client, node: (_ for _ in ()).throw(NodeError("lacks x"))
    )
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path), log, 60)
    (event,) = events(log, EventKind.FORGOTTEN)
    assert forgotten == [event.facts["address"]] and "lacks x" in str(event.facts["reason"])
    assert len(events(log, EventKind.CONNECTED)) == 1 + UNFIT_AFTER and events(log, EventKind.UNFIT)


def test_an_empty_table_is_a_failed_link_and_never_unfit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.session.node.structure", lambda client, table: [])
    log = tmp_path / "run.db"
    run_bench(crate(tmp_path), log, 120)
    assert len(events(log, EventKind.CONNECT_FAILED)) > UNFIT_AFTER and not events(log, EventKind.UNFIT)


def test_an_address_that_changes_under_a_name_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "run.db"

    async def script(bench: Bench) -> None:
        await asyncio.sleep(10)
        bench.radio.air.silence(bench.twins["a"].device.host.hci_sink, True)
        device, _ = make_host(bench.radio.air, "A", "C2:10:00:00:00:77")
        await device.power_on()
        await device.start_advertising(auto_restart=True, advertising_data=bytes([2, 9, 65]))

    run_bench(crate(tmp_path), log, 60, script)
    (event,) = events(log, EventKind.ADDRESS)[:1]
    assert event.facts["found"] == "C2:10:00:00:00:77" and "another node" in str(event.facts["note"])


def test_a_characteristic_that_calls_itself_what_another_is_called_is_told(tmp_path: Path) -> None:
    """As where two have changed places in a new firmware, and their descriptions with them."""

    async def script(bench: Bench) -> None:
        light = bench.twins["a"]._served["light"]
        title = bench.twins["a"].plugin.characteristics["shock"].title
        for descriptor in light.descriptors:
            if descriptor.type == UUID.from_16_bits(0x2901):
                descriptor.value = title.encode()

    run_bench(crate(tmp_path), tmp_path / "x.db", 10, script)
    (told,) = events(tmp_path / "x.db", EventKind.DESCRIPTOR_DIFFERS)
    assert told.facts["characteristic"] == "light" and "shock is called" in str(told.facts["found"])
