"""Audits: each rule broken once shows just that, sound nodes pass, and what could not be seen is no pass."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
from bumble.core import UUID, AdvertisingData
from bumble.device import Device
from bumble.gatt import Characteristic, Descriptor, Service
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService
from bumble.profiles.heart_rate_service import HeartRateService

from gateway.app.verify.audit import audit_file, audit_live
from gateway.capture.att import Bearer, Group, Heard, ServerTable
from gateway.capture.discovery import _found, _Server, tables_in
from gateway.capture.hci import Directory
from gateway.capture.record import Trouble
from gateway.config import AirConfig, load_run
from gateway.model.gatt import Advertised, FoundCharacteristic, FoundDescriptor, FoundService, FoundTable
from gateway.model.radios import RadioName
from gateway.model.records import Outcome
from gateway.plugin import Plugin, find_plugin, load_plugin
from gateway.plugin.standard.adopted import BASE_UUID
from gateway.radio.virtual import VirtualRadio, make_host
from gateway.report.firmware import audit_lines, audits_json, audits_junit
from gateway.session.discover import discover, look_for
from gateway.verify.audit import RULES, Audit, Sight, audit_table
from tests.capture.test_foreign import TimedSnooper
from tests.support import on_virtual_time, plugin_folder, run_bench, run_file

ROOT = Path(__file__).parents[2]
CRATE = find_plugin("loan-crate")


def audited(path: Path, plugin: Plugin) -> list[Audit]:
    found = audit_file(path, plugin, None)
    assert found is not None
    return found[0]


def broken(audit: Audit) -> set[str]:
    """The rules that an audit found broken."""
    return {one.rule.name for one in audit.checked if one.outcome is Outcome.FAIL}


def served_as(folder: Path, change: Callable[[str], str]) -> Plugin:
    """The crate's plugin with something changed, for a simulated node to be made from."""
    text = change(CRATE.text)
    assert text != CRATE.text
    return load_plugin(plugin_folder(folder, text, "loan-crate"))


def without(text: str, start: str) -> str:
    """A table taken out of a plugin's text."""
    at = text.index(start)
    end = text.find("\n[", at + 1)
    return text[:at] + (text[end + 1 :] if end >= 0 else "")


def test_a_node_made_from_its_plugin_passes() -> None:
    audit = on_virtual_time(lambda: audit_live("CRATE", CRATE, "virtual", 3))
    assert audit.outcome is Outcome.PASS and not audit.unseen
    assert [one.findings for one in audit.checked if one.findings] == []


UNDECLARED = """
[characteristic.secret]
uuid = "b1c700ee-5d1e-4c1b-9a77-2f0d3c6e0001"
service = "9fb93534-081c-4253-b1e2-73a87984a8ab"
properties = ["read"]
fields = [{ name = "x", type = "uint8" }]
"""
DEPARTURES: list[tuple[str, Callable[[str], str]]] = [  # what a node serves, and the rule that this breaks
        ("declared-there", lambda text: without(text, "[characteristic.battery]")),
        ("declared-there", lambda text: text.replace("8b3a1535-", "b1c700ff-")),
        ("in-its-service", lambda text: text.replace('service     = "9fb93534', 'service     = "b1c700aa')),
        ("properties-as-declared", lambda text: text.replace('properties  = ["read", "notify"]', 'properties  = ["read", "indicate"]')),
        ("descriptors-agree", lambda text: text.replace('description = "Crate climate"', 'description = "Great climate"')),
        ("values-fit", lambda text: text.replace('{ name = "pressure",    type = "uint24"', '{ name = "pressure",    type = "uint32"')),
        ("reserved-bits", lambda text: text.replace("  { rfu = 1 },", '  { name = "more", type = "uint1", limits = ["1", "1"], default = 1 },')),
        ("nothing-else", lambda text: text + UNDECLARED),
]  # fmt: skip
ADVERTISED = [("advertises", line) for line in ('name = "BORE"', 'interval = "1 s"', 'services = ["0x1809"]')]


