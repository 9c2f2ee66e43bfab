"""Rules on what a node sends and lets be read: permissions, lengths, values of adopted characteristics, and values that
nobody asked for."""

from __future__ import annotations

from gateway.model.errors import DecodeError
from gateway.model.gatt import FoundTable
from gateway.plugin import Plugin
from gateway.plugin.layout.codec import OUTSIDE, Codec
from gateway.plugin.layout.model import Layout
from gateway.plugin.standard.adopted import BASE_UUID, adopted_layout, short_number
from gateway.verify.audit.model import Broken, Rule, place_of
from gateway.verify.audit.structure import LONGEST_VALUE

_READ_NOT_PERMITTED = "0x02"
_NEEDS_PAIRING = ("0x05", "0x08", "0x0C", "0x0F")  # authentication, authorization, key size, encryption
_DEVICE_INFORMATION = BASE_UUID.format(0x180A)


def value_problem(layout: Layout, raw: bytes) -> str:
    """Why a value does not fit its layout or its limits, "" where it does."""
    try:
        readings = Codec(layout, "value").read(raw)
    except DecodeError as error:
        return f"{raw[:20].hex() or 'nothing'}{'…' * (len(raw) > 20)}: {error.reason}"
    for reading in readings:
        if reading.reason == OUTSIDE:
            return f"{reading.name} is {reading.value} {reading.unit}".rstrip() + ", outside its limits"
    return ""


def _permitted(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if "read" in item.properties and item.refused.endswith(_READ_NOT_PERMITTED):
            yield place_of(item, plugin), f"has the property read but refuses it ({item.refused})", "one or the other"
        if "read" not in item.properties and item.read:
            yield place_of(item, plugin), "answers a read without the property read", "error 0x02, Read Not Permitted"


def _subscribable(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if item.not_subscribed and not item.not_subscribed.endswith(_NEEDS_PAIRING):
            yield (
                place_of(item, plugin),
                f"can't be subscribed to ({item.not_subscribed})",
                "a subscription, as it notifies or indicates",
            )


def _protected(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if item.refused.endswith(_NEEDS_PAIRING):
            yield place_of(item, plugin), f"can't be read yet ({item.refused})", "known to the app developers"
        if item.not_subscribed.endswith(_NEEDS_PAIRING):
            found = f"can't be subscribed to yet ({item.not_subscribed})"
            yield place_of(item, plugin), found, "known to the app developers"


def _pushed_properties(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        for notified, name in ((True, "notify"), (False, "indicate")):
            if name not in item.properties and any(way is notified for way, _ in item.pushed):
                word = "notified" if notified else "indicated"
                yield place_of(item, plugin), f"{word} without the property", f"the property {name}, or no values"
    for handle in table.strays:
        yield f"0x{handle:04X}", "sent a value, but is not a characteristic value", "values of characteristics only"


def _unasked(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        if item.handle in table.unasked:
            expected = "no values until it is subscribed to, unless it is bonded and was subscribed to before"
            yield place_of(item, plugin), "sent values before it was subscribed to on this link", expected


def _lengths(table: FoundTable, plugin: Plugin | None) -> Broken:
    for _, item in table.characteristics:
        for raw in item.read:
            if len(raw) > LONGEST_VALUE:
                yield place_of(item, plugin), f"a value of {len(raw)} bytes", f"at most {LONGEST_VALUE}"
        if table.mtu is not None and any(len(raw) > table.mtu - 3 for _, raw in item.pushed):
            yield place_of(item, plugin), "sent more than the ATT_MTU allows", f"at most {table.mtu - 3} bytes"


def _adopted(table: FoundTable, plugin: Plugin | None) -> Broken:
    own = {item.uuid for item in plugin.served.values()} if plugin else set()
    for _, item in table.characteristics:
        layout = adopted_layout(item.uuid)
        if layout is None or item.uuid in own:  # a plugin's layout is held against its values by a rule of its own
            continue
        for raw in (*item.read, *(raw for _, raw in item.pushed)):
            if problem := value_problem(layout, raw):
                yield place_of(item, plugin), problem, "a value as the GATT Specification Supplement defines it"
                break


def _identity(table: FoundTable, plugin: Plugin | None) -> Broken:
    if table.services and _DEVICE_INFORMATION not in {service.uuid for service in table.services}:
        yield (
            "table",
            "no Device Information service (0x180A)",
            "one with the firmware revision, to tell prototypes apart",
        )
    for service, item in table.characteristics:
        if service.uuid == _DEVICE_INFORMATION and 0x2A24 <= (short_number(item.uuid) or 0) <= 0x2A29:
            for raw in item.read:
                try:
                    raw.decode("utf-8")
                except UnicodeDecodeError:
                    yield place_of(item, plugin), f"not UTF-8: {raw[:20].hex()}", "UTF-8 text"


CONTENT = (
    Rule("read-permitted", "readable characteristics can be read", "Vol 3, Part G, 3.3.1.1", _permitted),
    Rule("subscribable", "what has notify or indicate can be subscribed to", "Vol 3, Part G, 3.3.3.3", _subscribable),
    Rule(
        "protected",
        "characteristics that require pairing",
        "Vol 3, Part F, 3.4.1.1",
        _protected,
        strict=False,
    ),
    Rule("pushes-as-offered", "only what may notify or indicate does", "Vol 3, Part G, 3.3.1.1", _pushed_properties),
    Rule("asked-first", "nothing is sent before a subscription", "Vol 3, Part G, 3.3.3.3, 4.10", _unasked),
    Rule("lengths", "values do not exceed the maximum length", "Vol 3, Part F, 3.2.9, 3.4.7.1", _lengths),
    Rule("adopted-values", "adopted characteristics hold valid values", "GATT Specification Supplement", _adopted),
    Rule("identity", "the node identifies itself", "Device Information Service", _identity, strict=False),
)
