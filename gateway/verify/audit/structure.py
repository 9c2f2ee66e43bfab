"""Rules of the Core Specification on how a table is built, whatever it is for. Numbers of sections are those of
version 5.4, Vol 3, Part G, where nothing else is said; from memory."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from bleak.uuids import uuid16_dict

from gateway.model.gatt import FoundCharacteristic, FoundTable
from gateway.plugin import Plugin
from gateway.plugin.standard.adopted import BASE_UUID, short_number, short_uuid
from gateway.verify.audit.model import Broken, Rule, Sight, place_of, place_of_service, where

_EXTENDED, _DESCRIPTION, _CONFIGURATION, _SERVER, _FORMAT, _AGGREGATE = (
    BASE_UUID.format(number) for number in range(0x2900, 0x2906)
)
LONGEST_VALUE = 512  # octets: Vol 3, Part F, 3.2.9
_GENERIC_ACCESS = BASE_UUID.format(0x1800)
# Characteristics that a service can't be without, and properties that they must have: Vol 3, Part C, 12 for Generic
# Access, Part G, 7.1 for Service Changed, the service specifications otherwise; from memory.
_MANDATORY: dict[int, dict[int, str]] = {
    0x1800: {0x2A00: "read", 0x2A01: "read"},
    0x1809: {0x2A1C: "indicate"},
    0x180D: {0x2A37: "notify"},
    0x180F: {0x2A19: "read"},
    0x1810: {0x2A35: "indicate", 0x2A49: "read"},
    0x1814: {0x2A53: "notify", 0x2A54: "read"},
    0x1816: {0x2A5B: "notify", 0x2A5C: "read"},
    0x1818: {0x2A63: "notify", 0x2A65: "read", 0x2A5D: "read"},
    0x181D: {0x2A9D: "indicate", 0x2A9E: "read"},
}


def _with(item: FoundCharacteristic, uuid: str) -> int:
    return sum(descriptor.uuid == uuid for descriptor in item.descriptors)


def _handles_known(table: FoundTable, plugin: Plugin | None) -> bool:
    return any(service.handle is not None for service in table.services)


def _ranges(table: FoundTable, plugin: Plugin | None) -> Broken:
    known = [(s.handle, s.end, s) for s in table.services if s.handle is not None and s.end is not None]
    for handle, end, service in known:
        if handle == 0 or end < handle:
            yield place_of_service(service), f"handles 0x{handle:04X} to 0x{end:04X}", "1 to 0xFFFF, start <= end"
    for (_, end, first), (handle, _, second) in pairwise(sorted(known, key=lambda one: one[0])):
        if handle <= end:
            found = f"begins inside {place_of_service(first)}, which ends at 0x{end:04X}"
            yield place_of_service(second), found, "services that do not overlap"


def _inside(table: FoundTable, plugin: Plugin | None) -> Broken:
    for service, item in table.characteristics:
        if service.handle is None or service.end is None:
            continue
        for handle, what in [(item.handle, "value"), *((d.handle, "descriptor") for d in item.descriptors)]:
            if not service.handle < handle <= service.end:
                expected = f"between 0x{service.handle:04X} and 0x{service.end:04X}"
                yield place_of(item, plugin), f"its {what} at 0x{handle:04X} is outside its service", expected


def _value_follows(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if item.declaration is not None and item.handle != item.declaration + 1:
            found = f"declared at 0x{item.declaration:04X}, its value at 0x{item.handle:04X}"
            yield place_of(item, plugin), found, f"the value directly after it, at 0x{item.declaration + 1:04X}"


def _some_property(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if not item.properties:
            yield place_of(item, plugin), "has no properties", "at least one property"


def _configuration(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        pushes, count = item.properties & {"notify", "indicate"}, _with(item, _CONFIGURATION)
        if pushes and not count and item.whole:
            found = f"{' and '.join(sorted(pushes))} without a Client Characteristic Configuration descriptor"
            yield place_of(item, plugin), found, "a descriptor 0x2902"
        elif count > 1:
            yield place_of(item, plugin), f"{count} Client Characteristic Configuration descriptors", "one"


def _idle_configuration(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if _with(item, _CONFIGURATION) and not item.properties & {"notify", "indicate"}:
            yield (
                place_of(item, plugin),
                "a Client Characteristic Configuration descriptor, but nothing to enable",
                "notify or indicate",
            )


def _other_descriptors(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        for has, uuid, what in (
            ("broadcast" in item.properties, _SERVER, "server configuration"),
            ("extended-properties" in item.properties, _EXTENDED, "extended properties"),
        ):
            if has and not _with(item, uuid) and item.whole:
                yield (
                    place_of(item, plugin),
                    f"a property that needs {what}",
                    f"a descriptor {short_uuid(uuid)}",
                )
        if _with(item, _EXTENDED) and "extended-properties" not in item.properties:
            yield place_of(item, plugin), "an extended properties descriptor without the property", "both or none"
        if _with(item, _FORMAT) > 1 and not _with(item, _AGGREGATE):
            yield place_of(item, plugin), "several presentation formats", "an aggregate format, descriptor 0x2905"
        for uuid in (_DESCRIPTION, _EXTENDED, _SERVER, _AGGREGATE):
            if _with(item, uuid) > 1:
                yield place_of(item, plugin), f"{_with(item, uuid)} descriptors {short_uuid(uuid)}", "at most one"


def _descriptor_values(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        for descriptor in item.descriptors:
            raw, where = descriptor.raw, f"{place_of(item, plugin)}, descriptor 0x{descriptor.handle:04X}"
            if raw is None:
                continue
            length = {_CONFIGURATION: 2, _SERVER: 2, _EXTENDED: 2, _FORMAT: 7}.get(descriptor.uuid)
            if length is not None and len(raw) != length:
                yield where, f"{short_uuid(descriptor.uuid)} has {len(raw)} bytes", f"{length}"
            elif descriptor.uuid == _CONFIGURATION and (raw[0] > 3 or raw[1]):
                yield where, f"a client configuration of {raw.hex()}", "only bits 0 and 1 set"
            elif descriptor.uuid == _DESCRIPTION:
                try:
                    raw.decode("utf-8")
                except UnicodeDecodeError:
                    yield where, f"a user description that is not UTF-8: {raw[:20].hex()}", "UTF-8 text"


def _twice(table: FoundTable, plugin: Plugin | None) -> Broken:
    for service in table.services:
        for uuid, count in Counter(item.uuid for item in service.characteristics).items():
            if count > 1:
                found = f"{count} characteristics {short_uuid(uuid)}"
                yield place_of_service(service), found, "one, as a client can't tell them apart"
    for uuid, count in Counter(service.uuid for service in table.services if service.primary).items():
        if count > 1:
            yield (
                f"service {short_uuid(uuid)}",
                f"present {count} times",
                "once, as a client can't tell them apart",
            )


def _handles_unique(table: FoundTable, plugin: Plugin | None) -> Broken:
    handles = [
        handle
        for _, item in table.characteristics
        for handle in (item.declaration, item.handle, *(d.handle for d in item.descriptors))
        if handle is not None
    ]
    for handle, count in Counter(handles).items():
        if count > 1:
            yield f"0x{handle:04X}", f"{count} attributes share this handle", "a unique handle for each"


def _assigned(table: FoundTable, plugin: Plugin | None) -> Broken:
    everything = [
        *((place_of_service(service), service.uuid, 0x1800, 0x1900) for service in table.services),
        *((place_of(item, plugin), item.uuid, 0x2A00, 0x2E00) for _, item in table.characteristics),
        *(
            (f"{place_of(item, plugin)}, descriptor 0x{descriptor.handle:04X}", descriptor.uuid, 0x2900, 0x2A00)
            for _, item in table.characteristics
            for descriptor in item.descriptors
        ),
    ]
    for place, uuid, low, high in everything:
        number = short_number(uuid)
        if number is None:
            continue
        if number not in uuid16_dict:
            yield (
                place,
                f"0x{number:04X} is not assigned",
                "an assigned number, or a 128-bit UUID of your own",
            )
        elif number < 0x3000 and not low <= number < high:
            yield place, f"0x{number:04X} is assigned to something else: {uuid16_dict[number]}", "a number for this"


def _mandatory(table: FoundTable, plugin: Plugin | None) -> Broken:
    for service in table.services:
        wanted = _MANDATORY.get(short_number(service.uuid) or 0, {})
        has = {short_number(item.uuid): item for item in service.characteristics}
        for number, name in wanted.items():
            if number not in has:
                yield (
                    place_of_service(service),
                    f"has no 0x{number:04X}, {uuid16_dict[number]}",
                    "all mandatory characteristics",
                )
            elif name not in has[number].properties:
                properties = ", ".join(sorted(has[number].properties)) or "nothing"
                yield place_of(has[number], plugin), f"offers {properties}", f"{name}, which its service requires"


def _generic_access(table: FoundTable, plugin: Plugin | None) -> Broken:
    services = {service.uuid for service in table.services}
    if services and _GENERIC_ACCESS not in services and _handles_known(table, plugin):
        yield "table", "no Generic Access service (0x1800)", "one, as it is mandatory"


def _empty(table: FoundTable, plugin: Plugin | None) -> Broken:
    for service in table.services:
        if not service.characteristics and not service.includes:
            yield place_of_service(service), "has no characteristics", "at least one, or no service"


def _protocol(table: FoundTable, plugin: Plugin | None) -> Broken:
    for found, expected in table.breaches or ():
        yield "server", found, expected


def _with_handles(table: FoundTable, plugin: Plugin | None) -> Sight:
    return where(_handles_known(table, plugin))


STRUCTURE = (
    Rule(
        "keeps-the-protocol",
        "responses match their requests, in time and within the ATT_MTU",
        "Vol 3, Part F, 3.3 and 3.4",
        _protocol,
        lambda table, _: where(table.breaches is not None),
    ),
    Rule("service-ranges", "services do not overlap", "2.6.2, 3.1", _ranges, _with_handles),
    Rule("inside-service", "a characteristic is inside its service", "3.3", _inside, _with_handles),
    Rule(
        "value-follows",
        "a value directly follows its declaration",
        "3.3.2",
        _value_follows,
        lambda table, _: where(any(item.declaration is not None for _, item in table.characteristics)),
    ),
    Rule("one-handle-each", "no two attributes share a handle", "Vol 3, Part F, 3.2.2", _handles_unique),
    Rule("some-property", "a characteristic has at least one property", "3.3.1.1", _some_property),
    Rule("needs-configuration", "what notifies or indicates has a CCCD", "3.3.3.3", _configuration),
    Rule("idle-configuration", "a CCCD has something to enable", "3.3.3.3", _idle_configuration, strict=False),
    Rule("descriptors-match", "descriptors and properties belong together", "3.3.3", _other_descriptors),
    Rule("descriptor-values", "descriptors hold valid values", "3.3.3", _descriptor_values),
    Rule("uuid-once", "a UUID occurs once where a client looks for it", "common practice", _twice),
    Rule("assigned", "16-bit UUIDs are assigned, and for this use", "Assigned Numbers, as bleak lists them", _assigned),
    Rule("mandatory", "an adopted service has its mandatory characteristics", "its service specification", _mandatory),
    Rule("generic-access", "there is a Generic Access service", "Vol 3, Part C, 12", _generic_access, _with_handles),
    Rule("not-empty", "a service has characteristics", "common practice", _empty, strict=False),
)
