"""The source: functions that pack and unpack a value a byte at a time, and scale it in integers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from gateway.plugin.contract.helpers import helpers
from gateway.plugin.contract.names import (
    RESULTS,
    capacity,
    constant,
    generated_line,
    has_more,
    identifier,
    member_types,
    most_bytes,
    refused,
    type_of,
)
from gateway.plugin.contract.steps import defined as step_in_c
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.checksum import Checksum
from gateway.plugin.layout.model import Block, Condition, Field, Layout, Samples
from gateway.plugin.model import Characteristic, Plugin


def source(name: str, plugin: Plugin) -> Iterator[str]:
    """Its lines."""
    yield f"/* {generated_line(plugin.kind)} */"
    body = [
        line for item in plugin.characteristics.values() for line in _functions(name, item, most_bytes(plugin, item))
    ]
    used = "\n\n".join(helpers("\n".join(body)))
    headers = ("limits", "stdio", "stdlib", "string") if "snprintf(" in used else ("limits", "string")
    yield from (f'#include "{name}.h"', "", *(f"#include <{one}.h>" for one in headers))
    yield from (
        "",
        "#if defined(__cplusplus)",
        "#define CHECKED(name, what) static_assert(what, #name)",
        "#elif defined(__STDC_VERSION__) && __STDC_VERSION__ >= 201112L",
        "#define CHECKED(name, what) _Static_assert(what, #name)",
        "#else",
        "#define CHECKED(name, what) typedef char checked_##name[(what) ? 1 : -1]",
        "#endif",
        "CHECKED(bytes_of_8_bits, CHAR_BIT == 8);",
    )
    for item in plugin.characteristics.values():
        bytes_of, layout = f"{name}_BYTES_{item.name}".upper(), item.layout
        if layout.tail is None and (layout.samples is None or layout.samples.at is None):
            parts = [str(block.size) for block in layout.blocks]
            if layout.samples is not None:
                parts.append(f"{capacity(layout, most_bytes(plugin, item))} * {layout.samples.size}")
            parts += [str(layout.behind)] if layout.behind else []
            yield f"CHECKED({name}_{item.name}_size, {bytes_of} == {' + '.join(parts) or 0});"
    yield from ("", *used.split("\n"))
    yield from body
    yield from (
        "",
        f"int64_t {name}_value(int64_t raw, int64_t num, int64_t add, int64_t den, int64_t parts)",
        "{",
        "    /* whole units first, so that the rest times the parts fits */",
        "    const int64_t top = raw * num + add;",
        "    return (top / den) * parts + nearest((top % den) * parts, den);",
        "}",
        "",
        f"int64_t {name}_raw(int64_t value, int64_t num, int64_t add, int64_t den, int64_t parts)",
        "{",
        "    /* num * raw = value * den / parts - add; whole units first again */",
        "    const int64_t whole = value / parts;",
        "    const int64_t rest = value % parts;",
        "    const int64_t top = (whole * den - add) / num;",
        "    const int64_t left = (whole * den - add) % num;",
        "    return top + nearest(left * parts + rest * den, num * parts);",
        "}",
    )


def _functions(name: str, item: Characteristic, most: int) -> Iterator[str]:
    says = _Results(name.upper())
    yield from ("", *_pack(name, item, says, most), "", *_unpack(name, item, says, most))
    yield from step_in_c(name, item)


def _pack(name: str, item: Characteristic, says: _Results, most: int) -> Iterator[str]:
    own, layout = f"{name}_{item.name}", item.layout

    types = member_types(layout)

    def put(field: Field, member: str) -> Iterator[str]:
        inner = member.startswith("value->sample[")
        return _put(field, member, says.range, None if inner else types.get(field.name))

    yield f"enum {name}_result {own}_pack(const struct {own} *value, uint8_t *out, size_t room, size_t *length)"
    yield from ("{", "    size_t at = 0;", "    *length = 0;")
    if layout.samples is not None:
        yield from _negative(layout.samples, says.count)
        yield f"    const size_t count = {_count(layout.samples)};"
        yield from refused(f"count > {capacity(layout, most)}u || value->sample_count != count", says.count)
    if not layout.fields and layout.samples is None:
        yield "    (void)value;"
    for block in layout.blocks:
        yield from _block(block, layout, "room", says.room, put)
    if layout.samples is not None:
        size = layout.samples.size
        if layout.samples.at is not None:
            yield from _begins(layout.samples.at, "room", says.count, says.room)
            yield from ("    memset(out + at, 0, begins - at);", "    at = begins;")
        yield from refused(f"room - at < count * {size}u", says.room)
        yield f"    memset(out + at, 0, count * {size}u);"
        yield from _samples(layout.samples, put)
    if layout.tail is not None:
        yield from refused("room - at < value->tail_length", says.room)
        yield from ("    if (value->tail_length > 0) {", "        memcpy(out + at, value->tail, value->tail_length);")
        yield from ("    }", "    at += value->tail_length;")
    if layout.message is not None:
        yield f"    out[{layout.message.at}] = 0x{layout.message.number:02X}u;"
    if layout.check is not None:
        yield from refused(f"room - at < {layout.behind}u", says.room)
        big = "true" if layout.check.order == "big" else "false"
        yield f"    put_bytes(out, at * 8u, {8 * layout.behind}u, {_checksum(layout.check, 'out', 'at')}, {big});"
        yield f"    at += {layout.behind}u;"
    yield from ("    *length = at;", f"    return {says.ok};", "}")


def _unpack(name: str, item: Characteristic, says: _Results, most: int) -> Iterator[str]:
    own, layout = f"{name}_{item.name}", item.layout
    yield f"enum {name}_result {own}_unpack(struct {own} *value, const uint8_t *in, size_t length)"
    yield from ("{", "    size_t at = 0;", "    memset(value, 0, sizeof *value);")
    if not layout.fields and layout.samples is None and layout.check is None and layout.message is None:
        yield "    (void)in;"
    if layout.check is not None:
        yield from refused(f"length < {layout.behind + layout.check.first}u", says.length)
        big = "true" if layout.check.order == "big" else "false"
        yield f"    const size_t end = length - {layout.behind}u;"
        told = f"get_bytes(in, end * 8u, {8 * layout.behind}u, {big})"
        yield from refused(f"{told} != {_checksum(layout.check, 'in', 'end')}", says.checksum)
    else:
        yield "    const size_t end = length;"
    if layout.message is not None:
        at = layout.message.at
        yield from refused(f"end > {at}u && in[{at}] != 0x{layout.message.number:02X}u", says.message)
    for block in layout.blocks:
        yield from _block(block, layout, "end", says.length, _get)
    if layout.samples is not None:
        size = layout.samples.size
        rest = f"(end - at) / {size}u"
        if layout.samples.at is not None:
            yield from _begins(layout.samples.at, "end", says.length, says.length)
            yield "    at = begins;"
        yield from _negative(layout.samples, says.length)
        yield f"    const size_t count = {rest if layout.samples.count is None else _count(layout.samples)};"
        yield from refused(f"count > {capacity(layout, most)}u", says.count)
        yield from refused(f"end - at != count * {size}u", says.length)
        yield "    value->sample_count = count;"
        yield from _samples(layout.samples, _get)
    if layout.tail is not None:
        yield from ("    value->tail = in + at;", "    value->tail_length = end - at;", f"    return {says.ok};", "}")
    else:
        yield from (f"    return at == end ? {says.ok} : {says.length};", "}")


class _Results:
    """The names of what packing and unpacking answer."""

    def __init__(self, prefix: str) -> None:
        names = [f"{prefix}_{word}" for word in RESULTS]
        self.ok, self.room, self.length, self.count, self.range, self.message, self.checksum, *_ = names


def _checksum(check: Checksum, place: str, end: str) -> str:
    """What works out a checksum of the bytes up to an index, in C."""
    covered = f"{place} + {check.first}u, {end} - {check.first}u" if check.first else f"{place}, {end}"
    if check.kind == "crc":
        numbers = [f"UINT64_C(0x{number:X})" for number in (check.poly, check.init, check.xorout)]
        flags = ["true" if flag else "false" for flag in (check.refin, check.refout)]
        return f"crc_of({covered}, {check.width}u, {numbers[0]}, {numbers[1]}, {', '.join(flags)}, {numbers[2]})"
    if check.kind == "xor":
        return f"xor_of({covered})"
    mask = f"UINT64_C(0x{(1 << check.width) - 1:X})"
    return f"(({'UINT64_C(0) - ' if check.negated else ''}sum_of({covered})) & {mask})"


def _samples(group: Samples, each: Callable[[Field, str], Iterable[str]]) -> Iterator[str]:
    yield "    for (size_t i = 0; i < count; i++) {"
    for field in group.fields:
        yield from (f"        {line}" for line in each(field, f"value->sample[i].{identifier(field.name)}"))
    yield from (f"        at += {group.size}u;", "    }")


def _negative(group: Samples, answer: str) -> Iterator[str]:
    """Refuse a count below zero, where it can be."""
    if isinstance(group.count, Arithmetic) and group.count.low < 0:
        yield from refused(f"{group.count.in_c(_member)} < 0", answer)


def _begins(at: Arithmetic, end: str, before: str, beyond: str) -> Iterator[str]:
    """Where samples begin by the value itself; refused before the end of the fields and beyond the value."""
    yield f"    const int64_t said = {at.in_c(_member)};"
    yield from refused("said < (int64_t)at", before)
    yield "    const size_t begins = (size_t)said;"
    yield from refused(f"begins > {end}", beyond)


def _count(group: Samples) -> str:
    if isinstance(group.count, int):
        return f"{group.count}u"
    return "value->sample_count" if group.count is None else f"(size_t){group.count.in_c(_member)}"


def _member(name: str) -> str:
    return f"value->{identifier(name)}"


def _shown(block: Block, layout: Layout, goes_on: str) -> str:
    """The condition of a block, "" for none; a field that is absent meets none, so that its own block's condition comes
    too. ``goes_on`` tells in C whether a value does that has an end of its own choice."""
    if block.when is None:
        return ""
    shown = [_condition(one, layout, goes_on) for one in block.when.conditions]
    return " && ".join([*shown, *([goes_on] if block.when.more else [])])


def _condition(one: Condition, layout: Layout, goes_on: str) -> str:
    keys = [field for field in layout.fields if field.name in one.value.fields]
    if one.value.text in one.value.fields and keys[0].raw_range[0] <= one.number <= keys[0].raw_range[1]:
        own = f"value->{identifier(keys[0].name)} {one.test} {constant(one.number, keys[0])}"
    else:
        own = f"{one.value.in_c(_member)} {one.test} INT64_C({one.number})"
    needed = []
    for key in keys:
        homes = [other for other in layout.blocks if key.name in {field.name for field in other.fields}]
        outer = [_shown(home, layout, goes_on) for home in homes]
        if all(outer):
            needed.append(f"({' || '.join(f'({text})' if '&&' in text else text for text in outer)})")
    return " && ".join([*needed, own])


def _block(
    block: Block, layout: Layout, end: str, answer: str, each: Callable[[Field, str], Iterable[str]]
) -> Iterator[str]:
    packs = end == "room"
    mark = f"value->{has_more(block)}"
    indent, condition = "    ", _shown(block, layout, mark if packs else "at < end")
    if not block.size:
        return
    if condition:
        yield f"    if ({condition}) {{"
        indent = "        "
    yield from (f"{indent}if ({end} - at < {block.size}u) {{", f"{indent}    return {answer};", f"{indent}}}")
    if packs:
        yield f"{indent}memset(out + at, 0, {block.size}u);"
    elif block.when is not None and block.when.more:
        yield f"{indent}{mark} = true;"
    for field in block.fields:
        yield from (indent + line for line in each(field, f"value->{identifier(field.name)}"))
    yield f"{indent}at += {block.size}u;"
    if condition:
        yield "    }"


def _way(field: Field) -> str:
    return "bytes" if field.bit % 8 == 0 and field.bits % 8 == 0 else "bits"


def _put(field: Field, member: str, refusal: str, wide: str | None) -> Iterator[str]:
    if field.type.textual:
        yield f"memcpy(out + at + {field.bit // 8}u, {member}, {field.bits // 8}u);"
        return
    if (beyond := _beyond(field, member, wide)) != "":
        yield from (f"if ({beyond}) {{", f"    return {refusal};", "}")
    big = "true" if field.order == "big" else "false"
    yield f"put_{_way(field)}(out, at * 8u + {field.bit}u, {field.bits}u, (uint64_t){member}, {big});"


def _beyond(field: Field, member: str, wide: str | None) -> str:
    """When a number does not fit its bits; "" where its type can't hold one that does not. ``wide`` is the type of a
    member that stands for other fields too."""
    if wide not in (None, type_of(field)):
        low, high = field.type.raw_range(field.bits) if field.type.integer else (0, (1 << field.bits) - 1)
        if wide == "uint64_t":
            return f"{member} > UINT64_C({high})"
        return f"{member} < INT64_C({low}) || {member} > INT64_C({high})" if wide[0] == "i" else f"{member} > {high}u"
    if type_of(field).strip("uint_") == str(field.bits):
        return ""
    low, high = field.type.raw_range(field.bits) if field.type.integer else (0, (1 << field.bits) - 1)
    above = f"{member} > {constant(high, field)}"
    return f"{member} < {constant(low, field)} || {above}" if low < 0 else above


def _get(field: Field, member: str) -> Iterator[str]:
    if field.type.textual:
        yield f"memcpy({member}, in + at + {field.bit // 8}u, {field.bits // 8}u);"
        return
    big = "true" if field.order == "big" else "false"
    got = f"get_{_way(field)}(in, at * 8u + {field.bit}u, {field.bits}u, {big})"
    if field.type.signed:
        got = f"with_sign({got}, {field.bits}u)"
    yield f"{member} = ({type_of(field)}){got};"
