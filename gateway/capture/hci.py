"""Follows LE links through HCI packets: connections from their setup, fragments through L2CAP, ATT with both
sides. Packet formats: Core Specification, Vol 4, Part E, 5.4 and 7; advertising data: Vol 3, Part C, 11."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from gateway.capture.att import Advertised, Bearer, Fragments, Happened, Heard, Said, Scanning, ServerTable, uuid_of
from gateway.capture.extended import CUT_OFF, MOST_ADVERTISED
from gateway.capture.record import Trouble
from gateway.capture.window import H4, H4_DIRECTION, MONITOR, Packet
from gateway.model.events import Connected, ConnectFailed, Disconnected, Lost, Parameters
from gateway.model.reasons import LOCAL_HOST, REMOTE_USER, reason_text

ATT_CHANNEL = 4
LAST_FIXED_CHANNEL = 0x3F  # signalling, ATT, security: Vol 3, Part A, 2.1
LOCAL, REMOTE = 0, 1
_COMMAND, _DATA, _EVENT = 1, 2, 4
_ACL_HEAD = struct.Struct("<HH").unpack_from  # handle with flags, and length
_MOST_NAMES, _MOST_TABLES = 100_000, 10_000
_PARTS_APART_NS = 1_000_000_000  # at most between two parts of an advertisement, which pass the air within milliseconds
_MOST_SERVICES = 100
_SERVICE_LISTS = {2: 2, 3: 2, 6: 16, 7: 16}  # incomplete and complete lists: bytes of each UUID
_DISCONNECT = b"\x06\x04"  # opcode 0x0406
_RESET = b"\x03\x0c"  # opcode 0x0C03
_SCANS = (b"\x0c\x20", b"\x42\x20")  # opcodes 0x200C and 0x2042: scan enable, and the extended one
_ANONYMOUS = 0xFF  # as a type of address: 7.7.65.13
_RSSI_UNKNOWN = 127  # Vol 4, Part E, 7.7.65.2
_MONITOR_GONE = (1, 9)  # index removed, index closed
_MONITOR_KINDS = {2: (_COMMAND, True), 3: (_EVENT, False), 4: (_DATA, True), 5: (_DATA, False)}


@dataclass(slots=True)
class Directory:
    """What is remembered beyond a link: names that advertised, tables by address, and the long term keys given."""

    names: dict[str, str] = field(default_factory=dict)
    services: dict[str, list[str]] = field(default_factory=dict)  # that advertised, by address
    tables: dict[str, ServerTable] = field(default_factory=dict)
    keys: tuple[bytes, ...] = field(default=(), repr=False)

    def table(self, address: str) -> ServerTable:
        """The table last known of an address."""
        if address not in self.tables and len(self.tables) >= _MOST_TABLES:
            self.tables.pop(next(iter(self.tables)))
        return self.tables.setdefault(address, ServerTable())

    def advertised(self, address: str, data: bytes, trouble: Trouble, t_ns: int) -> None:
        """Remember the name in advertising data, and note what ends within a structure."""
        at = 0
        while at + 1 < len(data) and data[at]:
            kind, value = data[at + 1], data[at + 2 : at + 1 + data[at]]
            if len(self.names) >= _MOST_NAMES:
                self.names.pop(next(iter(self.names)))  # the one known longest
            if kind == 9 or (kind == 8 and address not in self.names):
                self.names[address] = value.decode("utf-8", "replace")
            elif kind in _SERVICE_LISTS and (address in self.services or len(self.services) < _MOST_TABLES):
                size = _SERVICE_LISTS[kind]
                uuids = [uuid_of(value[start : start + size]) for start in range(0, len(value) - size + 1, size)]
                known = self.services.setdefault(address, [])
                known += [uuid for uuid in uuids if uuid not in known and len(known) < _MOST_SERVICES]
            at += 1 + data[at]
        if at > len(data):
            trouble.note("advertising data that ends within a structure", t_ns)


@dataclass(slots=True)
class _Link:
    peer: str
    bearer: Bearer
    fragments: tuple[Fragments, Fragments]
    let_go: bool = False  # the local host has asked for its end


class HciFollower:
    """Turns HCI packets into what was heard and what happened.

    Args:
        directory: names and tables, shared with other followers.
        trouble: what could not be read.
    """

    def __init__(self, directory: Directory, trouble: Trouble) -> None:
        self._directory, self._trouble = directory, trouble
        self._links: dict[tuple[int, int], _Link] = {}
        self._local: dict[int, str] = {}
        self._classic: set[tuple[int, int]] = set()  # links of BR/EDR, which are not followed
        self._scanning: set[int] = set()  # adapters that scan
        # extended advertising data whose rest is to come, by adapter, address and set, with the time of its last part
        self._begun: dict[tuple[int, str, int], tuple[int, bytes]] = {}

    def take(self, packet: Packet) -> Iterable[Said]:
        """One packet of any HCI link type."""
        said: list[Said] = []
        try:
            data = packet.data
            if packet.link == H4_DIRECTION and data[4] == _DATA:  # nearly all of a capture, so by a short way
                return self._acl(packet, packet.source, not data[3] & 1, data[5:])
            for one in self._take(packet):
                said.append(one)  # stands, whatever comes behind it
        except (struct.error, IndexError):
            self._trouble.note("HCI packet that is too short", f"packet {packet.number}")
        return said

    def _take(self, packet: Packet) -> Iterator[Said]:
        data, adapter, sent = packet.data, packet.source, False
        if packet.link == MONITOR:
            index, code = struct.unpack_from(">HH", data)
            adapter = packet.source << 16 | index
            if code in _MONITOR_GONE:
                yield from self._lose_all(packet.t_ns, adapter, "the adapter was removed")
            if code not in _MONITOR_KINDS:
                return
            (kind, sent), data = _MONITOR_KINDS[code], data[4:]
        elif packet.link == H4:
            kind, data = data[0], data[1:]
            sent = kind == _COMMAND
        else:
            sent, kind, data = not data[3] & 1, data[4], data[5:]
        if kind == _DATA:
            yield from self._acl(packet, adapter, sent, data)
        elif kind == _EVENT:
            yield from self._event(packet, adapter, data)
        elif kind == _COMMAND and data[:2] == _DISCONNECT:
            (handle,) = struct.unpack_from("<H", data, 3)
            if (link := self._links.get((adapter, handle & 0x0FFF))) is not None:
                link.let_go = True
        elif kind == _COMMAND and data[:2] == _RESET:
            yield from self._lose_all(packet.t_ns, adapter, "the controller was reset")
            yield from self._scans(packet.t_ns, adapter, False)
        elif kind == _COMMAND and data[:2] in _SCANS:
            yield from self._scans(packet.t_ns, adapter, data[3] == 1)

    def _acl(self, packet: Packet, adapter: int, sent: bool, data: bytes) -> Iterable[Said]:
        head, length = _ACL_HEAD(data)
        handle, first = head & 0x0FFF, head >> 12 & 3 != 1
        if len(data) - 4 != length:
            self._trouble.note("ACL packet with a wrong length", f"packet {packet.number}")
            return ()
        link = self._links.get((adapter, handle))
        if link is None and (adapter, handle) in self._classic:
            return ()
        if link is None:
            self._trouble.note("packet of a link whose start is not in the capture", f"packet {packet.number}")
            link = self._open(adapter, handle, f"link-{adapter}-0x{handle:03X}")
        if (
            packet.link == H4
        ):  # does not say who sent it, but on LE a host begins a frame with flag 0, a controller with 2
            sent = head >> 12 & 3 == 0 if first else link.fragments[LOCAL].waiting
        sender = LOCAL if sent else REMOTE
        fragments = link.fragments[sender]
        if first and length >= 4 and data[4] | data[5] << 8 == length - 4 and not fragments.waiting:
            channel, payload = data[6] | data[7] << 8, data[8:]  # a frame in one packet, as nearly all are
        elif (whole := fragments.take(first, data[4:], packet.number)) is not None:
            channel, payload = whole
        else:
            return ()
        if channel == ATT_CHANNEL and payload:
            return link.bearer.take(packet.t_ns, sender, payload)
        if channel > LAST_FIXED_CHANNEL:
            self._trouble.note("frame of a dynamic L2CAP channel, which is not supported", f"packet {packet.number}")
        return ()

    def _open(self, adapter: int, handle: int, peer: str) -> _Link:
        names = (self._local.get(adapter, f"local-{adapter}"), peer)
        tables = (self._directory.table(names[0]), self._directory.table(peer))
        bearer = Bearer(names, tables, self._trouble)
        bearer.watch()
        link = _Link(peer, bearer, (Fragments(self._trouble), Fragments(self._trouble)))
        self._links[adapter, handle] = link
        return link

    def _lose_all(self, t_ns: int, adapter: int, reason: str) -> Iterator[Said]:
        """All links of an adapter end at once."""
        for key in [key for key in self._links if key[0] == adapter]:
            yield from self._lose(t_ns, key, reason)

    def _lose(self, t_ns: int, key: tuple[int, int], reason: str) -> Iterator[Said]:
        link = self._links.pop(key, None)
        if link is not None:
            yield from link.bearer.end()
            for server in link.bearer.names:
                yield Happened(t_ns, server, Lost(reason=reason))

    def _event(self, packet: Packet, adapter: int, data: bytes) -> Iterator[Said]:
        code, data = data[0], data[2 : 2 + data[1]]
        if code == 0x3E:
            yield from self._meta(packet, adapter, data[0], data[1:])
        elif code == 0x05:
            status, handle, reason = struct.unpack_from("<BHB", data)
            self._classic.discard((adapter, handle & 0x0FFF))
            link = self._links.pop((adapter, handle & 0x0FFF), None)
            if status == 0 and link is not None:
                yield from link.bearer.end()
                reason = LOCAL_HOST if link.let_go else reason
                for server, by_client in zip(link.bearer.names, (REMOTE_USER, LOCAL_HOST), strict=True):
                    ended = Disconnected if reason == by_client else Lost
                    yield Happened(packet.t_ns, server, ended(reason=reason_text(reason)))
        elif code == 0x03:  # of BR/EDR
            status, handle = struct.unpack_from("<BH", data)
            if status == 0:
                self._classic.add((adapter, handle & 0x0FFF))
        elif code == 0x0E and len(data) >= 10 and data[1:4] == b"\x09\x10\x00":
            self._local[adapter] = _address(data[4:10])

    def _meta(self, packet: Packet, adapter: int, code: int, data: bytes) -> Iterator[Said]:
        if code in (0x01, 0x0A, 0x29):
            yield from self._connected(packet, adapter, code, data)
        elif code == 0x03:
            status, handle, interval, latency, timeout = struct.unpack_from("<BHHHH", data)
            link = self._links.get((adapter, handle & 0x0FFF))
            if status == 0 and link is not None:
                for server in link.bearer.names:
                    yield Happened(packet.t_ns, server, Parameters(**parameters(interval, latency, timeout)))
        elif code in (0x02, 0x0D):
            yield from self._scans(packet.t_ns, adapter, True)  # a recording may begin in the middle of a scan
            yield from self._reports(packet.t_ns, data) if code == 0x02 else self._extended(packet.t_ns, adapter, data)

    def _scans(self, t_ns: int, adapter: int, on: bool) -> Iterator[Scanning]:
        before = bool(self._scanning)
        if not on:
            for key in [key for key in self._begun if key[0] == adapter]:
                self._cut_off(t_ns, key)
        (self._scanning.add if on else self._scanning.discard)(adapter)
        if bool(self._scanning) != before:
            yield Scanning(t_ns, on)

    def _reports(self, t_ns: int, data: bytes) -> Iterator[Advertised]:
        """For each report event type, address type, address, length, data, signal strength: 7.7.65.2."""
        at = 1
        for _ in range(data[0]):
            end = at + 9 + data[at + 8]
            yield self._advertised(t_ns, data[at + 2 : at + 8], data[at + 9 : end], data[end])
            at = end + 1

    def _extended(self, t_ns: int, adapter: int, data: bytes) -> Iterator[Advertised]:
        """For each report event type (2), address type, address, PHYs (2), set, power, signal strength, interval (2),
        direct address (7), length, data; data may come in parts: 7.7.65.13."""
        at = 1
        for _ in range(data[0]):
            end = at + 24 + data[at + 23]
            if end > len(data):
                raise IndexError
            if data[at + 2] == _ANONYMOUS:
                self._trouble.note("extended advertisement without an address", t_ns)
                at = end
                continue
            address, status = data[at + 3 : at + 9], data[at] >> 5 & 3
            key = (adapter, address.hex(), data[at + 11])
            if t_ns - self._begun.get(key, (t_ns, b""))[0] > _PARTS_APART_NS:
                self._cut_off(t_ns, key)
            whole = self._begun.pop(key, (t_ns, b""))[1] + data[at + 24 : end]
            if status == 1 and len(whole) <= MOST_ADVERTISED:
                if len(self._begun) >= _MOST_SERVICES:
                    self._cut_off(t_ns, next(iter(self._begun)))
                self._begun[key] = t_ns, whole
            elif status == 0:
                yield self._advertised(t_ns, address, whole, data[at + 13])
            else:
                self._trouble.note(CUT_OFF, t_ns)
            at = end

    def _cut_off(self, t_ns: int, key: tuple[int, str, int]) -> None:
        del self._begun[key]
        self._trouble.note(CUT_OFF, t_ns)

    def _advertised(self, t_ns: int, address: bytes, data: bytes, rssi: int) -> Advertised:
        named = _address(address)
        self._directory.advertised(named, data, self._trouble, t_ns)
        dbm = None if rssi == _RSSI_UNKNOWN else rssi - 256 if rssi > _RSSI_UNKNOWN else rssi
        return Advertised(t_ns, named, data, dbm)

    def _connected(self, packet: Packet, adapter: int, code: int, data: bytes) -> Iterator[Said]:
        status, handle, role = struct.unpack_from("<BHB", data)
        peer = _address(data[5:11])
        interval, latency, timeout = struct.unpack_from("<HHH", data, 11 if code == 0x01 else 23)
        if status != 0:
            yield Happened(packet.t_ns, peer, ConnectFailed(reason=reason_text(status)))
            return
        yield from self._lose(packet.t_ns, (adapter, handle & 0x0FFF), "its end is not in the capture")
        link = self._open(adapter, handle & 0x0FFF, peer)
        connected = Connected(
            address=peer,
            name=self._directory.names.get(peer, ""),
            role="peripheral" if role == 0 else "central",
            **parameters(interval, latency, timeout),
        )
        for server in link.bearer.names:
            yield Happened(packet.t_ns, server, connected)

    def end(self) -> Iterator[Heard]:
        """What is still held at the capture's end."""
        for link in self._links.values():
            yield from link.bearer.end()


def parameters(interval: int, latency: int, timeout: int) -> dict[str, Any]:
    """Connection parameters from their transmitted numbers (Vol 6, Part B, 4.5)."""
    return {
        "connection_interval_ms": interval * 1.25,
        "peripheral_latency_events": latency,
        "supervision_timeout_ms": timeout * 10,
    }


def _address(raw: bytes) -> str:
    """A device address as people write it."""
    if len(raw) != 6:
        raise IndexError
    return raw[::-1].hex(":").upper()
