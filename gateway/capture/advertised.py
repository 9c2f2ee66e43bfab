"""What nodes advertised in a foreign capture, placed on the channels that plugins declare. A node is told by an address
or a name that was given, whether its values fit or not; where none was given, by a value that fits the layout of what a
plugin advertises."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from gateway.capture.att import Advertised, uuid_of
from gateway.model.errors import DecodeError
from gateway.plugin import Plugin
from gateway.plugin.model import Broadcast

_MANUFACTURER = 0xFF
_SERVICES = {0x16: 2, 0x20: 4, 0x21: 16}  # service data, by the bytes of its UUID


def parts_of(data: bytes) -> Iterator[tuple[Broadcast, bytes]]:
    """The manufacturer and service data in advertising data, up to a structure that goes on behind its end; structures:
    Vol 3, Part C, 11."""
    at = 0
    while at + 1 < len(data) and data[at] and at + 1 + data[at] <= len(data):
        kind, value = data[at + 1], data[at + 2 : at + 1 + data[at]]
        if kind == _MANUFACTURER and len(value) >= 2:
            yield Broadcast(int.from_bytes(value[:2], "little"), ""), value[2:]
        elif (size := _SERVICES.get(kind, 0)) and len(value) >= size:
            yield Broadcast(None, uuid_of(value[:size])), value[size:]
        at += 1 + data[at]


def advertiser(item: Advertised, name: str, plugins: Sequence[Plugin], names: Mapping[str, str]) -> Plugin | None:
    """What kind of node advertised this; None for none that is known.

    Args:
        name: that the address has advertised, "" where that is not known.
        names: names of nodes by address or advertised name; where there are any, no others are taken.
    """
    if names and item.server not in names and name not in names:
        return None
    return next(fitting(item, plugins), None) or (next(_of_its_kind(item, plugins), None) if names else None)


def fitting(item: Advertised, plugins: Sequence[Plugin]) -> Iterator[Plugin]:
    """Plugins that advertise such a value."""
    for plugin in _of_its_kind(item, plugins):
        parts = ((part, raw) for part, raw in parts_of(item.data) if part in plugin.broadcasts)
        if any(_fits(plugin, plugin.named(plugin.broadcasts[part], raw), raw) for part, raw in parts):
            yield plugin


def _of_its_kind(item: Advertised, plugins: Sequence[Plugin]) -> Iterator[Plugin]:
    """Plugins that advertise values of such a company or service, whether this one fits or not."""
    parts = {part for part, _ in parts_of(item.data)}
    return (plugin for plugin in plugins if not parts.isdisjoint(plugin.broadcasts))


def misfit(item: Advertised, plugins: Sequence[Plugin]) -> str:
    """What is told of an advertisement that has the company or service of a plugin and fits none; "" for others."""
    known = [part for part, _ in parts_of(item.data) for plugin in plugins if part in plugin.broadcasts]
    return f"advertised value that fits no layout: {known[0].text}" if known else ""


def _fits(plugin: Plugin, channel: str, raw: bytes) -> bool:
    try:
        plugin.characteristics[channel].codec.parse(raw)
    except DecodeError:
        return False
    return True
