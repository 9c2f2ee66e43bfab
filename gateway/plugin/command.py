"""From a procedure as it is written to a `Procedure`, proven: what it writes, and where and how it is answered."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.model.errors import UnitError
from gateway.model.units import parse_duration_ns
from gateway.plugin.layout.declare import read_layout
from gateway.plugin.layout.line import NAME
from gateway.plugin.layout.model import Order
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.layout.shape import FieldDecl
from gateway.plugin.model import Characteristic
from gateway.plugin.procedure import OPCODE, Procedure
from gateway.plugin.shape import ProcedureShape


def read_procedure(
    name: str, decl: ProcedureShape, table: Mapping[str, Characteristic], report_problem: ReportProblem
) -> Procedure | None:
    """The procedure that is declared; None where something is wrong with it, which is told.

    Args:
        table: the characteristics of the plugin.
    """
    wrong = False

    def report(place: str, found: str, expected: str) -> None:
        nonlocal wrong
        wrong = True
        report_problem(place, found, expected)

    if not NAME.fullmatch(name):
        report("", f"name {name!r}", "lower-case letters, digits and _")
    target = table.get(decl.write)
    if target is None or not target.properties & {"write", "write-without-response"}:
        report("write", f"{decl.write!r}", "a declared characteristic that can be written")
    fields = [FieldDecl(name=OPCODE, type="uint8"), *decl.arguments]
    orders = {field.order for field in target.layout.fields} if target is not None else set()
    order: Order = "big" if orders == {"big"} else "little"
    layout = read_layout(fields, None, order, None, report)
    if layout.conditional or layout.tail is not None:
        report("arguments", "a field of variable width, or with when", "fields that are always there")
    _check_answer(decl, table, report)
    timeout_ns = 0
    try:
        timeout_ns = parse_duration_ns(decl.timeout)
    except UnitError as error:
        report("timeout", str(error), "a time such as '30 s'")
    if wrong:
        return None
    return Procedure(
        name,
        decl.title or name,
        decl.write,
        decl.opcode,
        layout,
        decl.answer or "",
        decl.request or "",
        decl.result or "",
        decl.success,
        decl.unknown,
        timeout_ns,
        decl.sends or "",
        decl.counts or "",
        decl.count or "",
        decl.clears or "",
    )


def _check_answer(decl: ProcedureShape, table: Mapping[str, Characteristic], report: ReportProblem) -> None:
    """That the channels which it names are declared, and that the answer has the fields it is told by."""
    for key in ("answer", "sends", "counts", "clears"):
        channel = getattr(decl, key)
        if channel is not None and channel not in table:
            report(key, f"{channel!r}", f"one of {', '.join(table)}")
    answer = table.get(decl.answer or "")
    own = {field.name: field for field in answer.layout.fields} if answer is not None else {}
    for key in ("request", "result", "count"):
        field = getattr(decl, key)
        if field is not None and (field not in own or not own[field].type.integer):
            known = ", ".join(one.name for one in own.values() if one.type.integer) or "none: no answer is declared"
            report(key, f"{field!r}", f"an integer field of the answer: {known}")
    for key in ("success", "unknown"):
        number, result = getattr(decl, key), own.get(decl.result or "")
        if number is not None and result is not None and not 0 <= number <= result.raw_range[1]:
            report(key, f"{number}", f"0 to {result.raw_range[1]}, which {decl.result} can carry")
    if decl.result is not None and decl.unknown == decl.success:
        report("unknown", f"{decl.unknown}, which is success", "another number")
    if decl.answer is not None and decl.answer in (decl.sends, decl.counts, decl.clears):
        report("answer", f"{decl.answer!r}, whose stored values are meant too", "a channel of its own")
    if (decl.counts is None) != (decl.count is None):
        report("count", "one of counts and count", "both: what is counted, and which field tells the number")
