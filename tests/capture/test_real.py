"""Real captures that others made, held against what tshark reads in them, and the same packets behind the headers of
other recorders (tests/truth/README.md has where they come from)."""

from __future__ import annotations

import struct
import subprocess
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.capture.discovery import tables_in
from gateway.capture.linklayer import airtime_ns
from gateway.capture.links import stamped_at_end
from gateway.capture.record import Trouble
from gateway.capture.summary import capture_contents
from gateway.model.gatt import FoundTable
from gateway.verify.audit import audit_table
from tests.capture.test_foreign import snooped  # noqa: F401
from tests.support import needs_program

TRUTH = Path(__file__).parents[1] / "truth"
DISCOVERY = TRUTH / "le_discovery_and_pairing.pcap"


def packets_of(path: Path) -> Iterator[tuple[int, bytes]]:
    """Time in nanoseconds and bytes of each packet of a little-endian pcap of microseconds."""
    data, at = path.read_bytes(), 24
    while at < len(data):
        seconds, part, kept, _ = struct.unpack_from("<IIII", data, at)
        yield seconds * 10**9 + part * 1000, data[at + 16 : at + 16 + kept]
        at += 16 + kept


def write(path: Path, link: int, packets: Iterator[tuple[int, bytes]]) -> Path:
    """A pcap of nanoseconds."""
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, link))
        for t_ns, data in packets:
            file.write(struct.pack("<IIII", *divmod(t_ns, 10**9), len(data), len(data)) + data)
    return path


def said(path: Path, *fields: str, only: str = "btatt") -> list[list[str]]:
    """What tshark says of a file, a row a packet."""
    names = [word for field in fields for word in ("-e", field)]
    command = ["tshark", "-r", str(path), "-Y", only, "-T", "fields", *names]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return [line.split("\t") for line in done.stdout.splitlines()]


def found(path: Path) -> tuple[FoundTable, Trouble]:
    trouble = Trouble()
    (table,) = tables_in(path, trouble)
    return table, trouble


def handles(table: FoundTable) -> dict[int, str]:
    return {item.handle: item.uuid for _, item in table.characteristics}


@needs_program("tshark")
def test_every_characteristic_that_tshark_finds_is_found_where_the_client_goes_on_from_the_last_declaration() -> None:
    """A phone asks for what follows from the last declaration + 1 on, where the value just learnt stands."""
    declared: dict[int, str] = {}
    for row in said(DISCOVERY, "btatt.handle", "btatt.uuid16", "btatt.uuid128", only="btatt.opcode == 0x09"):
        numbers = [int(one, 16) for one in row[0].split(",")]
        names = [one for one in (*row[1].split(","), *row[2].split(",")) if one and one != "0x2803"]
        declared |= dict(zip(numbers[1::2], names, strict=False))
    table, _ = found(DISCOVERY)
    ours = handles(table)
    assert set(ours) == set(declared) and len(ours) == 23
    for handle, uuid in ours.items():
        number = bytes.fromhex(uuid.replace("-", ""))
        assert declared[handle].replace(":", "") in (f"0x{uuid[4:8]}", number[::-1].hex())  # as transmitted
    services = {int(row[0].split(",")[0], 16) for row in said(DISCOVERY, "btatt.handle", only="btatt.opcode == 0x11")}
    assert services <= {service.handle for service in table.services} and len(table.services) == 6


def test_a_real_table_is_audited() -> None:
    table, _ = found(DISCOVERY)
    audit = audit_table(table, None)
    assert {one.rule.name for one in audit.checked if one.findings} <= {"identity", "idle-configuration"}


def test_a_characteristic_outside_every_service_that_was_seen_breaks_no_audit() -> None:
    table, _ = found(DISCOVERY)
    table.services = [table.services[-1]]
    table.services[0].uuid, table.services[0].handle, table.services[0].end = "", None, None
    audit_table(table, None)


def behind_17_bytes(version: int) -> Iterator[tuple[int, bytes]]:
    """The packets of the real capture as a recorder of link type 272 writes them."""
    for number, (t_ns, data) in enumerate(packets_of(DISCOVERY)):
        facts = struct.unpack_from("<H", data, 8)[0]
        flags = (1 if facts & 0x800 else 0) | (2 if facts >> 7 & 7 != 3 else 0)
        inner = struct.pack("<BBBBHI", 10, flags, data[0], 60, 7, 1234) + data[10:]
        head = (
            struct.pack("<BBB", 6, len(inner) & 0xFF, version)
            if version == 1
            else struct.pack("<HB", len(inner), version)
        )
        yield t_ns, bytes([1]) + head + struct.pack("<HB", number & 0xFFFF, 6) + inner


