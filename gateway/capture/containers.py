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

from gateway.capture.pcapng import pcapng_packets
from gateway.capture.record import Trouble
from gateway.capture.text import DAMAGED, open_bytes
from gateway.capture.window import (
    H4_DIRECTION,
    LATEST_S,
    LINK_TYPES,
    MONITOR,
    MOST_BYTES,
    MOST_GARBAGE_BYTES,
    Packet,
    Window,
    tell_rest,
)
from gateway.capture.wrapped import unwrapped
from gateway.model.errors import InputError

_SNOOP_EPOCH_US = 0x00DCDDB30F2F8000  # 1970 in microseconds since the year 0, from which snoop files count
_LINK_OF_SNOOP = {1001: H4_DIRECTION, 1002: H4_DIRECTION, 2001: MONITOR}
_MAGIC_BYTES = 12


def is_foreign(path: Path) -> bool:
    """Whether a file begins like one of the containers.

    Raises:
        InputError: it can't be opened.
    """
    file = open_bytes(path)
    try:
        magic = file.read1(_MAGIC_BYTES)
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
    window = Window(path, trouble)
    try:
        window.has(24)
        magic = window.data[:8]
        if magic == b"btsnoop\0":
            yield from _snoop(path, window, trouble)
        elif magic[:4] in _PCAP:
            yield from _pcap(path, window, trouble)
        elif magic[:4] == b"\x0a\x0d\x0d\x0a":
            yield from pcapng_packets(window, trouble)
        else:
            raise InputError(
                f"{path} begins with {magic.hex(' ') or 'nothing'}; expected a gattest capture, pcap, pcapng or btsnoop"
            )
    finally:
        window.close()


# pcap

_MOST_EMPTY = 1000  # in a row: a file full of zeros

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
    dropped: int = 0  # as the record read last says, since the file began
    told: int = 0

    def read(self, numbers: tuple[int, ...]) -> tuple[int | None, int, int, int]:
        whole, kept, flags, dropped, moment = numbers
        self.dropped = min(dropped, self.dropped + 1_000_000)  # more at once is garbage
        t_ns = (moment - _SNOOP_EPOCH_US) * 1000
        return (t_ns if 0 <= t_ns < LATEST_S * 1_000_000_000 else None), kept, whole, flags


def _pcap(path: Path, window: Window, trouble: Trouble) -> Iterator[Packet]:
    if not window.has(24):
        raise InputError(f"{path} is truncated in its header; it contains no packets")
    order, tick_ns = _PCAP[window.data[:4]]
    (link,) = struct.unpack_from(order + "I", window.data, 20)
    link &= 0xFFFF  # above it stand facts about frame check sequences
    if link not in LINK_TYPES:
        raise InputError(_unknown(path, link))
    window.at = 24
    records = _PcapRecords(struct.Struct(order + "IIII"), tick_ns)
    for number, (t_ns, data, _) in enumerate(_records(window, records, trouble), 1):
        if (inner := unwrapped(link, data, number, trouble)) is not None:
            yield Packet(t_ns, *inner, number)


def _unknown(path: Path, link: int) -> str:
    known = ", ".join(f"{number} ({name})" for number, name in LINK_TYPES.items())
    return f"{path} has link type {link}; supported are {known}, and btsnoop files of 1001, 1002 and 2001"


def _snoop(path: Path, window: Window, trouble: Trouble) -> Iterator[Packet]:
    if not window.has(16):
        raise InputError(f"{path} is truncated in its header; it contains no packets")
    (kind,) = struct.unpack_from(">I", window.data, 12)
    if kind not in _LINK_OF_SNOOP:
        raise InputError(_unknown(path, kind))
    window.at = 16
    records = _SnoopRecords(struct.Struct(">IIIIq"))
    for number, (t_ns, data, flags) in enumerate(_records(window, records, trouble), 1):
        if records.dropped > records.told:
            trouble.note("packet dropped by the recorder", f"before packet {number}", records.dropped - records.told)
            records.told = records.dropped
        if kind == 2001:
            data = struct.pack(">HH", flags >> 16, flags & 0xFFFF) + data
        elif kind == 1002:
            data = struct.pack(">I", flags & 1) + data
        else:  # 1001: HCI without its packet indicator, which follows from the flags
            indicator = 2 if not flags & 2 else 4 if flags & 1 else 1
            data = struct.pack(">IB", flags & 1, indicator) + data
        yield Packet(t_ns, _LINK_OF_SNOOP[kind], data, number)


def _records(window: Window, records: _Records, trouble: Trouble) -> Iterator[tuple[int, bytes, int]]:
    """Time, bytes and flags of each record; behind what makes no sense the next that does is sought."""
    header, size = records.header, records.header.size
    last_ns = empty = 0
    while window.has(size):
        t_ns, kept, whole, flags = records.read(header.unpack_from(window.data, window.at))
        if t_ns is None or kept > MOST_BYTES or kept > whole:
            before = window.place
            found = _seek(window, records, last_ns)
            trouble.note("bytes that are not a packet", f"bytes {before} to {window.place}")
            if not found:
                tell_rest(window, trouble)
                return
            continue
        if not window.has(size + kept):
            trouble.note("packet truncated at the end of the file", f"byte {window.place}")
            return
        start = window.at + size
        empty = 0 if whole else empty + 1
        if empty > _MOST_EMPTY:
            trouble.note("records without content, after which nothing more was read", f"byte {window.place}")
            return
        if kept < whole:
            trouble.note("packet not captured in full", f"byte {window.place}")
        window.at = start + kept
        last_ns = t_ns
        yield t_ns, window.data[start : start + kept], flags
    if window.left():
        trouble.note("packet truncated at the end of the file", f"byte {window.place}")


def _seek(window: Window, records: _Records, last_ns: int) -> bool:
    """Move to the next place where two records in a row make sense and are within a day of the last."""
    size = records.header.size

    def sensible(at: int) -> int | None:
        t_ns, kept, whole, _ = records.read(records.header.unpack_from(window.data, at))
        near = t_ns is not None and (not last_ns or abs(t_ns - last_ns) < 86400 * 1_000_000_000)
        return kept if near and 0 < kept <= whole <= MOST_BYTES else None

    for count in range(MOST_GARBAGE_BYTES + 1):
        window.at += 1
        if count == MOST_GARBAGE_BYTES or not window.has(size):
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
