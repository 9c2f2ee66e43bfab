"""A plugin as a GATT table with byte maps, for those who write an app."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.model.utc import duration_text
from gateway.plugin.contract.names import generated_line
from gateway.plugin.contract.vectors import vectors
from gateway.plugin.layout.model import Field
from gateway.plugin.model import Characteristic, Plugin
from gateway.plugin.standard.adopted import short_uuid

_EXAMPLES = 3


def markdown(plugin: Plugin) -> str:
    """The table, a byte map and examples of each characteristic, the sensors and the derived values."""
    return "\n".join(_lines(plugin)) + "\n"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")


def _row(*cells: str) -> str:
    return f"| {' | '.join(map(_cell, cells))} |"


def _table(*names: str) -> Iterator[str]:
    yield _row(*names)
    yield "|" + "---|" * len(names)


def _lines(plugin: Plugin) -> Iterator[str]:
    yield from (f"# {_cell(plugin.title)}", "")
    yield generated_line(plugin.kind)
    yield from ("", "## Services and characteristics", "")
    yield from _table("service", "characteristic", "UUID", "properties", "length")
    last = ""
    for item in sorted(plugin.characteristics.values(), key=lambda item: list(_services(plugin)).index(item.service)):
        service = short_uuid(item.service) if item.service != last else ""
        properties = ", ".join(sorted(item.properties))
        yield _row(service, item.name, short_uuid(item.uuid), properties, item.layout.expected_length)
        last = item.service
    for item in plugin.characteristics.values():
        yield from _characteristic(item)
    if plugin.sensors:
        yield from ("", "## Sensors", "")
        yield from _table("sensor", "values in", "switched by", "on", "off", "period set by", "period", "default")
        for sensor in plugin.sensors.values():
            enable, period = sensor.enable, sensor.period
            span = _limits(period.field) if period else ""
            default = duration_text(sensor.default_period_ns / 1e9) if sensor.default_period_ns else ""
            yield _row(
                sensor.name,
                sensor.data,
                f"{enable.characteristic}.{enable.field.name}" if enable else "always on",
                str(sensor.on) if enable else "",
                str(sensor.off) if enable else "",
                f"{period.characteristic}.{period.field.name}" if period else "fixed by the node",
                span,
                default,
            )


def _services(plugin: Plugin) -> dict[str, None]:
    return dict.fromkeys(item.service for item in plugin.characteristics.values())


def _characteristic(item: Characteristic) -> Iterator[str]:
    layout = item.layout
    yield from (
        "",
        f"## {item.name}",
        "",
        f"{_cell(item.title)}, `{item.uuid}`. {layout.expected_length.capitalize()}.",
        "",
    )
    yield from _table("bytes", "bits", "field", "type", "value", "limits", "no reading")
    offset = 0
    moved = False
    for block in layout.blocks:
        when = block.when
        there = f" (only where {when.text})" if when else ""
        for field in block.fields:
            yield _field_row(field, None if moved else offset, there)
        moved = moved or when is not None
        offset += block.size
    if layout.samples is not None:
        group = layout.samples
        count = f"{group.count} times" if isinstance(group.count, int) else group.count or "until the end"
        every = f", every {group.every_ns / 1e6:g} ms" if group.every_ns else ""
        for field in group.fields:
            yield _field_row(field, None, f" (in each sample of {group.size} bytes: {count}{every})")
    if layout.tail is not None:
        yield _row("the rest", "", layout.tail.name, layout.tail.type.label(0), "", "", "")
    for derived in item.derived:
        unit = f" in {derived.unit.symbol}" if derived.unit.symbol else ""
        yield from ("", f"`{derived.name}`{unit} is calculated by gattest; the node does not send it.")
    yield from _examples(item)


def _field_row(field: Field, offset: int | None, there: str) -> str:
    first, last = field.bit // 8, (field.bit + field.bits - 1) // 8
    where = "" if offset is None else f"{offset + first}" if first == last else f"{offset + first} to {offset + last}"
    whole = field.bit % 8 == 0 and field.bits % 8 == 0
    bits = (
        ""
        if whole
        else f"{field.bit % 8} to {field.bit % 8 + field.bits - 1}"
        if field.bits > 1
        else str(field.bit % 8)
    )
    order = ", big-endian" if field.order == "big" and field.bits > 8 else ""
    return _row(
        where,
        bits,
        field.name + there,
        field.type.label(field.bits) + order,
        _meaning(field),
        _limits(field),
        ", ".join(f"{_hex(field, number)}: {why}" for number, why in (field.reserved or {}).items()),
    )


def _hex(field: Field, number: int) -> str:
    """A transmitted integer as its bits go over the air."""
    return f"0x{field.type.to_bits(number, field.bits):0{-(-field.bits // 4)}X}"


def _meaning(field: Field) -> str:
    if field.names:
        return ", ".join(f"{number} {name}" for number, name in field.names.items())
    if field.role == "sequence":
        return "counts values, wraps"
    if field.scale is None:
        return field.unit.symbol
    scale = field.scale
    factor = str(scale.num) if scale.den == 1 else f"{scale.num} / {scale.den}"
    add = f" + {scale.add} / {scale.den}" if scale.add else ""
    text = "raw" if (scale.num, scale.add, scale.den) == (1, 0, 1) else f"raw × {factor}{add}"
    return f"{text} {field.unit.symbol}".rstrip()


def _limits(field: Field) -> str:
    if field.low is None and field.high is None:
        return ""
    low = "" if field.low is None else f"{field.low:g}"
    high = "" if field.high is None else f"{field.high:g}"
    return f"{low} to {high} {field.unit.symbol}".strip()


def _examples(item: Characteristic) -> Iterator[str]:
    yield from ("", "Examples:", "")
    for vector in vectors(item)[:_EXAMPLES]:
        readings = item.codec.read(vector.raw)
        shown = ", ".join(_shown(r.name, r.value, r.unit, r.reason) for r in readings)
        yield f"- `{vector.raw.hex(' ') or 'no bytes'}`: {_cell(shown) or 'nothing'}"


def _shown(name: str, value: object, unit: str, reason: str) -> str:
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return f"{name} {reason}" if value is None else f"{name} {text} {unit}".rstrip()
