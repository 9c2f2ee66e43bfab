"""A plugin for machines: a JSON Schema of the decoded values of each characteristic, with the table and examples."""

from __future__ import annotations

import json
from dataclasses import fields
from fractions import Fraction
from typing import Any

from gateway.plugin.contract.names import generated_line
from gateway.plugin.contract.vectors import switched, vectors
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.model import Field, Layout
from gateway.plugin.model import Characteristic, Derived, Plugin
from gateway.plugin.procedure import Procedure
from gateway.plugin.unpack import Step

_WORDS = [
    "Blocks follow each other; one is there where all its conditions hold and, where it says so, the value goes on. "
    "What is compared is arithmetic on the raw numbers of earlier fields; with a field that is absent it never holds. "
    "Samples or a tail take the rest; where samples say at, that is the byte they begin at.",
    "Bits count from the start of their block or sample: in little-endian fields from the lowest bit of the first "
    "byte, in big-endian ones from the highest.",
    "What is unpacked from a value's content, as its own text says, is a message of the characteristics that are "
    "within it; where there are several, message tells by which byte.",
    "A raw number listed under no_reading has no value. One under names has that name, and where there are names any "
    "other is 'unnamed N'. A float that is not finite is no reading. A checksum stands behind "
    "all else. Else its value is (raw * num + add) / den in the unit, or without a scale the number.",
]


def schema(plugin: Plugin) -> str:
    """One JSON document: for each characteristic its facts, the schema of a decoded value, and examples."""
    return json.dumps(
        {
            "$comment": generated_line(plugin.kind),
            "how_to_read": _WORDS,
            "kind": plugin.kind,
            "title": plugin.title,
            "advertising": None
            if plugin.advertising is None
            else {"name": plugin.advertising.name, "services": list(plugin.advertising.services)},
            "security": plugin.security.value if plugin.security is not None else None,
            "constants": dict(plugin.constant_names),
            "characteristics": {item.name: _characteristic(plugin, item) for item in plugin.characteristics.values()},
            "procedures": {one.name: _procedure(one) for one in plugin.procedures.values()},
            "sensors": {
                sensor.name: {
                    "values_in": sensor.data,
                    "enable": (
                        {"characteristic": sensor.enable.characteristic, "field": sensor.enable.field.name}
                        | {"on": sensor.on, "off": sensor.off}
                        if sensor.enable
                        else None
                    ),
                    "period": (
                        {"characteristic": sensor.period.characteristic, "field": sensor.period.field.name}
                        | {"default_s": (sensor.default_period_ns or 0) / 1e9}
                        if sensor.period
                        else None
                    ),
                }
                for sensor in plugin.sensors.values()
            },
        },
        indent=1,
        ensure_ascii=False,
    )


def _characteristic(plugin: Plugin, item: Characteristic) -> dict[str, Any]:
    return {
        "title": item.title,
        "uuid": item.uuid or None,
        "service": item.service or None,
        "within": item.within or None,
        "advertised": None if item.broadcast is None else item.broadcast._asdict(),
        "unpack": None if item.step is None else _step(item.step),
        "properties": sorted(item.properties),
        "length": item.layout.expected_length,
        "stores": item.stores,
        "layout": _layout(item.layout),
        "derived": [_derived(derived) for derived in item.derived],
        "value": _value(item),
        "examples": [
            {"bytes": vector.raw.hex(), "value": example(item, vector.raw)}
            for vector in vectors(item, True, switched(plugin, item))
        ],
    }


def _procedure(one: Procedure) -> dict[str, Any]:
    return {
        "title": one.title,
        "write": one.target,
        "opcode": one.opcode,
        "layout": _layout(one.layout),
        "answer": one.answer or None,
        "request": one.request or None,
        "result": one.result or None,
        "success": one.success if one.result else None,
        "timeout_s": one.timeout_ns / 1e9,
        "sends": one.sends or None,
        "counts": one.counts or None,
        "count": one.count or None,
        "clears": one.clears or None,
    }


def _step(step: Step) -> dict[str, Any]:
    """How the content of a value is unpacked: the kind of step, what it is told, and the same in words."""
    told: dict[str, Any] = {"kind": type(step).__name__.lower(), "text": step.text}
    for one in fields(step):
        value = getattr(step, one.name)
        if one.name in ("layout", "env", "file"):  # where a key lies is this machine's business
            continue
        if isinstance(value, Field):
            value = _place(value)
        elif isinstance(value, tuple):
            value = [f"0x{part.hex()}" if isinstance(part, bytes) else part for part in value]
        told[one.name] = value.hex() if isinstance(value, bytes) else value
    return told


