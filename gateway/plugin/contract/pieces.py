"""Messages in pieces, in C: a function that cuts the next piece of a message, and one that joins pieces again. Both
stand on the functions that pack and unpack a value of the characteristic."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import identifier, type_of
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.pieces import Pieces


def declared(name: str, item: Characteristic, step: Pieces) -> Iterator[str]:
    """What stands in the header."""
    own, result = f"{name}_{item.name}", f"enum {name}_result"
    yield "/* How far a message has been cut: all zero before the first; before the next, all but values. */"
    yield from (
        f"struct {own}_cutting {{",
        "    size_t sent; /* bytes that earlier pieces took */",
        "    size_t pieces;",
    )
    yield from ("    size_t values; /* of all messages */", "    bool done;", "};")
    yield f"/* Cuts the next piece of a message of at most {step.largest} bytes into a value of at most room bytes;"
    yield " * again until done. */"
    yield f"{result} {own}_cut(struct {own}_cutting *at, const uint8_t *message, size_t size,"
    yield "    uint8_t *out, size_t room, size_t *length);"
    yield "/* A message that is being joined: all zero before the first piece. */"
    yield from (f"struct {own}_joining {{", f"    uint8_t bytes[{step.largest}];", "    size_t size;", "    bool open;")
    yield from ("    bool counted;", "    uint64_t wanted;", "    uint64_t number;", "};")
    yield "/* Joins a value to the message: OK where that is whole now, PIECE where more is to come, BROKEN where"
    yield f" * pieces are missing, doubled or too long. Wait {step.timeout_ns // 10**6} ms at most for the next one. */"
    yield f"{result} {own}_join(struct {own}_joining *at, const uint8_t *in, size_t length);"


def defined(name: str, item: Characteristic, step: Pieces) -> Iterator[str]:
    """What stands in the source."""
    yield from ("", *_cut(name, item, step), "", *_join(name, item, step))


def _cut(name: str, item: Characteristic, step: Pieces) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    yield f"enum {name}_result {own}_cut(struct {own}_cutting *at, const uint8_t *message, size_t size, uint8_t *out,"
    yield "    size_t room, size_t *length)"
    yield from ("{", f"    struct {own} value;", "    size_t head = 0;", "    memset(&value, 0, sizeof value);")
    yield from (f"    if (size > {step.largest}u) {{", f"        return {prefix}_RANGE;", "    }")
    if step.first:
        yield f"    value.{identifier(step.first)} = at->pieces == 0;"
    if step.number and not step.first:  # of which 0 begins another message
        yield from (f"    if (at->pieces > {_mask(step)}) {{", f"        return {prefix}_RANGE;", "    }")
    if step.number:
        yield f"    value.{identifier(step.number)} = ({_type(item, step.number)})(at->pieces & {_mask(step)});"
    if step.length:
        bits = next(field.bits for field in item.layout.fields if field.name == step.length)
        if (1 << bits) - 1 < step.largest:
            yield from (f"    if (size > {(1 << bits) - 1}u) {{", f"        return {prefix}_RANGE;", "    }")
        yield f"    value.{identifier(step.length)} = ({_type(item, step.length)})size;"
    for field in item.layout.fields:
        if field.role == "sequence":
            kind = _type(item, field.name)
            counted = f"(uint64_t)at->values & UINT64_C(0x{(1 << field.bits) - 1:X})"
            yield f"    value.{identifier(field.name)} = ({kind})({counted});"
    yield "    /* as long as it is without any of the message */"
    yield f"    enum {name}_result packed = {own}_pack(&value, out, room, &head);"
    yield from (f"    if (packed != {prefix}_OK) {{", "        return packed;", "    }")
    yield "    const size_t left = size - at->sent;"
    yield "    const size_t piece = left < room - head ? left : room - head;"
    yield from ("    if (piece == 0 && left > 0) {", f"        return {prefix}_NO_ROOM;", "    }")
    if step.last:
        yield f"    value.{identifier(step.last)} = piece == left;"
    if step.more:
        yield f"    value.{identifier(step.more)} = piece != left;"
    yield from ("    value.tail = message + at->sent;", "    value.tail_length = piece;")
    yield f"    packed = {own}_pack(&value, out, room, length);"
    yield from (f"    if (packed == {prefix}_OK) {{", "        at->sent += piece;", "        at->pieces++;")
    yield from ("        at->values++;", "        at->done = at->sent == size;", "    }", "    return packed;", "}")


def _join(name: str, item: Characteristic, step: Pieces) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    broken = ("        at->open = false;", f"        return {prefix}_BROKEN;", "    }")
    yield f"enum {name}_result {own}_join(struct {own}_joining *at, const uint8_t *in, size_t length)"
    yield from (
        "{",
        f"    struct {own} value;",
        f"    const enum {name}_result found = {own}_unpack(&value, in, length);",
    )
    yield from (f"    if (found != {prefix}_OK) {{", "        return found;", "    }")
    begins = "!at->open"
    if step.first:
        begins = f"value.{identifier(step.first)} != 0"
    elif step.number:
        begins = f"value.{identifier(step.number)} == 0"
    yield from (f"    if ({begins}) {{", "        at->size = 0;", "        at->open = true;")
    if step.length:
        yield from ("        at->counted = true;", f"        at->wanted = (uint64_t)value.{identifier(step.length)};")
        yield from ("        if (at->wanted > sizeof at->bytes) {", "            at->open = false;")
        yield from (f"            return {prefix}_BROKEN;", "        }")
    yield from ("    } else if (!at->open) {", f"        return {prefix}_BROKEN;", "    }")
    if step.number:
        yield from (
            "    else {",
            f"        const uint64_t ahead = ((uint64_t)value.{identifier(step.number)} - at->number) & {_mask(step)};",
        )
        yield from (
            "        if (ahead != 1) {",
            "            at->open = ahead == 0; /* one that came twice does no harm */",
        )
        yield from (f"            return {prefix}_BROKEN;", "        }", "    }")
        yield f"    at->number = (uint64_t)value.{identifier(step.number)};"
    yield "    const bool over = at->counted && value.tail_length > at->wanted - at->size;"
    yield from ("    if (over || value.tail_length > sizeof at->bytes - at->size) {", *broken)
    yield from (
        "    if (value.tail_length > 0) {",
        "        memcpy(at->bytes + at->size, value.tail, value.tail_length);",
        "    }",
    )
    yield "    at->size += value.tail_length;"
    marks = [f"value.{identifier(step.last)} == 1"] if step.last else []
    marks += [f"value.{identifier(step.more)} == 0"] if step.more else []
    yield f"    const bool marked = {' || '.join(marks) or 'false'};"
    yield from ("    if (marked && at->counted && at->size < at->wanted) {", *broken)
    yield "    if (!marked && !(at->counted && at->size == at->wanted)) {"
    yield from (f"        return {prefix}_PIECE;", "    }", "    at->open = false;", f"    return {prefix}_OK;", "}")


def _type(item: Characteristic, name: str) -> str:
    return type_of(next(field for field in item.layout.fields if field.name == name))


def _mask(step: Pieces) -> str:
    return f"UINT64_C(0x{(1 << step.bits) - 1:X})"
