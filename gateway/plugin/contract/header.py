"""The header: UUIDs, constants, and a struct of transmitted numbers for each characteristic."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction

from gateway.model.units import parse_unit
from gateway.model.utc import duration_text
from gateway.plugin.contract.names import (
    RESULTS,
    capacity,
    comment,
    constant,
    generated_line,
    has_more,
    identifier,
    longest,
    member_types,
    most_bytes,
    type_of,
    uuid_bytes,
    word,
)
from gateway.plugin.contract.steps import declared as step_in_c
from gateway.plugin.layout.model import Field
from gateway.plugin.model import Characteristic, Plugin

_SCALED_BITS = 32
_SCALED_MOST = 1 << 20  # of numerator and denominator, so that all products fit 64 bits
_ADD_MOST = 1 << 40


class Defines:
    """Macros, each of another name: of two that would be called alike the later gets a number.

    Args:
        kept: names that the source stands on.
    """

    def __init__(self, kept: Iterable[str]) -> None:
        self._used = set(kept)

    def line(self, name: str, value: str, note: str = "", kept: bool = False) -> str:
        """A definition; ``kept`` of one of the names that no other may have."""
        free, number = name, 2
        if kept:
            self._used.discard(name)
        while free in self._used:
            free, number = f"{name}_{number}", number + 1
        self._used.add(free)
        return f"#define {free} {value}" + (f" /* {comment(note)} */" if note else "")


def header(name: str, plugin: Plugin) -> Iterator[str]:
    """Its lines."""
    guard = f"{name.upper()}_H"
    defines = Defines(f"{name}_BYTES_{one}".upper() for one in plugin.characteristics)
    yield f"/* {comment(plugin.title)}."
    yield f" * {generated_line(plugin.kind)} */"
    yield from (f"#ifndef {guard}", f"#define {guard}", "")
    yield from ("#include <stdbool.h>", "#include <stddef.h>", "#include <stdint.h>", "")
    yield from ("#ifdef __cplusplus", 'extern "C" {', "#endif", "")
    yield from (f"enum {name}_result {{",)
    for number, (result, meaning) in enumerate(RESULTS.items()):
        yield f"    {name.upper()}_{result} = {number}, /* {meaning} */"
    yield from ("};", "")
    yield "/* UUIDs in over-the-air order: least significant byte first. */"
    for number, uuid in enumerate(dict.fromkeys(item.service for item in plugin.served.values())):
        yield defines.line(f"{name.upper()}_SERVICE_UUID_{number}", uuid_bytes(uuid), uuid)
    for item in plugin.served.values():
        yield defines.line(f"{name.upper()}_UUID_{item.name.upper()}", uuid_bytes(item.uuid), item.uuid)
    for item in plugin.characteristics.values():
        yield from _declarations(name, item, most_bytes(plugin, item), defines)
    yield from _sensors(name, plugin, defines)
    yield from (
        "",
        "/* Convert a transmitted number to a value in 1/parts of its unit, and a value back to the nearest number;",
        " * halves round to even. Parts: 1 to 1000000; values: at most 2^31 units. */",
        f"int64_t {name}_value(int64_t raw, int64_t num, int64_t add, int64_t den, int64_t parts);",
        f"int64_t {name}_raw(int64_t value, int64_t num, int64_t add, int64_t den, int64_t parts);",
        "",
        "#ifdef __cplusplus",
        "}",
        "#endif",
        "#endif",
    )


def _members(fields: tuple[Field, ...], indent: str, types: Mapping[str, str]) -> Iterator[str]:
    for field in fields:
        unit = f", {field.unit.symbol}" if field.unit.symbol else ""
        if not field.bits:
            continue  # the tail, which is pointed to
        if field.type.textual:
            yield f"{indent}uint8_t {identifier(field.name)}[{field.bits // 8}];"
            continue
        what = field.type.note
        if field.scale is not None:
            add = f" + {field.scale.add}" if field.scale.add else ""
            code, raw = (f"{what}; ", "number") if what else ("", "raw")
            what = f"{code}({field.scale.num} * {raw}{add}) / {field.scale.den}{unit}"
        note = f" /* {comment(what)} */" if what else ""
        yield f"{indent}{types.get(field.name, type_of(field))} {identifier(field.name)};{note}"


def _declarations(name: str, item: Characteristic, most: int, defines: Defines) -> Iterator[str]:
    layout, own = item.layout, f"{name}_{item.name}"
    properties = ", ".join(sorted(item.properties)) or f"a message in {item.within}"
    if item.broadcast is not None:
        properties = f"advertised as {item.broadcast.text}, behind that number"
    yield from ("", f"/* {comment(item.title)}: {properties}; {layout.expected_length}. */")
    yield defines.line(f"{name.upper()}_BYTES_{item.name.upper()}", f"{longest(layout, most)}u", "at most", kept=True)
    alternatives = [field for block in layout.blocks for field in block.fields]
    for field in (*alternatives, *(layout.samples.fields if layout.samples else ())):
        yield from _constants(f"{own}_{field.name}".upper(), field, defines)
    yield f"struct {own} {{"
    members = [f"    bool {has_more(block)};" for block in layout.blocks if block.when is not None and block.when.more]
    members = list(dict.fromkeys(members))  # several blocks may go by one
    members += _members(layout.fields, "    ", member_types(layout))
    if layout.samples is not None:
        members += [f"    size_t sample_count; /* at most {capacity(layout, most)} */", "    struct {"]
        members += list(_members(layout.samples.fields, "        ", {}))
        members.append(f"    }} sample[{capacity(layout, most)}];")
    if layout.tail is not None:
        members += ["    const uint8_t *tail; /* the rest of the value */", "    size_t tail_length;"]
    yield from members or ["    uint8_t nothing; /* all bits are reserved */"]
    yield "};"
    yield "/* Packs a value and sets its length, which is 0 where it is refused. */"
    yield f"enum {name}_result {own}_pack(const struct {own} *value, uint8_t *out, size_t room, size_t *length);"
    yield "/* Unpacks a value. Absent fields are set to zero. */"
    yield f"enum {name}_result {own}_unpack(struct {own} *value, const uint8_t *in, size_t length);"
    yield from step_in_c(name, item)


def _constants(prefix: str, field: Field, defines: Defines) -> Iterator[str]:
    for number, meaning in (field.reserved or {}).items():
        yield defines.line(f"{prefix}_IS_{word(meaning)}", constant(number, field), f"no reading: {meaning}")
    for number, meaning in (field.names or {}).items():
        yield defines.line(f"{prefix}_{word(meaning)}", constant(number, field))
    if field.type.integer:
        for word_, end in (("LOWEST", field.low), ("HIGHEST", field.high), ("DEFAULT", field.default)):
            if end is None or isinstance(end, bytes):
                continue
            try:
                raw = field.type.encode(field, end if isinstance(end, str) else Fraction(str(end)))
            except ValueError:  # a limit beyond what the type holds
                continue
            if isinstance(raw, int):
                yield defines.line(f"{prefix}_{word_}", constant(raw, field))
    if field.scale is not None and _scaled(field):
        yield defines.line(f"{prefix}_NUM", str(field.scale.num))
        yield defines.line(f"{prefix}_ADD", f"INT64_C({field.scale.add})")
        yield defines.line(f"{prefix}_DEN", str(field.scale.den))


def _scaled(field: Field) -> bool:
    """Whether the scaling functions can work with a field without leaving 64 bits."""
    scale = field.scale
    return (
        scale is not None
        and field.bits <= _SCALED_BITS
        and scale.num <= _SCALED_MOST
        and scale.den <= _SCALED_MOST
        and abs(scale.add) <= _ADD_MOST
        and (scale.num, scale.add, scale.den) != (1, 0, 1)
        and max(abs(end * scale.num + scale.add) for end in field.raw_range) // scale.den < 1 << 31
    )


def _sensors(name: str, plugin: Plugin, defines: Defines) -> Iterator[str]:
    for sensor in plugin.sensors.values():
        prefix = f"{name}_sensor_{sensor.name}".upper()
        yield from ("", f"/* Sensor {sensor.name}: values in {sensor.data}. */")
        if sensor.enable is not None:
            field = sensor.enable.field
            yield defines.line(f"{prefix}_ON", constant(sensor.on, field), f"in {sensor.enable.characteristic}")
            yield defines.line(f"{prefix}_OFF", constant(sensor.off, field))
        if sensor.period is not None:
            field = sensor.period.field
            for label, end, limit in zip(
                ("SHORTEST", "LONGEST"), field.raw_range, (field.low, field.high), strict=True
            ):
                raw = _raw(field, Fraction(str(limit))) if limit is not None else end
                yield defines.line(
                    f"{prefix}_PERIOD_{label}", constant(raw, field), f"in {sensor.period.characteristic}"
                )
            if sensor.default_period_ns is not None:
                raw = _raw(field, sensor.default_period_ns * parse_unit("ns").to(field.unit)[0])
                shown = duration_text(sensor.default_period_ns / 1e9)
                yield defines.line(f"{prefix}_PERIOD_DEFAULT", constant(raw, field), shown)


def _raw(field: Field, value: Fraction) -> int:
    return field.scale.invert(value) if field.scale is not None else round(value)
