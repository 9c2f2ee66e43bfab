"""The test vectors as C, with a function that checks them."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plugin.contract.names import RESULTS, constant, generated_line, has_more, identifier, longest, most_bytes
from gateway.plugin.contract.vectors import Vector, vectors
from gateway.plugin.layout.model import Field
from gateway.plugin.model import Characteristic, Plugin


def check(name: str, plugin: Plugin) -> Iterator[str]:
    """Its lines."""
    yield f"/* {generated_line(plugin.kind)}"
    yield f" * {name}_check() returns how many test vectors fail; define {name.upper()}_MAIN to build a program. */"
    yield from (f'#include "{name}.h"', "", "#include <stdio.h>", "#include <string.h>", "")
    yield from (f"int {name}_check(void);", "", f"int {name}_check(void)", "{", "    int failed = 0;")
    sizes = [longest(item.layout, most_bytes(plugin, item)) for item in plugin.characteristics.values()]
    yield f"    uint8_t out[{max([*sizes, 1])}];"
    yield "    size_t length = 0;"
    tested = [
        (item, number, one) for item in plugin.characteristics.values() for number, one in enumerate(vectors(item))
    ]
    for item, number, vector in tested:
        yield from _vector(name, item, number, vector)
    if not tested:
        yield from ("    (void)out;", "    (void)length;")
    yield from ("    return failed;", "}", "", f"#ifdef {name.upper()}_MAIN", "int main(void)", "{")
    yield from (f"    const int failed = {name}_check();", '    printf("%d test vectors failed\\n", failed);')
    yield from ("    return failed != 0;", "}", "#endif")


def _vector(prefix: str, item: Characteristic, number: int, vector: Vector) -> Iterator[str]:
    own, ok = f"{prefix}_{item.name}", f"{prefix.upper()}_{next(iter(RESULTS))}"
    fields = {field.name: field for field in item.layout.fields}
    inner = {field.name: field for field in item.layout.samples.fields} if item.layout.samples else {}
    size = f"{len(vector.raw)}u"
    yield from ("    {", f"        static const uint8_t expected[] = {_bytes(vector.raw)};")
    yield from (f"        struct {own} value, back;", "        memset(&value, 0, sizeof value);")
    for name, value in vector.fields.items():
        yield from _assigned(f"value.{identifier(name)}", fields[name], value)
    for block in item.layout.blocks:
        if block.when is not None and block.when.more and any(field.name in vector.fields for field in block.fields):
            yield f"        value.{has_more(block)} = true;"
    if item.layout.samples is not None:
        yield f"        value.sample_count = {len(vector.samples)}u;"
        for place, sample in enumerate(vector.samples):
            for name, value in sample.items():
                yield from _assigned(f"value.sample[{place}].{identifier(name)}", inner[name], value)
    differs = (
        f"{own}_pack(&{{}}, out, sizeof out, &length) != {ok} || length != {size} || memcmp(out, expected, {size}) != 0"
    )
    yield from (
        f"        if ({differs.format('value')}) {{",
        f'            printf("{own} {number}: packs differently\\n");',
    )
    yield from ("            failed++;", "        }")
    yield f"        if ({own}_unpack(&back, expected, {size}) != {ok} || {differs.format('back')}) {{"
    yield f'            printf("{own} {number}: unpacks differently\\n");'
    yield from ("            failed++;", "        }", "    }")


def _bytes(raw: bytes) -> str:
    """An initialiser; C has no empty ones."""
    return "{ " + (", ".join(f"0x{byte:02X}" for byte in raw) or "0") + " }"


def _assigned(member: str, field: Field, value: int | bytes) -> Iterator[str]:
    if isinstance(value, int):
        yield f"        {member} = {constant(value, field)};"
        return
    yield from ("        {", f"            static const uint8_t part[] = {_bytes(value)};")
    if field.bits:
        yield f"            memcpy({member}, part, sizeof part);"
    else:
        yield from ("            value.tail = part;", f"            value.tail_length = {len(value)}u;")
    yield "        }"
