"""Follows LE links through packets caught on the air: from CONNECT_IND on, each direction by its sequence bits,
retransmissions left out, fragments through L2CAP and ATT. The connection interval and the inter-frame space are
measured from the arrival times. Packet formats and control PDUs: Core Specification, Vol 6, Part B, 2."""

from __future__ import annotations

import statistics
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from gateway.capture.att import Advertised, Bearer, Fragments, Happened, Said, Scanning
from gateway.capture.cipher import LinkCipher
from gateway.capture.extended import ExtendedAdvertisements
from gateway.capture.hci import ATT_CHANNEL, Directory, parameters
from gateway.capture.record import Trouble
from gateway.capture.window import AIR_FACTS, Packet
from gateway.model.events import Connected, ConnectFailed, Detail, Disconnected, Lost, Parameters
from gateway.model.reasons import REMOTE_USER, reason_text

ADVERTISING = 0x8E89BED6  # access address of advertising channels: 2.1.2
ADVERTISING_CRC = 0x555555
CENTRAL, PERIPHERAL = 0, 1
_NEXT_EVENT_US = 600  # a packet that comes this long after the end of the one before begins an event
_LONG_SPACE_US = 200
_SPACE_US, _SPACE_TOLERANCE_US = 150, 12  # between two packets of an event: 4.1.1
_MOST_SPACE_US = 400
_SWEEP_NS, _LAST_WORDS_NS = 1_000_000_000, 2_000_000_000
_MOST_KEPT = 4096  # intervals and spaces of a link that are remembered
_MOST_LINKS = 1000  # at once; more are garbage
FACTS = 10  # bytes of radio facts before the packet
_SIGNAL = 0x2  # the flag of a valid signal strength among them
_CODED = 2


def _crc_table() -> tuple[int, ...]:
    """For the reflected polynomial x^24 + x^10 + x^9 + x^6 + x^4 + x^3 + x + 1 (3.1.1)."""
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0xDA6000 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC = _crc_table()
_BY_TOP = {value >> 16: index for index, value in enumerate(_CRC)}


def crc24(data: bytes, start: int) -> int:
    """The check of a link layer PDU, as the integer of its three transmitted bytes in little-endian order.

    Args:
        data: header and payload.
        start: the initial value, 0x555555 on advertising channels.

    Example: "123456789" from 0x555555 gives 0xC25A56 (CRC-24/BLE of the CRC catalogue).
    """
    register = int(f"{start:024b}"[::-1], 2)
    for byte in data:
        register = register >> 8 ^ _CRC[(register ^ byte) & 0xFF]
    return register


def crc_start(data: bytes, check: int) -> int:
    """The initial value that gives a PDU its check: the register run backwards, for links that began unseen."""
    register = check
    for byte in reversed(data):
        index = _BY_TOP[register >> 16]
        register = (register ^ _CRC[index]) << 8 & 0xFFFFFF | (index ^ byte)
    return int(f"{register:024b}"[::-1], 2)


@dataclass(slots=True)
class _Side:
    """One direction of a link: what was last taken, by its sequence bit, and whether the other side has acknowledged
    it."""

    fragments: Fragments
    sequence: int = -1
    payload: bytes = b""
    acked: bool = False


@dataclass(slots=True)
class _AirLink:
    access: int
    crc_start: int | None
    peer: str
    bearer: Bearer
    sides: tuple[_Side, _Side]
    cipher: LinkCipher
    timeout_ns: int = 0
    encrypted: bool = False
    last_ns: int = 0
    last_end_ns: int = 0
    last_sender: int = PERIPHERAL
    anchor_ns: int = 0
    begun: Connected | None = None  # what CONNECT_IND said, until the peripheral answers
    begun_ns: int = 0
    intervals_ms: list[float] = field(default_factory=list)
    spaces_us: list[float] = field(default_factory=list)


