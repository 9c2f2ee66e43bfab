"""Packets out of the open capture containers: pcap, pcapng and HCI snoop files, plain or compressed. Written here
rather than taken from a library, because a field recording is cut off, damaged or huge: every length is held
against a bound before anything is read by it, times keep their nanoseconds, and behind garbage the next
packet that makes sense is sought. Formats: the pcap and pcapng Internet-Drafts of the IETF opsawg group, RFC 1761
with the HCI datalinks for snoop files."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from gateway.capture.record import Trouble
from gateway.capture.text import DAMAGED, open_bytes
from gateway.errors import InputError

H4, H4_DIRECTION, MONITOR, AIR, AIR_FACTS = 187, 201, 254, 251, 256  # link types of the tcpdump registry
LINK_TYPES = {
    H4: "HCI H4",
    H4_DIRECTION: "HCI H4 with direction",
    MONITOR: "Linux monitor",
    AIR: "LE link layer",
    AIR_FACTS: "LE link layer with radio facts",
}
MOST_BYTES = 1 << 18  # of one packet
MOST_BLOCK_BYTES = 1 << 24  # of a pcapng block that is passed over
MOST_GARBAGE_BYTES = 1 << 24  # looked through for the next packet
_CHUNK = 1 << 20
_SNOOP_EPOCH_US = 0x00DCDDB30F2F8000  # 1970 in microseconds since the year 0, from which snoop files count
_LINK_OF_SNOOP = {1001: H4_DIRECTION, 1002: H4_DIRECTION, 2001: MONITOR}
_LATEST_S = 1 << 33
_MAGIC_BYTES = 12


class Packet(NamedTuple):
    """One captured packet.

    Attributes:
        t_ns: when, nanoseconds UTC.
        link: its link type, one of `LINK_TYPES`.
        number: its place in the file, from 1.
    """

    t_ns: int
    link: int
    data: bytes
    number: int


class _Window:
    """The part of a file being looked at: grows by what is asked for, never by what the file claims."""

    def __init__(self, path: Path, trouble: Trouble) -> None:
        self._file = open_bytes(path)
        self._trouble = trouble
        self.data = b""
        self.at = 0
        self.passed = 0  # bytes of the file before ``data``

    @property
    def place(self) -> int:
        """Where in the file the window stands."""
        return self.passed + self.at

    def has(self, count: int) -> bool:
        """Whether so many bytes follow; reads them if need be."""
        while len(self.data) - self.at < count:
            try:
                more = self._file.read(max(_CHUNK, count))
            except DAMAGED as error:
                self._trouble.note("the file is cut off or damaged", f"near byte {self.place}: {error}")
                more = b""
            if not more:
                return False
            self.passed += self.at
            self.data, self.at = self.data[self.at :] + more, 0
        return True

    def skip(self, count: int) -> None:
        """Pass over bytes without keeping them."""
        while count > 0:
            step = min(count, _CHUNK)
            if not self.has(step):
                self.at = len(self.data)
                return
            self.at += step
            count -= step

    def left(self) -> int:
        """Bytes that can be seen, without reading more."""
        return len(self.data) - self.at

    def close(self) -> None:
        self._file.close()


def is_foreign(path: Path) -> bool:
    """Whether a file begins like one of the containers.

    Raises:
        InputError: it can't be opened.
    """
    file = open_bytes(path)
    try:
        magic = file.read(_MAGIC_BYTES)
    except DAMAGED:
        return False
    finally:
        file.close()
    return magic[:8] == b"btsnoop\0" or magic[:4] in _PCAP or magic[:4] == b"\x0a\x0d\x0d\x0a"


def packets(path: Path, trouble: Trouble) -> Iterator[Packet]:
    """The packets of a container in the order of the file, those of unknown link types left out and counted.

    Raises:
        InputError: it can't be opened, is none of these formats, or of a link type that is not read here.
    """
    window = _Window(path, trouble)
    try:
        window.has(24)
        magic = window.data[:8]
        if magic == b"btsnoop\0":
            yield from _snoop(path, window, trouble)
        elif magic[:4] in _PCAP:
            yield from _pcap(path, window, trouble)
        elif magic[:4] == b"\x0a\x0d\x0d\x0a":
            yield from _pcapng(window, trouble)
        else:
            raise InputError(
                f"{path} begins with {magic.hex(' ') or 'nothing'}; expected a capture of gattest, pcap, pcapng or "
                "btsnoop"
            )
    finally:
        window.close()


# pcap


_PCAP = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}


@dataclass(slots=True)
class _Records:
    """The records of a pcap or snoop file: a header with lengths and a time, then the packet.

    Attributes:
        header: its struct; ``read`` makes (t_ns, bytes kept, bytes on the wire, flags) of its numbers, t_ns None
            where they make no sense.
    """

    header: struct.Struct

    def read(self, numbers: tuple[int, ...]) -> tuple[int | None, int, int, int]:
        raise NotImplementedError


@dataclass(slots=True)
class _PcapRecords(_Records):
    tick_ns: int

    def read(self, numbers: tuple[int, ...]) -> tuple[int | None, int, int, int]:
        seconds, part, kept, whole = numbers
        t_ns = seconds * 1_000_000_000 + part * self.tick_ns if part * self.tick_ns < 1_000_000_000 else None
        return t_ns, kept, whole, 0


@dataclass(slots=True)
class _SnoopRecords(_Records):
    def read(self, numbers: tuple[int, ...]) -> tuple[int | None, int, int, int]:
        whole, kept, flags, _, moment = numbers
        t_ns = (moment - _SNOOP_EPOCH_US) * 1000
        return (t_ns if 0 <= t_ns < _LATEST_S * 1_000_000_000 else None), kept, whole, flags


def _pcap(path: Path, window: _Window, trouble: Trouble) -> Iterator[Packet]:
    if not window.has(24):
        raise InputError(f"{path} ends inside its header; it holds no packets")
    order, tick_ns = _PCAP[window.data[:4]]
    (link,) = struct.unpack_from(order + "I", window.data, 20)
    link &= 0xFFFF  # above it stand facts about frame check sequences
    if link not in LINK_TYPES:
        raise InputError(_unknown(path, link))
    window.at = 24
    records = _PcapRecords(struct.Struct(order + "IIII"), tick_ns)
    for number, (t_ns, data, _) in enumerate(_records(window, records, trouble), 1):
        yield Packet(t_ns, link, data, number)


def _unknown(path: Path, link: int) -> str:
    known = ", ".join(f"{number} ({name})" for number, name in LINK_TYPES.items())
    return f"{path} is of link type {link}; read are {known}, and snoop files of 1001, 1002 and 2001"


def _snoop(path: Path, window: _Window, trouble: Trouble) -> Iterator[Packet]:
    if not window.has(16):
        raise InputError(f"{path} ends inside its header; it holds no packets")
    (kind,) = struct.unpack_from(">I", window.data, 12)
    if kind not in _LINK_OF_SNOOP:
        raise InputError(_unknown(path, kind))
    window.at = 16
    records = _SnoopRecords(struct.Struct(">IIIIq"))
    for number, (t_ns, data, flags) in enumerate(_records(window, records, trouble), 1):
        if kind == 2001:
            data = struct.pack(">HH", flags >> 16, flags & 0xFFFF) + data
        elif kind == 1002:
            data = struct.pack(">I", flags & 1) + data
        else:  # 1001: HCI without its packet indicator, which follows from the flags
            indicator = 2 if not flags & 2 else 4 if flags & 1 else 1
            data = struct.pack(">IB", flags & 1, indicator) + data
        yield Packet(t_ns, _LINK_OF_SNOOP[kind], data, number)


def _records(window: _Window, records: _Records, trouble: Trouble) -> Iterator[tuple[int, bytes, int]]:
    """Time, bytes and flags of each record; behind what makes no sense the next that does is sought."""
    header, size = records.header, records.header.size
    last_ns = 0
    while window.has(size):
        t_ns, kept, whole, flags = records.read(header.unpack_from(window.data, window.at))
        if t_ns is None or kept > MOST_BYTES or kept > whole:
            before = window.place
            found = _seek(window, records, last_ns)
            trouble.note("a stretch that is no packet", f"bytes {before} to {window.place}")
            if not found:
                return
            continue
        if not window.has(size + kept):
            trouble.note("a packet that is cut off at the end of the file", f"byte {window.place}")
            return
        start = window.at + size
        if kept < whole:
            trouble.note("a packet that was not captured whole", f"byte {window.place}")
        window.at = start + kept
        last_ns = t_ns
        yield t_ns, window.data[start : start + kept], flags
    if window.left():
        trouble.note("a packet that is cut off at the end of the file", f"byte {window.place}")


def _seek(window: _Window, records: _Records, last_ns: int) -> bool:
    """Move to the next place where two records in a row make sense and are within a day of the last."""
    size = records.header.size

    def sensible(at: int) -> int | None:
        t_ns, kept, whole, _ = records.read(records.header.unpack_from(window.data, at))
        near = t_ns is not None and (not last_ns or abs(t_ns - last_ns) < 86400 * 1_000_000_000)
        return kept if near and 0 < kept <= whole <= MOST_BYTES else None

    for _ in range(MOST_GARBAGE_BYTES):
        window.at += 1
        if not window.has(size):
            return False
        kept = sensible(window.at)
        if kept is None:
            continue
        if not window.has(2 * size + kept):
            if window.left() == size + kept:
                return True  # the file's last record
            continue
        if sensible(window.at + size + kept) is not None:
            return True
    return False


# pcapng


@dataclass(slots=True)
class _Interface:
    """Where packets of a pcapng file come from: their link type, and the time of one tick as a fraction of seconds."""

    link: int
    ticks_per_s: int = 1_000_000
    offset_s: int = 0


def _pcapng(window: _Window, trouble: Trouble) -> Iterator[Packet]:
    order = "<"
    interfaces: list[_Interface] = []
    last_ns = 0
    number = 0
    while window.has(12):
        (kind,) = struct.unpack_from(order + "I", window.data, window.at)
        if kind == 0x0A0D0D0A:
            order = ">" if window.data[window.at + 8 : window.at + 12] == b"\x1a\x2b\x3c\x4d" else "<"
            interfaces = []
        (length,) = struct.unpack_from(order + "I", window.data, window.at + 4)
        if length % 4 or not 12 <= length <= MOST_BLOCK_BYTES or not _closes(window, order, length):
            before = window.place
            found = _seek_block(window, order)
            trouble.note("a stretch that is no block of pcapng", f"bytes {before} to {window.place}")
            if not found:
                return
            continue
        body = window.data[window.at + 8 : window.at + min(length, MOST_BYTES + 64) - 4]
        window.skip(length)
        if kind == 1 and len(body) >= 8:
            interfaces.append(_interface(order, body))
        elif kind in (2, 3, 6):
            number += 1
            packet = _block_packet(order, kind, body, interfaces, last_ns)
            if packet is None:
                trouble.note("a packet block that contradicts itself", f"packet {number}")
            elif packet[1] not in LINK_TYPES:
                trouble.note(f"a packet of link type {packet[1]}, which is not read here", f"packet {number}")
            else:
                last_ns = packet[0]
                yield Packet(*packet, number)
    if window.left():
        trouble.note("a block that is cut off at the end of the file", f"byte {window.place}")


def _closes(window: _Window, order: str, length: int) -> bool:
    """Whether a block's length stands at its end again."""
    if not window.has(length):
        return False
    (again,) = struct.unpack_from(order + "I", window.data, window.at + length - 4)
    return bool(again == length)


