"""Numbers in text in C: a function that writes the numbers of a message as text, the shortest that reads back the same,
and for text that is separated one that reads them again. JSON (RFC 8259) is written only: reading any object, with
whatever else stands in it, is a library's work."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import comment, refused
from gateway.plugin.model import Characteristic
from gateway.plugin.unpack.numbers import BLANKS, LONGEST_NUMBER, Text


def declared(name: str, item: Characteristic, step: Text) -> Iterator[str]:
    """What stands in the header."""
    own, result = f"{name}_{item.name}", f"enum {name}_result"
    nothing = "null" if step.paths else "nothing"
    yield f"/* {comment(step.text)} */"
    yield f"/* Writes a message, its numbers of 64 bits each, as text; {nothing} for one that is not finite. */"
    yield f"{result} {own}_print(const uint8_t *message, size_t size, uint8_t *out, size_t room, size_t *length);"
    if step.paths:
        yield "/* Reading JSON is left to a library of yours. */"
    else:
        yield "/* Reads the numbers of a value into a message. */"
        yield f"{result} {own}_scan(const uint8_t *in, size_t length, uint8_t *out, size_t room, size_t *size);"


def defined(name: str, item: Characteristic, step: Text) -> Iterator[str]:
    """What stands in the source."""
    yield from ("", *_print(name, item, step))
    if not step.paths:
        yield from ("", *_scan(name, item, step))


def _print(name: str, item: Characteristic, step: Text) -> Iterator[str]:
    own, prefix, head = f"{name}_{item.name}", name.upper(), item.layout.head
    yield f"enum {name}_result {own}_print(const uint8_t *message, size_t size, uint8_t *out, size_t room,"
    yield from ("    size_t *length)", "{")
    pieces, order = _pieces(step)
    listed = ", ".join(f'"{_escaped(piece)}"' for piece in pieces)
    places = ", ".join(map(str, order))
    yield f"    static const char *const between[{len(pieces)}] = {{{listed}}};"
    yield f"    static const size_t order[{step.count}] = {{{places}}};"
    yield from (f"    size_t at = {head};", "    *length = 0;")
    yield from refused(f"size != {head + 8 * step.count}u", f"{prefix}_LENGTH")
    if head:
        yield from refused(f"room < {head}u", f"{prefix}_NO_ROOM")
        yield f"    memcpy(out, message, {head}u);"
    yield f"    for (size_t i = 0; i < {len(pieces)}u; i++) {{"
    yield "        char shown[32];"
    nothing = "null" if step.paths else ""
    yield from refused("!put_text(between[i], out, room, &at)", f"{prefix}_NO_ROOM", "        ")
    yield f"        if (i < {step.count}u) {{"
    yield f'            text_of(get_bytes(message, ({head}u + 8u * order[i]) * 8u, 64u, false), "{nothing}", shown);'
    yield from refused("!put_text(shown, out, room, &at)", f"{prefix}_NO_ROOM", "            ")
    yield from ("        }", "    }", "    *length = at;", f"    return {prefix}_OK;", "}")


def _pieces(step: Text) -> tuple[list[str], list[int]]:
    """What stands before, between and behind the numbers; and which number of the message each is."""
    if not step.paths:
        return ["", *[step.separator] * (step.count - 1), ""], list(range(step.count))
    return step.skeleton


def _scan(name: str, item: Characteristic, step: Text) -> Iterator[str]:
    own, prefix, head = f"{name}_{item.name}", name.upper(), item.layout.head
    between = step.separator.encode()
    bytes_of = ", ".join(f"0x{byte:02X}u" for byte in between)
    yield f"enum {name}_result {own}_scan(const uint8_t *in, size_t length, uint8_t *out, size_t room, size_t *size)"
    yield from ("{", f"    static const uint8_t between[{len(between)}] = {{{bytes_of}}};")
    yield from (f"    struct {own} value;", "    size_t from = 0;", "    size_t count = 0;", "    *size = 0;")
    yield f"    const enum {name}_result found = {own}_unpack(&value, in, length);"
    yield from refused(f"found != {prefix}_OK", "found")
    yield from refused(f"room < {head + 8 * step.count}u", f"{prefix}_NO_ROOM")
    if head:
        yield f"    memcpy(out, in, {head}u);"
    if step.blank:
        yield "    size_t end = value.tail_length;"
        yield from ("    while (end > 0 && is_blank(value.tail[end - 1u])) {", "        end--;", "    }")
        yield from ("    while (from < end && is_blank(value.tail[from])) {", "        from++;", "    }")
    else:
        yield "    const size_t end = value.tail_length;"
    yield from ("    for (size_t i = from; i <= end; i++) {", "        uint64_t number = 0;")
    yield f"        const bool ends = i == end || (end - i >= {len(between)}u &&"
    yield f"            memcmp(value.tail + i, between, {len(between)}u) == 0);"
    yield from ("        if (!ends) {", "            continue;", "        }")
    none = f"count == {step.count}u || !number_of(value.tail + from, i - from, &number)"
    yield from refused(none, f"{prefix}_BROKEN", "        ")
    yield f"        put_bytes(out, ({head}u + 8u * count) * 8u, 64u, number, false);"
    yield from (
        "        count++;",
        f"        i += {len(between) - 1}u;" if len(between) > 1 else "        from = i + 1u;",
    )
    if len(between) > 1:
        yield "        from = i + 1u;"
    yield "    }"
    yield from refused(f"count != {step.count}u", f"{prefix}_BROKEN")
    yield from (f"    *size = {head + 8 * step.count}u;", f"    return {prefix}_OK;", "}")


def _escaped(text: str) -> str:
    """As it stands in a C string; bytes beyond ASCII, and a question mark, which could begin a trigraph, in octal."""
    return "".join(
        chr(byte) if 0x20 <= byte < 0x7F and byte not in b'"\\?' else f"\\{byte:03o}" for byte in text.encode()
    )


HELPERS = f"""
static bool is_blank(uint8_t byte)
{{
    return {" || ".join(f"byte == 0x{byte:02X}u" for byte in BLANKS)};
}}

