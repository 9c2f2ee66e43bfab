"""What an ATT bearer says: its requests and responses rebuild the server's table, so that handles become UUIDs, and
every value that passes is told with the UUID it belongs to. Opcodes and formats: Core Specification, Vol 3, Part F,
3.4; declarations: Vol 3, Part G, 3."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from gateway.capture.conduct import REQUESTS, RESPONSES, Breach, Conduct
from gateway.capture.record import Trouble
from gateway.model.events import Detail, Parameters
from gateway.plugin.standard.adopted import BASE_UUID

_HEAD = struct.Struct("<HH").unpack_from  # L2CAP: length and channel
CCCD = BASE_UUID.format(0x2902)
DEFAULT_MTU = 23
_SERVICES, _CHARACTERISTICS = (BASE_UUID.format(0x2800), BASE_UUID.format(0x2801)), BASE_UUID.format(0x2803)
_INCLUDE = BASE_UUID.format(0x2802)
_MOST_VALUE = 512
_NOT_FOUND = 0x0A  # ATT error: 3.4.1.1


class How(StrEnum):
    """How a value passed."""

    NOTIFIED = "notified"
    INDICATED = "indicated"
    READ = "read"
    WRITTEN = "written"
    REFUSED = "refused"
    READ_REFUSED = "read refused"


class Heard(NamedTuple):
    """A value of a server's attribute.

    Attributes:
        owner: for a descriptor the UUID of its characteristic, for a value its own.
        reason: of a refusal, the ATT error code in hex.
    """

    t_ns: int
    server: str
    handle: int
    uuid: str
    owner: str
    raw: bytes
    how: How
    reason: str = ""


class Happened(NamedTuple):
    """Something that happened to the link of a server."""

    t_ns: int
    server: str
    detail: Detail


class Advertised(NamedTuple):
    """What somebody advertised.

    Attributes:
        data: the structures of its advertising data (Vol 3, Part C, 11).
        rssi_dbm: None where the recorder does not tell.
    """

    t_ns: int
    server: str
    data: bytes
    rssi_dbm: float | None


class Scanning(NamedTuple):
    """From now on whoever recorded hears advertisements, or no longer."""

    t_ns: int
    on: bool


Said = Heard | Happened | Advertised | Scanning


class Group(NamedTuple):
    """A service: its last handle, its UUID, whether it is a primary one."""

    end: int
    uuid: str
    primary: bool


@dataclass(slots=True)
class ServerTable:
    """A server's attributes as far as they were seen: UUID by handle, and which handles hold values.

    Attributes:
        services: by handle of their declarations.
        declared: for each value's handle that of its declaration, and the bits of its properties.
        includes: UUIDs of included services, by handle of the declaration.
        nothing_from: handles from which on a request for descriptors found nothing.
        breaches: of the protocol, None where not every PDU was seen.
    """

    uuids: dict[int, str] = field(default_factory=dict)
    values: dict[int, str] = field(default_factory=dict)
    services: dict[int, Group] = field(default_factory=dict)
    declared: dict[int, tuple[int, int]] = field(default_factory=dict)
    includes: dict[int, str] = field(default_factory=dict)
    nothing_from: set[int] = field(default_factory=set)
    breaches: list[Breach] | None = None

    def owner(self, handle: int) -> tuple[int, str]:
        """The value handle and UUID of the characteristic that a handle belongs to; (0, "") for none known."""
        below = max((value for value in self.values if value <= handle), default=0)
        return below, self.values.get(below, "")


@dataclass(slots=True)
class _Asked:
    """A request that waits for its response."""

    opcode: int
    handle: int = 0
    kind: str = ""
    raw: bytes = b""
    offset: int = 0
    doubted: bool = False  # the recorder missed a packet of the server since: what comes next may answer another


@dataclass(slots=True)
class Bearer:
    """ATT between two sides of a link, each of which may ask and may serve.

    Attributes:
        names: what each side is called as a server.
        tables: what is known of each side's attributes.
    """

    names: tuple[str, str]
    tables: tuple[ServerTable, ServerTable]
    trouble: Trouble
    mtu: int = DEFAULT_MTU
    asked: dict[int, _Asked] = field(default_factory=dict)
    long: dict[int, tuple[int, bytes, int]] = field(default_factory=dict)  # by client: handle, value so far, t_ns
    conduct: Conduct | None = None
    _mtu_seen: bool = False

    def watch(self) -> None:
        """Hold the servers to the rules of the protocol, where every PDU is seen."""
        kept: list[list[Breach]] = []
        for table in self.tables:
            if table.breaches is None:
                table.breaches = []
            kept.append(table.breaches)
        self.conduct = Conduct((kept[0], kept[1]))

    def take(self, t_ns: int, sender: int, pdu: bytes) -> Iterable[Heard | Happened]:
        """One PDU that side ``sender`` (0 or 1) sent."""
        opcode, conduct = pdu[0], self.conduct
        if opcode == 0x1B and 3 <= len(pdu) <= self.mtu and (conduct is None or conduct.idle):
            # nearly all of a capture, so by a short way; there is no rule that it could break
            handle = pdu[1] | pdu[2] << 8
            if (uuid := self.tables[sender].values.get(handle)) is not None:
                return (Heard(t_ns, self.names[sender], handle, uuid, uuid, pdu[3:], How.NOTIFIED),)
        if conduct is not None:
            try:
                conduct.take(t_ns, sender, pdu, self.mtu if self._mtu_seen else None)
            except (struct.error, IndexError):
                return self._too_short(pdu)
        if opcode == 0x1E:  # a confirmation
            return ()
        return self._others(t_ns, sender, pdu)

    def missed(self, sender: int) -> None:
        """The recorder missed a packet that side ``sender`` sent."""
        if (asked := self.asked.get(1 - sender)) is not None:
            asked.doubted = True

    def _others(self, t_ns: int, sender: int, pdu: bytes) -> Iterator[Heard | Happened]:
        try:
            yield from self._take(t_ns, sender, pdu)
        except (struct.error, IndexError):
            self._too_short(pdu)

    def _too_short(self, pdu: bytes) -> tuple[()]:
        self.trouble.note("ATT PDU that is too short", f"opcode 0x{pdu[:1].hex()}, {len(pdu)} bytes")
        return ()

    def _take(self, t_ns: int, sender: int, pdu: bytes) -> Iterator[Heard | Happened]:
        opcode = pdu[0]
        if opcode in (0x1B, 0x1D):
            (handle,) = struct.unpack_from("<H", pdu, 1)
            how = How.NOTIFIED if opcode == 0x1B else How.INDICATED
            yield self._heard(t_ns, sender, handle, pdu[3:], how)
        elif opcode == 0x23:  # multiple notifications: handle, length, value, again and again
            at = 1
            while at < len(pdu):
                handle, length = struct.unpack_from("<HH", pdu, at)
                yield self._heard(t_ns, sender, handle, pdu[at + 4 : at + 4 + length], How.NOTIFIED)
                at += 4 + length
        elif opcode in REQUESTS:
            yield from self._asked(t_ns, sender, opcode, pdu)
        elif opcode in RESPONSES:
            yield from self._answered(t_ns, sender, opcode, pdu)
        elif opcode in (0x52, 0xD2):  # a write command, and one with a signature of twelve bytes behind it
            (handle,) = struct.unpack_from("<H", pdu, 1)
            yield self._heard(t_ns, 1 - sender, handle, pdu[3:] if opcode == 0x52 else pdu[3:-12], How.WRITTEN)

    def _heard(self, t_ns: int, server: int, handle: int, raw: bytes, how: How, reason: str = "") -> Heard:
        table = self.tables[server]
        if (value := table.values.get(handle)) is not None:
            return Heard(t_ns, self.names[server], handle, value, value, raw[:_MOST_VALUE], how, reason)
        uuid = table.uuids.get(handle, "")
        below, owner = table.owner(handle)
        if not uuid and how in (How.WRITTEN, How.REFUSED) and handle == below + 1 and raw[1:] == b"\0" and raw[0] < 3:
            uuid = CCCD  # a table that was discovered earlier: right behind a value, and written like one
        return Heard(t_ns, self.names[server], handle, uuid, owner, raw[:_MOST_VALUE], how, reason)

    def _asked(self, t_ns: int, client: int, opcode: int, pdu: bytes) -> Iterator[Heard | Happened]:
        if opcode != 0x0C:
            yield from self._finish_long(client)
        asked = _Asked(opcode)
        if opcode in (0x04, 0x0A, 0x0C, 0x12):
            (asked.handle,) = struct.unpack_from("<H", pdu, 1)
            asked.raw = pdu[3:]
            if opcode == 0x0C:
                (asked.offset,) = struct.unpack_from("<H", pdu, 3)
        elif opcode == 0x02:
            (asked.offset,) = struct.unpack_from("<H", pdu, 1)  # the MTU that the client can take
        elif opcode in (0x08, 0x10):
            (asked.handle,) = struct.unpack_from("<H", pdu, 1)
            asked.kind = uuid_of(pdu[5:])
        elif opcode == 0x06:
            (asked.handle,) = struct.unpack_from("<H", pdu, 1)
            asked.kind, asked.raw = uuid_of(pdu[5:7]), pdu[7:]
        elif opcode in _NOT_FOLLOWED:
            self.trouble.note(f"{_NOT_FOLLOWED[opcode]}, which is not supported", t_ns)
        self.asked[client] = asked

    def _answered(self, t_ns: int, server: int, opcode: int, pdu: bytes) -> Iterator[Heard | Happened]:
        client = 1 - server
        asked = self.asked.pop(client, None)
        if opcode == 0x03:
            (offered,) = struct.unpack_from("<H", pdu, 1)
            if asked is not None and asked.opcode == 0x02:
                offered = min(offered, asked.offset)
            self.mtu, self._mtu_seen = max(offered, DEFAULT_MTU), True
            yield Happened(t_ns, self.names[server], Parameters(att_mtu_bytes=self.mtu))
        if asked is None:
            return
        table = self.tables[server]
        if opcode == 0x01:
            yield from self._refused(t_ns, server, asked, pdu)
        elif opcode == 0x05 and asked.opcode == 0x04:
            self._information(table, pdu)
        elif opcode == 0x11 and asked.opcode == 0x10 and asked.kind in _SERVICES:
            step = pdu[1]
            groups = [
                (*struct.unpack_from("<HH", pdu, at), uuid_of(pdu[at + 4 : at + step]))
                for at in range(2, len(pdu) - step + 1, max(step, 4))
            ]
            self._services(table, asked, groups)
        elif opcode == 0x07 and asked.opcode == 0x06 and asked.kind in _SERVICES:
            uuid = uuid_of(asked.raw)
            self._services(
                table,
                asked,
                [(*struct.unpack_from("<HH", pdu, at), uuid) for at in range(1, len(pdu) - 3, 4)],
                only=uuid,
            )
        elif opcode == 0x09 and asked.opcode == 0x08:
            yield from self._by_type(t_ns, server, asked, pdu)
        elif opcode == 0x0B and asked.opcode == 0x0A:
            if len(pdu) >= self.mtu:  # may go on: a blob request would follow
                self.long[client] = (asked.handle, pdu[1:], t_ns)
            else:
                yield self._heard(t_ns, server, asked.handle, pdu[1:], How.READ)
        elif opcode == 0x0D and asked.opcode == 0x0C:
            handle, so_far, _ = self.long.get(client, (0, b"", 0))
            if handle == asked.handle and asked.offset == len(so_far) and len(so_far) < _MOST_VALUE:
                self.long[client] = (handle, so_far + pdu[1:], t_ns)
        elif opcode == 0x13 and asked.opcode == 0x12:
            yield self._heard(t_ns, server, asked.handle, asked.raw, How.WRITTEN)

    def _refused(self, t_ns: int, server: int, asked: _Asked, pdu: bytes) -> Iterator[Heard]:
        if asked.opcode == 0x12 and len(pdu) >= 5:
            yield self._heard(t_ns, server, asked.handle, asked.raw, How.REFUSED, f"ATT error 0x{pdu[4]:02X}")
        elif asked.opcode == 0x04 and len(pdu) >= 5 and pdu[4] == _NOT_FOUND:
            self.tables[server].nothing_from.add(asked.handle)
        elif asked.opcode in (0x0A, 0x0C) and len(pdu) >= 5:
            self.trouble.note(f"read refused with ATT error 0x{pdu[4]:02X}", t_ns)
            yield self._heard(t_ns, server, asked.handle, b"", How.READ_REFUSED, f"ATT error 0x{pdu[4]:02X}")

    def _finish_long(self, client: int) -> Iterator[Heard]:
        """A read that no blob request followed, or whose last one was answered, is whole."""
        if client in self.long:
            handle, raw, t_ns = self.long.pop(client)
            yield self._heard(t_ns, 1 - client, handle, raw, How.READ)

    def end(self) -> Iterator[Heard]:
        """What is still held when the link ends."""
        for client in (0, 1):
            yield from self._finish_long(client)

    @staticmethod
    def _services(table: ServerTable, asked: _Asked, groups: list[tuple[int, int, str]], only: str = "") -> None:
        """Services that were found; what stood there in an earlier firmware goes."""
        last = max((handle for handle, _, _ in groups), default=0) if not asked.doubted else 0
        for handle in [
            h for h, known in table.services.items() if asked.handle <= h <= last and only in ("", known.uuid)
        ]:
            del table.services[handle]
        for handle, end, uuid in groups:
            table.services[handle] = Group(end, uuid, asked.kind == _SERVICES[0])

    @staticmethod
    def _information(table: ServerTable, pdu: bytes) -> None:
        step = 4 if pdu[1] == 1 else 18
        for at in range(2, len(pdu) - step + 1, step):
            (handle,) = struct.unpack_from("<H", pdu, at)
            uuid = table.uuids[handle] = uuid_of(pdu[at + 2 : at + step])
            if uuid[:6] == "000029":  # a descriptor: no value stands here any more
                table.values.pop(handle, None)

    def _by_type(self, t_ns: int, server: int, asked: _Asked, pdu: bytes) -> Iterator[Heard]:
        step, table = pdu[1], self.tables[server]
        if step < 2:
            raise IndexError
        if asked.kind == _CHARACTERISTICS and len(pdu) >= 2 + step and not asked.doubted:
            said = [struct.unpack_from("<HBH", pdu, at)[::2] for at in range(2, len(pdu) - step + 1, step) if step >= 5]
            last = max((max(one) for one in said), default=0)
            before = [(own, v) for v, (own, _) in table.declared.items() if asked.handle <= own <= last]
            if sorted(said) != sorted(before):  # what stood here before, in an earlier firmware
                for known in (table.values, table.uuids):
                    for handle in [handle for handle in known if asked.handle <= handle <= last]:
                        # a client may go on right behind the last declaration, where that one's value stands
                        if handle not in table.declared or table.declared[handle][0] >= asked.handle:
                            del known[handle]
        for at in range(2, len(pdu) - step + 1, step):
            (handle,) = struct.unpack_from("<H", pdu, at)
            value = pdu[at + 2 : at + step]
            if asked.kind == _CHARACTERISTICS and len(value) in (5, 19):
                (target,) = struct.unpack_from("<H", value, 1)
                for old in [v for v, (own, _) in table.declared.items() if own == handle and v != target]:
                    del table.declared[old]
                    table.values.pop(old, None)
                table.values[target] = uuid_of(value[3:])
                table.uuids[handle] = _CHARACTERISTICS
                table.declared[target] = (handle, value[0])
            elif asked.kind == _INCLUDE and len(value) in (4, 6):
                table.includes[handle] = uuid_of(value[4:])
            elif asked.kind and asked.kind not in _SERVICES:
                table.uuids.setdefault(handle, asked.kind)
                yield self._heard(t_ns, server, handle, value, How.READ)


_NOT_FOLLOWED = {
    0x0E: "read of several attributes",
    0x16: "part of a long write",
    0x20: "read of several attributes",
}


def uuid_of(raw: bytes) -> str:
    """A UUID as transmitted, as 128-bit text; "" for another length."""
    if len(raw) == 2:
        return BASE_UUID.format(int.from_bytes(raw, "little"))
    if len(raw) == 4:  # in advertisements only
        return raw[::-1].hex() + BASE_UUID.format(0)[8:]
    text = raw[::-1].hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}" if len(raw) == 16 else ""


class Fragments:
    """L2CAP frames put together again, one direction of one link at a time (Core Specification, Vol 3, Part A, 3.1)."""

    def __init__(self, trouble: Trouble) -> None:
        self._trouble = trouble
        self._waiting = b""

    @property
    def waiting(self) -> bool:
        """Whether a frame has begun and is not whole."""
        return bool(self._waiting)

    def take(self, first: bool, data: bytes, packet: int) -> tuple[int, bytes] | None:
        """Add a fragment that came in a packet of this number; the channel and payload of a frame that is now whole."""
        if first:
            if self._waiting:
                self._trouble.note("incomplete L2CAP frame", f"packet {packet}")
            self._waiting = b""
        elif not self._waiting:
            self._trouble.note("L2CAP continuation fragment without its start", f"packet {packet}")
            return None
        whole = self._waiting + data if self._waiting else data
        if len(whole) < 4:
            self._waiting = whole
            return None
        length, channel = _HEAD(whole)
        if len(whole) < 4 + length:
            self._waiting = whole
            return None
        self._waiting = b""
        if len(whole) > 4 + length:
            self._trouble.note("L2CAP frame longer than its length field", f"packet {packet}")
        return channel, whole[4 : 4 + length]
