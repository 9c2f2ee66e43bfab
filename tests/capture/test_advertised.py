"""What nodes advertise, in captures: a phone's log of a scan and a sniffer's file, made by bumble and scapy and read by
tshark as well, give the frames and the figures of who listened."""

from __future__ import annotations

import struct
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from bumble import hci
from scapy.layers.bluetooth import (
    EIR_CompleteLocalName,
    EIR_Flags,
    EIR_Hdr,
    EIR_ServiceData16BitUUID,
)
from scapy.layers.bluetooth4LE import BTLE, BTLE_ADV, BTLE_ADV_IND, BTLE_ADV_NONCONN_IND, BTLE_RF, BTLE_SCAN_RSP
from scapy.packet import Raw
from scapy.utils import PcapWriter

from gateway.app.replay import replay
from gateway.capture import ForeignCapture
from gateway.capture.advertised import parts_of
from gateway.capture.att import Advertised, Scanning
from gateway.capture.hci import Directory, HciFollower
from gateway.capture.linklayer import crc24
from gateway.capture.links import heard_in
from gateway.capture.record import Record, Trouble
from gateway.capture.summary import capture_contents
from gateway.capture.window import AIR_FACTS, H4_DIRECTION, Packet
from gateway.log.reader import Log
from gateway.model.events import EventKind, Found, LinkEvent, Listening
from gateway.model.events import Heard as HowHeard
from gateway.model.records import Frame
from gateway.plugin import Plugin, load_plugin
from gateway.plugin.model import Broadcast
from tests.capture.test_foreign import TimedSnooper
from tests.session.test_broadcast import CELL, LINKED, TAG, bench
from tests.support import Bench, events, figures, needs_program, plugin_folder, run_bench

ADDRESS, OTHER = "C2:10:00:00:00:01", "C2:10:00:00:00:02"
FLAGS = EIR_Hdr() / EIR_Flags(flags=6)
SECOND_NS = 10**9


def _manufacturer(company: int, value: bytes) -> EIR_Hdr:
    return EIR_Hdr(type=0xFF) / Raw(company.to_bytes(2, "little") + value)


def advertised(
    number: int, kind: type = BTLE_ADV_NONCONN_IND, address: str = ADDRESS, company: int = 0xFFFF, name: str = ""
) -> BTLE:
    """An advertisement with the values of a shelf tag, as scapy writes it."""
    value = bytes([number & 0xFF]) + (2100 + number).to_bytes(2, "little")
    data = [FLAGS, _manufacturer(company, value)]
    data += [EIR_Hdr() / EIR_ServiceData16BitUUID(svc_uuid=0x180F) / b"\x96"]
    data += [EIR_Hdr() / EIR_CompleteLocalName(local_name=name)] if name else []
    pdu = BTLE() / BTLE_ADV(TxAdd=1) / kind(AdvA=address, data=data)
    return BTLE(bytes(pdu))  # with its check


def sniffed(path: Path, packets: list[tuple[float, BTLE]], dbm: int = -61) -> Path:
    """A file of link type 256."""
    with PcapWriter(str(path), linktype=AIR_FACTS) as writer:
        for t_s, packet in packets:
            auxiliary = bytes(packet)[4] == 0x47 and bytes(packet)[5] != 7  # of a chain, but not its ADV_EXT_IND
            goes_on = auxiliary and not bytes(packet)[7] & 1  # an AUX_CHAIN_IND, as the fields of a MIC say then
            head = BTLE_RF(
                rf_channel=6 * auxiliary, signal=dbm, type=auxiliary, phy=0, crc_checked=1, crc_valid=1, dewhitened=1,
                sig_power_valid=1, mic_checked=goes_on,
            )  # fmt: skip
            framed = head / packet
            framed.time = 1_700_000_000 + t_s
            writer.write(framed)
    return path


@pytest.fixture
def tag(tmp_path: Path) -> Plugin:
    return load_plugin(plugin_folder(tmp_path, TAG + CELL, "shelf-tag"))


def read(path: Path, *plugins: Plugin, names: dict[str, str] | None = None) -> tuple[list[Record], ForeignCapture]:
    capture = ForeignCapture(path, plugins, names or {}, {})
    return list(capture.records()), capture


def frames(records: list[Record], channel: str) -> list[Frame]:
    return [one for one in records if isinstance(one, Frame) and one.channel == channel]


