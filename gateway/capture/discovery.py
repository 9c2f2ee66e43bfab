"""GATT tables as a foreign capture shows them: what was discovered, read, pushed and refused on the links in it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from gateway.capture.advertised import parts_of
from gateway.capture.att import CCCD, Happened, Heard, How, ServerTable
from gateway.capture.att import Advertised as Advertisement
from gateway.capture.hci import Directory
from gateway.capture.links import heard_in
from gateway.capture.record import Trouble
from gateway.model.events import Connected, Parameters
from gateway.model.gatt import PROPERTIES, Advertised, FoundCharacteristic, FoundDescriptor, FoundService, FoundTable
from gateway.model.link import OVER

_MOST_VALUES = 50  # kept of an attribute
_MOST_SERVERS = 1000


@dataclass(slots=True)
class _Server:
    """What was heard of an address as a server, by handle."""

    read: dict[int, list[bytes]] = field(default_factory=lambda: defaultdict(list))
    pushed: dict[int, list[tuple[bool, bytes]]] = field(default_factory=lambda: defaultdict(list))
    refused: dict[int, str] = field(default_factory=dict)
    not_subscribed: dict[str, str] = field(default_factory=dict)  # by UUID
    mtu: int | None = None
    fresh: bool = False  # the link was seen from its beginning
    subscribed: set[str] = field(default_factory=set)
    unasked: set[int] = field(default_factory=set)

    def heard(self, item: Heard) -> None:
        if item.how is How.READ and len(self.read[item.handle]) < _MOST_VALUES:
            self.read[item.handle].append(item.raw)
        elif item.how is How.READ_REFUSED:
            self.refused[item.handle] = item.reason
        elif item.how is How.WRITTEN and item.uuid == CCCD:
            self.subscribed.add(item.owner)
        elif item.how is How.REFUSED and item.uuid == CCCD:
            self.not_subscribed[item.owner] = item.reason
        elif item.how in (How.NOTIFIED, How.INDICATED):
            if len(self.pushed[item.handle]) < _MOST_VALUES:
                self.pushed[item.handle].append((item.how is How.NOTIFIED, item.raw))
            if self.fresh and item.owner not in self.subscribed:
                self.unasked.add(item.handle)

    def happened(self, item: Happened) -> None:
        detail = item.detail
        if isinstance(detail, Connected):
            self.fresh, self.subscribed = True, set()
        elif detail.kind in OVER:
            self.fresh = False
        if isinstance(detail, Connected | Parameters) and detail.att_mtu_bytes is not None:
            self.mtu = detail.att_mtu_bytes


def tables_in(path: Path, trouble: Trouble, keys: tuple[bytes, ...] = ()) -> list[FoundTable]:
    """The tables of all servers whose discovery is in a capture, then those without services, of all other nodes that
    advertised values.

    Raises:
        InputError: it can't be opened, or is of a link type that is not read.
    """
    directory = Directory(keys=keys)
    servers: dict[str, _Server] = {}
    advertised: dict[str, Advertised] = {}

    for item in heard_in(path, directory, trouble):
        if isinstance(item, Advertisement) and (item.server in advertised or len(advertised) < _MOST_SERVERS):
            told = advertised.setdefault(item.server, Advertised("", []))
            for part, value in parts_of(item.data):
                told.heard(part.service if part.company is None else part.company, value)
        if not isinstance(item, Heard | Happened):
            continue
        if item.server not in servers and len(servers) >= _MOST_SERVERS:
            continue
        server = servers.setdefault(item.server, _Server())
        server.heard(item) if isinstance(item, Heard) else server.happened(item)
    found: list[FoundTable] = []
    for address, table in directory.tables.items():
        if table.services or table.declared:
            found.append(_found(address, table, servers.get(address, _Server()), directory))
            if found[-1].advertised is not None and (own := advertised.pop(address, None)) is not None:
                found[-1].advertised.values = own.values
    others: dict[str, Advertised] = {}
    for address, own in advertised.items():
        who = directory.names.get(address) or address
        known = others.setdefault(who, _told(address, directory))
        for place, values in own.values.items():
            for value in values:  # a node may have changed its address
                known.heard(place, value)
    return found + [FoundTable(who, advertised=known) for who, known in others.items() if known.values]


def _found(address: str, table: ServerTable, server: _Server, directory: Directory) -> FoundTable:
    found = FoundTable(directory.names.get(address) or address, mtu=server.mtu, unasked=sorted(server.unasked))
    if address in directory.names or address in directory.services:
        found.advertised = _told(address, directory)
    services = {
        handle: FoundService(group.uuid, handle, group.end, group.primary)
        for handle, group in sorted(table.services.items())
    }
    for handle, uuid in table.includes.items():
        for owner in services.values():
            if (owner.handle or 0) < handle <= (owner.end or 0):
                owner.includes.append(uuid)
    homeless = FoundService("", None, None)
    ends = [*sorted(declaration for declaration, _ in table.declared.values()), 0x10000]
    after = dict(pairwise(ends))
    for handle, (declaration, bits) in sorted(table.declared.items(), key=lambda one: one[1]):
        home = next((s for s in services.values() if (s.handle or 0) < declaration <= (s.end or 0)), homeless)
        last = min(after[declaration] - 1, home.end if home.end is not None else 0xFFFF)
        item = FoundCharacteristic(
            handle,
            table.values.get(handle, ""),
            frozenset(name for bit, name in PROPERTIES.items() if bits & bit),
            declaration,
            read=server.read.get(handle, []),
            pushed=server.pushed.get(handle, []),
            refused=server.refused.get(handle, ""),
            not_subscribed=server.not_subscribed.get(table.values.get(handle, ""), ""),
        )
        known = [h for h in sorted(table.uuids) if handle < h <= last]
        for at in known:
            raw = server.read.get(at, [])
            item.descriptors.append(
                FoundDescriptor(at, table.uuids[at], raw[0] if raw else None, server.refused.get(at, ""))
            )
        # a client that looked for descriptors here has met all of them, or there is no room for one
        end = handle + len(known)
        item.whole = end >= last or (known == list(range(handle + 1, end + 1)) and end + 1 in table.nothing_from)
        home.characteristics.append(item)
        if not item.whole:
            found.unseen.append(f"whether 0x{handle:04X} has more descriptors, which the capture does not show")
    found.services = list(services.values()) + ([homeless] if homeless.characteristics else [])
    if not table.services:
        found.unseen.append("which services there are: their discovery is not in the capture")
    elif not table.declared:
        found.unseen.append("which characteristics there are: their discovery is not in the capture")
    found.breaches = table.breaches
    found.strays = sorted(handle for handle in server.pushed if table.declared and handle not in table.declared)
    return found


def _told(address: str, directory: Directory) -> Advertised:
    return Advertised(directory.names.get(address, ""), directory.services.get(address, []))
