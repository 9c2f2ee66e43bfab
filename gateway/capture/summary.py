"""What is in a foreign capture, for somebody who has no plugin yet: packets, the nodes whose links are in it, their
parameters, and what passed of each attribute."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.capture.advertised import parts_of
from gateway.capture.att import Advertised, Happened, Heard, How
from gateway.capture.containers import packets
from gateway.capture.hci import Directory
from gateway.capture.links import heard_in
from gateway.capture.record import Trouble
from gateway.capture.window import LINK_TYPES
from gateway.model.utc import utc_text
from gateway.plugin.standard.adopted import adopted, short_uuid

_MOST_ATTRIBUTES, _MOST_EVENTS, _MOST_ADVERTISERS = 2000, 200, 200


@dataclass(frozen=True, slots=True)
class Attribute:
    """What passed of one attribute of a node, counted by how; ``uuid`` "" where its discovery was not seen."""

    handle: int
    uuid: str
    name: str
    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Peer:
    """A device that served attributes, was connected to, or advertised values: what happened to its links, a line
    each, and how often it advertised what."""

    address: str
    name: str
    events: tuple[str, ...]
    attributes: tuple[Attribute, ...]
    advertised: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class CaptureContents:
    """What a capture holds.

    Attributes:
        packets: by link type.
        skipped: what could not be read, a line each.
    """

    path: str
    packets: Mapping[str, int]
    first_utc: str
    last_utc: str
    peers: tuple[Peer, ...]
    skipped: tuple[str, ...]


def capture_contents(path: Path, keys: tuple[bytes, ...] = ()) -> CaptureContents:
    """Read a whole capture once for its packets and once for what they say.

    Raises:
        InputError: it can't be opened, or is of a link type that is not read.
    """
    kinds: Counter[int] = Counter()
    first_ns = last_ns = 0
    for packet in packets(path, Trouble()):
        kinds[packet.link] += 1
        first_ns, last_ns = first_ns or packet.t_ns, packet.t_ns
    directory, trouble = Directory(keys=keys), Trouble()
    attributes: dict[str, dict[tuple[int, str], Counter[str]]] = {}
    events: dict[str, list[str]] = {}
    advertised: dict[str, Counter[str]] = {}
    for item in heard_in(path, directory, trouble):
        if isinstance(item, Heard):
            own = attributes.setdefault(item.server, {})
            key = (item.handle, item.uuid)
            if key in own or len(own) < _MOST_ATTRIBUTES:
                own.setdefault(key, Counter())[_WORDS[item.how]] += 1
        elif isinstance(item, Happened):
            said = events.setdefault(item.server, [])
            if len(said) < _MOST_EVENTS:
                said.append(_line(item))
        elif isinstance(item, Advertised) and (item.server in advertised or len(advertised) < _MOST_ADVERTISERS):
            for part, raw in parts_of(item.data):
                own_parts = advertised.setdefault(item.server, Counter())
                own_parts[f"{part.text}, {len(raw)} bytes"] += 1
    for address, table in directory.tables.items():
        for handle, uuid in table.values.items():
            attributes.setdefault(address, {}).setdefault((handle, uuid), Counter())
    peers = tuple(
        Peer(
            address,
            directory.names.get(address, ""),
            tuple(events.get(address, ())),
            tuple(
                Attribute(handle, short_uuid(uuid) if uuid else "", _named(uuid), dict(counts))
                for (handle, uuid), counts in sorted(attributes.get(address, {}).items())
            ),
            dict(advertised.get(address, {})),
        )
        for address in dict.fromkeys([*events, *attributes, *advertised])
    )
    shown = {LINK_TYPES[link]: count for link, count in kinds.items()}
    return CaptureContents(
        str(path),
        shown,
        utc_text(first_ns)[:23] + "Z" if kinds else "",
        utc_text(last_ns)[:23] + "Z" if kinds else "",
        peers,
        tuple(trouble.lines()),
    )


_WORDS = {
    How.NOTIFIED: "notified",
    How.INDICATED: "indicated",
    How.READ: "read",
    How.WRITTEN: "written",
    How.REFUSED: "write refused",
    How.READ_REFUSED: "read refused",
}


def _named(uuid: str) -> str:
    known = adopted().get(uuid)
    return known.name if known else ""


def _line(item: Happened) -> str:
    facts = {key: value for key, value in item.detail.facts().items() if key not in ("address", "name")}
    said = ", ".join(_fact(key, value) for key, value in facts.items())
    return f"{utc_text(item.t_ns)[:23]}Z {item.detail.kind.value}{': ' if said else ''}{said}"


def _fact(key: str, value: object) -> str:
    """A detail in words: ``connection_interval_ms`` of 45 is ``connection interval 45 ms``."""
    words, _, unit = key.rpartition("_")
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    if unit in ("ms", "us", "s", "bytes", "dbm", "events"):
        return f"{words.replace('_', ' ')} {shown} {unit}"
    return f"{key.replace('_', ' ')} {shown}"