def test_a_sniffers_file_gives_each_new_value_once_with_its_strength(tmp_path: Path, tag: Plugin) -> None:
    packets = [(n / 10, advertised(n // 5)) for n in range(50)]
    records, capture = read(sniffed(tmp_path / "x.pcap", packets), tag)
    climate = frames(records, "climate")
    assert [one.raw[0] for one in climate] == list(range(10)) and {one.node for one in climate} == {ADDRESS}
    assert len(frames(records, "cell")) == 50 and not capture.trouble.counts
    told = [one.detail for one in records if isinstance(one, LinkEvent)]
    assert Listening(on=True, alone=True) in told
    assert Found(rssi_dbm=-61, address=ADDRESS, name="") in told
    assert HowHeard(rssi_dbm=-61, weakest_dbm=-61, advertisements=50, repeated=40) in told


@needs_program("tshark")
def test_the_parts_of_advertisements_are_those_that_tshark_reads(tmp_path: Path, tag: Plugin) -> None:
    packets = [(n / 10, advertised(n, name="TAG")) for n in range(20)]
    path = sniffed(tmp_path / "x.pcap", packets)
    fields = ("btle.advertising_address", "btcommon.eir_ad.entry.company_id", "btcommon.eir_ad.entry.data")
    command = ["tshark", "-r", str(path), "-T", "fields", *(part for name in fields for part in ("-e", name))]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    told = [line.split("\t") for line in lines]
    assert len(told) == 20 and {(row[0].upper(), int(row[1], 16)) for row in told} == {(ADDRESS, 0xFFFF)}
    climate = frames(read(path, tag)[0], "climate")
    assert [row[2].split(",")[0] for row in told] == [one.raw.hex() for one in climate]


def test_who_was_named_is_taken_and_nobody_else(tmp_path: Path, tag: Plugin) -> None:
    packets = [
        (n / 10, advertised(n, address=(ADDRESS, OTHER)[n % 2], name=("TAG", "OTHER")[n % 2])) for n in range(20)
    ]
    path = sniffed(tmp_path / "x.pcap", packets)
    assert {one.node for one in frames(read(path, tag, names={"TAG": "tag"})[0], "climate")} == {"tag"}
    assert {one.node for one in frames(read(path, tag, names={OTHER: "o"})[0], "climate")} == {"o"}
    assert {one.node for one in frames(read(path, tag)[0], "climate")} == {ADDRESS, OTHER}


def test_a_node_that_changes_its_address_stays_the_same(tmp_path: Path, tag: Plugin) -> None:
    packets = [(n, advertised(n // 2, address=(ADDRESS, OTHER)[n > 9], name="TAG")) for n in range(20)]
    records, _ = read(sniffed(tmp_path / "x.pcap", packets), tag, names={"TAG": "tag"})
    assert [one.raw[0] for one in frames(records, "climate")] == list(range(10))
    told = [one.detail for one in records if isinstance(one, LinkEvent)]
    assert [one.address for one in told if isinstance(one, Found)] == [ADDRESS, OTHER]
    assert [one.on for one in told if isinstance(one, Listening)] == [True]


def test_a_node_whose_name_comes_after_its_first_values_loses_none_of_them(tmp_path: Path, tag: Plugin) -> None:
    """Its name is in the scan response only, and it changes its address."""

    def response(address: str) -> BTLE:
        name = EIR_Hdr() / EIR_CompleteLocalName(local_name="TAG")
        return BTLE(bytes(BTLE() / BTLE_ADV(TxAdd=1) / BTLE_SCAN_RSP(AdvA=address, data=[name])))

    packets = [(float(n), advertised(n, address=(ADDRESS, OTHER)[n > 19])) for n in range(40)]
    packets += [(4.5, response(ADDRESS)), (30.5, response(OTHER))]
    packets += [(50.0, advertised(50, address="C2:10:00:00:00:03"))]
    records, capture = read(
        sniffed(tmp_path / "x.pcap", sorted(packets, key=lambda one: one[0])), tag, names={"TAG": "tag"}
    )
    assert [one.raw[0] for one in frames(records, "climate")] == list(range(40))
    assert capture.trouble.counts == {"advertisement of an address whose name is not in the capture": 1}


def test_a_node_that_was_named_is_taken_though_its_values_do_not_fit(tmp_path: Path, tag: Plugin) -> None:
    short = [BTLE(bytes(BTLE() / BTLE_ADV() / BTLE_ADV_IND(AdvA=OTHER, data=[_manufacturer(0xFFFF, bytes([n, 1]))]))) for n in range(5)]  # fmt: skip
    path = sniffed(tmp_path / "x.pcap", list(enumerate(short)))
    assert [one.raw[0] for one in frames(read(path, tag, names={OTHER: "tag"})[0], "climate")] == [0, 1, 2, 3, 4]
    records, capture = read(path, tag)
    assert not records
    assert capture.trouble.counts == {"advertised value that fits no layout: manufacturer data of company 0xFFFF": 5}


def test_a_scan_that_is_switched_on_and_off_is_not_told_of_addresses_long_gone(tmp_path: Path, tag: Plugin) -> None:
    follower_packets: list[bytes] = []
    on, off = (bytes(hci.HCI_LE_Set_Scan_Enable_Command(le_scan_enable=n, filter_duplicates=0)) for n in (1, 0))
    for number in range(300):
        report = hci.HCI_LE_Advertising_Report_Event.Report(
            event_type=0, address_type=1, address=hci.Address(f"C2:10:00:00:{number >> 8:02X}:{number & 0xFF:02X}"),
            data=bytes([6, 0xFF, 0xFF, 0xFF, number & 0xFF, 0, 0]), rssi=-50,
        )  # fmt: skip
        follower_packets += [on, bytes(hci.HCI_LE_Advertising_Report_Event([report])), off]
    path = tmp_path / "x.btsnoop"
    path.write_bytes(snooped(follower_packets, every_us=10_000_000))
    records, _ = read(path, tag)
    assert len(frames(records, "climate")) == 300 and len(records) < 300 * 60


def snooped(packets: list[bytes], every_us: int) -> bytes:
    """A snoop file of datalink 1002 (H4): RFC 1761, with the flags and the epoch of HCI logs."""
    out = b"btsnoop\0" + struct.pack(">II", 1, 1002)
    for number, packet in enumerate(packets):
        t_us = 0x00DCDDB30F2F8000 + 1_700_000_000_000_000 + number * every_us
        out += struct.pack(">IIIIq", len(packet), len(packet), 2 if packet[0] == 1 else 3, 0, t_us) + packet
    return out


def test_a_report_that_is_cut_short_costs_only_itself(tmp_path: Path, tag: Plugin) -> None:
    def reports(*numbers: int) -> bytes:
        made = [
            hci.HCI_LE_Advertising_Report_Event.Report(
                event_type=0, address_type=1, address=hci.Address(ADDRESS),
                data=bytes([6, 0xFF, 0xFF, 0xFF, number, 0, 0]), rssi=-50,
            )
            for number in numbers
        ]  # fmt: skip
        return bytes(hci.HCI_LE_Advertising_Report_Event(made))

    path = tmp_path / "x.btsnoop"
    path.write_bytes(snooped([reports(1)[:15], reports(2, 3)[:-3], *(reports(n) for n in range(4, 9))], 10**6))
    records, capture = read(path, tag)
    assert [one.raw[0] for one in frames(records, "climate")] == [2, 4, 5, 6, 7, 8]
    assert capture.trouble.counts == {"HCI packet that is too short": 2}


def test_parts_of_different_advertisements_are_not_put_together() -> None:
    whole = bytes([4, 0xFF, 0xFF, 0xFF, 1])
    late = list(followed(extended(whole[:3], 1), b"\x01\x03\x0c\x00", extended(whole, 0)))
    assert [one.data for one in late if isinstance(one, Advertised)] == [whole]
    apart = list(followed(extended(whole[:3], 1), *[b"\x04\x0e\x01\x01"] * 5, extended(whole, 0)))
    assert [one.data for one in apart if isinstance(one, Advertised)] == [whole]


def test_time_stamps_that_jump_are_told(tmp_path: Path, tag: Plugin) -> None:
    packets = [(float(n), advertised(n)) for n in range(10)] + [(200_000.0, advertised(10)), (11.0, advertised(11))]
    _, capture = read(sniffed(tmp_path / "x.pcap", packets), tag)
    assert [reason.partition(" that")[0] for reason in capture.trouble.counts] == [
        "time stamp more than a day after",
        "time stamp before",
    ]


def test_strangers_of_the_same_company_whose_values_do_not_fit_become_no_nodes(tmp_path: Path, tag: Plugin) -> None:
    stranger = BTLE() / BTLE_ADV() / BTLE_ADV_IND(AdvA=OTHER, data=[_manufacturer(0xFFFF, b"long enough")])  # fmt: skip
    packets = [(0.1, BTLE(bytes(stranger))), (0.2, advertised(1)), (0.3, advertised(2, company=0xFFFE))]
    records, _ = read(sniffed(tmp_path / "x.pcap", packets), tag)
    assert {one.node for one in records} == {ADDRESS} and len(frames(records, "climate")) == 1


@pytest.mark.parametrize("kind", [BTLE_ADV_IND, BTLE_ADV_NONCONN_IND, BTLE_SCAN_RSP])
def test_every_legacy_kind_of_advertisement_is_read(tmp_path: Path, tag: Plugin, kind: type) -> None:
    records, _ = read(sniffed(tmp_path / "x.pcap", [(0.1, advertised(1, kind))]), tag)
    assert len(frames(records, "climate")) == 1


def test_a_replay_is_judged_as_the_run_of_who_listened(tmp_path: Path, tag: Plugin) -> None:
    missing = {7, 8, 21}
    packets = [(n, advertised(n)) for n in range(60) if n not in missing]
    replay(sniffed(tmp_path / "x.pcap", [(0.0, advertised(0)), *packets[1:]]), tmp_path / "x.db", tag)
    found = figures(tmp_path / "x.db")
    assert found[ADDRESS, "climate", "loss"].value == pytest.approx(100 * 3 / 60, rel=0.02)
    assert found[ADDRESS, "climate", "rate"].value == pytest.approx(57 / 59, rel=0.05)
    assert not any(name == "connected" for _, _, name in found)


@pytest.mark.parametrize("linked", [False, True])
def test_the_snoop_file_of_a_run_gives_its_frames_and_figures(tmp_path: Path, linked: bool) -> None:
    """The central host's own HCI traffic, on the virtual air."""
    config = bench(
        tmp_path,
        TAG + CELL + (LINKED if linked else ""),
        twin='faults = { drop_link_every = "10 s" }' if linked else "",
    )
    log, snoop = tmp_path / "run.db", tmp_path / "run.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = TimedSnooper(file)

        run_bench(config, log, 40, script)
    replay(snoop, tmp_path / "again.db", config.nodes["tag"].plugin, config)

    def content(path: Path, channel: str) -> Counter[bytes]:
        with Log(path) as opened:
            run = opened.run()
            (node,) = run.nodes
            own = next(one for one in node.channels if one.name == channel)
            return Counter(row[0] for chunk in opened.rows(run, node, own.relation, "raw") for row in chunk)

    assert content(tmp_path / "again.db", "climate") == content(log, "climate")
    before, after = figures(log), figures(tmp_path / "again.db")
    for name in ("rate", "loss") if not linked else ():  # between links it is heard for too short to tell
        assert after["tag", "climate", name].value == pytest.approx(before["tag", "climate", name].value, rel=0.03)
    spans = [[e.detail.on for e in events(path, EventKind.LISTENING) if isinstance(e.detail, Listening)] for path in (log, tmp_path / "again.db")]  # fmt: skip
    assert spans[0][:3] == spans[1][:3]


def followed(*packets: bytes, every_ns: int = SECOND_NS) -> Iterator[object]:
    """What an HCI follower says of packets that a controller sent to its host, one a second."""
    follower = HciFollower(Directory(), Trouble())
    for number, packet in enumerate(packets):
        sent = packet[0] == hci.HCI_COMMAND_PACKET
        yield from follower.take(
            Packet(number * every_ns, H4_DIRECTION, bytes([0, 0, 0, not sent]) + packet, number, 0)
        )


def extended(data: bytes, status: int, sid: int = 3, rssi: int = -70) -> bytes:
    """An extended advertising report, as bumble writes it."""
    report = hci.HCI_LE_Extended_Advertising_Report_Event.Report(
        event_type=status << 5, address_type=1, address=hci.Address(ADDRESS), primary_phy=1, secondary_phy=2,
        advertising_sid=sid, tx_power=127, rssi=rssi, periodic_advertising_interval=0, direct_address_type=0,
        direct_address=hci.Address.ANY, data=data,
    )  # fmt: skip
    return bytes(hci.HCI_LE_Extended_Advertising_Report_Event([report]))


def test_extended_advertisements_are_put_together_from_their_reports() -> None:
    value = bytes(range(200))
    data = bytes([len(value) + 3, 0xFF, 0xFF, 0xFF]) + value
    said = list(followed(extended(data[:90], 1), extended(b"\x02\x0a\x00", 0, sid=4), extended(data[90:180], 1), extended(data[180:], 0), every_ns=10**6))  # fmt: skip
    heard = [one for one in said if isinstance(one, Advertised)]
    assert [len(one.data) for one in heard] == [3, len(data)]
    assert list(parts_of(heard[1].data)) == [(Broadcast(0xFFFF, ""), value)]
    assert (heard[1].server, heard[1].rssi_dbm, heard[1].t_ns) == (ADDRESS, -70, 3 * 10**6)
    assert not [one for one in followed(extended(data[:90], 2)) if isinstance(one, Advertised)]
    assert [one.rssi_dbm for one in followed(extended(b"", 0, rssi=127)) if isinstance(one, Advertised)] == [None]


def test_a_scan_begins_and_ends_with_its_commands() -> None:
    on = hci.HCI_LE_Set_Scan_Enable_Command(le_scan_enable=1, filter_duplicates=0)
    more = hci.HCI_LE_Set_Extended_Scan_Enable_Command(enable=1, filter_duplicates=0, duration=0, period=0)
    off = hci.HCI_LE_Set_Extended_Scan_Enable_Command(enable=0, filter_duplicates=0, duration=0, period=0)
    reset = hci.HCI_Reset_Command()
    said = followed(*map(bytes, (on, more, off, more, reset, off)))
    assert list(said) == [Scanning(0, True), Scanning(2 * SECOND_NS, False), Scanning(3 * SECOND_NS, True), Scanning(4 * SECOND_NS, False)]  # fmt: skip


def extended_on_air(number: int, pointer: bool = False, addressed: bool = True) -> bytes:
    """An AUX_ADV_IND by hand: Core Specification, Vol 6, Part B, 2.3.4."""
    head = bytes([addressed | 0x08 | (0x10 if pointer else 0)])
    head += bytes.fromhex(ADDRESS.replace(":", ""))[::-1] if addressed else b""
    head += b"\x00\x00" + (b"\x00\x00\x00" if pointer else b"")
    value = bytes([number]) + (2100).to_bytes(2, "little")
    data = bytes([len(value) + 3, 0xFF, 0xFF, 0xFF]) + value + b"\x30\xff\xfe\xff" + bytes(45)
    payload = bytes([len(head)]) + head + data
    pdu = bytes([0x07, len(payload)]) + payload
    return struct.pack("<I", 0x8E89BED6) + pdu + crc24(pdu, 0x555555).to_bytes(3, "little")


@needs_program("tshark")
def test_extended_advertisements_on_the_air_are_read_as_tshark_reads_them(tmp_path: Path, tag: Plugin) -> None:
    path = sniffed(tmp_path / "x.pcap", [(n / 10, BTLE(extended_on_air(n))) for n in range(5)])
    climate = frames(read(path, tag)[0], "climate")
    assert [one.raw[0] for one in climate] == list(range(5))
    command = [
        "tshark",
        "-r",
        str(path),
        "-T",
        "fields",
        "-e",
        "btle.advertising_address",
        "-e",
        "btcommon.eir_ad.entry.data",
    ]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    assert [line.split("\t")[1].split(",")[0] for line in lines] == [one.raw.hex() for one in climate]
    assert {line.split("\t")[0].upper() for line in lines} == {ADDRESS}


def chained(value: bytes, address: str = ADDRESS, did: int = 0x123, offset: int = 10) -> list[BTLE]:
    """An ADV_EXT_IND, the AUX_ADV_IND it points to and as many AUX_CHAIN_IND as it takes, by hand."""
    data = bytes([2, 1, 6])
    for part in (value[:60], value[60:]):
        data += bytes([len(part) + 3, 0xFF, 0xFF, 0xFF]) + part
    parts = [data[at : at + 50] for at in range(0, len(data), 50)]
    own_set, pointer = (did | 3 << 12).to_bytes(2, "little"), bytes([5]) + (offset | 1 << 13).to_bytes(2, "little")
    where = bytes.fromhex(address.replace(":", ""))[::-1]
    heads = [b"\x18" + own_set + pointer, b"\x19" + where + own_set + pointer]
    heads += [b"\x18" + own_set + pointer] * (len(parts) - 2) + [b"\x08" + own_set]
    made = []
    for head, part in zip(heads, [b"", *parts], strict=True):
        payload = bytes([len(head)]) + head + part
        pdu = bytes([0x47, len(payload)]) + payload
        made.append(BTLE(struct.pack("<I", 0x8E89BED6) + pdu + crc24(pdu, 0x555555).to_bytes(3, "little")))
    return made


def _spread(packets: list[BTLE], start_s: float, apart_s: float = 0.0003) -> list[tuple[float, BTLE]]:
    return [(start_s + place * apart_s, packet) for place, packet in enumerate(packets)]


def told(path: Path) -> list[tuple[str, bytes]]:
    """Who advertised what."""
    heard = (one for one in heard_in(path, Directory(), Trouble()) if isinstance(one, Advertised))
    return [(one.server, one.data) for one in heard]


@needs_program("tshark")
def test_chains_of_extended_advertisements_are_put_together_as_by_tshark(tmp_path: Path) -> None:
    values = [bytes((n + k) & 0xFF for k in range(150)) for n in range(4)]
    packets = [one for n, value in enumerate(values) for one in _spread(chained(value), n / 10)]
    path = sniffed(tmp_path / "x.pcap", packets)
    last = "btle.ea.host_advertising_data.fragments"  # in the packet with which it is whole
    command = ["tshark", "-2", "-r", str(path), "-Y", last, "-T", "fields", "-e", "btcommon.eir_ad.entry.data"]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    ours = [list(parts_of(data)) for _, data in told(path)]
    assert [[part.hex() for _, part in one] for one in ours] == [line.split(",") for line in lines]
    assert [b"".join(part for _, part in one) for one in ours] == values


def test_chains_of_two_nodes_between_one_another_are_kept_apart(tmp_path: Path) -> None:
    one, other = chained(bytes(150)), chained(bytes([1]) * 150, OTHER, did=0x124)
    mixed = sorted(_spread(one, 0.1) + _spread(other, 0.1001), key=lambda item: item[0])
    assert [(who, data[7]) for who, data in told(sniffed(tmp_path / "x.pcap", mixed))] == [(ADDRESS, 0), (OTHER, 1)]


@pytest.mark.parametrize(
    ("missing", "whole", "counts"),
    [
        ([0], 2, {}),
        ([1], 1, {"end of an extended advertisement whose beginning is not in the capture": 1}),
        ([2], 1, {"extended advertisement that was cut off": 1, "end of an extended advertisement whose beginning is not in the capture": 1}),
        ([4], 1, {"extended advertisement that was cut off": 1}),
        ([2, 3, 4], 1, {"extended advertisement that was cut off": 1}),
    ],
)  # fmt: skip
def test_parts_that_are_missing_are_counted_and_spoil_nothing_else(
    tmp_path: Path, missing: list[int], whole: int, counts: dict[str, int]
) -> None:
    torn = [one for place, one in enumerate(_spread(chained(bytes(150)), 0.1)) if place not in missing]
    path = sniffed(tmp_path / "x.pcap", torn + _spread(chained(bytes([7]) * 150), 0.2))
    trouble = Trouble()
    found = [item for item in heard_in(path, Directory(), trouble) if isinstance(item, Advertised)]
    assert found[-1].data[7] == 7 and len(found) == whole
    assert trouble.counts == counts


def test_odd_advertising_data_ends_where_it_can_not_be_read() -> None:
    assert list(parts_of(b"")) == list(parts_of(b"\x05\xff\x01")) == list(parts_of(b"\x00\xff\xff")) == []
    assert list(parts_of(b"\x05\x20\x0f\x18\x00\x00\x07\x21\x01\x02")) == [
        (Broadcast(None, "0000180f-0000-1000-8000-00805f9b34fb"), b"")
    ]


def test_what_is_in_a_capture_tells_who_advertised_what(tmp_path: Path) -> None:
    found = capture_contents(sniffed(tmp_path / "x.pcap", [(n / 10, advertised(n, name="TAG")) for n in range(7)]))
    (peer,) = found.peers
    service = "service data of 0000180f-0000-1000-8000-00805f9b34fb, 1 bytes"
    assert (peer.address, peer.name) == (ADDRESS, "TAG")
    assert peer.advertised == {"manufacturer data of company 0xFFFF, 3 bytes": 7, service: 7}
