"""Write packs of frames. One pack holds frames of one channel: who they are (run, frame), the bytes as they came, and
every field and derived value that has a value, in the registry's unit. The time of a frame is the base time of its
records, exact to the nanosecond."""

from __future__ import annotations

import base64
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from functools import cache
from typing import Any, Literal

import cbor2

from gateway.log.info import FieldInfo
from gateway.log.tail import Stretch
from gateway.mqtt.senml.naming import Sent, sent_as
from gateway.plugin.layout.types import type_labelled

Form = Literal["json", "cbor"]
FRAME, RUN, RAW, FAULT = "frame", "run", "raw", "fault"  # names of the records that are no fields
OWN_NAMES = frozenset({FRAME, RUN, RAW, FAULT})
_ODD = re.compile(r"[^A-Za-z0-9\-:./_]")


def base_name(host: str, node: str, channel: str) -> str:
    """What the names of a channel's records begin with, in the letters that RFC 8428, section 4.5.1, allows."""
    name = ":".join(_ODD.sub("_", part) for part in (host, node, channel)) + ":"
    return name if name[0].isalnum() else f"x{name}"


def packs(
    stretch: Stretch, host: str, form: Form, most: int, most_bytes: int = 1 << 30
) -> Iterator[tuple[bytes, int, int]]:
    """Packs of at most ``most`` frames and, but for single frames, ``most_bytes``; with each, how many frames and how
    many records it holds."""
    writer = _json if form == "json" else _cbor
    start = 0
    while start < len(stretch.rows):
        rows = stretch.rows[start : start + most]
        raw, records = writer(stretch, rows, host)
        if len(raw) > most_bytes and len(rows) > 1:
            most = max(min(len(rows) - 1, len(rows) * most_bytes * 9 // (len(raw) * 10)), 1)
            continue
        yield raw, len(rows), records
        start += len(rows)


@cache
def sent_fields(fields: tuple[FieldInfo, ...]) -> tuple[tuple[Sent, str], ...]:
    """How each field is sent, and under which label its value stands."""
    found = []
    for field in fields:
        sent = sent_as(field.name, field.unit, field.role, field.column)
        if sent.name in OWN_NAMES:
            sent = Sent(f"{sent.name}_value", sent.unit, sent.gain, sent.zero)
        known = type_labelled(field.kind)
        label = known[0].senml if known else "v"
        found.append((sent, label))
    return tuple(found)


def _scaled(sent: Sent, value: Any) -> Any:
    if sent.gain != 1.0 or sent.zero:
        return value * sent.gain + sent.zero
    return value


# JSON: the text of a frame is a template filled with its values, one template for each set of fields that is there


@cache
def _template(fields: tuple[tuple[Sent, str], ...], mask: tuple[int, ...]) -> str:
    """``mask`` tells of each field whether it is absent (0), a number (1), of its own label and
    written beforehand (2) or a text and so written (3)."""
    parts = []
    for (sent, label), there in zip(fields, mask, strict=True):
        if there == 1:
            unit = f',"u":{json.dumps(sent.unit)}' if sent.unit else ""
            parts.append(f',{{"n":{json.dumps(sent.name)}{unit},"v":%r}}'.replace("%RH", "%%RH").replace("%EL", "%%EL"))
        elif there:
            key = label if there == 2 else "vs"
            parts.append(f',{{"n":{json.dumps(sent.name)},"{key}":%s}}')
    return "".join(parts)


def _json(stretch: Stretch, rows: Sequence[tuple[Any, ...]], host: str) -> tuple[bytes, int]:
    fields = sent_fields(stretch.relation.fields)
    inner = sent_fields(stretch.relation.sample_fields)
    name = json.dumps(base_name(host, stretch.node, stretch.relation.channel))
    seconds, rest = divmod(rows[0][1], 1_000_000_000)
    parts = [f'{{"bn":{name},"bt":{seconds}.{rest:09d},"n":"{RUN}","vs":{json.dumps(stretch.run)}}}']
    records = 1
    gains = [(sent.gain, sent.zero) for sent, _ in fields]
    plain = [gain == 1.0 and not zero for gain, zero in gains]
    for number, t_ns, raw, fault, *values in rows:
        seconds, rest = divmod(t_ns, 1_000_000_000)
        shown = base64.urlsafe_b64encode(raw).decode().rstrip("=")
        opening = f'{{"bt":{seconds}.{rest:09d},"n":"{FRAME}","v":{number - stretch.begins + 1}}}'
        parts.append(f'{opening},{{"n":"{RAW}","vd":"{shown}"}}')
        records += 2
        if fault is not None:
            parts.append(f'{{"n":"{FAULT}","vs":{json.dumps(fault)}}}')
            records += 1
            continue
        filled, mask = [], []
        for value, same, (gain, zero), (_, label) in zip(values, plain, gains, fields, strict=True):
            if value is None:
                mask.append(0)
            elif label == "v" and not isinstance(value, str):
                scaled = value if same else value * gain + zero
                if scaled - scaled != 0:  # beyond what a number can say
                    mask.append(0)
                    continue
                mask.append(1)
                filled.append(scaled)
            elif isinstance(value, str) and label != "vd":
                mask.append(3)
                filled.append(json.dumps(value, ensure_ascii=False))
            else:
                mask.append(2)
                filled.append(_written(label, value))
        parts[-1] += _template(fields, tuple(mask)) % tuple(filled)
        records += len(filled)
        for after_ns, *sample in stretch.samples.get(number, ()):
            for (sent, label), value in zip(inner, sample, strict=True):
                if value is not None and (text := _value_text(sent, label, value)):
                    unit = f',"u":{json.dumps(sent.unit)}' if sent.unit else ""
                    parts.append(f'{{"n":{json.dumps(sent.name)},"t":{after_ns / 1e9!r}{unit},{text}}}')
                    records += 1
    return ("[" + ",".join(parts) + "]").encode(), records


def _written(label: str, value: Any) -> str:
    if label == "vb":
        return "true" if value else "false"
    return json.dumps(base64.urlsafe_b64encode(bytes.fromhex(value)).decode().rstrip("="))


def _value_text(sent: Sent, label: str, value: Any) -> str:
    if label == "v" and not isinstance(value, str):
        scaled = _scaled(sent, value)
        return f'"v":{scaled!r}' if math.isfinite(scaled) else ""
    if isinstance(value, str) and label != "vd":
        return f'"vs":{json.dumps(value, ensure_ascii=False)}'
    return f'"{label}":{_written(label, value)}'


# CBOR: labels are the integers of RFC 8428, table 4; times are decimal fractions, so that they are exact

_BN, _BT, _N, _U, _V, _VS, _VB, _T, _VD = -2, -3, 0, 1, 2, 3, 4, 6, 8


def _cbor(stretch: Stretch, rows: Sequence[tuple[Any, ...]], host: str) -> tuple[bytes, int]:
    fields = sent_fields(stretch.relation.fields)
    inner = sent_fields(stretch.relation.sample_fields)
    name = base_name(host, stretch.node, stretch.relation.channel)
    records: list[dict[int, Any]] = [{_BN: name, _BT: _exact(rows[0][1]), _N: RUN, _VS: stretch.run}]
    for number, t_ns, raw, fault, *values in rows:
        records += [{_BT: _exact(t_ns), _N: FRAME, _V: number - stretch.begins + 1}, {_N: RAW, _VD: raw}]
        if fault is not None:
            records.append({_N: FAULT, _VS: fault})
            continue
        records += _cbor_values(fields, values, {})
        for after_ns, *sample in stretch.samples.get(number, ()):
            records += _cbor_values(inner, sample, {_T: after_ns / 1e9})
    return cbor2.dumps(records), len(records)


def _exact(t_ns: int) -> Decimal:
    return Decimal(t_ns).scaleb(-9)


def _cbor_values(
    fields: Sequence[tuple[Sent, str]], values: Sequence[Any], more: dict[int, Any]
) -> Iterator[dict[int, Any]]:
    convert: dict[str, Callable[[Any], Any]] = {"vb": bool, "vd": bytes.fromhex}
    keys = {"vb": _VB, "vd": _VD}
    for (sent, label), value in zip(fields, values, strict=True):
        if value is None:
            continue
        record: dict[int, Any] = {_N: sent.name} | more
        if isinstance(value, str) and label != "vd":
            record[_VS] = value
        elif label in keys:
            record[keys[label]] = convert[label](value)
        elif math.isfinite(scaled := _scaled(sent, value)):
            record |= {_U: sent.unit, _V: scaled} if sent.unit else {_V: scaled}
        else:
            continue
        yield record