@needs_program("tshark")
@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_header_of_17_bytes_is_read_as_tshark_reads_it(tmp_path: Path, version: int) -> None:
    path = write(tmp_path / "x.pcap", 272, behind_17_bytes(version))
    read = said(path, "btle.access_address", "btle.length", only="btle")
    assert Counter(map(tuple, read)) == Counter(
        map(tuple, said(DISCOVERY, "btle.access_address", "btle.length", only="btle"))
    )
    table, _ = found(path)
    assert handles(table) == handles(found(DISCOVERY)[0])


@pytest.mark.parametrize("inner", [147, 251], ids=["private use", "assigned"])
def test_a_header_of_typed_fields_is_read_as_the_bare_packets_are(tmp_path: Path, inner: int) -> None:
    """Per-Packet Information, version 0, with one field of 12 bytes."""
    head = struct.pack("<BBHIHH", 0, 0, 24, inner, 30006, 12) + bytes(12)
    path = write(tmp_path / "x.pcap", 192, ((t_ns, head + data[10:]) for t_ns, data in packets_of(DISCOVERY)))
    assert handles(found(path)[0]) == handles(found(DISCOVERY)[0])


@needs_program("tshark")
def test_tshark_reads_the_header_of_typed_fields_alike(tmp_path: Path) -> None:
    head = struct.pack("<BBHIHH", 0, 0, 24, 251, 30006, 12) + bytes(12)
    path = write(tmp_path / "x.pcap", 192, ((t_ns, head + data[10:]) for t_ns, data in packets_of(DISCOVERY)))
    read = [Counter(map(tuple, said(file, "btle.access_address", only="btle"))) for file in (path, DISCOVERY)]
    assert read[0] == read[1]


def test_stamps_of_packets_ends_are_told_from_those_of_their_beginnings(tmp_path: Path) -> None:
    late = ((t_ns + airtime_ns(len(data) - 10, 0), data) for t_ns, data in packets_of(DISCOVERY))
    path = write(tmp_path / "late.pcap", 256, late)
    assert stamped_at_end(path) and not stamped_at_end(DISCOVERY)
    table, trouble = found(path)
    assert handles(table) == handles(found(DISCOVERY)[0])
    assert any("packets' ends" in line for line in trouble.lines())


@pytest.mark.parametrize("link", [105, 192, 272])
def test_headers_that_are_garbage_are_counted(tmp_path: Path, link: int) -> None:
    import random

    chance = random.Random(1)
    path = write(tmp_path / "x.pcap", link, ((n, chance.randbytes(n % 40)) for n in range(500)))
    if link == 105:
        with pytest.raises(Exception, match=r"link type 105; supported are .*272"):
            tables_in(path, Trouble())
        return
    trouble = Trouble()
    assert tables_in(path, trouble) == [] and sum(trouble.counts.values()) >= 400


def test_what_is_in_a_capture_is_told_without_a_plugin() -> None:
    """Read by tshark in it: 36 units of 1.25 ms and 5 s on connecting, updates to 6, 36 and 6 units."""
    found = capture_contents(DISCOVERY)
    assert sum(found.packets.values()) == 1604
    (node,) = [peer for peer in found.peers if peer.address == "74:DA:EA:91:47:E3"]
    assert "connected: connection interval 45 ms" in node.events[0] and "supervision timeout 5000 ms" in node.events[0]
    updates = [line.partition("connection interval ")[2].split(" ms")[0] for line in node.events[1:]]
    assert [one for one in updates if one] == ["7.5", "45", "7.5"]
    seen = [line.partition("interval seen ")[2].split(" ms")[0] for line in node.events]
    assert [round(float(one), 1) for one in seen if one] == [45.0, 7.5, 45.0, 7.5]
    assert any("81 x encrypted packet" in line for line in found.skipped)
    table = [(one.handle, one.uuid) for one in node.attributes]
    assert len(table) == 23 and table[0] == (0x0003, "0x2A00") and table[-1][0] == 0x0040
    assert not any(one.counts for one in node.attributes)  # none passed before the link was encrypted


@needs_program("tshark")
def test_what_passed_of_each_attribute_is_what_tshark_counts(snooped: tuple[Path, Path]) -> None:  # noqa: F811
    _, snoop = snooped
    found = capture_contents(snoop)
    ours: Counter[int] = Counter()
    for peer in found.peers:
        ours.update({one.handle: one.counts.get("notified", 0) for one in peer.attributes})
    rows = said(snoop, "btatt.handle", "bthci_acl.src.bd_addr", only="btatt.opcode == 0x1b")
    assert +ours == Counter(int(row[0], 16) for row in rows)