@pytest.mark.parametrize(("rule", "change"), DEPARTURES)
def test_what_differs_from_the_plugin_is_found_and_nothing_else(
    tmp_path: Path, rule: str, change: Callable[[str], str]
) -> None:
    served = served_as(tmp_path, change)
    audit = on_virtual_time(lambda: audit_live("CRATE", CRATE, "virtual", 3, served))
    extra = {"nothing-else"} if "b1c700ff" in served.text else set()
    assert broken(audit) == {rule} | extra


def advertising(folder: Path, lines: str) -> Plugin:
    return served_as(folder, lambda text: text + f"\n[advertising]\n{lines}\n")


def test_advertising_as_declared_passes(tmp_path: Path) -> None:
    good = advertising(tmp_path, 'name = "CRATE"\ninterval = "100 ms"')
    assert on_virtual_time(lambda: audit_live("CRATE", good, "virtual", 3)).outcome is Outcome.PASS


@pytest.mark.parametrize(("rule", "line"), ADVERTISED)
def test_advertising_that_differs_is_found_and_nothing_else(tmp_path: Path, rule: str, line: str) -> None:
    plugin = advertising(tmp_path, line)
    assert broken(on_virtual_time(lambda: audit_live("CRATE", plugin, "virtual", 3))) == {rule}


SERVICE = BASE_UUID.format(0x180F)
LEVEL = BASE_UUID.format(0x2A19)
OWN = "b1c700{}-5d1e-4c1b-9a77-2f0d3c6e0001"


def sound() -> FoundTable:
    """Generic Access, a battery and a service of its own, as a capture shows them."""

    def item(handle: int, uuid: str, *properties: str, configured: bool = False) -> FoundCharacteristic:
        descriptors = [FoundDescriptor(handle + 1, BASE_UUID.format(0x2902), b"\0\0")] if configured else []
        return FoundCharacteristic(handle, uuid, frozenset(properties), handle - 1, descriptors)

    access = FoundService(BASE_UUID.format(0x1800), 1, 5)
    access.characteristics = [item(3, BASE_UUID.format(0x2A00), "read"), item(5, BASE_UUID.format(0x2A01), "read")]
    battery = FoundService(SERVICE, 6, 9)
    battery.characteristics = [item(8, LEVEL, "read", "notify", configured=True)]
    battery.characteristics[0].read.append(b"\x50")
    own = FoundService(OWN.format("10"), 10, 16)
    own.characteristics = [item(12, OWN.format("11"), "notify", configured=True), item(16, OWN.format("12"), "read")]
    said = FoundService(BASE_UUID.format(0x180A), 17, 19)
    said.characteristics = [item(19, BASE_UUID.format(0x2A26), "read")]
    return FoundTable("node", [access, battery, own, said], 247)


def own_of(table: FoundTable) -> FoundCharacteristic:
    return table.services[2].characteristics[0]


def set_end(table: FoundTable) -> None:
    table.services[1].end = 11


def outside(table: FoundTable) -> None:
    table.services[2].end = 14


def far_value(table: FoundTable) -> None:
    own_of(table).declaration = 10


def same_handle(table: FoundTable) -> None:
    table.services[2].characteristics[1].descriptors.append(FoundDescriptor(12, BASE_UUID.format(0x2901), b"x"))


def no_property(table: FoundTable) -> None:
    table.services[2].characteristics[1].properties = frozenset()


def no_configuration(table: FoundTable) -> None:
    own_of(table).descriptors.clear()


def broadcasts(table: FoundTable) -> None:
    own_of(table).properties |= {"broadcast"}


def odd_configuration(table: FoundTable) -> None:
    own_of(table).descriptors[0].raw = b"\x04\0"


