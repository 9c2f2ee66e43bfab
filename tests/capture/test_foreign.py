"""Captures of other tools: what bumble's host wrote and what tshark says of it, converted by editcap; link layer
packets made by scapy; and whatever is damaged."""

from __future__ import annotations

import asyncio
import gzip
import random
import struct
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import zstandard
from bumble.snoop import BtSnooper, Snooper
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.app.extract import records_of
from gateway.app.replay import replay_capture
from gateway.capture import ForeignCapture, Record, TextCapture, Trouble, is_foreign, read_handles
from gateway.capture.att import Bearer, Heard, How, ServerTable
from gateway.capture.handles import guess
from gateway.capture.linklayer import crc24, crc_start
from gateway.capture.record import MOST_REASONS
from gateway.log.reader import Log
from gateway.model.errors import DecodeError, InputError, ProblemsError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.records import Frame
from gateway.plugin import Characteristic, Plugin, find_plugin
from tests.support import EPOCH_NS, Bench, events, figures, needs_program, open_database, run_bench, run_file

CRATE, GAUGE = find_plugin("loan-crate"), find_plugin("bore-gauge")
SNOOP_EPOCH_US = 0x00DCDDB30F2F8000
RUN = """
[run]
title = "t"
radio = "virtual"

[node.a]
plugin = "loan-crate"
find = { name = "A" }
sensor = { climate = { period = "200 ms" }, shock = { period = "100 ms" } }

[node.b]
plugin = "loan-crate"
find = { name = "B" }
sensor = { light = { period = "500 ms" } }

[node.g]
plugin = "bore-gauge"
find = { name = "G" }
sensor = { gauge = { period = "1 s" } }
poll = { reading = "500 ms", battery = "10 s" }

[twin.a]
faults = { drop_link_every = "8 s" }

[twin.g.constant.calibration]
gain = "0.0125 Pa"
zero = "81300 Pa"
"""


class TimedSnooper(BtSnooper):
    """bumble's snoop file, stamped with the loop's virtual time."""

    def snoop(self, hci_packet: bytes, direction: Snooper.Direction) -> None:
        flags = int(direction) | (2 if hci_packet[0] in (1, 4) else 0)
        t_us = (EPOCH_NS + round(asyncio.get_running_loop().time() * 1e9)) // 1000 + SNOOP_EPOCH_US
        size = len(hci_packet)
        self.output.write(struct.pack(">IIIIQ", size, size, flags, 0, t_us) + hci_packet)


@pytest.fixture(scope="module")
def snooped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Twenty seconds of three nodes, one of which ends its link: the log, and the central host's snoop file."""
    folder = tmp_path_factory.mktemp("snooped")
    log, snoop = folder / "run.db", folder / "run.btsnoop"
    with snoop.open("wb") as file:

        async def script(bench: Bench) -> None:
            bench.radio.host.host.snooper = TimedSnooper(file)

        run_bench(run_file(folder, RUN), log, 20, script)
    return log, snoop


NAMES = {"A": "a", "B": "b", "G": "g"}


def read(
    path: Path, *plugins: Plugin, names: dict[str, str] = NAMES, handles: dict[int, str] | None = None
) -> tuple[list[Record], ForeignCapture]:
    capture = ForeignCapture(path, plugins or (CRATE, GAUGE), names, handles or {})
    return list(capture.records()), capture


def frames(records: list[Record]) -> Iterator[Frame]:
    return (record for record in records if isinstance(record, Frame))


def kinds(records: list[Record], node: str) -> Counter[EventKind]:
    return Counter(r.kind for r in records if isinstance(r, LinkEvent) and r.node == node)


def test_every_value_of_a_run_is_in_its_snoop_file(snooped: tuple[Path, Path]) -> None:
    log, snoop = snooped
    with Log(log) as opened:
        wanted = Counter(
            (f.node, f.channel, f.raw) for f in frames(list(records_of(opened, opened.run(), (), (), None, None)[1]))
        )
    records, capture = read(snoop)
    assert Counter((f.node, f.channel, f.raw) for f in frames(records)) == wanted
    assert not capture.trouble.counts


def test_what_happened_to_the_links_is_told(snooped: tuple[Path, Path]) -> None:
    log, snoop = snooped
    records, _ = read(snoop)
    before = Counter(e.kind for e in events(log) if e.node == "a")
    found = kinds(records, "a")
    assert before[EventKind.LOST] == 2
    for kind in (
        EventKind.CONNECTED,
        EventKind.LOST,
        EventKind.RECONNECTED,
        EventKind.READY,
        EventKind.SUBSCRIBED,
        EventKind.SETTING,
    ):
        assert found[kind] == before[kind], kind
    assert found[EventKind.DISCONNECTED] == 1 and kinds(records, "b")[EventKind.LOST] == 0
    facts = next(r.facts for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.CONNECTED)
    assert facts["connection_interval_ms"] == 15.0 and facts["name"] == "A"


