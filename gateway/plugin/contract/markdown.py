"""A plugin as a GATT table with byte maps, for those who write an app."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gateway.model.security import Security
from gateway.model.utc import duration_text
from gateway.plugin.contract.names import generated_line
from gateway.plugin.contract.vectors import switched, vectors
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.checksum import Checksum
from gateway.plugin.layout.compiled import spans_of
from gateway.plugin.layout.kind import Value
from gateway.plugin.layout.model import Field, Layout
from gateway.plugin.model import Characteristic, Derived, Plugin
from gateway.plugin.standard.adopted import short_uuid

_EXAMPLES = 3
_WORDS = (
    "Bytes count from 0. In little-endian layouts bits count from the lowest bit of a byte, in big-endian ones from "
    "the highest. `raw` is the number that is transmitted; a value is worked out from it as the table says.",
)
_SECURITY = {
    Security.ENCRYPTED: "The node asks for an encrypted link (any pairing) before its characteristics can be used; "
    "until then it answers with Insufficient Authentication (0x05) or Insufficient Encryption (0x0F).",
    Security.AUTHENTICATED: "The node asks for an authenticated link (pairing with its passkey) before its "
    "characteristics can be used; until then it answers with Insufficient Authentication (0x05) or Insufficient "
    "Encryption (0x0F).",
}
# Error codes: Core Specification, Vol 3, Part F, 3.4.1.1, and its Supplement, Part B, for those from 0xE0 on
_REFUSED = (
    ("a value of another length", "Invalid Attribute Value Length (0x0D)"),
    ("a number that stands for nothing: neither on nor off, or without a name", "Value Not Allowed (0x13)"),
    ("a value beyond its limits", "Out of Range (0xFF)"),
)


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
    yield from ("", *_WORDS)
    if plugin.advertising is not None:
        name, services = plugin.advertising.name, plugin.advertising.services
        told = [f"a name that begins with `{name}`"] if name else []
        told += [f"the services {', '.join(f'`{short_uuid(one)}`' for one in services)}"] if services else []
        yield from ("", f"Advertises {' and '.join(told) or 'as it likes'}.")
    if plugin.security is not None:
        yield from ("", _SECURITY[plugin.security])
    yield from ("", "## Services and characteristics", "")
    yield from _table("service", "characteristic", "UUID", "properties", "length")
    last = ""
    for item in sorted(plugin.served.values(), key=lambda item: list(_services(plugin)).index(item.service)):
        service = short_uuid(item.service) if item.service != last else ""
        properties = ", ".join(sorted(item.properties))
        yield _row(service, item.name, short_uuid(item.uuid), properties, item.layout.expected_length)
        last = item.service
    for item in plugin.characteristics.values():
        yield from _characteristic(plugin, item)
    yield from _procedures(plugin)
    if plugin.settings:
        yield from ("", "## Writes that are refused", "")
        yield from _table("what is written", "error code")
        yield from (_row(what, code) for what, code in _REFUSED)
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


def _procedures(plugin: Plugin) -> Iterator[str]:
    if not plugin.procedures:
        return
    yield from ("", "## Procedures", "", "Written to a control point, one at a time; 0xFD is answered while nobody is ")
    yield from ("subscribed to the answer, 0xFE while another is in progress.", "")
    yield from _table("procedure", "written to", "bytes", "arguments", "answer", "within", "what it does")
    for one in plugin.procedures.values():
        told = [f"`{one.answer}`"] if one.answer else ["none"]
        told += [f"`{one.request}` = 0x{one.opcode:02X}"] if one.request else []
        told += [f"`{one.result}` = {one.success} for success"] if one.result else []
        does = [_cell(one.title)]
        does += [f"sends what `{one.sends}` keeps"] if one.sends else []
        does += [f"counts what `{one.counts}` keeps in `{one.count}`"] if one.counts else []
        does += [f"deletes what `{one.clears}` keeps"] if one.clears else []
        arguments = ", ".join(f"{f.name} ({f.type.label(f.bits)})" for f in one.layout.fields[1:])
        within = duration_text(one.timeout_ns / 1e9) if one.answer else ""
        yield _row(
            one.name,
            one.target,
            f"{one.layout.head}, 0x{one.opcode:02X} first",
            arguments,
            ", ".join(told),
            within,
            "; ".join(does),
        )


def _services(plugin: Plugin) -> dict[str, None]:
    return dict.fromkeys(item.service for item in plugin.served.values())


def _characteristic(plugin: Plugin, item: Characteristic) -> Iterator[str]:
    layout = item.layout
    started = plugin.started(item.name) if item.name in plugin.settings else None
    orders = {field.order for field, _ in layout.all_fields() if field.bits > 8 and not field.type.textual}
    order = f" {'-endian and '.join(sorted(orders, reverse=True)).capitalize()}-endian." if orders else ""
    yield from (
        "",
        f"## {item.name}",
        "",
        f"{_cell(item.title)}, {_where(item)}. {layout.expected_length.capitalize()}.{order}",
        "",
    )
    if item.step is not None:
        inner = [one.name for one in plugin.characteristics.values() if one.within == item.name]
        yield from (f"{item.step.text} In it: {', '.join(f'`{name}`' for name in inner)}.", "")
    if layout.message is not None:
        yield (
            f"One of several messages of this characteristic: that with 0x{layout.message.number:02X} in byte "
            f"{layout.message.at}."
        )
        yield ""
    if item.stores:
        yield (
            f"Keeps up to {item.stores} values while nobody is subscribed, and sends them first, oldest first, once "
            "somebody is."
        )
        yield ""
    after = ["after power-up"] if started is not None else []
    yield from _table("bytes", "bits", "field", "type", "value", "limits", "no reading", *after)
    yield from _rows(layout, started)
    if layout.samples is not None and not layout.conditional and layout.samples.at is None:
        yield from ("", "i counts samples from 0.")
    for derived in item.derived:
        yield from ("", _derived(derived))
    yield from _examples(plugin, item)


def _rows(layout: Layout, started: Mapping[str, Value] | None) -> Iterator[str]:
    """A row for each field of a value, in their order; with a column more where it is known how they start."""
    after = [""] if started is not None else []
    offset, moved = 0, False
    for block in layout.blocks:
        there = f" (only where {block.when.text})" if block.when else ""
        for first, end, field in spans_of(block.fields, block.size):
            begins = None if moved else str(offset + first // 8), None if moved else str(offset + (end - 1) // 8)
            known = [_started(started, field)] if started is not None else []
            yield _span_row(first, end, field, begins, there, known)
        moved = moved or block.when is not None
        offset += block.size
    if layout.samples is not None:
        group = layout.samples
        count = f"{group.count} times" if isinstance(group.count, int) else "until the end"
        if isinstance(group.count, Arithmetic):
            count = f"{group.count.text} times"
        every = f", every {group.every_ns / 1e6:g} ms" if group.every_ns else ""
        there = f" (in each sample of {group.size} bytes: {count}{every})"
        if group.at is not None:
            there = there.replace("(in", f"(from byte {group.at.text} on, in")
        base = None if layout.conditional or group.at is not None else layout.head
        for first, end, field in spans_of(group.fields, group.size):
            at = [None if base is None else f"{base + bit // 8} + {group.size}i" for bit in (first, end - 1)]
            yield _span_row(first, end, field, (at[0], at[1]), there, after)
    if layout.tail is not None:
        yield _row("the rest", "", layout.tail.name, layout.tail.type.label(0), "", "", "", *after)
    if layout.check is not None:
        size = layout.behind
        where = f"the last {size}" if size > 1 else "the last"
        yield _row(where, "", "checksum", f"{8 * size} bits", _checked(layout.check), "", "", *after)


def _where(item: Characteristic) -> str:
    """Where its values are found."""
    if item.broadcast is not None:
        return f"advertised as {item.broadcast.text}"
    return f"in `{item.within}`" if item.within else f"`{item.uuid}`"


def _checked(check: Checksum) -> str:
    """A checksum in words, with the numbers that it takes to work it out."""
    covers = "all bytes before it" if not check.first else f"the bytes before it from byte {check.first} on"
    if check.kind != "crc":
        return f"{check.name} of {covers}"
    told = ", ".join(
        f"{name} {value:#x}"
        if isinstance(value, int) and not isinstance(value, bool)
        else f"{name} {str(value).lower()}"
        for name, value in (
            ("poly", check.poly),
            ("init", check.init),
            ("refin", check.refin),
            ("refout", check.refout),
            ("xorout", check.xorout),
        )
    )
    return f"{check.name} of {covers}: width {check.width}, {told}; {check.order}-endian"


def _started(started: Mapping[str, Value], field: Field | None) -> str:
    value = started.get(field.name) if field is not None else None
    if value is None or field is None:
        return ""
    return f"{value if isinstance(value, str) else f'{float(value):g}'} {field.unit.symbol}".strip()


def _derived(derived: Derived) -> str:
    """A value that is worked out: its formula, and what stands for each of its names."""
    unit = f" in {derived.unit.symbol}" if derived.unit.symbol else ""
    inputs = []
    for name, source in derived.inputs.items():
        owner = f"{source.constant}.{source.field}" if source.constant else source.field
        gain = "" if source.gain == 1 else f" × {source.gain:.10g}"
        zero = "" if source.zero == 0 else f" + {source.zero:.10g}"
        inputs.append(f"{name} = {owner}{gain}{zero}" + (" (read from the node)" if source.constant else ""))
    over = f", the {derived.over_samples} over all samples" if derived.over_samples else ""
    return (
        f"`{derived.name}`{unit}{over} is not sent but worked out: `{' '.join(derived.formula.text.split())}` with "
        f"{_cell(', '.join(inputs))}."
    )


def _span_row(
    first: int, end: int, field: Field | None, begins: tuple[str | None, str | None], there: str, known: list[str]
) -> str:
    """A row of a byte map; reserved bits have one, too."""
    whole = first % 8 == 0 and end % 8 == 0
    where = "" if begins[0] is None or begins[1] is None else begins[0]
    if begins[1] is not None and begins[1] != begins[0]:
        where = f"{begins[0]} to {begins[1]}"
    bits = "" if whole else f"{first % 8} to {first % 8 + end - first - 1}" if end - first > 1 else str(first % 8)
    if field is None:
        return _row(where, bits, "reserved" + there, f"{end - first} bits", "sent as 0, to be ignored", "", "", *known)
    order = ", big-endian" if field.order == "big" and field.bits > 8 else ""
    return _row(
        where,
        bits,
        field.name + there,
        field.type.label(field.bits) + order,
        _meaning(field),
        _limits(field),
        ", ".join(f"{_hex(field, number)}: {why}" for number, why in (field.reserved or {}).items()),
        *known,
    )


def _hex(field: Field, number: int) -> str:
    """A transmitted integer as its bits go over the air."""
    return f"0x{field.type.to_bits(number, field.bits):0{-(-field.bits // 4)}X}"


def _meaning(field: Field) -> str:
    if field.names:
        return ", ".join(f"{number} {name}" for number, name in field.names.items())
    if field.role == "sequence":
        return "counts values, wraps"
    clock = ", the node's clock" if field.role == "node time" else ""
    if field.scale is None:
        return field.unit.symbol
    scale = field.scale
    factor = str(scale.num) if scale.den == 1 else f"{scale.num} / {scale.den}"
    add = f" + {scale.add} / {scale.den}" if scale.add else ""
    text = "raw" if (scale.num, scale.add, scale.den) == (1, 0, 1) else f"raw × {factor}{add}"
    return f"{text} {field.unit.symbol}".rstrip() + clock


def _limits(field: Field) -> str:
    if field.low is None and field.high is None:
        return ""
    low = "" if field.low is None else f"{field.low:g}"
    high = "" if field.high is None else f"{field.high:g}"
    return f"{low} to {high} {field.unit.symbol}".strip()


def _examples(plugin: Plugin, item: Characteristic) -> Iterator[str]:
    yield from ("", "Examples:", "")
    for vector in vectors(item, True, switched(plugin, item))[:_EXAMPLES]:
        readings = item.codec.read(vector.raw)
        shown = ", ".join(_shown(r.name, r.value, r.unit, r.reason) for r in readings)
        yield f"- `{vector.raw.hex(' ') or 'no bytes'}`: {_cell(shown) or 'nothing'}"


def _shown(name: str, value: object, unit: str, reason: str) -> str:
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return f"{name} {reason}" if value is None else f"{name} {text} {unit}".rstrip()