def short_format(table: FoundTable) -> None:
    own_of(table).descriptors.append(FoundDescriptor(14, BASE_UUID.format(0x2904), b"\x04\0\xad\x27"))


def twice(table: FoundTable) -> None:
    table.services[2].characteristics[1].uuid = own_of(table).uuid


def unassigned(table: FoundTable) -> None:
    own_of(table).uuid = BASE_UUID.format(0x2AFF + 0x200)


def wrong_kind(table: FoundTable) -> None:
    own_of(table).uuid = SERVICE


def no_level(table: FoundTable) -> None:
    table.services[1].characteristics[0].uuid = OWN.format("13")


def no_access(table: FoundTable) -> None:
    del table.services[0]


def refuses(table: FoundTable) -> None:
    table.services[2].characteristics[1].refused = "ATT error 0x02"


def deaf(table: FoundTable) -> None:
    own_of(table).not_subscribed = "ATT error 0x03"


def indicates(table: FoundTable) -> None:
    own_of(table).pushed.append((False, b"\1"))


def strays(table: FoundTable) -> None:
    table.strays.append(4)


def unasked(table: FoundTable) -> None:
    table.unasked.append(12)


def too_long(table: FoundTable) -> None:
    own_of(table).pushed.append((True, bytes(245)))


def beyond(table: FoundTable) -> None:
    table.services[1].characteristics[0].read.append(b"\x65")


def two_bytes(table: FoundTable) -> None:
    table.services[1].characteristics[0].read.append(b"\x50\x00")


def misbehaves(table: FoundTable) -> None:
    table.breaches = [("response 0x0D to request 0x0A", "0x0B or an error (3.4)")]


BREACHES = [
    (misbehaves, "keeps-the-protocol"),
    (set_end, "service-ranges"),
    (outside, "inside-service"),
    (far_value, "value-follows"),
    (same_handle, "one-handle-each"),
    (no_property, "some-property"),
    (no_configuration, "needs-configuration"),
    (broadcasts, "descriptors-match"),
    (odd_configuration, "descriptor-values"),
    (short_format, "descriptor-values"),
    (twice, "uuid-once"),
    (unassigned, "assigned"),
    (wrong_kind, "assigned"),
    (no_level, "mandatory"),
    (no_access, "generic-access"),
    (refuses, "read-permitted"),
    (deaf, "subscribable"),
    (indicates, "pushes-as-offered"),
    (strays, "pushes-as-offered"),
    (unasked, "asked-first"),
    (too_long, "lengths"),
    (beyond, "adopted-values"),
    (two_bytes, "adopted-values"),
]


@pytest.mark.parametrize(("change", "rule"), BREACHES)
def test_each_rule_broken_once_shows_just_that(change: Callable[[FoundTable], None], rule: str) -> None:
    table = sound()
    assert broken(audit_table(table, None)) == set()
    change(table)
    assert broken(audit_table(table, None)) == {rule}


def of_samples(shock: str) -> Audit:
    """A crate at an ATT_MTU of 23, whose shock is declared so."""
    table = FoundTable("node", mtu=23)
    own = FoundService(CRATE.characteristics["shock"].service)
    own.characteristics = [FoundCharacteristic(9, CRATE.characteristics["shock"].uuid, frozenset({"notify"}))]
    table.services = [own]
    return audit_table(table, load_plugin_with(CRATE.text.replace("samples    = { every", shock)))


TOO_LONG = [("fits-mtu", "samples    = { count = 10, every")]


def test_as_many_samples_as_a_notification_holds_are_the_nodes_choice() -> None:
    fits = next(one for one in of_samples("samples    = { every").checked if one.rule.name == "fits-mtu")
    assert fits.outcome is Outcome.PASS


@pytest.mark.parametrize(("rule", "shock"), TOO_LONG)
def test_values_that_a_notification_can_not_hold_are_found(rule: str, shock: str) -> None:
    assert rule in broken(of_samples(shock))


