"""Packed integers in C: a function that lays them out as 32 bits each, behind the fields in front of them, as the
message inside is declared, and one that packs them again."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import identifier, refused, type_of
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.numbers import Integers


def declared(name: str, item: Characteristic, step: Integers) -> Iterator[str]:
    """What stands in the header."""
    own, result = f"{name}_{item.name}", f"enum {name}_result"
    yield "/* Lays a value's packed integers out as a message of 32 bits each, least significant byte first. */"
    yield f"{result} {own}_expand(const uint8_t *in, size_t length, uint8_t *out, size_t room, size_t *size);"
    yield "/* Packs the integers of such a message into a value. */"
    yield f"{result} {own}_compress(const uint8_t *message, size_t size, uint8_t *out, size_t room, size_t *length);"


def defined(name: str, item: Characteristic, step: Integers) -> Iterator[str]:
    """What stands in the source."""
    yield from ("", *_expand(name, item, step), "", *_compress(name, item, step))


def _expand(name: str, item: Characteristic, step: Integers) -> Iterator[str]:
    own, prefix, head = f"{name}_{item.name}", name.upper(), item.layout.head
    yield f"enum {name}_result {own}_expand(const uint8_t *in, size_t length, uint8_t *out, size_t room, size_t *size)"
    yield from ("{", f"    struct {own} value;", f"    size_t at = {head};", "    size_t count = 0;")
    if step.differences:
        yield "    int64_t sum = 0;"
    yield "    *size = 0;"
    yield f"    const enum {name}_result found = {own}_unpack(&value, in, length);"
    yield from refused(f"found != {prefix}_OK", "found")
    if head:
        yield from refused(f"room < {head}u", f"{prefix}_NO_ROOM")
        yield f"    memcpy(out, in, {head}u);"
    wanted = f"(uint64_t)value.{identifier(step.count)}" if step.count is not None else ""
    yield from _fixed(prefix, step, wanted) if step.code == "fixed" else _varints(prefix, step)
    if wanted:
        yield from refused(f"count != {wanted}", f"{prefix}_COUNT")
    yield from ("    *size = at;", f"    return {prefix}_OK;", "}")


def _number(prefix: str, step: Integers) -> Iterator[str]:
    """One number goes out."""
    if step.differences:
        yield from ("        sum += one;", "        one = sum;")
    yield from refused("one < INT32_MIN || one > INT32_MAX", f"{prefix}_RANGE", "        ")
    yield from refused("room - at < 4u", f"{prefix}_NO_ROOM", "        ")
    yield from ("        put_bytes(out, at * 8u, 32u, (uint64_t)one, false);", "        at += 4u;", "        count++;")


def _varints(prefix: str, step: Integers) -> Iterator[str]:
    yield from ("    uint64_t number = 0;", "    unsigned shift = 0;")
    yield from ("    for (size_t i = 0; i < value.tail_length; i++) {", "        const uint8_t byte = value.tail[i];")
    yield from ("        number |= (uint64_t)(byte & 0x7Fu) << shift;", "        shift += 7u;")
    yield from (
        "        if (byte & 0x80u) {",
        "            if (shift > 34u) {",
        f"                return {prefix}_RANGE;",
    )
    yield from ("            }", "            continue;", "        }")
    if step.code == "zigzag":
        yield "        int64_t one = (number & 1u) ? -(int64_t)(number >> 1u) - 1 : (int64_t)(number >> 1u);"
    else:
        yield "        int64_t one = (int64_t)number;"
    yield from _number(prefix, step)
    yield from ("        number = 0;", "        shift = 0;", "    }")
    yield from refused("shift > 0", f"{prefix}_BROKEN")


def _fixed(prefix: str, step: Integers, wanted: str) -> Iterator[str]:
    first, bits, big = step.first_bits or step.bits, step.bits, "true" if step.order == "big" else "false"
    yield "    const size_t total = value.tail_length * 8u;"
    yield f"    size_t most = total >= {first}u ? 1u + (total - {first}u) / {bits}u : 0;"
    if wanted:
        yield from (f"    if (most > {wanted}) {{", f"        most = (size_t){wanted};", "    }")
        behind = f"most > 0 && total - ({first}u + {bits}u * (most - 1u)) >= 8u"
        yield from refused(behind, f"{prefix}_LENGTH")
    yield from ("    size_t bit = 0;", "    for (size_t i = 0; i < most; i++) {")
    signed = step.first_signed if step.first_bits else step.signed
    if (first, signed) == (bits, step.signed):
        yield from _bits(bits, step.signed, big, "        int64_t one = ")
        yield f"        bit += {bits}u;"
    else:
        yield from ("        int64_t one;", "        if (i == 0) {", *_bits(first, signed, big, "            one = "))
        yield from ("        } else {", *_bits(bits, step.signed, big, "            one = "), "        }")
        yield f"        bit += i == 0 ? {first}u : {bits}u;"
    yield from (*_number(prefix, step), "    }")


def _bits(bits: int, signed: bool, big: str, into: str) -> Iterator[str]:
    got = f"get_bits(value.tail, bit, {bits}u, {big})"
    yield f"{into}{f'with_sign({got}, {bits}u)' if signed else f'(int64_t){got}'};"


def _compress(name: str, item: Characteristic, step: Integers) -> Iterator[str]:
    own, prefix, head = f"{name}_{item.name}", name.upper(), item.layout.head
    yield f"enum {name}_result {own}_compress(const uint8_t *message, size_t size, uint8_t *out, size_t room,"
    yield from ("    size_t *length)", "{", f"    struct {own} value;", "    size_t fields = 0;")
    if step.differences:
        yield "    int64_t before = 0;"
    yield "    *length = 0;"
    short = f"size < {head}u || (size - {head}u) % 4u != 0" if head else "size % 4u != 0"
    yield from refused(short, f"{prefix}_LENGTH")
    if head:
        yield from refused(f"room < {head}u", f"{prefix}_NO_ROOM")
    yield f"    enum {name}_result found = {own}_unpack(&value, message, {head}u);"
    yield from refused(f"found != {prefix}_OK", "found")
    yield f"    const size_t count = (size - {head}u) / 4u;"
    if step.count is not None:
        field = next(field for field in item.layout.fields if field.name == step.count)
        yield from refused(f"count > UINT64_C(0x{(1 << field.bits) - 1:X})", f"{prefix}_RANGE")
        yield f"    value.{identifier(field.name)} = ({type_of(field)})count;"
    yield f"    found = {own}_pack(&value, out, {head}u, &fields);"
    yield from refused(f"found != {prefix}_OK", "found")
    yield from _bit_room(prefix, step, head) if step.code == "fixed" else (f"    size_t at = {head};",)
    yield "    for (size_t i = 0; i < count; i++) {"
    yield f"        int64_t one = with_sign(get_bytes(message, ({head}u + 4u * i) * 8u, 32u, false), 32u);"
    if step.differences:
        yield from ("        const int64_t own = one;", "        one -= before;", "        before = own;")
    yield from _put_fixed(prefix, step) if step.code == "fixed" else _put_varint(prefix, step)
    yield "    }"
    yield f"    *length = {'end' if step.code == 'fixed' else 'at'};"
    yield from (f"    return {prefix}_OK;", "}")


def _bit_room(prefix: str, step: Integers, head: int) -> Iterator[str]:
    first, bits = step.first_bits or step.bits, step.bits
    yield f"    const size_t wide = count > 0 ? {first}u + {bits}u * (count - 1u) : 0;"
    yield f"    const size_t end = {head}u + (wide + 7u) / 8u;"
    yield from refused("room < end", f"{prefix}_NO_ROOM")
    yield from (f"    memset(out + {head}, 0, end - {head}u);", f"    size_t bit = {head * 8};")


def _put_fixed(prefix: str, step: Integers) -> Iterator[str]:
    first, big = step.first_bits or step.bits, "true" if step.order == "big" else "false"
    signed = step.first_signed if step.first_bits else step.signed
    if (first, signed) == (step.bits, step.signed):
        yield from _put_bits(prefix, first, signed, big, "        ")
        return
    yield from (
        "        if (i == 0) {",
        *_put_bits(prefix, first, signed, big, "            "),
        "            continue;",
    )
    yield from ("        }", *_put_bits(prefix, step.bits, step.signed, big, "        "))


def _put_bits(prefix: str, bits: int, signed: bool, big: str, indent: str) -> Iterator[str]:
    low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
    yield from refused(f"one < INT64_C({low}) || one > INT64_C({high})", f"{prefix}_RANGE", indent)
    yield f"{indent}put_bits(out, bit, {bits}u, (uint64_t)one, {big});"
    yield f"{indent}bit += {bits}u;"


def _put_varint(prefix: str, step: Integers) -> Iterator[str]:
    if step.code == "zigzag":
        yield "        uint64_t number = one < 0 ? ((uint64_t)(-(one + 1)) << 1u) | 1u : (uint64_t)one << 1u;"
    else:
        yield from refused("one < 0", f"{prefix}_RANGE", "        ")
        yield "        uint64_t number = (uint64_t)one;"
    yield from (
        "        do {",
        "            if (at == room) {",
        f"                return {prefix}_NO_ROOM;",
        "            }",
    )
    yield "            out[at++] = (uint8_t)((number & 0x7Fu) | (number > 0x7Fu ? 0x80u : 0u));"
    yield from ("            number >>= 7u;", "        } while (number > 0);")
