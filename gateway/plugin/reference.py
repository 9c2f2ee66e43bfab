"""The reference page of the plugin format, made from the models that read it, so that the two can't differ.
``python -m gateway.plugin.reference`` prints it; a test holds ``plugins/README.md`` to it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from enum import StrEnum
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from gateway.energy.shape import (
    BusShape,
    CellShape,
    EnergyShape,
    NumberShape,
    PhaseShape,
    RadioShape,
    RegulatorShape,
    SensorEnergyShape,
)
from gateway.plugin.layout.checksum import CATALOGUE
from gateway.plugin.layout.formula import FUNCTIONS, MAX_DEPTH, MAX_TEXT
from gateway.plugin.layout.shape import CheckDecl, CrcDecl, FieldDecl, SamplesDecl
from gateway.plugin.layout.types import TYPES
from gateway.plugin.shape import (
    AdvertisingShape,
    BoundShape,
    CharacteristicShape,
    ConstantShape,
    DerivedShape,
    EnableShape,
    HeadShape,
    PeriodShape,
    ProcedureShape,
    SensorShape,
)
from gateway.plugin.standard.adopted import adopted_rows
from gateway.plugin.unpack import UnpackDecl

_INTRODUCTION = """\
# The plugin format

Generated from the models that read it; do not edit by hand (see DEVELOPERS.md). A plugin is a folder with a
`plugin.toml`, which declares one kind of node, and a folder `streams` with recorded bytes and what they must decode
to. It is data: loading one runs no code. `gattest new plugin NAME` creates one to start from, `gattest check` validates
it, and the plugins in this folder are examples, all invented.
"""
_TABLES: tuple[tuple[str, str, type[BaseModel]], ...] = (
    ("`[plugin]`", "Which kind of node this is.", HeadShape),
    (
        "`[characteristic.NAME]`",
        "One characteristic; a channel of the log if it carries values.",
        CharacteristicShape,
    ),
    ("A line of `fields`", "One quantity; written `{ name = …, type = …, … }`.", FieldDecl),
    ("`samples`", "Several samples in one value, after its fields.", SamplesDecl),
    (
        "`check`",
        'A checksum behind the fields, such as `check = { crc = "CRC-16/KERMIT" }`; simulated nodes send right ones. '
        f"Named CRCs: {', '.join(CATALOGUE)}.",
        CheckDecl,
    ),
    ("`crc` by its parameters", "As catalogues of CRCs have them.", CrcDecl),
    (
        "`unpack`",
        "Where values carry messages in a form of their own; the raw bytes of both are kept, each message with the "
        "frames it came in.",
        UnpackDecl,
    ),
    ("`[sensor.NAME]`", "What can be switched, and its period set, on its own.", SensorShape),
    ("`enable` of a sensor", "", EnableShape),
    ("`period` of a sensor", "", PeriodShape),
    ("`[constant.NAME]`", "Coefficients stored in each individual node.", ConstantShape),
    ("`[derived.NAME]`", "A value calculated from the fields of one characteristic, and constants.", DerivedShape),
    (
        "`[procedure.NAME]`",
        "A procedure of a control point: an opcode is written, and an answer comes. A run file says when it is carried "
        "out; `gattest exercise` tries each.",
        ProcedureShape,
    ),
    ("`[advertising]`", "What the node advertises; `gattest audit` checks it.", AdvertisingShape),
    (
        "`[energy]`",
        "What the node draws, for `gattest lifetime` and `gattest plan`; or a file of its own.",
        EnergyShape,
    ),
    ("A number of `[energy]`", '`"5.9 mA"`, or `{ value = …, source = … }`.', NumberShape),
    ("A phase of `[energy]`", 'Such as `{ current = "350 µA", time = "8 ms" }`.', PhaseShape),
    ("`[energy.radio]`", "", RadioShape),
    ("`[energy.sensor.NAME]`", "", SensorEnergyShape),
    ("`[energy.bus]`", "", BusShape),
    ("`[energy.regulator]`", "", RegulatorShape),
    ("`[energy.cell]`", "", CellShape),
    (
        "A figure of `[spec.CHANNEL]`, `[spec.CHANNEL.FIELD]` or `[spec.link]`",
        "Requirements on every node of this kind, unless a run file overrides them; configs/README.md has the figures.",
        BoundShape,
    ),
)
_TYPES = """\
## Types

