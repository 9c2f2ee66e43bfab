"""Byte streams and records in C: functions that code a message, cut the code into values, and take messages out of
values again. They stand on the functions that pack and unpack a value of the characteristic."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import identifier, type_of
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.stream import Ended, Measured

Stream = Ended | Measured


def _head(step: Measured) -> int:
    """Bytes up to the end of the length."""
    return (step.length.bit + step.length.bits) // 8


def _most(step: Stream) -> int:
    """Bytes that must be kept of a message before it is whole."""
    if isinstance(step, Measured):
        return max(step.largest, _head(step))
    coded = {"COBS": step.largest + step.largest // 254 + 1, "SLIP": 2 * step.largest, None: step.largest}[step.coding]
    return coded + len(step.ends) + 1


def declared(name: str, item: Characteristic, step: Stream) -> Iterator[str]:
    """What stands in the header."""
    own, result = f"{name}_{item.name}", f"enum {name}_result"
    whole = isinstance(step, Measured) and not step.across
    how = "Puts its length into" if isinstance(step, Measured) else "Codes"
    end = "" if isinstance(step, Measured) else ", with what ends it"
    yield f"/* {how} a message of at most {step.largest} bytes{end}. */"
    yield f"{result} {own}_code(const uint8_t *message, size_t size, uint8_t *out, size_t room, size_t *length);"
    yield "/* How far a coded message has been cut: all zero before the first; before the next, all but values. */"
    yield from (f"struct {own}_cutting {{", "    size_t sent; /* bytes that earlier values took */")
    yield from ("    size_t values; /* of all messages */", "    bool done;", "};")
    cuts = "Puts all" if whole else "Cuts the next part"
    yield f"/* {cuts} of a coded message into a value of at most room bytes{'' if whole else '; again until done'}. */"
    yield f"{result} {own}_cut(struct {own}_cutting *at, const uint8_t *coded, size_t size, uint8_t *out, size_t room,"
    yield "    size_t *length);"
    yield "/* A message that is being taken: all zero before the first value. */"
    yield from (f"struct {own}_taking {{", f"    uint8_t bytes[{_most(step)}];", "    size_t size;")
    yield from ("    size_t wanted;", "    bool whole;", "    bool skipping;", "};")
    wait = "" if whole else f" Wait {step.timeout_ns // 10**6} ms at most for the next one."
    yield "/* Takes the next message out of a value: OK where bytes holds one, of size bytes; BROKEN where something"
    yield " * was no message, or why the value is none; PIECE once it is used up. Used is 0 before each value; call"
    yield " * again until PIECE."
    yield f" *{wait} */" if wait else " */"
    yield f"{result} {own}_take(struct {own}_taking *at, const uint8_t *in, size_t length, size_t *used);"


def defined(name: str, item: Characteristic, step: Stream) -> Iterator[str]:
    """What stands in the source."""
    code = _code_measured(name, item, step) if isinstance(step, Measured) else _code_ended(name, item, step)
    yield from ("", *code, "", *_cut(name, item, step), "", *_take(name, item, step))


def _code_head(name: str, item: Characteristic) -> Iterator[str]:
    yield f"enum {name}_result {name}_{item.name}_code(const uint8_t *message, size_t size, uint8_t *out, size_t room,"
    yield from ("    size_t *length)", "{", "    *length = 0;")


def _code_ended(name: str, item: Characteristic, step: Ended) -> Iterator[str]:
    prefix, ends = name.upper(), len(step.ends)
    yield from _code_head(name, item)
    yield from (f"    if (size > {step.largest}u) {{", f"        return {prefix}_RANGE;", "    }")
    yield from (f"    if (room < {ends}u) {{", f"        return {prefix}_NO_ROOM;", "    }")
    if step.coding:
        yield f"    const size_t coded = {step.coding.lower()}_encoded(message, size, out, room - {ends}u);"
        none = "coded == 0 && size > 0" if step.coding == "SLIP" else "coded == 0"
        yield from (f"    if ({none}) {{", f"        return {prefix}_NO_ROOM;", "    }")
    else:
        yield from (f"    if (room - {ends}u < size) {{", f"        return {prefix}_NO_ROOM;", "    }")
        yield from ("    if (size > 0) {", "        memcpy(out, message, size);", "    }")
        yield "    const size_t coded = size;"
    for place, byte in enumerate(step.ends):
        yield f"    out[coded + {place}u] = 0x{byte:02X}u;"
    if not step.coding:
        yield "    /* what ends a message may end nowhere else */"
        yield from ("    for (size_t i = 0; i < coded; i++) {", f"        if ({_ends(step, 'out + i')}) {{")
        yield from (f"            return {prefix}_RANGE;", "        }", "    }")
    yield from (f"    *length = coded + {ends}u;", f"    return {prefix}_OK;", "}")


def _ends(step: Ended, place: str) -> str:
    """Whether a delimiter stands at a place."""
    return " && ".join(f"({place})[{at}] == 0x{byte:02X}u" for at, byte in enumerate(step.ends))


def _code_measured(name: str, item: Characteristic, step: Measured) -> Iterator[str]:
    prefix, head, bits = name.upper(), _head(step), step.length.bits
    yield from _code_head(name, item)
    yield f"    const int64_t told = (int64_t)size - {step.adds};"
    most = min((1 << bits) - 1, 1 << 62)
    yield f"    if (size < {head}u || size > {step.largest}u || told < 0 || told > INT64_C({most})) {{"
    yield from (f"        return {prefix}_RANGE;", "    }")
    yield from (
        "    if (room < size) {",
        f"        return {prefix}_NO_ROOM;",
        "    }",
        "    memcpy(out, message, size);",
    )
    big = "true" if step.length.order == "big" else "false"
    yield f"    put_bytes(out, {step.length.bit}u, {bits}u, (uint64_t)told, {big});"
    yield from ("    *length = size;", f"    return {prefix}_OK;", "}")


def _cut(name: str, item: Characteristic, step: Stream) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    yield f"enum {name}_result {own}_cut(struct {own}_cutting *at, const uint8_t *coded, size_t size, uint8_t *out,"
    yield "    size_t room, size_t *length)"
    yield from ("{", f"    struct {own} value;", "    size_t head = 0;", "    memset(&value, 0, sizeof value);")
    for field in item.layout.fields:
        if field.role == "sequence":
            counted = f"(uint64_t)at->values & UINT64_C(0x{(1 << field.bits) - 1:X})"
            yield f"    value.{identifier(field.name)} = ({type_of(field)})({counted});"
    yield "    /* as long as it is without any of the message */"
    yield f"    enum {name}_result packed = {own}_pack(&value, out, room, &head);"
    yield from (f"    if (packed != {prefix}_OK) {{", "        return packed;", "    }")
    yield "    const size_t left = size - at->sent;"
    if isinstance(step, Measured) and not step.across:
        yield from ("    const size_t part = left;", "    if (part > room - head) {")
    else:
        yield "    const size_t part = left < room - head ? left : room - head;"
        yield "    if (part == 0 && left > 0) {"
    yield from (f"        return {prefix}_NO_ROOM;", "    }")
    yield from ("    value.tail = coded + at->sent;", "    value.tail_length = part;")
    yield f"    packed = {own}_pack(&value, out, room, length);"
    yield from (f"    if (packed == {prefix}_OK) {{", "        at->sent += part;", "        at->values++;")
    yield from ("        at->done = at->sent == size;", "    }", "    return packed;", "}")


def _take(name: str, item: Characteristic, step: Stream) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    yield f"enum {name}_result {own}_take(struct {own}_taking *at, const uint8_t *in, size_t length, size_t *used)"
    yield from ("{", f"    struct {own} value;")
    yield f"    const enum {name}_result found = {own}_unpack(&value, in, length);"
    yield from (
        f"    if (found != {prefix}_OK && *used == 0) {{",
        "        *used = length + 1u;",
        "        return found;",
        "    }",
    )
    yield from (f"    if (found != {prefix}_OK) {{", f"        return {prefix}_PIECE;", "    }")
    yield from ("    if (at->whole) {", "        at->size = 0;", "        at->whole = false;", "    }")
    yield from ("    while (*used < value.tail_length) {", "        at->bytes[at->size++] = value.tail[(*used)++];")
    yield from _taken_measured(prefix, step) if isinstance(step, Measured) else _taken_ended(prefix, step)
    yield "    }"
    if isinstance(step, Measured) and not step.across:
        yield from ("    if (at->size > 0) {", "        at->size = 0;", f"        return {prefix}_BROKEN;", "    }")
    yield from (f"    return {prefix}_PIECE;", "}")


def _taken_measured(prefix: str, step: Measured) -> Iterator[str]:
    head, big = _head(step), "true" if step.length.order == "big" else "false"
    told = f"(int64_t)get_bytes(at->bytes, {step.length.bit}u, {step.length.bits}u, {big}) + {step.adds}"
    yield from (f"        if (at->size == {head}u) {{", f"            const int64_t told = {told};")
    yield f"            if (told < {head} || told > {step.largest}) {{"
    yield from ("                at->size = 0;", "                *used = value.tail_length;")
    yield from (
        f"                return {prefix}_BROKEN;",
        "            }",
        "            at->wanted = (size_t)told;",
        "        }",
    )
    yield f"        if (at->size >= {head}u && at->size == at->wanted) {{"
    yield from ("            at->whole = true;", f"            return {prefix}_OK;", "        }")


def _taken_ended(prefix: str, step: Ended) -> Iterator[str]:
    ends = len(step.ends)
    yield f"        if (at->size < {ends}u || !({_ends(step, f'at->bytes + at->size - {ends}u')})) {{"
    yield "            if (at->size == sizeof at->bytes) { /* too long: left out up to where it ends */"
    yield from ("                const bool begins = !at->skipping;", "                at->skipping = true;")
    if ends > 1:
        yield f"                memmove(at->bytes, at->bytes + at->size - {ends - 1}u, {ends - 1}u);"
    yield from (f"                at->size = {ends - 1};", "                if (begins) {")
    yield from (f"                    return {prefix}_BROKEN;", "                }", "            }")
    yield from ("            continue;", "        }", f"        at->size -= {ends}u;")
    yield from ("        if (at->skipping || at->size == 0) {", "            at->skipping = false;")
    yield from ("            at->size = 0;", "            continue;", "        }", "        at->whole = true;")
    if step.coding:
        yield f"        if (!{step.coding.lower()}_decoded(at->bytes, &at->size) || at->size > {step.largest}u) {{"
    else:
        yield f"        if (at->size > {step.largest}u) {{"
    yield from (f"            return {prefix}_BROKEN;", "        }", f"        return {prefix}_OK;")