def test_figures_of_the_import_are_close_to_those_of_the_run(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    """The host's stamps and the session's differ by the time between two layers."""
    log, snoop = snooped
    again = tmp_path / "again.db"
    replay_capture(
        ForeignCapture(snoop, (CRATE, GAUGE), NAMES, {}),
        again,
        {"loan-crate": CRATE, "bore-gauge": GAUGE},
        None,
        None,
        None,
        None,
    )
    before, after = figures(log), figures(again)
    for key in (
        ("a", "climate", "rate"),
        ("a", "link", "disconnects"),
        ("a", "link", "reconnect_time_longest"),
        ("g", "reading", "rate"),
        ("b", "light", "gap_median"),
    ):
        assert after[key].value == pytest.approx(before[key].value, rel=0.1), key
    assert after["b", "light", "period_error"].value == pytest.approx(before["b", "light", "period_error"].value, abs=1)
    assert after["b", "light", "while_off"].value == before["b", "light", "while_off"].value == 0
    with open_database(again) as connection:
        assert connection.execute("SELECT count(*) FROM bore_gauge_reading WHERE level_m IS NULL").fetchone() == (0,)


TOLD = ["frame.time_epoch", "bthci_acl.src.bd_addr", "btatt.handle", "btatt.value"]


@needs_program("tshark")
@needs_program("editcap")
@pytest.mark.parametrize("form", ["btsnoop", "pcap", "nsecpcap", "pcapng"])
def test_tshark_finds_the_same_notifications(snooped: tuple[Path, Path], tmp_path: Path, form: str) -> None:
    """Count, times, addresses, handles and values, of the snoop file and of editcap's conversions of it."""
    path = snooped[1]
    if form != "btsnoop":
        path = tmp_path / f"x.{form}"
        subprocess.run(["editcap", "-F", form, str(snooped[1]), str(path)], check=True, capture_output=True)
    fields = [part for name in TOLD for part in ("-e", name)]
    command = ["tshark", "-r", str(path), "-Y", "btatt.opcode == 0x1b", "-T", "fields", *fields]
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    theirs = []
    for line in lines:
        moment, address, handle, value = line.split("\t")
        seconds, _, decimals = moment.partition(".")
        raw = bytes.fromhex(value.replace(":", ""))
        theirs.append((int(seconds) * 10**9 + int(decimals.ljust(9, "0")), address.upper(), int(handle, 0), raw))
    capture = ForeignCapture(path, (CRATE, GAUGE), {}, {})
    ours = [
        (f.t_ns, f.node, f.raw)
        for f in frames(list(capture.records()))
        if f.channel in ("climate", "shock", "light", "battery")
    ]
    assert len(theirs) > 200
    pushed = {(t_ns, node, raw) for t_ns, node, _, raw in theirs if raw}
    assert {o for o in ours if o in pushed} == pushed
    table = capture._directory.tables["C2:00:00:00:00:01"]
    known = {CRATE.characteristics[name].uuid for name in ("climate", "shock", "light", "battery")}
    assert {table.values[handle] for _, address, handle, _ in theirs if address == "C2:00:00:00:00:01"} <= known


def test_without_discovery_handles_can_be_given(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    """The capture begins in the middle: links and tables are not in it."""
    data = snooped[1].read_bytes()
    at, count, moment = 16, 0, EPOCH_NS // 1000 + 4_000_000 + SNOOP_EPOCH_US
    while struct.unpack_from(">q", data, at + 16)[0] < moment:
        at += 24 + struct.unpack_from(">I", data, at)[0]
        count += 1
    path = tmp_path / "middle.btsnoop"
    path.write_bytes(data[:16] + data[at:])
    records, capture = read(path)
    untold = [
        reason for reason in capture.trouble.counts if "whose discovery is not in the capture (name it with" in reason
    ]
    assert untold and "packet of a link whose start is not in the capture" in capture.trouble.counts
    handles = {
        handle: uuid
        for table in [read(snooped[1])[1]._directory.tables["C2:00:00:00:00:02"]]
        for handle, uuid in table.values.items()
    }
    seen = read(path, CRATE, handles=handles)[0]
    named = [f for f in frames(seen) if f.channel == "light"]
    assert len(named) > 20 and len(list(frames(records))) < len(list(frames(read(snooped[1])[0])))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[handles]\n0x0011 = "colour"\n', "a UUID, or one of"),
        ('[handles]\nzero = "climate"\n', "a number from 1 to 0xFFFF"),
        ('[handle]\n0x11 = "climate"\n', r"one table \[handles\]"),
        ('[handles]\n0x11 = "climate"\n17 = "light"\n', "is given twice"),
    ],
)
def test_a_wrong_file_of_handles_is_refused(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "h.toml").write_text(text)
    with pytest.raises(ProblemsError, match=told):
        read_handles(tmp_path / "h.toml", (CRATE,))


def test_a_file_of_handles_takes_names_numbers_and_uuids(tmp_path: Path) -> None:
    (tmp_path / "h.toml").write_text('[handles]\n0x0011 = "climate"\n0018 = "0x2A19"\n')
    found = read_handles(tmp_path / "h.toml", (CRATE,))
    assert found == {0x11: CRATE.characteristics["climate"].uuid, 18: CRATE.characteristics["battery"].uuid}


# Link layer


def test_the_link_layer_check_is_that_of_the_catalogue_and_of_scapy() -> None:
    """CRC-24/BLE: 123456789 gives C25A56 (CRC catalogue); scapy's BTLE reckons its own."""
    from scapy.layers.bluetooth4LE import BTLE

    assert crc24(b"123456789", 0x555555) == 0xC25A56
    for size in (2, 9, 37):
        pdu = random.Random(size).randbytes(size)
        assert crc24(pdu, 0x555555).to_bytes(3, "little") == BTLE.compute_crc(pdu)