Names are those of the GATT Specification Supplement. Fields follow each other without gaps, from bit 0 of the
first byte in a little-endian value, from bit 7 in a big-endian one.

| type | what it holds |
|---|---|
"""
_WAYS = """\
## What firmware does, and how it is written

| firmware | plugin |
|---|---|
| packs fields of 4, 10 or 12 bits | `uint4`, `uint10`, `sint12`, in order; what is left over is `{ rfu = N }` |
| sends fixed-point numbers, Qm.n | `type = "sint16", lsb = "2**-n V"` |
| sends a code for "no reading" | `reserved = { 0x8000 = "not known" }` |
| says by flags what else is there | `when = "flag"`, `when = "message == 2"` |
| may or may not append fields | `when = "more"` |
| says by a number what else is there | `when = "flags & 0x07 == 2"`, `when = "size > 4"` |
| sends several samples in one value | `samples = { every = "10 ms", fields = [...] }`, with `count` or to the end |
| counts samples by a product | `samples = { count = "rows * columns", fields = [...] }` |
| begins samples where a field says | `samples = { at = "header + 2", fields = [...] }` |
| stamps each sample, behind a base | `role = "node time"` in front, `role = "sample time"` in `samples` |
| sends bands, cells or channels | `each = 8`, or `each = ["410", "440"]` |
| sends several messages on one characteristic | `message = 1` in each, with the same `uuid` |
| ends values with a CRC or a sum | `check = { crc = "CRC-16/KERMIT" }` |
| appends a check of its own | `check = { sum = 8, negated = true }`, or `crc` by its parameters |
| splits a message over values | `unpack = { by = "pieces", first = "first", last = "last", number = "place" }` |
| puts the length in front of a message | `unpack = { by = "length", length = "uint16", adds = 2 }` |
| sends lines of text | `unpack = { by = "delimiter", ends = "0d0a" }`, then `{ by = "text", separator = "," }` |
| frames messages by COBS or SLIP | `unpack = { by = "delimiter", coding = "COBS" }` |
| sends JSON | `unpack = { by = "text", json_paths = ["t", "battery.v"] }` |
| sends type, length, value | `unpack = { by = "records", length = "uint8", at = 1, adds = 2 }`, `message = TYPE` |
| sends differences | `unpack = { by = "integers", code = "sint6", first_type = "sint16", differences = true }` |
| sends variable-length integers | `unpack = { by = "integers", code = "LEB128" }`, or `"zigzag"` for signed ones |
| encrypts what it sends | `unpack = { by = "cipher", mode = "AES-CCM", key_env = "NAME", nonce = [...] }` |
| advertises its values | `company = 0xFFFF` or `service_data = "0x181A"`, in place of `uuid` and `service` |
| takes commands at a control point | `[procedure.NAME]` with `write`, `opcode`, `answer` and `result` |
| keeps records until they are asked for | `sends = "CHANNEL"` in a procedure, `counts` and `clears` in others |
| counts its values | `role = "sequence"`, so that loss is exact |
| stamps its values | `role = "node time"`, so that its clock and restarts show |
| keeps values while nobody listens | `stores = 500` |
| takes a while to take a setting | `settles = "500 ms"` |
| wants its clock set | `epoch = "2000-01-01"`, and `"now"` in the run file |
| holds its calibration | `[constant.NAME]`, and `[derived.NAME]` with a formula |
| asks for pairing | `security = "encrypted"` or `"authenticated"` under `[plugin]` |
"""
_UNITS = """\
## Units

