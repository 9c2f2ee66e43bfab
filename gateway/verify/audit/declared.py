"""Rules on whether a node is what its plugin declares."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from bleak.uuids import uuid16_dict

from gateway.model.errors import DecodeError
from gateway.model.gatt import FoundCharacteristic, FoundService, FoundTable
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.layout.codec import reserved_text
from gateway.plugin.standard.adopted import short_number, short_uuid
from gateway.plugin.standard.assigned import COMPARED_DESCRIPTORS, descriptor_problem
from gateway.verify.audit.content import value_problem
from gateway.verify.audit.model import Broken, Rule, Sight, place_of, where

_DEFAULT_MTU = 23
_FEWEST_GAPS = 10  # between advertisements, to tell an interval from
# Services that any node may have beside those of its plugin
_EVERYWHERE = {0x1800, 0x1801, 0x180A, 0x180F}


def _pairs(
    table: FoundTable, plugin: Plugin | None
) -> Iterator[tuple[Characteristic, FoundService, FoundCharacteristic]]:
    """Declared characteristics with what was found of them, in their own service where there are several."""
    for own in plugin.served.values() if plugin else ():
        same = [(service, item) for service, item in table.characteristics if item.uuid == own.uuid]
        inside = [pair for pair in same if pair[0].uuid == own.service] or same
        if inside:
            yield own, *inside[0]


def _missing(table: FoundTable, plugin: Plugin | None) -> Broken:
    found = {own.name for own, _, _ in _pairs(table, plugin)}
    for own in plugin.served.values() if plugin and table.services else ():
        if own.name not in found:
            yield (
                own.name,
                f"characteristic {short_uuid(own.uuid)} is missing",
                f"in service {short_uuid(own.service)}",
            )


def _service(table: FoundTable, plugin: Plugin | None) -> Broken:
    for own, service, item in _pairs(table, plugin):
        if service.uuid != own.service:
            yield (
                place_of(item, plugin),
                f"is in service {short_uuid(service.uuid)}",
                f"service {short_uuid(own.service)}",
            )


def _unexpected(table: FoundTable, plugin: Plugin | None) -> Broken:
    if plugin is None:
        return
    declared = {item.uuid for item in plugin.served.values()}
    for service, item in table.characteristics:
        if item.uuid not in declared and (short_number(service.uuid) or 0) not in _EVERYWHERE:
            known = uuid16_dict.get(short_number(item.uuid) or 0, "")
            yield place_of(item, plugin), f"is not declared{f' ({known})' if known else ''}", "declared, or absent"


def _properties(table: FoundTable, plugin: Plugin | None) -> Broken:
    for own, _, item in _pairs(table, plugin):
        if own.properties != item.properties:
            yield (
                place_of(item, plugin),
                f"offers {', '.join(sorted(item.properties)) or 'nothing'}",
                ", ".join(sorted(own.properties)),
            )


def _values(table: FoundTable, plugin: Plugin | None) -> Broken:
    for own, _, item in _pairs(table, plugin):
        for raw in (*item.read, *(raw for _, raw in item.pushed)):
            if plugin is not None and plugin.named(own.name, raw) != own.name:
                continue  # another message, which is held against its own layout
            if problem := value_problem(own.layout, raw):
                yield place_of(item, plugin), problem, "a value that fits its layout and limits"
                break


def _reserved(table: FoundTable, plugin: Plugin | None) -> Broken:
    for own, _, item in _pairs(table, plugin):
        for raw in (*item.read, *(raw for _, raw in item.pushed)):
            with suppress(DecodeError):  # the rule before this one tells of it
                if bits := own.codec.reserved_bits(raw):
                    told = reserved_text(bits)
                    yield place_of(item, plugin), f"sets reserved bits: {told}", "0, or declared as fields"
                    break


def _descriptors(table: FoundTable, plugin: Plugin | None) -> Broken:
    for own, _, item in _pairs(table, plugin):
        for descriptor in item.descriptors:
            number = short_number(descriptor.uuid)
            if number not in COMPARED_DESCRIPTORS or descriptor.raw is None:
                continue
            if problem := descriptor_problem(own.layout, own.description, number, descriptor.raw):
                yield f"{place_of(item, plugin)}, descriptor 0x{number:04X}", problem, "what the plugin declares"


def _fits_mtu(table: FoundTable, plugin: Plugin | None) -> Broken:
    mtu = table.mtu or _DEFAULT_MTU
    for own, _, item in _pairs(table, plugin):
        group = own.layout.samples
        count = group.count if group is not None and isinstance(group.count, int) else 1
        size = own.layout.head + own.layout.behind + (group.size * count if group is not None else 0)
        if own.pushed and size > mtu - 3:
            yield place_of(item, plugin), f"its values take {size} bytes", f"at most {mtu - 3} at an ATT_MTU of {mtu}"


def _advertised(table: FoundTable, plugin: Plugin | None) -> Broken:
    heard = table.advertised
    if heard is None or plugin is None or plugin.advertising is None:
        return
    said = plugin.advertising
    for uuid in said.services:
        if uuid not in heard.services:
            services = ", ".join(map(short_uuid, heard.services)) or "none"
            yield "advertising", f"service {short_uuid(uuid)} is not advertised; advertised: {services}", "as declared"
    if said.name is not None and not heard.name.startswith(said.name):
        yield "advertising", f"advertises the name {heard.name or 'nothing'!r}", f"a name starting with {said.name!r}"
    if said.interval_s is not None and len(heard.gaps_s) >= _FEWEST_GAPS:
        # each event comes up to 10 ms later than the interval says (Vol 6, Part B, 4.4.2.2.1); some are missed
        shortest = sorted(heard.gaps_s)[len(heard.gaps_s) // 10]
        if not 0.9 * said.interval_s <= shortest <= 1.1 * said.interval_s + 0.01:
            yield "advertising", f"an event every {1000 * shortest:.0f} ms", f"{1000 * said.interval_s:.0f} ms"


def _with_plugin(table: FoundTable, plugin: Plugin | None) -> Sight:
    return where(plugin is not None)


def _heard_long_enough(table: FoundTable, plugin: Plugin | None) -> Sight:
    said = plugin.advertising if plugin else None
    if said is None:
        return Sight.SEEN
    heard = table.advertised
    if heard is not None and (said.interval_s is None or len(heard.gaps_s) >= _FEWEST_GAPS):
        return Sight.SEEN
    return Sight.MISSED if table.live else Sight.NOT_HERE


def _seen_values(table: FoundTable, plugin: Plugin | None) -> Sight:
    if any(item.read or item.pushed for _, _, item in _pairs(table, plugin)):
        return Sight.SEEN
    return Sight.MISSED if table.live and plugin is not None else Sight.NOT_HERE


DECLARED = (
    Rule("declared-there", "every declared characteristic exists", "the plugin", _missing, _with_plugin),
    Rule("in-its-service", "it is in its declared service", "the plugin", _service, _with_plugin),
    Rule("nothing-else", "there are no undeclared characteristics", "the plugin", _unexpected, _with_plugin),
    Rule("properties-as-declared", "its properties are as declared", "the plugin", _properties, _with_plugin),
    Rule("values-fit", "its values fit the layout and the limits", "the plugin", _values, _seen_values),
    Rule("reserved-bits", "its reserved bits are 0", "the plugin", _reserved, _seen_values),
    Rule("descriptors-agree", "its descriptors agree with the plugin", "the plugin", _descriptors, _with_plugin),
    Rule("fits-mtu", "its values fit in a notification", "Vol 3, Part F, 3.4.7.1", _fits_mtu, _with_plugin),
    Rule("advertises", "it advertises as declared", "the plugin", _advertised, _heard_long_enough),
)
