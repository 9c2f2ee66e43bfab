"""Encrypted values in C: a function that opens the content of a value and one that encrypts it, standing on AES for one
block, which the caller gives: a chip has it in hardware, a phone in a library. Formats: RFC 3610, NIST SP 800-38A and
800-38D."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import comment, refused
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.sealed import Sealed

_BLOCK = "void (*block)(const void *key, const uint8_t *in, uint8_t *out), const void *key"


def _opens(name: str, item: Characteristic) -> tuple[str, str]:
    own = f"{name}_{item.name}"
    return (
        f"enum {name}_result {own}_open(const uint8_t *in, size_t length, {_BLOCK},",
        "    uint8_t *out, size_t room, size_t *size)",
    )


def _seals(name: str, item: Characteristic) -> tuple[str, str]:
    own = f"{name}_{item.name}"
    return (
        f"enum {name}_result {own}_seal(struct {own} *value, uint8_t *content, size_t size,",
        f"    {_BLOCK}, uint8_t *out, size_t room, size_t *length)",
    )


def declared(name: str, item: Characteristic, step: Sealed) -> Iterator[str]:
    """What stands in the header."""
    broken = f" {name.upper()}_BROKEN: it was not encrypted so, or was changed." if step.tag else ""
    yield f"/* {comment(step.text)} Block encrypts 16 bytes with AES; in and out are never the same. */"
    yield f"/* Decrypts what is in a value.{broken} */"
    first, last = _opens(name, item)
    yield from (first, f"{last};")
    behind = f", with room for {step.tag} bytes behind it" if step.tag else ""
    yield f"/* Encrypts content where it is{behind}, and packs it behind the fields of value. The"
    yield " * nonce may never come twice with one key. */"
    first, last = _seals(name, item)
    yield from (first, f"{last};")


def defined(name: str, item: Characteristic, step: Sealed) -> Iterator[str]:
    """What stands in the source."""
    yield from ("", *_open(name, item, step), "", *_seal(name, item, step))


def _open(name: str, item: Characteristic, step: Sealed) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    yield from (*_opens(name, item), "{", f"    struct {own} value;", "    *size = 0;")
    yield f"    const enum {name}_result found = {own}_unpack(&value, in, length);"
    yield from refused(f"found != {prefix}_OK", "found")
    if step.tag:
        yield from refused(f"value.tail_length < {step.tag}u", f"{prefix}_BROKEN")
    yield (
        f"    const size_t text = value.tail_length - {step.tag}u;"
        if step.tag
        else ("    const size_t text = value.tail_length;")
    )
    yield from refused("room < text", f"{prefix}_NO_ROOM")
    yield from _begin(step, "in")
    if step.mode == "AES-GCM":
        yield from _tag(step, "value.tail", "text")
    yield f"    ctr_code(block, key, counter, {_wide(step)}u, value.tail, text, out);"
    if step.mode == "AES-CCM":
        yield from _tag(step, "out", "text")
    if step.tag:
        yield from ("    uint8_t differs = 0;", f"    for (size_t i = 0; i < {step.tag}u; i++) {{")
        yield from ("        differs = (uint8_t)(differs | (tag[i] ^ value.tail[text + i]));", "    }")
        yield from (
            "    if (differs != 0) {",
            "        if (text > 0) {",
            "            memset(out, 0, text);",
            "        }",
        )
        yield from (f"        return {prefix}_BROKEN;", "    }")
    yield from ("    *size = text;", f"    return {prefix}_OK;", "}")


def _seal(name: str, item: Characteristic, step: Sealed) -> Iterator[str]:
    own, prefix = f"{name}_{item.name}", name.upper()
    yield from (*_seals(name, item), "{", "    value->tail = content;", "    value->tail_length = 0;")
    yield f"    const enum {name}_result found = {own}_pack(value, out, room, length);"
    yield from refused(f"found != {prefix}_OK", "found")
    if step.tag:
        yield from refused(f"room - *length < {step.tag}u || room - *length - {step.tag}u < size", f"{prefix}_NO_ROOM")
    else:
        yield from refused("room - *length < size", f"{prefix}_NO_ROOM")
    yield from _begin(step, "out")
    if step.mode == "AES-CCM":
        yield from _tag(step, "content", "size")
    yield f"    ctr_code(block, key, counter, {_wide(step)}u, content, size, content);"
    if step.mode == "AES-GCM":
        yield from _tag(step, "content", "size")
    if step.tag:
        yield f"    memcpy(content + size, tag, {step.tag}u);"
    yield f"    value->tail_length = size + {step.tag}u;" if step.tag else "    value->tail_length = size;"
    yield from (f"    return {own}_pack(value, out, room, length);", "}")


def _wide(step: Sealed) -> int:
    """Bytes of the counter that count."""
    return {"AES-CTR": 16, "AES-GCM": 4, "AES-CCM": 15 - _size(step, step.nonce)}[step.mode]


def _size(step: Sealed, parts: tuple[bytes | str, ...]) -> int:
    return sum(len(part) if isinstance(part, bytes) else step.place(part)[1] for part in parts)


def _begin(step: Sealed, raw: str) -> Iterator[str]:
    """Nonce, what is authenticated beside the content, and the counter of the first block of the content."""
    size = _size(step, step.nonce)
    yield from _put_together(step, "nonce", step.nonce, raw)
    if step.associated:
        yield from _put_together(step, "beside", step.associated, raw)
    yield "    uint8_t counter[16];"
    if step.mode == "AES-CTR":
        yield "    memcpy(counter, nonce, 16u);"
    elif step.mode == "AES-CCM":
        yield from ("    memset(counter, 0, 16u);", f"    counter[0] = {14 - size}u;")
        yield from (f"    memcpy(counter + 1, nonce, {size}u);", "    counter[15] = 1u;")
    else:
        yield f"    gcm_counter(block, key, nonce, {size}u, counter);"
        yield "    count_up(counter, 4u);"


def _put_together(step: Sealed, what: str, parts: tuple[bytes | str, ...], raw: str) -> Iterator[str]:
    yield f"    uint8_t {what}[{_size(step, parts)}];"
    at = 0
    for part in parts:
        if isinstance(part, bytes):
            for place, byte in enumerate(part, at):
                yield f"    {what}[{place}] = 0x{byte:02X}u;"
            at += len(part)
        else:
            begins, size = step.place(part)
            yield f"    memcpy({what} + {at}, {raw} + {begins}, {size}u);"
            at += size


def _tag(step: Sealed, text: str, size: str) -> Iterator[str]:
    beside = f"beside, {_size(step, step.associated)}u" if step.associated else "NULL, 0"
    nonce = f"nonce, {_size(step, step.nonce)}u"
    yield "    uint8_t tag[16];"
    if step.mode == "AES-CCM":
        yield f"    ccm_tag(block, key, {nonce}, {beside}, {text}, {size}, {step.tag}u, tag);"
    else:
        yield f"    gcm_tag(block, key, {nonce}, {beside}, {text}, {size}, tag);"
