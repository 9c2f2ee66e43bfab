"""Packets out of pcapng files, the block format of the IETF opsawg group's Internet-Draft."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from gateway.capture.record import Trouble
from gateway.capture.window import LATEST_S, LINK_TYPES, MOST_BYTES, MOST_GARBAGE_BYTES, Packet, Window, tell_rest
from gateway.capture.wrapped import unwrapped

MOST_BLOCK_BYTES = 1 << 24  # of a block that is passed over
MOST_INTERFACES = 4096  # of a section
_SECTIONS = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}  # byte-order magic of a section header


@dataclass(slots=True)
class _Interface:
    """Where packets of a pcapng file come from: their link type, and the time of one tick as a fraction of seconds."""

    link: int
    ticks_per_s: int = 1_000_000
    offset_s: int = 0


def pcapng_packets(window: Window, trouble: Trouble) -> Iterator[Packet]:
    """The packets of a file, those of unknown link types left out and counted."""
    order = "<"
    interfaces: list[_Interface] = []
    base = last_ns = number = 0  # interfaces of the sections before; time of the packet before; packets so far
    while window.has(12):
        (kind,) = struct.unpack_from(order + "I", window.data, window.at)
        section = _SECTIONS.get(window.data[window.at + 8 : window.at + 12]) if kind == 0x0A0D0D0A else order
        (length,) = struct.unpack_from((section or order) + "I", window.data, window.at + 4)
        whole = length % 4 == 0 and 12 <= length <= MOST_BLOCK_BYTES
        if section is None or not whole or not _closes(window, section, length):
            before = window.place
            found = _seek_block(window, order)
            trouble.note("bytes that are not a pcapng block", f"bytes {before} to {window.place}")
            if not found:
                tell_rest(window, trouble)
                return
            continue
        if kind == 0x0A0D0D0A:
            order, base, interfaces = section, base + len(interfaces), []
        body = window.data[window.at + 8 : window.at + min(length, MOST_BYTES + 64) - 4]
        window.skip(length)
        if kind == 1 and len(body) >= 8 and len(interfaces) < MOST_INTERFACES:
            interfaces.append(_interface(order, body))
        elif kind in (2, 3, 6):
            number += 1
            packet = _block_packet(order, kind, body, interfaces, last_ns)
            if packet is not None and packet[4]:
                trouble.note("packet not captured in full", f"packet {number}")
            if packet is not None and packet[0] == 0:
                trouble.note("packet without a time stamp", f"packet {number}")
            if packet is None:
                trouble.note("inconsistent packet block", f"packet {number}")
            elif packet[1] not in LINK_TYPES:
                trouble.note(f"packet of link type {packet[1]}, which is not supported", f"packet {number}")
            else:
                last_ns = packet[0]
                if (inner := unwrapped(packet[1], packet[2], number, trouble)) is not None:
                    yield Packet(packet[0], *inner, number, base + packet[3])
    if window.left():
        trouble.note("block truncated at the end of the file", f"byte {window.place}")


def _closes(window: Window, order: str, length: int) -> bool:
    """Whether a block's length stands at its end again."""
    if not window.has(length):
        return False
    (again,) = struct.unpack_from(order + "I", window.data, window.at + length - 4)
    return bool(again == length)


def _seek_block(window: Window, order: str) -> bool:
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
) -> tuple[int, int, bytes, int, bool] | None:
    """Time, link type, bytes and interface of a packet block, and whether it was cut; None where its numbers do not fit
    together."""
    if kind == 3:  # simple: no time of its own
        if len(body) < 4 or not interfaces:
            return None
        (whole,) = struct.unpack_from(order + "I", body)
        kept = min(whole, len(body) - 4)
        return last_ns, interfaces[0].link, body[4 : 4 + kept], 0, kept < whole
    if len(body) < 20:
        return None
    source, high, low, kept, whole = struct.unpack_from(order + "IIIII", body)
    if kind == 2:  # the obsolete form: a short interface number and a count of drops
        (source,) = struct.unpack_from(order + "H", body)
    if source >= len(interfaces) or kept > min(len(body) - 20, MOST_BYTES):
        return None
    interface = interfaces[source]
    t_ns = (high << 32 | low) * 1_000_000_000 // interface.ticks_per_s + interface.offset_s * 1_000_000_000
    if not 0 <= t_ns < LATEST_S * 1_000_000_000:
        return None
    return t_ns, interface.link, body[20 : 20 + kept], source, kept < whole