static bool put_text(const char *text, uint8_t *out, size_t room, size_t *at)
{{
    const size_t size = strlen(text);
    if (room - *at < size) {{
        return false;
    }}
    memcpy(out + *at, text, size);
    *at += size;
    return true;
}}

/* A number of 64 bits in the fewest digits that read back the same; shown has room for 32 characters. */
static void text_of(uint64_t bits, const char *nothing, char *shown)
{{
    double number = 0;
    memcpy(&number, &bits, sizeof number);
    if (((bits >> 52u) & 0x7FFu) == 0x7FFu) {{
        strcpy(shown, nothing);
        return;
    }}
    for (int digits = 1; digits <= 17; digits++) {{
        snprintf(shown, 32, "%.*g", digits, number);
        if (strtod(shown, NULL) == number) {{
            return;
        }}
    }}
}}

/* The number of 64 bits that a text is: digits with a point and an exponent, or nothing, which is no reading. */
static bool number_of(const uint8_t *text, size_t size, uint64_t *bits)
{{
    char held[{LONGEST_NUMBER + 1}];
    size_t at = 0;
    size_t digits = 0;
    double number = 0;
    while (size > 0 && is_blank(text[size - 1u])) {{
        size--;
    }}
    while (size > 0 && is_blank(text[0])) {{
        text++;
        size--;
    }}
    *bits = UINT64_C(0x7FF8000000000000);
    if (size == 0) {{
        return true;
    }}
    if (size > {LONGEST_NUMBER}u) {{
        return false;
    }}
    memcpy(held, text, size);
    held[size] = 0;
    at = held[0] == '+' || held[0] == '-' ? 1u : 0u;
    while (held[at] >= '0' && held[at] <= '9') {{
        at++;
        digits++;
    }}
    if (held[at] == '.') {{
        at++;
        while (held[at] >= '0' && held[at] <= '9') {{
            at++;
            digits++;
        }}
    }}
    if (digits > 0 && (held[at] == 'e' || held[at] == 'E')) {{
        at += held[at + 1u] == '+' || held[at + 1u] == '-' ? 2u : 1u;
        digits = 0;
        while (held[at] >= '0' && held[at] <= '9') {{
            at++;
            digits++;
        }}
    }}
    if (digits == 0 || at != size) {{
        return false;
    }}
    number = strtod(held, NULL);
    memcpy(bits, &number, sizeof number);
    return true;
}}
"""