def test_every_strict_rule_is_broken_by_some_test() -> None:
    """By the parameters of the tests above, each of which asks that its rule is the one broken."""
    tried = {rule for _, rule in BREACHES} | {rule for rule, _ in (*DEPARTURES, *ADVERTISED, *TOO_LONG)}
    assert {rule.name for rule in RULES if rule.strict} == tried


def load_plugin_with(text: str) -> Plugin:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        return load_plugin(plugin_folder(Path(folder), text, "loan-crate"))


def test_what_was_not_seen_is_never_a_pass() -> None:
    table = sound()
    table.unseen.append("the rest: the link was lost")
    assert audit_table(table, None).outcome is Outcome.INCONCLUSIVE
    assert audit_table(FoundTable("node"), None).outcome is Outcome.INCONCLUSIVE
    assert on_virtual_time(_nobody).outcome is Outcome.INCONCLUSIVE


async def _nobody() -> Audit:
    async with VirtualRadio(AirConfig()) as radio:
        device, _ = await look_for(radio, "NOBODY", 1)
        assert device is None
        return audit_table(FoundTable("NOBODY", unseen=["anything"]), None)


async def audit_device(
    services: list[Service], script: Callable[[Device], None] | None = None
) -> tuple[Audit, FoundTable]:
    """Audit a bumble device that serves these."""
    async with VirtualRadio(AirConfig()) as radio:
        device, _ = make_host(radio.air, "NODE", "C2:10:00:00:00:0C")
        device.add_services(services)
        await device.power_on()
        device.advertising_data = bytes(AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, b"NODE")]))
        await device.start_advertising(auto_restart=True, advertising_interval_min=100, advertising_interval_max=100)
        found, _ = await look_for(radio, "NODE", 1)
        assert found is not None
        if script is not None:
            asyncio.get_running_loop().call_later(1.0, script, device)
        table = await discover(radio, found, "NODE", 2)
        await device.power_off()
        return audit_table(table, None), table


def test_bumbles_own_servers_pass() -> None:
    """bumble's heart rate, battery and device information services are an independent reading of the specifications."""
    services = [
        HeartRateService(lambda _: HeartRateService.HeartRateMeasurement(heart_rate=100)),
        BatteryService(lambda _: 80),
        DeviceInformationService(manufacturer_name="Invented", firmware_revision="1.0"),
    ]
    audit, table = on_virtual_time(lambda: audit_device(services))
    assert audit.outcome is Outcome.PASS, [one.findings for one in audit.checked if one.findings]
    assert {s.uuid[4:8] for s in table.services} >= {"180d", "180f", "180a"}


def test_five_hundred_attributes_are_walked() -> None:
    items = [
        Characteristic(
            UUID(OWN.format(f"{i:02x}")[:-4] + f"{i:04x}"),
            Characteristic.Properties.READ,
            Characteristic.READABLE,
            bytes([i & 255]),
        )
        for i in range(250)
    ]
    audit, table = on_virtual_time(lambda: audit_device([Service(UUID(OWN.format("10")), items)]))
    assert audit.attributes > 500 and not audit.unseen
    assert len([item for _, item in table.characteristics if item.read]) >= 250


def test_a_node_that_vanishes_half_way_leaves_it_inconclusive() -> None:
    items = [
        Characteristic(
            UUID(OWN.format("20")[:-4] + f"{i:04x}"), Characteristic.Properties.READ, Characteristic.READABLE, b"x"
        )
        for i in range(200)
    ]

    ending: list[asyncio.Future[None]] = []

    def vanish(device: Device) -> None:
        for connection in list(device.connections.values()):
            ending.append(asyncio.ensure_future(connection.disconnect()))

    audit, _ = on_virtual_time(lambda: audit_device([Service(UUID(OWN.format("10")), items)], vanish))
    assert audit.outcome is Outcome.INCONCLUSIVE
    assert "the rest" in audit.unseen[0]


