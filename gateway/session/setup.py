"""Set a node up after connecting: hold its GATT table against what the plugin needs, read its constants,
write its settings and read them back."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from fractions import Fraction
from typing import Any, Protocol, TypeVar

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from gateway.config import NodeConfig
from gateway.model.errors import DecodeError, NodeError, PayloadError, RadioError, RefusedError
from gateway.model.events import DescriptorDiffers, Detail, SettingDiffers, SettingWritten
from gateway.model.units import parse_unit, unit_text
from gateway.plugin import Characteristic, Plugin
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field
from gateway.plugin.layout.written import NOW
from gateway.plugin.standard.adopted import short_number
from gateway.plugin.standard.assigned import (
    COMPARED_DESCRIPTORS,
    IDENTITY,
    USER_DESCRIPTION,
    descriptor_problem,
    identity_text,
)

_WENT_ON_S, _BEHIND_S = 30, 1  # how far a clock that was set may stand off when it is read back; common practice
T = TypeVar("T")
Tell = Callable[[Detail], None]
Table = Mapping[str, BleakGATTCharacteristic]


class Do(Protocol):
    """Awaits one request of the node, with a deadline, and says what was being done when it fails."""

    def __call__(self, what: str, work: Awaitable[T]) -> Awaitable[T]: ...


def wanted_channels(node: NodeConfig) -> tuple[list[str], list[str]]:
    """The channels to subscribe to, and those to read: a channel that the run file polls is only read, one whose
    sensor is switched off is listened to, in case it talks all the same."""
    off = {node.plugin.sensors[name].data for name, use in node.sensors.items() if not use.on}
    pushed = [
        name for name in node.plugin.channels if node.plugin.characteristics[name].pushed and name not in node.poll_ns
    ]
    return pushed, [name for name in node.poll_ns if name not in off]


def resolve(client: BleakClient, node: NodeConfig) -> dict[str, BleakGATTCharacteristic]:
    """Find every characteristic that this run needs.

    Raises:
        NodeError: one is missing, or lacks a property that is needed; the text names them all.
    """
    pushed, read = wanted_channels(node)
    needed = {name: {"notify", "indicate"} for name in pushed} | {name: {"read"} for name in read}
    needed |= {name: {"read"} for name in node.plugin.constants}
    needed |= {name: {"write", "write-without-response"} for name in planned_settings(node)}
    commanded = {use.procedure.target for use in node.procedures}
    needed |= {name: {"write", "write-without-response"} for name in commanded if name not in needed}
    found: dict[str, BleakGATTCharacteristic] = {}
    wrong: list[str] = []
    for name, properties in needed.items():
        item = node.plugin.characteristics[name]
        same = [c for service in client.services for c in service.characteristics if c.uuid == item.uuid]
        own = [c for c in same if c.service_uuid == item.service] or same
        if not own:
            wrong.append(f"no characteristic {name} ({item.uuid})")
        elif not properties & set(own[0].properties):
            has = ", ".join(own[0].properties) or "none"
            wrong.append(f"{name} needs {' or '.join(sorted(properties))}, but the node offers {has}")
        else:
            found[name] = own[0]
    if wrong:
        raise NodeError(f"{node.name} does not match its plugin {node.plugin.kind}: {'; '.join(wrong)}")
    return found


async def check_descriptors(node: NodeConfig, table: Table, do: Do, client: BleakClient) -> list[DescriptorDiffers]:
    """Hold what the node's descriptors say of its characteristics against the plugin; each difference.

    Presentation formats and valid ranges describe without doubt only a characteristic of one field.

    Raises:
        RadioError: the link was lost, or the node did not answer.
    """
    differ = []
    for name, target in table.items():
        item = node.plugin.characteristics[name]
        for descriptor in target.descriptors:
            number = short_number(descriptor.uuid)
            if number not in COMPARED_DESCRIPTORS:
                continue
            try:
                raw = bytes(await do(f"reading a descriptor of {name}", client.read_gatt_descriptor(descriptor)))
            except RefusedError:
                continue  # a descriptor that may not be read says nothing wrong
            problem = descriptor_problem(item.layout, item.description, number, raw)
            if not problem and number == USER_DESCRIPTION:
                problem = _of_another(node.plugin, item, raw.decode("utf-8", "replace"))
            if problem:
                differ.append(DescriptorDiffers(characteristic=name, descriptor=f"0x{number:04X}", found=problem))
    return differ


def _of_another(plugin: Plugin, item: Characteristic, text: str) -> str:
    """Says where a characteristic calls itself what the plugin calls another one, "" where it does not: a table that
    the system remembers, or a firmware in which the two have changed places."""
    if text in (item.title, item.description):
        return ""
    others = (other for other in plugin.served.values() if other.uuid != item.uuid)  # not messages of the same one
    named = (other.name for other in others if text in (other.title, other.description))
    other = next(named, "") if text else ""
    return f"{text!r}, which is what {other} is called; the two may have changed places" if other else ""


async def read_identity(client: BleakClient, do: Do) -> dict[str, str]:
    """What a node says of itself in the Device Information service, by the names of its characteristics.

    Raises:
        RadioError: the link was lost, or the node did not answer.
    """
    said: dict[str, str] = {}
    for target in client.services.characteristics.values():
        name = IDENTITY.get(short_number(target.uuid) or 0)
        if name is None or "read" not in target.properties:
            continue
        try:
            raw = bytes(await do(f"reading the {name} of the node", client.read_gatt_char(target)))
        except RefusedError:
            continue  # it keeps that to itself
        said[name] = identity_text(raw)
    return said


def planned_settings(node: NodeConfig) -> dict[str, dict[str, Value]]:
    """The field values to write, by characteristic."""
    planned: dict[str, dict[str, Value]] = {}
    sensors = [(node.plugin.sensors[name], use) for name, use in node.sensors.items()]
    paced = [sensor.pace(use.period_ns) for sensor, use in sensors if use.period_ns is not None]
    switched = [sensor.switch(use.on) for sensor, use in sensors]
    for values in (node.set, *paced, *switched):
        for name, fields in values.items():
            planned.setdefault(name, {}).update(fields)
    return planned


def _differences(item: Characteristic, written: bytes, read: bytes) -> dict[str, str]:
    """Which fields read back otherwise than they were written, in words; nothing where one of both does not decode."""
    try:
        before, after = (({r.name: r for r in item.codec.read(raw)}) for raw in (written, read))
    except DecodeError:
        return {}
    return {
        name: f"written {one.value} {unit_text(one.unit)}".rstrip() + f", read {after[name].value}"
        for name, one in before.items()
        if name in after and after[name].raw != one.raw
    }


def _as_of(item: Characteristic, values: Mapping[str, Value], utc_ns: int) -> dict[str, Value]:
    """Values to write, with times of day that are to be set to now as they are at this moment."""
    clocks = {field.name: field for field in item.layout.fields if field.epoch_ns is not None}
    return {
        name: _nearest(clocks[name], clocks[name].at(utc_ns)) if value == NOW and name in clocks else value
        for name, value in values.items()
    }


def _nearest(field: Field, value: Fraction) -> Value:
    return field.shown(field.scale.invert(value)) if field.scale is not None else float(value)


def _went_on(item: Characteristic, written: bytes, read: bytes) -> bytes:
    """What was read back, with clocks that have gone on since they were written as they were then."""
    clocks = [field for field in item.layout.fields if field.epoch_ns is not None and field.scale is not None]
    try:
        before, _ = item.codec.parse(written)
        after, _ = item.codec.parse(read)
    except DecodeError:
        return read
    same: dict[str, Value] = {}
    for field in clocks:
        gain, _ = field.unit.to(parse_unit("s"))
        passed_s = (field.shown(after[field.name]) - field.shown(before[field.name])) * gain
        if -_BEHIND_S <= passed_s <= _WENT_ON_S:
            same[field.name] = field.shown(before[field.name])
    return item.codec.patch(read, same) if same else read


async def write_settings(
    client: BleakClient, node: NodeConfig, table: Table, do: Do, tell: Tell, now_ns: Callable[[], int]
) -> None:
    """Write each planned setting and read it back; a refusal or a difference is an event, not an error.

    A time of day that is to be set to now is written as it is at that moment, and may have gone on when read back.

    Bits of the same characteristic that the run file does not mention keep what they have; where that can't be read,
    what the node is declared to start with.

    Raises:
        RadioError: the link was lost, or the node did not answer.
    """
    for name, values in planned_settings(node).items():
        item, target = node.plugin.characteristics[name], table[name]
        readable = "read" in target.properties
        try:
            before = item.codec.build(node.plugin.started(name))
            if readable and len(item.layout.fields) > len(values):
                before = bytes(await do(f"reading {name}", client.read_gatt_char(target)))
            raw = item.codec.patch(before, _as_of(item, values, now_ns()))
        except PayloadError as error:
            raise RadioError(str(error)) from error
        meaning = node.plugin.meaning(name, raw)
        facts: dict[str, Any] = {"characteristic": name, "written": raw.hex(), **meaning._asdict()}
        try:
            await do(f"writing {name}", client.write_gatt_char(target, raw, response="write" in target.properties))
            if readable and item.settles_ns:
                await asyncio.sleep(item.settles_ns / 1e9)
            back = bytes(await do(f"reading {name} back", client.read_gatt_char(target))) if readable else raw
        except RefusedError as error:
            tell(SettingDiffers(**facts, refused=str(error)))
            continue
        if _went_on(item, raw, back) == raw:
            tell(SettingWritten(**facts, read_back=readable))
        else:
            tell(SettingDiffers(**facts, read=back.hex(), differs=_differences(item, raw, back)))
