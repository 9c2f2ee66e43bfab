"""Link layer packets that a recorder put behind a header of its own, rewritten as link types 251 and 256, so that only
one place reads the air: link type 192, a header of typed fields around a packet of any kind (Per-Packet Information,
version 0), and 272, a fixed header of 17 bytes that tells direction, check and PHY, in versions 1 to 3. Both as the
tcpdump registry of link types describes them."""

from __future__ import annotations

import struct

from gateway.capture.record import Trouble
from gateway.capture.window import AIR, AIR_FACTS, LE_HEADER, PPI

_INNER = {147, 251}  # the first is a number for private use, under which early recorders kept the same bytes
_DEWHITENED, _SIGNAL, _CHECKED, _CHECK_GOOD, _DECRYPTED = 0x1, 0x2, 0x400, 0x800, 0x8
_TO_PERIPHERAL, _TO_CENTRAL = 2 << 7, 3 << 7


def unwrapped(link: int, data: bytes, number: int, trouble: Trouble) -> tuple[int, bytes] | None:
    """Link type and bytes of the packet inside; None, and counted, for one that holds no link layer packet.

    Args:
        link: the link type of the file.
        number: of the packet, for what is counted.
    """
    if link == PPI:
        return _typed_fields(data, number, trouble)
    if link == LE_HEADER:
        return _fixed_header(data, number, trouble)
    return link, data


def _typed_fields(data: bytes, number: int, trouble: Trouble) -> tuple[int, bytes] | None:
    if len(data) < 8:
        trouble.note("header of link type 192 that is too short", f"packet {number}")
        return None
    version, _, length, inner = struct.unpack_from("<BBHI", data)
    if version or not 8 <= length <= len(data) or inner not in _INNER:
        trouble.note(f"packet of link type {inner} inside link type 192, which is not supported", f"packet {number}")
        return None
    return AIR, data[length:]


def _fixed_header(data: bytes, number: int, trouble: Trouble) -> tuple[int, bytes] | None:
    """board (1), length of the header (1), length of the payload and version (1 and 1, from version 2 on 2 and 1),
    counter (2), packet id (1); then length of the second header (1), flags (1), channel (1), RSSI (1), event counter
    (2), time (4)."""
    if len(data) < 17 + 9 or data[7] < 10:
        trouble.note("header of link type 272 that is too short or of another kind", f"packet {number}")
        return None
    flags, channel, rssi = data[8], data[9], data[10]
    start = 7 + data[7]
    facts = _DEWHITENED | _SIGNAL | _CHECKED | (_CHECK_GOOD if flags & 1 else 0) | ((flags >> 4 & 3) << 14)
    packet = data[start:]
    if packet[:4] != b"\xd6\xbe\x89\x8e":
        facts |= _TO_PERIPHERAL if flags & 2 else _TO_CENTRAL
        facts |= _DECRYPTED if flags & 4 and flags & 8 else 0
    head = struct.pack("<BbbBIH", channel, -(rssi & 0x7F), 0, 0, 0, facts)
    return AIR_FACTS, head + packet
