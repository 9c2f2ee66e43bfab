"""A GATT table as it was found on a node, wherever it was found: on a link just made, in a capture, in a log. Nothing
here knows what the table ought to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

PROPERTIES = {
    0x01: "broadcast",
    0x02: "read",
    0x04: "write-without-response",
    0x08: "write",
    0x10: "notify",
    0x20: "indicate",
    0x40: "authenticated-signed-writes",
    0x80: "extended-properties",
}  # bits of a characteristic declaration: Core Specification, Vol 3, Part G, 3.3.1.1


@dataclass(slots=True)
class FoundDescriptor:
    """A descriptor; ``raw`` None where it was not read, ``refused`` why a read was answered with an error."""

    handle: int
    uuid: str
    raw: bytes | None = None
    refused: str = ""


@dataclass(slots=True)
class FoundCharacteristic:
    """A characteristic.

    Attributes:
        handle: of its value.
        declaration: handle of its declaration, None where the stack does not tell.
        properties: names as in `PROPERTIES`.
        read: values that reads returned.
        pushed: values that came as notifications (True) or indications (False), the first of them.
        refused: why a read was answered with an error, "" where none was.
        not_subscribed: why a subscription was answered with an error, "" where none was.
        whole: whether all its descriptors are known.
    """

    handle: int
    uuid: str
    properties: frozenset[str]
    declaration: int | None = None
    descriptors: list[FoundDescriptor] = field(default_factory=list)
    read: list[bytes] = field(default_factory=list)
    pushed: list[tuple[bool, bytes]] = field(default_factory=list)
    refused: str = ""
    not_subscribed: str = ""
    whole: bool = True


@dataclass(slots=True)
class FoundService:
    """A service; handles are None where the stack does not tell."""

    uuid: str
    handle: int | None = None
    end: int | None = None
    primary: bool = True
    includes: list[str] = field(default_factory=list)
    characteristics: list[FoundCharacteristic] = field(default_factory=list)


_MOST_PARTS, _MOST_VALUES = 20, 200  # kept of what is advertised


@dataclass(slots=True)
class Advertised:
    """What a node advertised while it was listened to; gaps between receptions in seconds.

    Attributes:
        values: of its manufacturer data by company, and of its service data by service, each where it changed.
    """

    name: str
    services: list[str]
    gaps_s: list[float] = field(default_factory=list)
    values: dict[int | str, list[bytes]] = field(default_factory=dict)

    def heard(self, part: int | str, value: bytes) -> None:
        """Keep a value, by its company or service, up to so many."""
        kept = self.values.setdefault(part, []) if len(self.values) < _MOST_PARTS else []
        if kept[-1:] != [value] and len(kept) < _MOST_VALUES:
            kept.append(value)


@dataclass(slots=True)
class FoundTable:
    """Everything that was seen of a node's table.

    Attributes:
        who: the node's name or address.
        mtu: of ATT, None where it is not known.
        strays: handles from which values came that belong to no characteristic.
        unasked: handles of characteristics that notified or indicated before they were subscribed to.
        unseen: what could not be seen, and why; [] for a table seen whole.
        breaches: of the Attribute Protocol, found and expected; None where its PDUs were not seen.
        live: whether it was looked at on the air just now, so that what it offers could be asked for.
    """

    who: str
    services: list[FoundService] = field(default_factory=list)
    mtu: int | None = None
    advertised: Advertised | None = None
    strays: list[int] = field(default_factory=list)
    unasked: list[int] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)
    breaches: list[tuple[str, str]] | None = None
    live: bool = False

    def facts(self) -> dict[str, Any]:
        """Its services as JSON can hold them, without values: what an event of a run keeps."""
        return {
            "att_mtu_bytes": self.mtu,
            "services": [
                {
                    "uuid": service.uuid,
                    "handles": [service.handle, service.end],
                    "characteristics": [
                        {
                            "uuid": item.uuid,
                            "handle": item.handle,
                            "properties": sorted(item.properties),
                            "descriptors": [[one.handle, one.uuid] for one in item.descriptors],
                        }
                        for item in service.characteristics
                    ],
                }
                for service in self.services
            ],
        }

    @classmethod
    def of_facts(cls, who: str, facts: Mapping[str, Any]) -> FoundTable:
        """The inverse of `facts`.

        Raises:
            LookupError, TypeError, ValueError: these are no such facts.
        """
        table = cls(who, mtu=facts["att_mtu_bytes"])
        for service in facts["services"]:
            own = FoundService(str(service["uuid"]), *service["handles"])
            table.services.append(own)
            for item in service["characteristics"]:
                found = FoundCharacteristic(int(item["handle"]), str(item["uuid"]), frozenset(item["properties"]))
                found.descriptors += [FoundDescriptor(int(handle), str(uuid)) for handle, uuid in item["descriptors"]]
                own.characteristics.append(found)
        return table

    @property
    def characteristics(self) -> list[tuple[FoundService, FoundCharacteristic]]:
        """All characteristics with their services."""
        return [(service, item) for service in self.services for item in service.characteristics]