def test_what_needs_pairing_is_told(tmp_path: Path) -> None:
    item = Characteristic(
        UUID(OWN.format("20")), Characteristic.Properties.READ, Characteristic.READ_REQUIRES_ENCRYPTION, b"x"
    )
    audit, _ = on_virtual_time(lambda: audit_device([Service(UUID(OWN.format("10")), [item])]))
    notes = {one.rule.name: one for one in audit.checked if one.findings and not one.rule.strict}
    assert "ATT error 0x0F" in notes["protected"].findings[0].found


def test_a_capture_of_a_discovery_is_audited_like_the_node_itself(tmp_path: Path) -> None:
    """The same node on the air and in the snoop file of the host that walked it, one characteristic without its
    client configuration and with a presentation format cut short."""
    path = tmp_path / "walk.btsnoop"

    async def both() -> Audit:
        async with VirtualRadio(AirConfig()) as radio:
            with path.open("wb") as file:
                radio.host.host.snooper = TimedSnooper(file)
                device, _ = make_host(radio.air, "NODE", "C2:10:00:00:00:0C")
                format_ = Descriptor(UUID.from_16_bits(0x2904), Descriptor.READABLE, b"\x04\x00\xad\x27")
                item = Characteristic(
                    UUID(OWN.format("20")),
                    Characteristic.Properties.READ | Characteristic.Properties.NOTIFY,
                    Characteristic.READABLE,
                    b"x",
                    [format_],
                )
                device.add_services([Service(UUID(OWN.format("10")), [item]), BatteryService(lambda _: 80)])
                configuration = next(
                    a
                    for a in device.gatt_server.attributes
                    if a.type == UUID.from_16_bits(0x2902) and a.handle > item.handle
                )
                assert configuration.handle == item.handle + 2
                configuration.type = UUID.from_16_bits(0x2901)
                await device.power_on()
                device.advertising_data = bytes(AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, b"NODE")]))
                await device.start_advertising(
                    auto_restart=True, advertising_interval_min=100, advertising_interval_max=100
                )
                found, _ = await look_for(radio, "NODE", 1)
                assert found is not None
                live = audit_table(await discover(radio, found, "NODE", 1), None)
                radio.host.host.snooper = None
                await device.power_off()
            return live

    live = on_virtual_time(both)
    (table,) = [t for t in tables_in(path, Trouble()) if t.who == "NODE"]
    recorded = audit_table(table, None)
    assert broken(live) == broken(recorded) == {"needs-configuration", "descriptor-values"}
    assert not table.unseen


def test_a_log_is_audited_by_the_table_that_was_found(tmp_path: Path) -> None:
    run = """
[run]
title = "t"
radio = "virtual"
[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "0.5 s" } }
poll = { battery = "5 s" }
"""
    run_bench(run_file(tmp_path, run), tmp_path / "x.db", 10)
    (audit,) = audited(tmp_path / "x.db", CRATE)
    assert broken(audit) == set() and audit.outcome is Outcome.INCONCLUSIVE
    assert next(one for one in audit.checked if one.rule.name == "values-fit").outcome is Outcome.PASS


def test_advertising_that_was_not_heard_long_enough_is_not_judged() -> None:
    plugin = load_plugin_with(CRATE.text + '\n[advertising]\ninterval = "1 s"\n')
    table = sound()
    table.advertised = Advertised("node", [], [0.1] * 9)
    rule = next(one for one in audit_table(table, plugin).checked if one.rule.name == "advertises")
    assert rule.outcome is Outcome.INCONCLUSIVE


def test_results_are_told_to_people_and_machines() -> None:
    table = sound()
    own_of(table).descriptors.clear()
    audit = audit_table(table, None)
    lines = [line.plain for line in audit_lines(audit)]
    assert (
        lines[0]
        == "FAIL  0x000C b1c70011-5d1e-4c1b-9a77-2f0d3c6e0001: notify without a Client Characteristic Configuration descriptor"
    )
    assert json.loads(audits_json([audit]))[0]["outcome"] == "fail"
    suite = ElementTree.fromstring(audits_junit([audit]).partition("\n")[2]).find("testsuite")
    assert suite is not None and suite.get("failures") == "1"


