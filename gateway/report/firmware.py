"""Audits for people and for machines."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from xml.etree import ElementTree

from rich.text import Text

from gateway.audit import Audit, Checked
from gateway.records import Outcome
from gateway.report.machine import junit_text
from gateway.report.tables import outcome_text


def audit_lines(audit: Audit) -> Iterator[Text]:
    """What breaks a rule, what may be meant so, what could not be seen, and the whole."""
    for one in audit.checked:
        for finding in one.findings:
            mark = outcome_text(one.outcome) if one.rule.strict else Text("note", "yellow")
            yield Text.assemble(mark, f"  {finding.place}: {finding.found}")
            yield Text(f"      expected: {finding.expected}  [{one.rule.name}; {one.rule.source}]", "dim")
    for unseen in audit.unseen:
        yield Text.assemble(("not seen", "yellow"), f"  {unseen}")
    broken = sum(one.outcome is Outcome.FAIL for one in audit.checked)
    open_ = [one.rule.name for one in audit.checked if one.outcome is Outcome.INCONCLUSIVE]
    kept = len(audit.checked) - broken - len(open_)
    rest = f", {len(open_)} with nothing to check them on ({', '.join(open_)})" if open_ else ""
    rules = f"{kept} of {len(audit.checked)} rules kept, {broken} broken{rest}"
    yield Text.assemble(f"{audit.who}: {audit.attributes} attributes, {rules}: ", outcome_text(audit.outcome))


def audits_json(audits: Sequence[Audit]) -> str:
    """Every rule with its findings."""
    return json.dumps(
        [
            {
                "node": audit.who,
                "outcome": audit.outcome.value,
                "attributes": audit.attributes,
                "not_seen": list(audit.unseen),
                "rules": [
                    {
                        "rule": one.rule.name,
                        "meaning": one.rule.meaning,
                        "source": one.rule.source,
                        "outcome": one.outcome.value,
                        "findings": [
                            {"place": f.place, "found": f.found, "expected": f.expected} for f in one.findings
                        ],
                    }
                    for one in audit.checked
                ],
            }
            for audit in audits
        ],
        indent=1,
        ensure_ascii=False,
    )


def audits_junit(audits: Sequence[Audit]) -> str:
    """A test suite for each node, a test case for each rule; what could not be seen is an error."""
    root = ElementTree.Element("testsuites", name="audit")
    for audit in audits:
        counts = {outcome: sum(one.outcome is outcome for one in audit.checked) for outcome in Outcome}
        suite = ElementTree.SubElement(
            root,
            "testsuite",
            name=audit.who,
            tests=str(len(audit.checked) + len(audit.unseen)),
            failures=str(counts[Outcome.FAIL]),
            errors=str(len(audit.unseen)),
            skipped=str(counts[Outcome.INCONCLUSIVE]),
        )
        for one in audit.checked:
            _case(suite, audit, one)
        for unseen in audit.unseen:
            case = ElementTree.SubElement(suite, "testcase", classname=audit.who, name=f"not seen: {unseen}")
            ElementTree.SubElement(case, "error", message=unseen)
    return junit_text(root)


def _case(suite: ElementTree.Element, audit: Audit, one: Checked) -> None:
    case = ElementTree.SubElement(suite, "testcase", classname=audit.who, name=one.rule.name)
    text = "\n".join(f"{f.place}: {f.found}; expected: {f.expected}" for f in one.findings)
    if one.outcome is Outcome.FAIL:
        ElementTree.SubElement(case, "failure", message=one.rule.meaning).text = text
    elif one.outcome is Outcome.INCONCLUSIVE:
        ElementTree.SubElement(case, "skipped", message="nothing was seen to check it on")
    elif text:
        ElementTree.SubElement(case, "system-out").text = text
