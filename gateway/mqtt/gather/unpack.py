"""From a message to what it says: frames of a channel, facts of a run, events of a node."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from gateway.log.schema import SPAN
from gateway.model.errors import InputError
from gateway.model.events import EventKind
from gateway.mqtt.senml.resolve import MOST_BYTES, read_pack
from gateway.mqtt.senml.write import FAULT, FRAME, RAW
from gateway.mqtt.senml.write import RUN as OF_RUN
from gateway.mqtt.topics import EARLIER, EVENTS, GATEWAY, RUN, RUN_EVENTS, STATE, VERDICTS

_NANO = Decimal(10) ** 9
_MOST_ID = SPAN
_MOST_S = Decimal(253_402_300_800)  # the year 10000, which no calendar of ours reaches


@dataclass(frozen=True, slots=True)
class Value:
    """A field of a frame; ``t_ns`` its own time, number or text, one of them None."""

    name: str
    unit: str
    t_ns: int
    number: float | None
    text: str | None


@dataclass(slots=True)
class ReceivedFrame:
    """A frame as its run numbers it, with what was decoded where it was received first."""

    id: int
    t_ns: int
    raw: bytes = b""
    fault: str | None = None
    values: list[Value] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames of one channel."""

    run: str
    gateway: str
    node: str
    channel: str
    frames: list[ReceivedFrame]


@dataclass(frozen=True, slots=True)
class Facts:
    """What there is to know of a run."""

    gateway: str
    facts: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Events:
    """Events of a node, or of a run."""

    gateway: str
    events: list[Mapping[str, Any]]


def unpack(topic: str, prefix: str, payload: bytes, form: str) -> Frames | Facts | Events | None:
    """What a message says; None for one that is of no use here.

    Args:
        form: the content type it is said to have, or that its first byte shows.

    Raises:
        InputError: it can't be read; the text says why.
    """
    if not topic.startswith(f"{prefix}/"):
        return None
    match topic[len(prefix) + 1 :].split("/"):
        case [_, level] if level == GATEWAY:
            return None
        case [gateway, level] if level.startswith(RUN):
            return Facts(gateway, _table(payload)) if payload else None
        case [gateway, level] if level == RUN_EVENTS:
            return _events(gateway, payload)
        case [_, _, level] if level in (STATE, VERDICTS):
            return None
        case [gateway, _, level] if level == EVENTS:
            return _events(gateway, payload)
        case [gateway, node, channel, *rest] if rest in ([], [EARLIER]):
            return _frames(gateway, node, channel, payload, form)
    return None


def _events(gateway: str, payload: bytes) -> Events:
    content = _json(payload)
    if not isinstance(content, list) or not all(isinstance(one, dict) for one in content):
        raise InputError("the events message is not a list of objects")
    for event in content:
        t_ns, number = event.get("t_ns"), event.get("id")
        if not isinstance(t_ns, int) or not 0 <= t_ns < _MOST_S * _NANO:
            raise InputError(f"an event with the invalid time {t_ns!r} ns")
        if not isinstance(number, int) or not 0 < number < SPAN:
            raise InputError(f"an event with the invalid number {number!r}")
        if event.get("kind") not in set(EventKind) or not isinstance(event.get("detail"), dict):
            raise InputError(f"an event of kind {event.get('kind')!r}, which this version does not know")
        if not isinstance(event.get("node"), str | None):
            raise InputError(f"an event with the invalid node {event.get('node')!r}")
    return Events(gateway, content)


def _table(payload: bytes) -> Mapping[str, Any]:
    content = _json(payload)
    if not isinstance(content, dict):
        raise InputError("the description of a run is not an object")
    return content


def _json(payload: bytes) -> Any:
    if len(payload) > MOST_BYTES:
        raise InputError(f"{len(payload)} bytes; at most {MOST_BYTES} are accepted")
    try:
        return json.loads(payload)
    except (ValueError, RecursionError) as error:
        raise InputError(f"not JSON: {error}") from None


def _frames(gateway: str, node: str, channel: str, payload: bytes, form: str) -> Frames:
    run, frames = "", []
    for record in read_pack(payload, form):
        name = record.name.rpartition(":")[2]
        if not 0 <= record.t < _MOST_S:
            raise InputError(f"the time {record.t} s of {name!r} is not a valid time since 1970")
        t_ns = int(record.t * _NANO)
        if name == OF_RUN:
            run = str(record.value)
        elif name == FRAME:
            if not isinstance(record.value, Decimal) or not 0 < record.value < _MOST_ID:
                raise InputError(f"frame {record.value!r} is not a frame number")
            frames.append(ReceivedFrame(int(record.value), t_ns))
        elif not frames:
            raise InputError(f"a value {name!r} comes before the first frame")
        elif name == RAW and isinstance(record.value, bytes):
            frames[-1].raw = record.value
        elif name == FAULT:
            frames[-1].fault = str(record.value)
        else:
            frames[-1].values.append(_value(name, record.unit, t_ns, record.value))
    if not run or not frames:
        raise InputError("the pack does not name its run, or contains no frame")
    return Frames(run, gateway, node, channel, frames)


def _value(name: str, unit: str, t_ns: int, value: object) -> Value:
    if isinstance(value, bool):
        return Value(name, unit, t_ns, float(value), None)
    if isinstance(value, Decimal):
        return Value(name, unit, t_ns, float(value), None)
    return Value(name, unit, t_ns, None, value.hex() if isinstance(value, bytes) else str(value))
