"""From the lines of a plugin file to a `Layout`. Reading one proves it: types exist, every bit is declared
once, conditions look back at integers, scaling, units and limits share a dimension. Everything that is wrong
is reported in one pass."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import partial
from math import lcm
from typing import TypeVar

from gateway.model.errors import UnitError
from gateway.model.units import PLAIN, Unit, parse_duration_ns, parse_quantity, parse_unit
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.checksum import CATALOGUE, Checksum
from gateway.plugin.layout.kind import MAX_VALUE_BYTES, FieldType
from gateway.plugin.layout.model import Block, Field, Layout, Order, Presence, Samples, Scale
from gateway.plugin.layout.presence import ReportProblem, follows, presence
from gateway.plugin.layout.shape import CheckDecl, FieldDecl, SamplesDecl
from gateway.plugin.layout.types import TYPES, UINT, type_of
from gateway.plugin.layout.written import field_value, wanted_value

MAX_ROLE_BITS = 48  # counters and times are reckoned with in 64-bit integers
T = TypeVar("T")

NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


def read_layout(
    fields: Sequence[FieldDecl],
    samples: SamplesDecl | None,
    order: Order,
    length: int | None,
    report_problem: ReportProblem,
    check: CheckDecl | None = None,
) -> Layout:
    """Build a layout and report everything that is wrong with it.

    Args:
        fields: the declared lines.
        samples: the declared repetition.
        order: byte order of the value.
        length: declared length in bytes, None for whatever the fields add up to.
        report_problem: called for each problem; the layout returned is only good if it was not called.
        check: the declared checksum.
    """
    fields = list(_each(fields, "fields", report_problem))
    blocks, tail = _blocks(fields, order, report_problem)
    repeated: Samples | None = None
    if samples is not None:
        repeated = _samples(samples, order, blocks, report_problem)
        if tail is not None:
            report_problem(
                "samples", f"samples after {tail.name}, which takes all remaining bytes", "only one of the two"
            )
    summed = _check(check, order, report_problem) if check is not None else None
    layout = Layout(tuple(blocks), repeated, tail, summed)
    if any(block.when is not None and block.when.more for block in blocks) and (
        repeated is not None or tail is not None
    ):
        report_problem("fields", "'more' beside samples or a field that takes all remaining bytes", "one of them")
    if summed is not None and summed.first > sum(block.size for block in blocks if block.when is None):
        report_problem("check.first", f"byte {summed.first}", "a byte that every value has")
    if layout.head + layout.behind > MAX_VALUE_BYTES:
        report_problem(
            "fields",
            f"{layout.head + layout.behind} bytes",
            f"an attribute value holds at most {MAX_VALUE_BYTES} bytes",
        )
    if length is not None and (layout.conditional or layout.sample_count(length - layout.head - layout.behind) is None):
        report_problem("length", f"{length} bytes declared", f"the fields take {layout.expected_length}")
    if not fields and samples is None:
        report_problem("fields", "no fields", "declare at least one")
    _unique(layout, report_problem)
    if any(field.role == "sample time" for field in layout.fields):
        report_problem("fields", 'role "sample time" outside samples', "it on a field of samples")
    sequences = [field for field, _ in layout.all_fields() if field.role == "sequence"]
    if len(sequences) > 1 or (sequences and sequences[0] not in layout.fields):
        report_problem("fields", "sequence role in a sample or more than once", "one sequence counter per value")
    return layout


def _check(decl: CheckDecl, order: Order, report_problem: ReportProblem) -> Checksum | None:
    kinds = [decl.crc is not None, decl.sum is not None, decl.xor]
    if kinds.count(True) != 1:
        report_problem("check", f"{kinds.count(True)} kinds of checksum", "exactly one of crc, sum and xor")
        return None
    own = decl.byte_order or order
    if decl.negated and decl.sum is None:
        report_problem("check.negated", "no sum to negate", "it with sum")
    if decl.sum is not None:
        name = f"the {'negated ' if decl.negated else ''}sum of {decl.sum} bits"
        return Checksum(name, "sum", decl.sum, own, decl.first, negated=decl.negated)
    if decl.xor:
        return Checksum("the exclusive or", "xor", 8, own, decl.first)
    if isinstance(decl.crc, str):
        if decl.crc not in CATALOGUE:
            report_problem("check.crc", f"{decl.crc!r}", f"its parameters, or one of {', '.join(CATALOGUE)}")
            return None
        width, poly, init, refin, refout, xorout = CATALOGUE[decl.crc]
        return Checksum(decl.crc, "crc", width, own, decl.first, poly, init, refin, refout, xorout)
    crc = decl.crc
    assert crc is not None  # noqa: S101  one of the three is given
    for key in ("poly", "init", "xorout"):
        if getattr(crc, key) >> crc.width:
            report_problem(f"check.crc.{key}", f"{getattr(crc, key):#x}", f"at most {crc.width} bits")
    name = f"the CRC of {crc.width} bits"
    return Checksum(name, "crc", crc.width, own, decl.first, crc.poly, crc.init, crc.refin, crc.refout, crc.xorout)


def _each(decls: Sequence[FieldDecl], where: str, report_problem: ReportProblem) -> Iterator[FieldDecl]:
    """The lines with those that stand for several fields written out."""
    for number, decl in enumerate(decls):
        if decl.each is None:
            yield decl
            continue
        if decl.rfu is not None or decl.role is not None or _takes_the_rest(decl):
            report_problem(
                f"{where}[{number}].each",
                "several fields that are reserved, have a role or take all that is left",
                "each for plain fields only",
            )
        places = [str(place) for place in range(decl.each)] if isinstance(decl.each, int) else decl.each
        for place, own in enumerate(places):
            at = decl.at if place == 0 else None
            yield decl.model_copy(update={"name": f"{decl.name}_{own}", "each": None, "at": at})


def _samples(
    samples: SamplesDecl, order: Order, blocks: Sequence[Block], report_problem: ReportProblem
) -> Samples | None:
    fields = list(_each(samples.fields, "samples.fields", report_problem))
    inner, size = _place(fields, order, "samples.fields", report_problem)
    every_ns = None
    if samples.every is not None:
        every_ns = _try(lambda: parse_duration_ns(samples.every or ""), "samples.every", report_problem)
    if any(decl.when for decl in fields) or any(field.type.textual for field in inner):
        report_problem(
            "samples.fields", "a field with when, or of variable width", "unconditional fields of fixed width"
        )
    if not inner:
        report_problem("samples.fields", "no fields", "declare at least one")
        return None
    always = {field.name: field for block in blocks if block.when is None for field in block.fields}
    count: int | Arithmetic | None = None
    if isinstance(samples.count, str):
        count = follows(samples.count, always, "samples.count", report_problem)
    else:
        count = samples.count
    at = follows(samples.at, always, "samples.at", report_problem) if samples.at is not None else None
    if isinstance(count, Arithmetic) and (not count.fields or count.high <= 0):
        report_problem("samples.count", f"{samples.count!r}", "a number without quotes, or what can be more than 0")
    if at is not None and at.low > MAX_VALUE_BYTES:
        report_problem("samples.at", f"{samples.at!r}, byte {at.low} at least", f"at most {MAX_VALUE_BYTES}")
    if at is not None and at.high < (end := sum(block.size for block in blocks if block.when is None)):
        report_problem(
            "samples.at", f"byte {at.high} at most", f"one that may lie behind the {end} bytes of the fields"
        )
    if isinstance(count, int) and sum(block.size for block in blocks) + count * size > MAX_VALUE_BYTES:
        report_problem("samples.count", f"{count} samples of {size} bytes", f"at most {MAX_VALUE_BYTES} bytes in all")
    stamps = [field for field in inner if field.role == "sample time"]
    for field in stamps:
        _try(partial(field.unit.to, parse_unit("ns")), f"samples.fields.{field.name}", report_problem)
    if len(stamps) > 1 or (stamps and every_ns is not None):
        report_problem("samples", "several times of a sample, or one beside every", "one of them")
    return Samples(tuple(inner), size, every_ns, count, at)


def _blocks(
    decls: Sequence[FieldDecl], order: Order, report_problem: ReportProblem
) -> tuple[list[Block], Field | None]:
    """Cut the declared lines into blocks of one condition each, and the tail."""
    blocks: list[Block] = []
    tail: Field | None = None
    known: dict[str, Field] = {}
    start = 0
    while start < len(decls):
        if _takes_the_rest(decls[start]):
            tail = _field(decls[start], 0, order, order, f"fields[{start}]", report_problem)
            if start + 1 < len(decls) or decls[start].when:
                report_problem(
                    f"fields[{start}]",
                    f"{decls[start].type} with a condition, or not the last field",
                    "the last field, without a condition",
                )
            break
        end = start + 1
        while end < len(decls) and decls[end].when == decls[start].when and not _takes_the_rest(decls[end]):
            end += 1
        when = presence(decls[start].when, known, f"fields[{start}].when", report_problem)
        if blocks and blocks[-1].when is not None and blocks[-1].when.more and not (when is not None and when.more):
            report_problem(f"fields[{start}]", "a field behind one with 'more'", "'more' here too")
        fields, size = _place(decls[start:end], order, "fields", report_problem, start)
        if when is not None and when.more and not fields:
            report_problem(f"fields[{start}]", "nothing but reserved bits where the value goes on", "a field there")
        blocks.append(Block(tuple(fields), size, when))
        known |= {field.name: field for field in fields}
        start = end
    if len(blocks) > 1 and any(decl.at is not None for decl in decls):
        report_problem("fields", "fields with at mixed with fields with when", "fields in order, without at")
    return blocks, tail


def _takes_the_rest(decl: FieldDecl) -> bool:
    known = type_of(decl.type)
    return known is not None and not known[1]


def _unique(layout: Layout, report_problem: ReportProblem) -> None:
    """A name may stand twice only where its conditions exclude each other and its values mean the same."""
    seen: list[tuple[Field, Presence | None]] = []
    every = [(field, block.when) for block in layout.blocks for field in block.fields]
    every += [
        (field, None)
        for field in (*(layout.samples.fields if layout.samples else ()), *((layout.tail,) if layout.tail else ()))
    ]
    for field, when in every:
        for other, its in seen:
            if other.name != field.name:
                continue
            if when is None or its is None or not when.excludes(its):
                report_problem("fields", f"name {field.name!r} is used twice", "give each field its own name")
            elif other.column != field.column:
                report_problem(
                    "fields",
                    f"{field.name!r} is in {other.unit.symbol!r} and in {field.unit.symbol!r}",
                    "the same unit in both",
                )
        seen.append((field, when))


def _place(
    decls: Sequence[FieldDecl], order: Order, where: str, report_problem: ReportProblem, first: int = 0
) -> tuple[list[Field], int]:
    """Lay the fields out one after another; returns them and the bytes they take."""
    fields: list[Field] = []
    taken: list[tuple[int, int, str]] = []
    cursor = 0
    for index, decl in enumerate(decls, first):
        place = f"{where}[{index}]"
        start = cursor
        if decl.at is not None:
            start = decl.at * 8 if isinstance(decl.at, int) else decl.at[0] * 8 + decl.at[1]
        if decl.rfu is not None:
            bits, name = decl.rfu, "rfu"
            extra = decl.model_fields_set - {"rfu", "at", "when"}
            if extra:
                report_problem(
                    place, f"rfu together with {', '.join(sorted(extra))}", "no other keys for reserved bits"
                )
        else:
            field = _field(decl, start, decl.byte_order or order, order, place, report_problem)
            if field is None:
                return fields, -(-cursor // 8)
            fields.append(field)
            bits, name = field.bits, field.name
        if start + bits > MAX_VALUE_BYTES * 8:
            report_problem(
                place,
                f"{name} ends at bit {start + bits}",
                f"a value holds at most {MAX_VALUE_BYTES * 8} bits",
            )
            return fields, MAX_VALUE_BYTES
        for low, high, other in taken:
            if start < high and low < start + bits:
                report_problem(
                    f"{place}.at",
                    f"{name} (bits {start} to {start + bits - 1}) overlaps {other} (bits {low} to {high - 1})",
                    "move one of them",
                )
        taken.append((start, start + bits, name))
        cursor = start + bits
    end = max((high for _, high, _ in taken), default=0)
    covered = sum(high - low for low, high, _ in taken)
    if covered < end:
        report_problem(
            where, f"{end - covered} bits between the fields are not declared", "declare them as { rfu = N }"
        )
    if end % 8:
        report_problem(where, f"the fields end at bit {end}, inside a byte", f"pad with {{ rfu = {8 - end % 8} }}")
    return fields, -(-end // 8)


def _field(
    decl: FieldDecl, bit: int, order: Order, whole: Order, place: str, report_problem: ReportProblem
) -> Field | None:
    """Build one field; None where not even its width is known."""
    if not NAME.fullmatch(decl.name):
        report_problem(f"{place}.name", f"{decl.name!r}", "lower-case letters, digits and _, at most 40 characters")
    known = type_of(decl.type)
    if known is None:
        types = ", ".join(one.written.replace("`", "") for one in TYPES)
        report_problem(f"{place}.type", f"{decl.type!r}", f"{types} (N bits from 1 to 64, or N bytes)")
        return None
    kind, bits = known
    if (not (kind.integer or kind.scaled) or order != whole) and (bit % 8 or bits % 8):
        report_problem(
            f"{place}",
            f"{decl.type} at bit {bit}",
            "a float or a field with its own byte order must start on a byte boundary",
        )
    reserved = _integers(decl.reserved, kind, bits, f"{place}.reserved", report_problem)
    names = _integers(decl.names, kind, bits, f"{place}.names", report_problem)
    if not (kind.integer or kind.scaled) and (decl.lsb or decl.offset):
        report_problem(place, f"a {decl.type} with lsb or offset", "give it only a unit")
    if kind.textual and (decl.unit or decl.limits):
        report_problem(place, f"a {decl.type} with unit or limits", "text and bytes have none")
    if names and (decl.lsb or decl.offset or decl.unit or decl.limits):
        report_problem(place, "names together with lsb, offset, unit or limits", "a named value has no unit")
    scale, unit = _scale(decl, kind, bool(names), place, report_problem)
    low, high = _limits(decl, unit, place, report_problem)
    if decl.role is not None and (kind is not UINT or bits > MAX_ROLE_BITS):
        report_problem(
            f"{place}.role",
            f"role {decl.role!r} on a {decl.type}",
            f"an unsigned integer of at most {MAX_ROLE_BITS} bits",
        )
    epoch_ns = _epoch_ns(decl, unit, place, report_problem)
    field = Field(
        decl.name, kind, bits, bit, order, scale, unit, low, high, decl.role, reserved, names, epoch_ns=epoch_ns
    )
    if decl.default is None:
        return field
    try:
        return replace(field, default=field_value(field, decl.default))
    except (ValueError, UnitError) as error:
        report_problem(f"{place}.default", f"{decl.default!r}: {error}", wanted_value(field))
        return field


def _epoch_ns(decl: FieldDecl, unit: Unit, place: str, report_problem: ReportProblem) -> int | None:
    """Where a time of day begins, nanoseconds UTC."""
    if decl.epoch is None:
        return None
    try:
        unit.to(parse_unit("s"))
        begins = datetime.fromisoformat(decl.epoch)
    except UnitError:
        report_problem(f"{place}.epoch", f"an epoch of what is in {unit.symbol or 'no unit'}", "a unit of time")
        return None
    except ValueError:
        report_problem(f"{place}.epoch", f"{decl.epoch!r}", 'a date such as "2000-01-01"')
        return None
    return int(begins.replace(tzinfo=begins.tzinfo or UTC).timestamp()) * 10**9


def _scale(
    decl: FieldDecl, kind: FieldType, named: bool, place: str, report_problem: ReportProblem
) -> tuple[Scale | None, Unit]:
    """The exact scaling of an integer into its output unit."""
    try:
        shown = parse_unit(decl.unit) if decl.unit is not None else None
    except UnitError as error:
        report_problem(f"{place}.unit", str(error), "")
        shown = None
    if not kind.scaled or named:
        return None, shown or PLAIN
    try:
        lsb = parse_quantity(decl.lsb if decl.lsb is not None else "1")
    except UnitError as error:
        report_problem(f"{place}.lsb", str(error), "")
        return Scale(1, 0, 1), shown or PLAIN
    if lsb.value == 0:
        report_problem(f"{place}.lsb", f"{decl.lsb!r} is zero", "the weight of one count")
        return Scale(1, 0, 1), shown or PLAIN
    unit = shown if shown is not None else lsb.unit
    try:
        gain, zero = lsb.unit.to(unit)
    except UnitError as error:
        report_problem(
            f"{place}.unit",
            f"unit {decl.unit!r} does not fit lsb {decl.lsb!r}: {error}",
            "the same dimension",
        )
        return Scale(1, 0, 1), unit
    start = Fraction(0)
    if decl.offset is not None:
        start = (
            _try(lambda: parse_quantity(decl.offset or "").in_unit(lsb.unit), f"{place}.offset", report_problem)
            or start
        )
    a, b = lsb.value * gain, start * gain + zero
    den = lcm(a.denominator, b.denominator)
    return Scale(int(a * den), int(b * den), den), unit


def _limits(
    decl: FieldDecl, unit: Unit, place: str, report_problem: ReportProblem
) -> tuple[float | None, float | None]:
    if decl.limits is None:
        return None, None
    ends: list[Fraction] = []
    for index, text in enumerate(decl.limits):
        try:
            ends.append(parse_quantity(text).in_unit(unit))
        except UnitError as error:
            report_problem(
                f"{place}.limits[{index}]",
                f"{text!r}: {error}",
                f"a quantity in {unit.symbol or 'plain numbers'}",
            )
    if len(ends) < 2:
        return None, None
    if ends[0] > ends[1]:
        report_problem(f"{place}.limits", f"{decl.limits[0]} is above {decl.limits[1]}", "the lower limit first")
    return float(ends[0]), float(ends[1])


def _integers(
    table: Mapping[str, str], kind: FieldType, bits: int, place: str, report_problem: ReportProblem
) -> dict[int, str] | None:
    """A table keyed by transmitted integers; a signed field may be keyed by its bit pattern (0x8000)."""
    if not table:
        return None
    if not kind.integer:
        report_problem(place, "can't be keyed by transmitted integers", "only integers have reserved values and names")
        return None
    found: dict[int, str] = {}
    for key, text in table.items():
        try:
            number = int(key, 0)
        except ValueError:
            report_problem(place, f"key {key!r}", "an integer such as 0x8000")
            continue
        if 0 <= number < (1 << bits):
            number = kind.from_bits(number, bits)
        low, high = kind.raw_range(bits)
        if not low <= number <= high:
            report_problem(place, f"{key} does not fit {bits} bits", f"{low} to {high}")
            continue
        found[number] = text
    return found


def _try(work: Callable[[], T], place: str, report_problem: ReportProblem) -> T | None:
    try:
        return work()
    except UnitError as error:
        report_problem(place, str(error), "")
        return None