def _seek_block(window: _Window, order: str) -> bool:
    for _ in range(MOST_GARBAGE_BYTES):
        window.at += 1
        if not window.has(12):
            return False
        kind, length = struct.unpack_from(order + "II", window.data, window.at)
        known = kind in (1, 2, 3, 4, 5, 6, 0x0A0D0D0A)
        if known and length % 4 == 0 and 12 <= length <= MOST_BYTES and _closes(window, order, length):
            return True
    return False


def _interface(order: str, body: bytes) -> _Interface:
    (link,) = struct.unpack_from(order + "H", body)
    made = _Interface(link)
    at = 8
    while at + 4 <= len(body):
        code, length = struct.unpack_from(order + "HH", body, at)
        value = body[at + 4 : at + 4 + length]
        if code == 0 or len(value) < length:
            break
        if code == 9 and length == 1:  # if_tsresol
            exponent = value[0] & 0x7F
            made.ticks_per_s = (2 if value[0] & 0x80 else 10) ** min(exponent, 63)
        elif code == 14 and length == 8:  # if_tsoffset
            (made.offset_s,) = struct.unpack(order + "q", value)
        at += 4 + (length + 3 & ~3)
    return made


def _block_packet(
    order: str, kind: int, body: bytes, interfaces: list[_Interface], last_ns: int
) -> tuple[int, int, bytes] | None:
    """Time, link type and bytes of a packet block; None where its numbers do not fit together."""
    if kind == 3:  # simple: no time of its own
        if len(body) < 4 or not interfaces:
            return None
        (whole,) = struct.unpack_from(order + "I", body)
        return last_ns, interfaces[0].link, body[4 : 4 + min(whole, len(body) - 4)]
    if len(body) < 20:
        return None
    source, high, low, kept, _ = struct.unpack_from(order + "IIIII", body)
    if kind == 2:  # the obsolete form: a short interface number and a count of drops
        (source,) = struct.unpack_from(order + "H", body)
    if source >= len(interfaces) or kept > min(len(body) - 20, MOST_BYTES):
        return None
    interface = interfaces[source]
    t_ns = (high << 32 | low) * 1_000_000_000 // interface.ticks_per_s + interface.offset_s * 1_000_000_000
    if not 0 <= t_ns < _LATEST_S * 1_000_000_000:
        return None
    return t_ns, interface.link, body[20 : 20 + kept]