class Sniffed:
    """An air capture made by scapy: advertising, CONNECT_IND, then a client that discovers and subscribes."""

    ACCESS, CRC_START = 0x9A328370, 0x1A2B3C
    CLIENT, NODE = "F0:00:00:00:00:01", "C2:00:00:00:00:09"

    def __init__(self, path: Path, link: int = 256, interval_us: int = 30_000) -> None:
        from scapy.utils import RawPcapWriter

        self.link, self.interval_us = link, interval_us
        self.writer = RawPcapWriter(str(path), linktype=link)
        self.writer.write_header(None)
        self.t_us, self.anchor_us = 1_767_225_600_000_000, 1_767_225_600_100_000
        self.bits = [0, 0]

    def put(self, access: int, pdu: bytes, kind: int, wrong: bool = False) -> None:
        start = 0x555555 if kind == 0 else self.CRC_START
        check = crc24(pdu, start) ^ wrong
        data = struct.pack("<I", access) + pdu + check.to_bytes(3, "little")
        if self.link == 256:
            data = struct.pack("<BbbBIH", 37, -40, -90, 0, access, 0x0001 | 0x0002 | kind << 7) + data
        self.writer.write_packet(data, sec=self.t_us // 10**6, usec=self.t_us % 10**6)
        self.t_us += 8 * (len(pdu) + 8) + 150

    def advertise(self) -> None:
        from scapy.layers.bluetooth4LE import BTLE_ADV, BTLE_CONNECT_REQ

        name = b"\x07\x09Crate9"
        address = bytes.fromhex(self.NODE.replace(":", ""))[::-1]
        self.put(0x8E89BED6, bytes([0x40, len(address + name)]) + address + name, 0)
        request = bytes(
            BTLE_ADV(PDU_type=5)
            / BTLE_CONNECT_REQ(
                InitA=self.CLIENT,
                AdvA=self.NODE,
                AA=self.ACCESS,
                crc_init=self.CRC_START,
                interval=24,
                latency=0,
                timeout=50,
            )
        )
        # scapy writes access address and check as numbers of its own order: put them as the specification does
        body = bytearray(request)
        body[14:18] = struct.pack("<I", self.ACCESS)
        body[18:21] = self.CRC_START.to_bytes(3, "little")
        self.put(0x8E89BED6, bytes(body), 0)

    def event(self, central: bytes = b"", peripheral: bytes = b"", repeat: bool = False, wrong: bool = False) -> None:
        """One connection event: a packet each way; ``repeat`` sends the peripheral's once more in the next event."""
        for _ in range(2 if repeat else 1):
            self.t_us = self.anchor_us
            self.anchor_us += self.interval_us
            for side, payload in ((0, central), (1, peripheral)):
                head = (2 if payload else 1) | self.bits[side] << 3 | self.bits[1 - side] << 2
                self.put(self.ACCESS, bytes([head, len(payload)]) + payload, 2 + side, wrong and side == 1)
                if not (repeat and side == 1):
                    self.bits[side] ^= 1
        if repeat:
            self.bits[1] ^= 1

    def att(self, pdu: str) -> bytes:
        raw = bytes.fromhex(pdu)
        return struct.pack("<HH", len(raw), 4) + raw

    def discover(self) -> None:
        uuid = bytes.fromhex(CRATE.characteristics["climate"].uuid.replace("-", ""))[::-1].hex()
        self.event(self.att("080100ffff0328"), b"")
        self.event(b"", self.att(f"09150f00121000{uuid}"))
        self.event(self.att("1211000100"), b"")
        self.event(b"", self.att("13"))

    def notify(self, number: int, **how: bool) -> None:
        value = struct.pack("<H", number).hex() + "6e098813cd8b01"
        self.event(b"", self.att(f"1b1000{value}"), **how)

    def control(self, pdu: str) -> None:
        self.t_us = self.anchor_us
        self.anchor_us += self.interval_us
        raw = bytes.fromhex(pdu)
        self.put(self.ACCESS, bytes([3 | self.bits[0] << 3, len(raw)]) + raw, 2)
        self.bits[0] ^= 1

    def close(self) -> Path:
        self.writer.close()
        return Path(self.writer.filename)


def sequences(records: list[Record]) -> list[int]:
    return [struct.unpack_from("<H", f.raw)[0] for f in frames(records) if f.channel == "climate"]


@pytest.mark.parametrize("link", [256, 251])
def test_a_link_is_followed_on_the_air(tmp_path: Path, link: int) -> None:
    air = Sniffed(tmp_path / "x.pcap", link)
    air.advertise()
    air.discover()
    for number in range(20):
        air.notify(number, repeat=number in (3, 7))
        air.event()
    air.control("0213")
    records, capture = read(air.close(), names={"Crate9": "crate-9"})
    assert sequences(records) == list(range(20))
    assert capture.trouble.counts == {"retransmitted link layer packet": 2}
    told = [r for r in records if isinstance(r, LinkEvent)]
    assert [e.kind for e in told if e.kind is not EventKind.PARAMETERS] == [
        EventKind.CONNECTED, EventKind.SUBSCRIBED, EventKind.READY, EventKind.DISCONNECTED,
    ]  # fmt: skip
    assert {e.node for e in told} == {"crate-9"}
    assert told[0].facts["connection_interval_ms"] == 30.0 and told[0].facts["supervision_timeout_ms"] == 500
    (seen,) = [e.facts for e in told if "interval_seen_ms" in e.facts]
    assert seen["interval_seen_ms"] == pytest.approx(30.0, abs=0.001)
    assert seen["inter_frame_space_seen_us"] == pytest.approx(150, abs=8)  # T_IFS: Vol 6, Part B, 4.1.1


def test_missed_damaged_and_encrypted_packets_are_counted(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(0)
    air.notify(1, wrong=True)
    air.notify(2)
    air.bits[1] ^= 1  # one that the recorder did not catch
    air.notify(4)
    air.control("05")
    air.notify(5)
    records, capture = read(air.close())
    assert sequences(records) == [0, 2, 4]
    assert capture.trouble.counts["link layer packet with a CRC error"] == 1
    assert capture.trouble.counts["encrypted packet"] == 1
    assert capture.trouble.counts["link layer packet missed by the recorder"] >= 1


def test_several_links_and_one_that_goes_silent(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(0)
    air.t_us = air.anchor_us + 3_000_000
    air.ACCESS = 0x5A328371
    air.bits = [0, 0]
    air.advertise()
    air.anchor_us = air.t_us + 20_000
    air.notify(1)  # its table is known from before
    records, _ = read(air.close())
    assert sequences(records) == [0, 1]
    lost = next(r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.LOST)
    last = max(f.t_ns for f in frames(records) if f.raw[0] == 0)
    assert lost.t_ns - last == pytest.approx(500e6, rel=0.01)  # the supervision timeout


# Damage


@pytest.fixture(scope="module")
def pieces(snooped: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A small file of each container."""
    folder = tmp_path_factory.mktemp("pieces")
    data = snooped[1].read_bytes()[:12_000]
    (folder / "x.btsnoop").write_bytes(data)
    air = Sniffed(folder / "air.pcap")
    air.advertise()
    air.discover()
    for number in range(30):
        air.notify(number)
    made = {"btsnoop": data, "air": air.close().read_bytes()}
    block = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    block += struct.pack("<IIHHII", 1, 20, 201, 0, 0, 20)
    at = 16
    while at + 24 <= len(data):
        size, _, flags, _, t_us = struct.unpack_from(">IIIIq", data, at)
        body = struct.pack(">I", flags & 1) + data[at + 24 : at + 24 + size]
        t_us -= SNOOP_EPOCH_US
        padded = body + bytes(-len(body) % 4)
        length = 32 + len(padded)
        block += (
            struct.pack("<IIIIIII", 6, length, 0, t_us >> 32, t_us & 0xFFFFFFFF, len(body), len(body))
            + padded
            + struct.pack("<I", length)
        )
        at += 24 + size
    made["pcapng"] = block
    return made


@pytest.mark.parametrize("form", ["btsnoop", "pcapng", "air"])
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_cut_off_and_garbage_never_end_in_anything_but_records(
    form: str, pieces: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    raw = pieces[form]
    place = data.draw(st.integers(0, len(raw)))
    garbage = data.draw(st.binary(max_size=60))
    drop = data.draw(st.integers(0, 200))
    path = tmp_path_factory.mktemp("fuzz") / "x.bin"
    path.write_bytes(raw[:place] + garbage + raw[place + drop :])
    try:
        list(ForeignCapture(path, (CRATE, GAUGE), {}, {}).records())
    except InputError:
        assert place < 120


@pytest.mark.parametrize("form", ["btsnoop", "pcapng", "air"])
def test_behind_garbage_reading_goes_on(form: str, pieces: dict[str, bytes], tmp_path: Path) -> None:
    raw = pieces[form]
    path = tmp_path / "x.bin"
    path.write_bytes(raw)
    whole = len(list(ForeignCapture(path, (CRATE, GAUGE), {}, {}).records()))
    middle = len(raw) // 2 // 4 * 4
    path.write_bytes(raw[:middle] + b"\xff" * 400 + raw[middle:])
    capture = ForeignCapture(path, (CRATE, GAUGE), {}, {})
    assert whole - 6 <= len(list(capture.records())) <= whole
    assert capture.trouble.counts


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "begins with nothing"),
        (b"GIF89a", "expected a gattest capture, pcap, pcapng or btsnoop"),
        (struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1), "link type 1; supported are 187"),
        (b"btsnoop\0" + struct.pack(">II", 1, 1003), "link type 1003"),
        (struct.pack("<IHH", 0xA1B2C3D4, 2, 4), "is truncated in its header"),
    ],
)
def test_what_is_no_capture_is_refused_with_what_was_expected(tmp_path: Path, raw: bytes, told: str) -> None:
    path = tmp_path / "x"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=told):
        list(ForeignCapture(path, (CRATE,), {}, {}).records())
    assert is_foreign(path) == (raw[:1] in (b"b", b"\xd4"))


def test_an_absurd_length_takes_no_memory(tmp_path: Path) -> None:
    head = b"btsnoop\0" + struct.pack(">II", 1, 1002)
    record = struct.pack(">IIIIq", 0xFFFFFFFF, 0xFFFFFFFF, 0, 0, SNOOP_EPOCH_US)
    path = tmp_path / "x"
    path.write_bytes(head + record * 50)
    records, capture = read(path)
    assert records == [] and "bytes that are not a packet" in capture.trouble.counts


# Other link types of the same run


def hci_of(snoop: Path) -> Iterator[tuple[int, int, bytes]]:
    """Time, direction (1: to the host) and H4 packet of each record of a snoop file."""
    data, at = snoop.read_bytes(), 16
    while at + 24 <= len(data):
        size, _, flags, _, t_us = struct.unpack_from(">IIIIq", data, at)
        yield t_us - SNOOP_EPOCH_US, flags & 1, data[at + 24 : at + 24 + size]
        at += 24 + size


def pcap(path: Path, link: int, made: Iterator[tuple[int, bytes]]) -> Path:
    head = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 1 << 18, link)
    body = b"".join(struct.pack("<IIII", t // 10**6, t % 10**6, len(d), len(d)) + d for t, d in made)
    path.write_bytes(head + body)
    return path


def snoop_file(path: Path, link: int, made: Iterator[tuple[int, int, bytes]]) -> Path:
    head = b"btsnoop\0" + struct.pack(">II", 1, link)
    body = b"".join(struct.pack(">IIIIq", len(d), len(d), f, 0, t + SNOOP_EPOCH_US) + d for t, f, d in made)
    path.write_bytes(head + body)
    return path


OPCODES = {(1, 0): 2, (4, 1): 3, (2, 0): 4, (2, 1): 5}  # of the Linux monitor: command, event, ACL sent and received


@pytest.mark.parametrize("form", ["187", "201", "254", "1001", "2001"])
def test_each_link_type_gives_the_same_values(snooped: tuple[Path, Path], tmp_path: Path, form: str) -> None:
    packets, path = list(hci_of(snooped[1])), tmp_path / "x"
    if form == "187":
        pcap(path, 187, ((t, d) for t, _, d in packets))
    elif form == "201":
        pcap(path, 201, ((t, struct.pack(">I", way) + d) for t, way, d in packets))
    elif form == "254":
        pcap(path, 254, ((t, struct.pack(">HH", 0, OPCODES[d[0], way]) + d[1:]) for t, way, d in packets))
    elif form == "1001":
        snoop_file(path, 1001, ((t, way | (0 if d[0] == 2 else 2), d[1:]) for t, way, d in packets))
    else:
        snoop_file(path, 2001, ((t, OPCODES[d[0], way], d[1:]) for t, way, d in packets))
    records, capture = read(path)
    assert list(frames(records)) == list(frames(read(snooped[1])[0]))
    assert not capture.trouble.counts


def test_links_of_several_adapters_with_the_same_handles_keep_apart(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    packets = list(hci_of(snooped[1]))
    twice = [
        (t, struct.pack(">HH", adapter, OPCODES[d[0], way]) + d[1:]) for t, way, d in packets for adapter in (0, 1)
    ]
    records, _ = read(pcap(tmp_path / "x", 254, iter(twice)))
    assert len(list(frames(records))) == 2 * len(list(frames(read(snooped[1])[0])))


def test_fragmented_frames_are_put_together(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    """Every ACL packet in pieces of at most nine bytes, those after the first marked as continuing (Vol 4, Part E, 5.4.2)."""

    def cut() -> Iterator[tuple[int, bytes]]:
        for t, way, d in hci_of(snooped[1]):
            pieces = [d]
            if d[0] == 2:
                head, body = struct.unpack_from("<H", d, 1)[0] & 0x0FFF, d[5:]
                pieces = [
                    struct.pack("<BHH", 2, head | (0x1000 if at else 0x2000), len(body[at : at + 9]))
                    + body[at : at + 9]
                    for at in range(0, len(body), 9)
                ]
            for piece in pieces:
                yield t, struct.pack(">I", way) + piece

    records, capture = read(pcap(tmp_path / "x", 201, cut()))
    assert list(frames(records)) == list(frames(read(snooped[1])[0]))
    assert not capture.trouble.counts


def test_classic_links_are_passed_over_and_other_channels_counted(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    (first, *_), packets = hci_of(snooped[1]), list(hci_of(snooped[1]))
    t = first[0]
    classic = bytes.fromhex("04030b00 0b00 665544332211 01 00")
    music = struct.pack("<BHHHH", 2, 0x200B, 8, 4, 0x41) + b"loud"
    handle = next(struct.unpack_from("<H", d, 1)[0] & 0x0FFF for _, _, d in packets if d[0] == 2)
    enhanced = struct.pack("<BHHHH", 2, 0x2000 | handle, 8, 4, 0x40) + b"eatt"
    more = [(t, 1, classic), *[(t, 1, music)] * 5, *packets[:-20], (packets[-20][0], 1, enhanced), *packets[-20:]]
    records, capture = read(pcap(tmp_path / "x", 201, ((t, struct.pack(">I", way) + d) for t, way, d in more)))
    assert list(frames(records)) == list(frames(read(snooped[1])[0]))
    assert capture.trouble.counts == {"frame of a dynamic L2CAP channel, which is not supported": 1}


def test_garbage_makes_no_more_than_so_many_reasons() -> None:
    trouble = Trouble()
    for number in range(100_000):
        trouble.note(f"reason {number}", "somewhere")
    assert len(trouble.counts) <= MOST_REASONS + 1 and sum(trouble.counts.values()) == 100_000


def test_long_reads_are_put_together() -> None:
    """A read answered in full at an ATT_MTU of 23 goes on with blob requests (Vol 3, Part F, 3.4.4.3 to 3.4.4.6)."""
    table = ServerTable(values={0x10: CRATE.characteristics["climate"].uuid})
    bearer = Bearer(("host", "node"), (ServerTable(), table), Trouble())
    value = bytes(range(50))
    said = [
        (0, bytes.fromhex("0a1000")), (1, b"\x0b" + value[:22]),
        (0, bytes.fromhex("0c10001600")), (1, b"\x0d" + value[22:44]),
        (0, bytes.fromhex("0c10002c00")), (1, b"\x0d" + value[44:]),
        (0, bytes.fromhex("0a1000")), (1, b"\x0b\x01"),
    ]  # fmt: skip
    heard = [item for t, (side, pdu) in enumerate(said) for item in bearer.take(t, side, pdu)]
    assert [(h.t_ns, h.raw) for h in heard if isinstance(h, Heard)] == [(5, value), (7, b"\x01")]


@pytest.mark.parametrize(
    "pdu", ["", "1b", "1b10", "0901", "0900", "090000", "05", "0501", "0b", "23100005", "01", "03", "12"]
)
def test_an_att_pdu_that_is_too_short_is_counted(pdu: str) -> None:
    trouble = Trouble()
    bearer = Bearer(("host", "node"), (ServerTable(), ServerTable()), trouble)
    for opcode in ("08 0100ffff0328", "04 0100ffff", "0a 1000", "12 1000 00", "02 f700"):
        list(bearer.take(1, 0, bytes.fromhex(opcode)))
        if pdu:
            list(bearer.take(2, 1, bytes.fromhex(pdu)))
    assert set(trouble.counts) <= {"ATT PDU that is too short"}


# What real recordings do


def test_a_constant_value_is_told_from_a_packet_sent_again(tmp_path: Path) -> None:
    """Three times the same value; between the second and the third an empty packet that was not caught whole."""
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(7)
    air.event(wrong=True)
    air.notify(7)
    air.event()
    air.notify(7, repeat=True)
    records, capture = read(air.close())
    assert sequences(records) == [7, 7, 7]
    assert capture.trouble.counts["retransmitted link layer packet"] == 1


def test_a_link_that_falls_silent_is_lost_after_its_timeout_though_the_node_never_comes_back(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(0)
    last_us = air.t_us
    for _ in range(30):
        air.t_us += 1_000_000
        air.put(0x8E89BED6, bytes([0x40, 6]) + bytes.fromhex(air.NODE.replace(":", ""))[::-1], 0)
    records, _ = read(air.close())
    (lost,) = [r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.LOST]
    assert (lost.t_ns / 1e3 - last_us) / 1e6 == pytest.approx(0.5, abs=0.01)


def test_a_connection_request_that_the_node_never_heard_is_no_link(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.t_us += 5_000_000
    air.ACCESS = 0x5A328371
    air.advertise()
    air.anchor_us = air.t_us + 20_000
    air.discover()
    air.notify(1)
    records, _ = read(air.close())
    told = [r.kind for r in records if isinstance(r, LinkEvent)]
    assert (
        told.count(EventKind.CONNECTED) == 1
        and told.count(EventKind.CONNECT_FAILED) == 1
        and EventKind.LOST not in told
    )


def test_two_centrals_at_one_node_do_not_end_each_others_links(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(0)
    first = (air.ACCESS, air.bits, air.anchor_us)
    air.CLIENT, air.ACCESS, air.bits = "F0:00:00:00:00:02", 0x5A328371, [0, 0]
    air.t_us = air.anchor_us + 2000
    air.advertise()
    air.ACCESS, air.bits, air.anchor_us = first
    air.anchor_us += 30_000
    air.notify(1)
    records, capture = read(air.close())
    assert sequences(records) == [0, 1]
    assert not [r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.LOST]
    assert "packet of a link whose start is not in the capture" not in capture.trouble.counts


def test_coded_packets_have_a_byte_more(tmp_path: Path) -> None:
    """Link type 256 puts the coding indicator between access address and header."""
    air = Sniffed(tmp_path / "x.pcap")
    plain = air.put

    def coded(access: int, pdu: bytes, kind: int, wrong: bool = False) -> None:
        if kind == 0:
            plain(access, pdu, kind, wrong)
            return
        check = crc24(pdu, air.CRC_START)
        data = struct.pack("<BbbBIH", 9, -40, -90, 0, access, 0x8003 | kind << 7) + struct.pack("<IB", access, 0) + pdu
        air.writer.write_packet(data + check.to_bytes(3, "little"), sec=air.t_us // 10**6, usec=air.t_us % 10**6)
        air.t_us += 400 + 64 * (len(pdu) + 3) + 150

    air.put = coded  # type: ignore[method-assign]
    air.advertise()
    air.discover()
    for number in range(3):
        air.notify(number)
    records, capture = read(air.close())
    assert sequences(records) == [0, 1, 2] and not capture.trouble.counts


def test_the_acknowledgement_of_an_end_is_no_new_link(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap")
    air.advertise()
    air.discover()
    air.notify(0)
    air.control("0213")
    air.put(air.ACCESS, bytes([1 | air.bits[1] << 3, 0]), 3)
    assert not read(air.close())[1].trouble.counts


def test_a_link_that_began_unseen_is_followed_once_two_checks_agree_and_garbage_never_is(tmp_path: Path) -> None:
    air = Sniffed(tmp_path / "x.pcap", 251)
    chance = random.Random(1)
    for _ in range(3000):
        air.put(chance.getrandbits(32), chance.randbytes(1) + b"\x04" + chance.randbytes(4), 2)
    air.anchor_us = air.t_us + 20_000
    air.event()
    air.discover()
    air.notify(3)
    air.notify(4, wrong=True)
    records, capture = read(air.close(), CRATE)
    assert sequences(records) == [3]
    assert capture.trouble.counts["packet of a link whose start is not in the capture"] == 3001
    assert len(capture.trouble.counts) <= 3


def test_the_start_of_a_check_follows_from_any_packet() -> None:
    chance = random.Random(9)
    for _ in range(300):
        data, start = chance.randbytes(chance.randrange(1, 40)), chance.getrandbits(24)
        assert crc_start(data, crc24(data, start)) == start


def test_interfaces_of_a_pcapng_file_keep_their_links_apart(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    """Two controllers recorded into one file, with the same connection handles."""
    block = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28) + 2 * struct.pack(
        "<IIHHII", 1, 20, 201, 0, 0, 20
    )
    for t_us, way, d in hci_of(snooped[1]):
        body = struct.pack(">I", way) + d
        padded = body + bytes(-len(body) % 4)
        for source in (0, 1):
            head = struct.pack(
                "<IIIIIII", 6, 32 + len(padded), source, t_us >> 32, t_us & 0xFFFFFFFF, len(body), len(body)
            )
            block += head + padded + struct.pack("<I", 32 + len(padded))
    (tmp_path / "x.pcapng").write_bytes(block)
    records, capture = read(tmp_path / "x.pcapng")
    assert len(list(frames(records))) == 2 * len(list(frames(read(snooped[1])[0]))) and not capture.trouble.counts


def test_a_compressed_file_that_is_cut_gives_what_is_there(snooped: tuple[Path, Path], tmp_path: Path) -> None:
    packed = gzip.compress(snooped[1].read_bytes())
    (tmp_path / "x.btsnoop.gz").write_bytes(packed[: len(packed) * 3 // 4])
    records, capture = read(tmp_path / "x.btsnoop.gz")
    assert len(list(frames(records))) > 50 and "file truncated or damaged" in capture.trouble.counts


def test_a_table_that_changed_since_is_forgotten() -> None:
    """A node with new firmware: what stood at a handle before stands there no more."""
    climate, shock = (
        bytes.fromhex(CRATE.characteristics[name].uuid.replace("-", ""))[::-1] for name in ("climate", "shock")
    )
    table = ServerTable()
    bearer = Bearer(("host", "node"), (ServerTable(), table), Trouble())

    def said(request: str, response: bytes) -> None:
        list(bearer.take(1, 0, bytes.fromhex(request)))
        list(bearer.take(2, 1, response))

    said("080100ffff0328", b"\x09\x15" + bytes.fromhex("0f00121000") + climate + bytes.fromhex("1200121300") + shock)
    said("080100ffff0328", b"\x09\x15" + bytes.fromhex("0f00121100") + climate)
    assert table.values == {0x11: CRATE.characteristics["climate"].uuid, 0x13: CRATE.characteristics["shock"].uuid}
    said("0412001300", b"\x05\x01" + bytes.fromhex("12000229") + bytes.fromhex("13000129"))
    assert table.values == {0x11: CRATE.characteristics["climate"].uuid}


def test_a_refused_read_is_no_setting_that_differs_and_a_reset_ends_all_links(
    snooped: tuple[Path, Path], tmp_path: Path
) -> None:
    packets = list(hci_of(snooped[1]))
    half = packets[: len(packets) * 2 // 3]
    reset = (half[-1][0] + 1, 0, bytes.fromhex("01030c00"))
    handle = next(struct.unpack_from("<H", d, 1)[0] & 0x0FFF for _, _, d in reversed(half) if d[0] == 2)
    refused = [
        (half[-1][0], way, struct.pack("<BHHHH", 2, handle | flag, len(pdu) + 4, len(pdu), 4) + pdu)
        for way, flag, pdu in ((0, 0, bytes.fromhex("0a1000")), (1, 0x2000, bytes.fromhex("010a100005")))
    ]
    made = [*half, *refused, reset]
    records, capture = read(pcap(tmp_path / "x", 201, ((t, struct.pack(">I", way) + d) for t, way, d in made)))
    assert capture.trouble.counts == {"read refused with ATT error 0x05": 1}
    assert not [r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.SETTING_DIFFERS]
    reasons = [r.facts["reason"] for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.LOST]
    assert reasons.count("the controller was reset") >= 2


def test_what_the_recorder_dropped_is_counted(tmp_path: Path) -> None:
    head = b"btsnoop\0" + struct.pack(">II", 1, 1002)
    body = b"".join(
        struct.pack(">IIIIq", 1, 1, 0, drops, SNOOP_EPOCH_US + 10**15) + b"\x04" for drops in (0, 0, 37, 37, 40)
    )
    (tmp_path / "x").write_bytes(head + body)
    assert read(tmp_path / "x")[1].trouble.counts["packet dropped by the recorder"] == 40


CLIMATE, SHOCK, LIGHT = (CRATE.characteristics[name] for name in ("climate", "shock", "light"))


def heard(monkeypatch: pytest.MonkeyPatch, *items: tuple[int, str, How, bytes]) -> tuple[list[Record], ForeignCapture]:
    """A capture in which just this was heard of one server, a second apart: handle, UUID, how, bytes."""
    said = [
        Heard(number * 10**9, "C2:00:00:00:00:01", handle, uuid, uuid, raw, how)
        for number, (handle, uuid, how, raw) in enumerate(items)
    ]
    monkeypatch.setattr("gateway.capture.foreign.heard_in", lambda *_: iter(said))
    capture = ForeignCapture(Path("x.pcap"), [CRATE], {}, {})
    return list(capture.records()), capture


CLIMATE_RAW = bytes.fromhex("01006e098813cd8b01")


def test_a_read_beside_notifications_is_an_event_and_counts_in_no_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    read_ = (16, CLIMATE.uuid, How.READ, CLIMATE_RAW)
    pushed = (16, CLIMATE.uuid, How.NOTIFIED, CLIMATE_RAW)
    records, _ = heard(monkeypatch, read_, pushed, pushed, read_)
    assert [one.t_ns // 10**9 for one in frames(records)] == [1, 2]
    told = [r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.READ]
    assert [(r.t_ns // 10**9, r.facts) for r in told] == [
        (t, {"channel": "climate", "raw": CLIMATE_RAW.hex()}) for t in (0, 3)
    ]


@pytest.mark.parametrize("count", [3, 200])
def test_a_channel_that_is_only_read_is_polled(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    records, _ = heard(monkeypatch, *[(16, CLIMATE.uuid, How.READ, CLIMATE_RAW)] * count)
    assert [one.t_ns // 10**9 for one in frames(records)] == list(range(count))
    assert not [r for r in records if isinstance(r, LinkEvent) and r.kind is EventKind.READ]


def test_handles_that_were_not_discovered_are_guessed_by_order_and_length(monkeypatch: pytest.MonkeyPatch) -> None:
    """As of a phone that remembers the table of a bonded node, and discovers nothing."""
    light = next(bytes(n) for n in range(1, 60) if _decodes(LIGHT, bytes(n)) and not _decodes(CLIMATE, bytes(n)))
    values = [(19, "", How.NOTIFIED, CLIMATE_RAW), (29, "", How.NOTIFIED, light)]
    _, capture = heard(monkeypatch, *values)
    lines = list(capture.guesses())
    assert lines[0].startswith('0x0013 = "climate"') and lines[1].startswith("0x001D = ") and "light" in lines[1]
    assert any("0x0013" in line and "1970-01-01T00:00:00.000Z" in line for line in capture.trouble.lines())


def test_values_that_fit_nothing_are_not_guessed(monkeypatch: pytest.MonkeyPatch) -> None:
    _, capture = heard(monkeypatch, (19, "", How.NOTIFIED, bytes(300)))
    assert list(capture.guesses()) == []


def test_guesses_are_made_at_once_however_many_ways_there_are() -> None:
    alike = [replace(CLIMATE, name=f"c{number}") for number in range(40)]
    values = {handle: [CLIMATE_RAW] for handle in range(1, 30)} | {30: [bytes(300)], 31: [CLIMATE_RAW]}
    begun = time.perf_counter()
    found = guess(values, alike)
    assert time.perf_counter() - begun < 5 and 30 not in found and found[1][0] == "c0"
    assert guess({handle: [CLIMATE_RAW] for handle in range(41)}, alike) == {}


def _decodes(item: Characteristic, raw: bytes) -> bool:
    try:
        item.codec.parse(raw)
    except DecodeError:
        return False
    return True


def test_a_file_full_of_zeros_is_not_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "zeros.pcap"
    path.write_bytes(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 251) + bytes(16 * 50_000))
    records, capture = read(path)
    assert records == [] and any("without content" in line for line in capture.trouble.lines())


@pytest.mark.parametrize("name", ["x.capture.gz", "x.capture.zst"])
def test_a_file_that_unpacks_to_a_thousand_times_its_size_ends_at_a_bound(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.capture.text._ALWAYS_INFLATED", 1 << 20)
    text = b"# gattest capture 1\n# plugin: loan-crate\n" + b"# remark\n" * 2_000_000
    pack = gzip.compress if name.endswith("gz") else zstandard.ZstdCompressor().compress
    (tmp_path / name).write_bytes(pack(text))
    with TextCapture(tmp_path / name) as capture:
        assert list(capture.records()) == []
        assert any("unpacks to more than 200 times" in line for line in capture.trouble.lines())


def test_nodes_beyond_the_first_thousand_are_left_out_and_counted(tmp_path: Path) -> None:
    text = "# gattest capture 1\n" + "".join(f"# node: n{number} loan-crate\n" for number in range(3000))
    (tmp_path / "x.capture").write_text(text)
    with TextCapture(tmp_path / "x.capture") as capture:
        assert len(capture.header.kinds) == 1000
        assert any(line.startswith("2000 x node beyond") for line in capture.trouble.lines())