def test_a_capture_knows_that_it_has_seen_the_last_descriptor() -> None:
    """The last service of a table may end at 0xFFFF: that nothing more is there is told by an error of 0x0A."""
    table, trouble = ServerTable(), Trouble()
    bearer = Bearer(("client", "server"), (ServerTable(), table), trouble)
    exchanges = [
        ("10 0100ffff0028", "11 06 0100ffff0018"),
        ("08 0100ffff0328", "09 07 0200 10 0300 002a"),
        ("04 0400ffff", "05 01 0400 0129"),
        ("04 0500ffff", "01 04 0500 0a"),
    ]
    for request, response in exchanges:
        assert list(bearer.take(0, 0, bytes.fromhex(request))) == []
        assert list(bearer.take(0, 1, bytes.fromhex(response))) == []
    found = found_of("server", table)
    (item,) = found.services[0].characteristics
    assert item.whole and [one.handle for one in item.descriptors] == [4] and not found.unseen
    assert broken(audit_table(found, None)) == {"needs-configuration", "mandatory"}
    table.nothing_from.clear()
    assert not found_of("server", table).services[0].characteristics[0].whole


def test_a_subscription_that_is_refused_in_a_capture_is_found() -> None:
    table = ServerTable(
        services={1: Group(4, SERVICE, True)},
        declared={3: (2, 0x12)},
        values={3: LEVEL},
        uuids={2: BASE_UUID.format(0x2803), 4: BASE_UUID.format(0x2902)},
    )
    bearer = Bearer(("client", "server"), (ServerTable(), table), Trouble())
    server = _Server()
    for sender, raw in ((0, "12 0400 0100"), (1, "01 12 0400 03")):
        for item in bearer.take(0, sender, bytes.fromhex(raw)):
            assert isinstance(item, Heard)
            server.heard(item)
    assert "subscribable" in broken(audit_table(_found("server", table, server, Directory()), None))


def found_of(name: str, table: ServerTable) -> FoundTable:
    return _found(name, table, _Server(), Directory())


def test_what_was_declared_and_could_be_seen_but_was_not_makes_the_whole_inconclusive(tmp_path: Path) -> None:
    """An interval of one second is declared, and the node is listened to for 100 ms."""
    text = CRATE.text + '\n[advertising]\ninterval = "1 s"\n'
    plugin = load_plugin(plugin_folder(tmp_path, text, "loan-crate"))
    audit = on_virtual_time(lambda: audit_live("CRATE", plugin, RadioName.VIRTUAL, 0.15))
    missed = {one.rule.name for one in audit.checked if one.sight is Sight.MISSED}
    assert "advertises" in missed and audit.outcome is Outcome.INCONCLUSIVE
    assert any("advertises as declared" in line.plain for line in audit_lines(audit))


def test_what_a_source_cannot_show_does_not_keep_it_from_passing() -> None:
    audit = on_virtual_time(lambda: audit_live("CRATE", CRATE, RadioName.VIRTUAL, 3))
    hidden = {one.rule.name for one in audit.checked if one.sight is Sight.NOT_HERE}
    assert "keeps-the-protocol" in hidden and audit.outcome is Outcome.PASS


def test_values_of_a_log_that_were_read_are_no_pushes(tmp_path: Path) -> None:
    """A polled gauge sends nothing by itself: what it answered to reads was once taken for indications."""
    log = tmp_path / "bore.db"
    run_bench(load_run(ROOT / "configs" / "bore.toml"), log, 15)
    (audit,) = audited(log, find_plugin("bore-gauge"))
    assert broken(audit) == set(), [one.findings for one in audit.checked if one.findings]
