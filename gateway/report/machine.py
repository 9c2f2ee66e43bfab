"""Verdicts for machines: JSON for scripts, JUnit XML for the servers that run hardware-in-the-loop tests."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree

from gateway.analysis.compare import Flip, Pair, unit_of
from gateway.analysis.evidence import evidence
from gateway.analysis.judge import CUT_OFF, decision_text, outcome_of
from gateway.log.info import RunInfo
from gateway.model.records import Measure, Outcome, Reading, Verdict
from gateway.report.tables import number, required

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, section 2.2


def verdicts_json(run: RunInfo, verdicts: Sequence[Verdict]) -> str:
    """All verdicts of a run, each with its figure, requirement, margin, amount of data and the query that shows it."""
    return json.dumps(
        {
            "run": run.id,
            "title": run.title,
            "seal": run.seal or None,
            "ended": run.ended_how if run.ended_ns is not None else CUT_OFF,
            "outcome": outcome_of(run, verdicts).value,
            "decision_rule": decision_text(verdicts),
            "verdicts": [_plain(run, v) for v in verdicts],
        },
        indent=1,
        ensure_ascii=False,
    )


def comparison_json(
    before: RunInfo, after: RunInfo, warnings: Sequence[str], flips: Sequence[Flip], pairs: Sequence[Pair]
) -> str:
    """Two runs side by side: verdicts that differ, and a row for each figure with the bounds of both."""
    told = {
        **{key: _run_plain(run) for key, run in (("before", before), ("after", after))},
        "warnings": list(warnings),
        "verdicts": [{"before": _plain(before, f.before), "after": _plain(after, f.after)} for f in flips],
        "figures": [
            {
                "node": pair.node,
                "of": pair.subject,
                "figure": pair.figure,
                "unit": unit_of(pair),
                "before": pair.before.value if pair.before else None,
                "before_bounds_95_percent": _bounds(pair.before),
                "after": pair.after.value if pair.after else None,
                "after_bounds_95_percent": _bounds(pair.after),
                "change": pair.change,
                "direction": pair.direction,
                "chance_if_alike": pair.chance,
                "change_told_from": pair.seen_from,
                "no_worse_than_margin": pair.no_worse,
            }
            for pair in pairs
        ],
    }
    return json.dumps(told, indent=1, ensure_ascii=False)


def _run_plain(run: RunInfo) -> dict[str, Any]:
    return {"run": run.id, "title": run.title, "lasted_s": run.lasted_s}


def _bounds(measure: Measure | None) -> list[float | None] | None:
    return [measure.low, measure.high] if measure is not None and measure.method else None


def readings_json(readings: Sequence[Reading]) -> str:
    """The fields of one value, a row for each."""
    names = ("name", "raw", "value", "unit", "bit", "bits", "reason")
    rows = [{name: getattr(reading, name) for name in names} for reading in readings]
    for row in rows:
        if row["raw"] is not None and not math.isfinite(row["raw"]):
            row["raw"] = str(row["raw"])  # JSON has no NaN
    return json.dumps(rows, indent=1)


def verdicts_by_node(run: RunInfo, verdicts: Sequence[Verdict]) -> dict[str, list[dict[str, Any]]]:
    """The verdicts of each node of a run, as JSON can hold them."""
    found: dict[str, list[dict[str, Any]]] = {}
    for v in verdicts:
        found.setdefault(v.measure.node, []).append({"run": run.uid, **_plain(run, v)})
    return found


def _plain(run: RunInfo, v: Verdict) -> dict[str, Any]:
    return {
        "node": v.measure.node,
        "of": v.measure.subject,
        "figure": v.measure.name,
        "found": v.measure.value,
        "unit": v.measure.unit,
        "low": v.low,
        "high": v.high,
        "margin": v.margin,
        "n": v.measure.n,
        "basis": v.measure.basis,
        "bounds_95_percent": _bounds(v.measure),
        "method": v.measure.method,
        "outcome": v.outcome.value,
        "risk": v.risk,
        "why": v.why,
        "query": evidence(run, v.measure),
    }


def verdicts_junit(run: RunInfo, verdicts: Sequence[Verdict]) -> str:
    """A test suite for each node, a test case for each requirement.

    A fail is a failure. What is inconclusive is an error: such a server must not take it for a pass.
    """
    root = ElementTree.Element("testsuites", name=run.title)
    rule = decision_text(verdicts)
    for node in dict.fromkeys(v.measure.node for v in verdicts):
        own = [v for v in verdicts if v.measure.node == node]
        counts = {outcome: sum(v.outcome is outcome for v in own) for outcome in Outcome}
        suite = ElementTree.SubElement(
            root,
            "testsuite",
            name=node,
            tests=str(len(own)),
            failures=str(counts[Outcome.FAIL]),
            errors=str(counts[Outcome.INCONCLUSIVE]),
            time=f"{run.lasted_s:.3f}",
        )
        properties = ElementTree.SubElement(suite, "properties")
        ElementTree.SubElement(properties, "property", name="decision rule", value=rule)
        if run.seal:
            ElementTree.SubElement(properties, "property", name="seal", value=run.seal)
        for verdict in own:
            _case(suite, run, verdict)
    if run.ended_ns is None:
        suite = ElementTree.SubElement(root, "testsuite", name="run", tests="1", failures="0", errors="1")
        case = ElementTree.SubElement(suite, "testcase", classname="run", name="ended")
        ElementTree.SubElement(case, "error", message=CUT_OFF)
    return junit_text(root)


def junit_text(root: ElementTree.Element) -> str:
    """A tree as a file, without letters that XML can't hold."""
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + _NOT_XML.sub("?", text) + "\n"


def _case(suite: ElementTree.Element, run: RunInfo, verdict: Verdict) -> None:
    m = verdict.measure
    case = ElementTree.SubElement(suite, "testcase", classname=f"{m.node}.{m.subject}", name=m.name)
    found = f"{number(m.value, m.unit)} found, {required(verdict)} required, over {m.observed}"
    if verdict.outcome is Outcome.FAIL:
        told = ElementTree.SubElement(case, "failure", message=f"{found}{f'; {verdict.why}' if verdict.why else ''}")
        told.text = evidence(run, m)
    elif verdict.outcome is Outcome.INCONCLUSIVE:
        told = ElementTree.SubElement(case, "error", message=f"inconclusive: {verdict.why}; {found}")
        told.text = evidence(run, m)
    else:
        ElementTree.SubElement(case, "system-out").text = found