class AirFollower:
    """Turns link layer packets into what was heard and what happened.

    Args:
        directory: names and tables, shared with other followers.
        trouble: what could not be read.
        at_end: whether packets are stamped where they end.
    """

    def __init__(self, directory: Directory, trouble: Trouble, at_end: bool = False) -> None:
        self._directory, self._trouble, self._at_end = directory, trouble, at_end
        self._extended = ExtendedAdvertisements(trouble)
        self._links: dict[int, _AirLink] = {}
        self._supposed: dict[int, int] = {}  # CRC start of links that began unseen, as their last packet has it
        self._ended: dict[int, int] = {}  # when links ended whose last words may still come
        self._swept_ns = self._now_ns = 0
        self._begun = False

    def take(self, packet: Packet) -> Iterator[Said]:
        """One packet of link type 251 or 256."""
        if not self._begun:
            self._begun = True
            yield Scanning(packet.t_ns, True)
        try:
            yield from self._sweep(packet.t_ns)
            yield from self._take(packet)
        except (struct.error, IndexError):
            self._trouble.note("link layer packet that is too short", f"packet {packet.number}")

    def _take(self, packet: Packet) -> Iterator[Said]:
        data, sender, checked, opened, phy, dbm = packet.data, -1, None, False, 0, None
        if packet.link == AIR_FACTS:
            (flags,) = struct.unpack_from("<H", data, 8)
            dbm = float(struct.unpack_from("<b", data, 1)[0]) if flags & _SIGNAL else None
            data = data[FACTS:]
            sender = {2: CENTRAL, 3: PERIPHERAL}.get(flags >> 7 & 7, -1)
            checked = bool(flags & 0x800) if flags & 0x400 else None
            opened, phy = bool(flags & 0x8), flags >> 14
        if phy == _CODED:  # a byte that tells the coding stands between access address and header
            data = data[:4] + data[5:]
        (access,) = struct.unpack_from("<I", data)
        length = data[5]
        pdu, check = data[4 : 6 + length], data[6 + length : 9 + length]
        if len(check) < 3:
            self._trouble.note("link layer packet not captured in full", f"packet {packet.number}")
            return
        link = self._links.get(access)
        start = ADVERTISING_CRC if access == ADVERTISING else link.crc_start if link else None
        if checked is None and start is not None:
            checked = crc24(pdu, start) == int.from_bytes(check, "little")
        air_ns = airtime_ns(len(data), phy)
        if self._at_end:
            packet = packet._replace(t_ns=packet.t_ns - air_ns)
        if checked is False:
            self._trouble.note("link layer packet with a CRC error", f"packet {packet.number}")
            if link is not None:  # it was sent all the same: whose turn it is next depends on it
                self._time(link, packet.t_ns, air_ns, sender)
        elif access in self._ended and 0 <= packet.t_ns - self._ended[access] < _LAST_WORDS_NS:
            return  # acknowledgements of its end
        elif checked is None and not self._confirmed(access, pdu, int.from_bytes(check, "little")):
            self._trouble.note("packet of a link whose start is not in the capture", f"packet {packet.number}")
        elif access == ADVERTISING:
            yield from self._advertised(packet, pdu, dbm)
        else:
            yield from self._data(packet, access, pdu, sender, opened, air_ns)

    def _advertised(self, packet: Packet, pdu: bytes, dbm: float | None) -> Iterator[Said]:
        kind, payload = pdu[0] & 0x0F, pdu[2:]
        if kind in (0, 2, 4, 6) and len(payload) >= 6:
            yield self._says(packet, payload[:6], payload[6:], dbm)
        elif kind == 7 and payload:
            if (whole := self._extended.take(packet.t_ns, payload)) is not None:
                yield self._says(packet, *whole, dbm)
        elif kind == 5 and len(payload) >= 34:
            yield from self._connected(packet, payload)

    def _says(self, packet: Packet, address: bytes, data: bytes, dbm: float | None) -> Said:
        if len(address) < 6:
            raise IndexError
        named = address[::-1].hex(":").upper()
        self._directory.advertised(named, data, self._trouble, packet.t_ns)
        return Advertised(packet.t_ns, named, data, dbm)

    def _connected(self, packet: Packet, payload: bytes) -> Iterator[Said]:
        client, peer = payload[5::-1].hex(":").upper(), payload[11:5:-1].hex(":").upper()
        (access,) = struct.unpack_from("<I", payload, 12)
        start = int.from_bytes(payload[16:19], "little")
        interval, latency, timeout = struct.unpack_from("<HHH", payload, 22)
        for other in [o for o in self._links.values() if o.peer == peer and o.bearer.names[0] == client]:
            yield from self._over(other, packet.t_ns)
        self._ended.pop(access, None)
        link = self._open(access, start, client, peer)
        link.timeout_ns = timeout * 10_000_000
        link.last_ns = link.begun_ns = packet.t_ns
        name = self._directory.names.get(peer, "")
        link.begun = Connected(address=peer, name=name, **parameters(interval, latency, timeout))

    def _open(self, access: int, crc_start: int | None, client: str, peer: str) -> _AirLink:
        tables = (self._directory.table(client), self._directory.table(peer))
        bearer = Bearer((client, peer), tables, self._trouble)
        sides = (_Side(Fragments(self._trouble)), _Side(Fragments(self._trouble)))
        link = self._links[access] = _AirLink(access, crc_start, peer, bearer, sides, LinkCipher(self._directory.keys))
        return link

    def _over(self, link: _AirLink, now_ns: int) -> Iterator[Said]:
        """A link of which nothing more is heard: its node links again, or its supervision timeout has passed."""
        self._forget(link, now_ns)
        yield from link.bearer.end()
        yield from self._seen(link, link.last_ns)
        ended_ns = min(link.last_ns + link.timeout_ns, now_ns) if link.timeout_ns else link.last_ns
        over: Detail = Lost(reason="no further packets captured")
        if link.begun is not None:
            over = ConnectFailed(reason="no response from the node")
        for server in link.bearer.names:
            yield Happened(ended_ns, server, over)

    def _forget(self, link: _AirLink, now_ns: int) -> None:
        self._links.pop(link.access, None)
        self._ended[link.access] = now_ns
        if len(self._ended) > _MOST_LINKS:
            self._ended.pop(next(iter(self._ended)))

    def _sweep(self, now_ns: int) -> Iterator[Said]:
        """Now and then: links of which nothing was heard for longer than their supervision timeout are over."""
        self._now_ns = now_ns
        if abs(now_ns - self._swept_ns) < _SWEEP_NS:
            return
        self._swept_ns = now_ns
        for link in [o for o in self._links.values() if o.timeout_ns and now_ns - o.last_ns > o.timeout_ns]:
            yield from self._over(link, now_ns)

    def _confirmed(self, access: int, pdu: bytes, check: int) -> bool:
        """Whether two packets in a row of a link that began unseen have checks of the same start: then it is one."""
        start = crc_start(pdu, check)
        if self._supposed.get(access) == start:
            self._open(access, start, f"central-{access:08x}", f"link-{access:08x}")
            del self._supposed[access]
            return True
        if len(self._supposed) >= _MOST_LINKS:
            self._supposed.pop(next(iter(self._supposed)))
        self._supposed[access] = start
        return False

    def _data(self, packet: Packet, access: int, pdu: bytes, sender: int, opened: bool, air_ns: int) -> Iterator[Said]:
        link = self._links.get(access)
        if link is None:
            self._trouble.note("packet of a link whose start is not in the capture", f"packet {packet.number}")
            if len(self._links) >= _MOST_LINKS:
                return
            link = self._open(access, None, f"central-{access:08x}", f"link-{access:08x}")
        place = f"packet {packet.number}"
        sender = self._time(link, packet.t_ns, air_ns, sender)
        if sender == PERIPHERAL and link.begun is not None:
            for server in link.bearer.names:
                yield Happened(link.begun_ns, server, link.begun)
            link.begun = None
        side, kind, payload = link.sides[sender], pdu[0] & 3, pdu[2:]
        sequence = pdu[0] >> 3 & 1
        self._acknowledge(link, 1 - sender, pdu[0] >> 2 & 1, place)
        again = sequence == side.sequence and payload == side.payload
        if sequence == side.sequence and not again and (payload or side.payload):
            self._missed(link, sender, place)
        if not again:
            side.acked = False
        side.sequence, side.payload = sequence, payload
        if not payload:
            return
        if again:
            self._trouble.note("retransmitted link layer packet", place)
            return
        if link.encrypted and not opened:
            clear = link.cipher.open(sender, pdu[0], payload)
            if clear is None:
                self._trouble.note("encrypted packet", place)
                return
            payload = clear
            if link.cipher.missed:
                link.bearer.missed(sender)
        if kind == 3:
            yield from self._control(link, packet.t_ns, sender, payload)
        elif (whole := side.fragments.take(kind == 2, payload, packet.number)) and whole[0] == ATT_CHANNEL and whole[1]:
            yield from link.bearer.take(packet.t_ns, sender, whole[1])

    def _missed(self, link: _AirLink, sender: int, place: str) -> None:
        self._trouble.note("link layer packet missed by the recorder", f"before {place}")
        link.bearer.missed(sender)

    def _acknowledge(self, link: _AirLink, sender: int, expected: int, place: str) -> None:
        """What one side expects next tells what it has taken of the other: more than was seen here was missed, and what
        comes next is new, whatever its sequence bit."""
        other = link.sides[sender]
        if other.sequence < 0:
            return
        if expected != other.sequence:
            other.acked = True
        elif other.acked:
            self._missed(link, sender, place)
            other.sequence ^= 1
            other.payload, other.acked = b"", False

    def _time(self, link: _AirLink, t_ns: int, air_ns: int, sender: int) -> int:
        """Measure, and find out who sends: the central begins each event, then the sides take turns."""
        space_us = (t_ns - link.last_end_ns) / 1e3
        begins = not link.last_end_ns or not -_NEXT_EVENT_US < space_us < _NEXT_EVENT_US
        if sender >= 0 and is_space(space_us * 1000):
            sender = 1 - link.last_sender  # the sides take turns, whatever the recorder says
        if sender < 0:  # a longer space inside an event is one in which the other side was not caught
            turn = link.last_sender if space_us > _LONG_SPACE_US else 1 - link.last_sender
            sender = CENTRAL if begins else turn
        if begins and sender == CENTRAL:
            if link.anchor_ns and len(link.intervals_ms) < _MOST_KEPT:
                link.intervals_ms.append((t_ns - link.anchor_ns) / 1e6)
            link.anchor_ns = t_ns
        elif not begins and 0 < space_us < _MOST_SPACE_US and len(link.spaces_us) < _MOST_KEPT:
            link.spaces_us.append(space_us)
        link.last_ns, link.last_end_ns, link.last_sender = t_ns, t_ns + air_ns, sender
        return sender

    def _control(self, link: _AirLink, t_ns: int, sender: int, payload: bytes) -> Iterator[Said]:
        code = payload[0]
        if code == 0x00:  # LL_CONNECTION_UPDATE_IND
            interval, latency, timeout = struct.unpack_from("<HHH", payload, 4)
            link.timeout_ns = timeout * 10_000_000
            yield from self._seen(link, t_ns)
            link.intervals_ms.clear()
            link.spaces_us.clear()
            for server in link.bearer.names:
                yield Happened(t_ns, server, Parameters(**parameters(interval, latency, timeout)))
        elif code == 0x02:  # LL_TERMINATE_IND
            self._forget(link, t_ns)
            yield from link.bearer.end()
            yield from self._seen(link, t_ns)
            for side, server in enumerate(link.bearer.names):
                ended = Disconnected if side != sender and payload[1] == REMOTE_USER else Lost
                by = "central" if sender == CENTRAL else "peripheral"
                yield Happened(t_ns, server, ended(reason=f"{reason_text(payload[1])}, sent by the {by}"))
        elif code == 0x03:  # LL_ENC_REQ
            link.cipher.requested(payload)
        elif code == 0x04:  # LL_ENC_RSP
            link.cipher.responded(payload)
        elif code == 0x0B:  # LL_PAUSE_ENC_RSP
            link.encrypted = False
        elif code == 0x05:  # LL_START_ENC_REQ: what follows is encrypted
            link.encrypted = True

    @staticmethod
    def _seen(link: _AirLink, t_ns: int) -> Iterator[Happened]:
        """What was measured of a link."""
        intervals, spaces = link.intervals_ms, link.spaces_us
        if intervals or spaces:
            seen = Parameters(
                interval_seen_ms=round(statistics.median(intervals), 4) if intervals else None,
                intervals=len(intervals) or None,
                inter_frame_space_seen_us=round(statistics.median(spaces), 2) if spaces else None,
                spaces=len(spaces) or None,
            )
            yield Happened(t_ns, link.peer, seen)

    def end(self) -> Iterator[Said]:
        """What is still held at the capture's end."""
        self._swept_ns = -_SWEEP_NS
        yield from self._sweep(self._now_ns)
        for link in self._links.values():
            yield from link.bearer.end()
            yield from self._seen(link, link.last_ns)


def is_space(ns: float) -> bool:
    """Whether this is the inter-frame space, from the end of a packet to the beginning of the next."""
    return abs(ns / 1000 - _SPACE_US) <= _SPACE_TOLERANCE_US


def airtime_ns(octets: int, phy: int) -> int:
    """Time on air of a packet of so many bytes from its access address on, nanoseconds: a preamble before it
    (2.1.1); coded packets are taken at 125 kbit/s (2.2)."""
    if phy == _CODED:
        return (80 + 256 + 16 + 24 + (octets - 4) * 64 + 24) * 1000
    mbit = 2 if phy == 1 else 1
    return (octets + mbit) * 8000 // mbit
