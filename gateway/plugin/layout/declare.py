"""From the lines of a plugin file to a `Layout`. Reading one proves it: types exist, every bit is declared
once, conditions look back at integers, scaling, units and limits share a dimension. Everything that is wrong
is reported in one pass."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from gateway.model.units import parse_duration_ns, parse_unit
from gateway.plugin.layout.arithmetic import Arithmetic
from gateway.plugin.layout.checksum import CATALOGUE, Checksum
from gateway.plugin.layout.kind import MAX_VALUE_BYTES
from gateway.plugin.layout.line import read_field, tried
from gateway.plugin.layout.model import Block, Field, Layout, Order, Presence, Samples
from gateway.plugin.layout.presence import ReportProblem, follows, presence
from gateway.plugin.layout.shape import CheckDecl, FieldDecl, SamplesDecl
from gateway.plugin.layout.types import type_of


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
        every_ns = tried(lambda: parse_duration_ns(samples.every or ""), "samples.every", report_problem)
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
        tried(partial(field.unit.to, parse_unit("ns")), f"samples.fields.{field.name}", report_problem)
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
            tail = read_field(decls[start], 0, order, order, f"fields[{start}]", report_problem)
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
            field = read_field(decl, start, decl.byte_order or order, order, place, report_problem)
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