def _layout(layout: Layout) -> dict[str, Any]:
    """What it takes to read the bytes: blocks that follow each other, each there or not as its conditions say, then
    samples or a tail. Bits count from the start of their block or sample."""
    group, tail = layout.samples, layout.tail
    return {
        "blocks": [
            {
                "bytes": block.size,
                "only_where": None
                if block.when is None
                else {
                    "all": [
                        {"value": one.value.text, "test": one.test, "number": one.number}
                        for one in block.when.conditions
                    ],
                    "value_goes_on": block.when.more,
                },
                "fields": [_place(field) for field in block.fields],
            }
            for block in layout.blocks
        ],
        "samples": None
        if group is None
        else {
            "bytes": group.size,
            "count": group.count.text if isinstance(group.count, Arithmetic) else group.count,
            "at": None if group.at is None else group.at.text,
            "every_s": group.every_ns / 1e9 if group.every_ns else None,
            "fields": [_place(field) for field in group.fields],
        },
        "message": None if layout.message is None else layout.message._asdict(),
        "check": None
        if layout.check is None
        else {"bytes": layout.behind, "byte_order": layout.check.order}
        | {
            key: getattr(layout.check, key)
            for key in ("kind", "width", "first", "poly", "init", "refin", "refout", "xorout", "negated")
        },
        "tail": None if tail is None else {"name": tail.name, "type": tail.type.label(0)},
    }


def _place(field: Field) -> dict[str, Any]:
    """Where a field stands, and its value: (raw * num + add) / den in its unit, or the name of a number."""
    scale = field.scale
    return {
        "name": field.name,
        "type": field.type.label(field.bits),
        "bit": field.bit,
        "bits": field.bits,
        "byte_order": field.order,
        "scale": None if scale is None else {"num": scale.num, "add": scale.add, "den": scale.den},
        "unit": field.unit.symbol,
        "names": {str(number): name for number, name in (field.names or {}).items()},
        "no_reading": {str(number): why for number, why in (field.reserved or {}).items()},
        "role": field.role,
    }


def _derived(derived: Derived) -> dict[str, Any]:
    return {
        "name": derived.name,
        "unit": derived.unit.symbol,
        "formula": derived.formula.text,
        "inputs": {
            name: {"field": source.field, "constant": source.constant, "gain": source.gain, "zero": source.zero}
            for name, source in derived.inputs.items()
        },
        "over_samples": derived.over_samples,
    }


def _value(item: Characteristic) -> dict[str, Any]:
    """JSON Schema, draft 2020-12, of a decoded value: units stand beside the types."""
    layout = item.layout
    always = {f.name for block in layout.blocks if block.when is None for f in block.fields}
    made: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": {field.name: _field(field) for field in layout.fields},
        "required": [field.name for field in layout.fields if field.name in always],
        "additionalProperties": False,
    }
    if layout.samples is not None:
        names = [field.name for field in layout.samples.fields]
        inner = {"type": "object", "properties": {f.name: _field(f) for f in layout.samples.fields}, "required": names}
        made["properties"]["samples"] = {"type": "array", "items": inner}
        made["required"].append("samples")
    return made


def _field(field: Field) -> dict[str, Any]:
    kinds: dict[str, Any] = {"type": [field.type.json, "null"]}
    if field.names:
        kinds = {"type": ["string", "null"], "description": ", ".join(field.names.values())}
    if field.unit.symbol:
        kinds["unit"] = field.unit.symbol
    for key, end in (("lowest", field.low), ("highest", field.high)):  # beyond them a value is doubtful, not malformed
        if end is not None:
            kinds[key] = end
    if field.default is not None:
        kinds["default"] = float(field.default) if isinstance(field.default, Fraction) else field.default
    return kinds


def example(item: Characteristic, raw: bytes) -> dict[str, Any]:
    """A decoded value as the schema describes it."""
    made: dict[str, Any] = {}
    samples: list[dict[str, Any]] = []
    for reading in item.codec.read(raw):
        owner, _, name = reading.name.rpartition("].")
        if owner:
            place = int(owner.partition("[")[2])
            samples += [{} for _ in range(place + 1 - len(samples))]
            samples[place][name] = reading.value
        else:
            made[reading.name] = reading.value
    if item.layout.samples is not None:
        made["samples"] = samples
    return made