Spelled out where a short form is ambiguous: `g_0` for gravity and `gram` for mass but not `g`, `percent` but not
`RH`, `degC` but not `C`. Powers and fractions are written `m/s**2` and `1/K`. An LSB, its `unit`, `offset` and
`limits` must share a dimension; so must an input of a formula and the unit given for it.
"""


def _written(annotation: Any) -> str:
    """A type as its author writes it in TOML."""
    if get_origin(annotation) is Literal:
        return ", ".join(f'`"{value}"`' for value in get_args(annotation))
    if isinstance(annotation, type) and issubclass(annotation, StrEnum):
        return ", ".join(f'`"{value}"`' for value in annotation)
    names = {str: "text", int: "integer", float: "number", bool: "boolean", FieldDecl: "line", dict: "table"}
    if annotation in names:
        return names[annotation]
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "table"
    inner = [
        _written(part) for part in get_args(annotation) if part is not type(None) and not isinstance(part, FieldInfo)
    ]
    if get_origin(annotation) is list:
        return f"list of {inner[0]}"
    if get_origin(annotation) is dict:
        return f"table of {inner[1]}"
    return " or ".join(dict.fromkeys(inner))


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "required"
    return (
        ""
        if isinstance(info.default, BaseModel) or info.default in (None, "", [], {})
        else f"`{info.default!r}`".replace("'", '"')
    )


def _table(model: type[BaseModel]) -> Iterator[str]:
    yield "| key | value | default | meaning |"
    yield "|---|---|---|---|"
    for key, info in model.model_fields.items():
        meaning = " ".join((info.description or "").split())
        yield f"| `{key}` | {_written(info.annotation)} | {_default(info)} | {meaning} |"


def _formulas() -> Iterator[str]:
    yield "## Formulas\n"
    yield "Numbers, the declared inputs, `+ - * / **`, parentheses, the comparisons `< <= > >= == !=` of two values"
    yield "(1 if true, 0 if not), and the functions below. If there is no result (division by zero, the"
    yield "logarithm of a negative number, an input without a reading) there is no value, and that is counted. At most"
    yield f"{MAX_TEXT} characters, nested at most {MAX_DEPTH} deep.\n"
    yield "| function | arguments | gives |"
    yield "|---|---|---|"
    for name, (fewest, most, _, gives) in FUNCTIONS.items():
        yield f"| `{name}` | {fewest if fewest == most else f'{fewest} to {most}'} | {gives} |"


def _adopted() -> Iterator[str]:
    yield "## Adopted characteristics\n"
    yield 'Of these the number is enough, `uuid = "0x2A6E"`, and no fields are declared; `gattest decode adopted NAME'
    yield "BYTES` decodes one. Where a node matters to you, read the GATT Specification Supplement.\n"
    yield "| number | name | fields, with their units |"
    yield "|---|---|---|"
    for number, name, fields in adopted_rows():
        yield f"| `{number}` | {name} | {fields} |"


# a line of fields, how it is told, what to write instead
MISTAKES = (
    (
        '{ name = "t", type = "sint16", lsb = "0.01", limits = ["0 degC", "50 degC"] }',
        "degC is temperature, a plain number is plain number",
        '`lsb = "0.01 degC"`: the weight of a count has a unit',
    ),
    (
        '{ name = "Temp", type = "uint8" }',
        "'Temp'; lower-case letters, digits and _",
        "a name such as `temp`, which becomes a column of the log",
    ),
    (
        '{ name = "a", type = "uint4" }',
        "the fields end at bit 4, inside a byte",
        "the other four bits as well: `{ rfu = 4 }`",
    ),
    (
        '{ name = "a", type = "int16" }',
        "'int16'; boolean, uintN, sintN",
        "`sint16`, as the GATT Specification Supplement writes it",
    ),
    (
        '{ name = "a", type = "uint8", reserved = { 0xFFFF = "none" } }',
        "0xFFFF does not fit 8 bits",
        "a number that the field can carry: `0xFF`",
    ),
    (
        '{ name = "a", type = "uint8", lsb = "1 degC", unit = "hPa" }',
        "unit 'hPa' does not fit lsb '1 degC'",
        "a unit of the same dimension as that of `lsb`",
    ),
    (
        '{ name = "a", type = "uint8", when = "b" }, { name = "b", type = "boolean" }, { rfu = 7 }',
        "'b' is not an earlier integer field",
        "the field that decides before those it decides on",
    ),
)


def _mistakes() -> Iterator[str]:
    yield "## Usual mistakes\n"
    yield "`gattest check` tells each with its place.\n"
    yield "| written | what check says | instead |"
    yield "|---|---|---|"
    for line, told, instead in MISTAKES:
        yield f"| `{line}` | {told} | {instead} |"


def plugin_reference() -> str:
    """The page, in Markdown."""
    parts = [_INTRODUCTION, _WAYS]
    for title, text, model in _TABLES:
        parts.append("\n".join([f"## {title}\n", *([f"{text}\n"] if text else []), *_table(model)]) + "\n")
    types = [f"| {kind.written} | {kind.meaning} |" for kind in TYPES]
    parts.append("\n".join(_mistakes()) + "\n")
    parts += [_TYPES + "\n".join(types) + "\n", _UNITS, "\n".join(_formulas()) + "\n", "\n".join(_adopted()) + "\n"]
    return "\n".join(parts)


if __name__ == "__main__":
    sys.stdout.write(plugin_reference())
