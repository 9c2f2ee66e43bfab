"""Audits and exercises for people and for machines."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from xml.etree import ElementTree

from rich.text import Text

from gateway.model.records import Outcome, overall
from gateway.model.utc import duration_text
from gateway.report.machine import junit_text
from gateway.report.tables import outcome_text
from gateway.verify.audit import Audit, Checked, Sight
from gateway.verify.exercise import Step, Tried


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
    for one in audit.checked:
        if one.sight is Sight.MISSED:
            yield Text.assemble(
                ("not seen", "yellow"), f"  {one.rule.meaning}: declared, but not seen  [{one.rule.name}]"
            )
    open_ = [one.rule.name for one in audit.checked if one.outcome is Outcome.INCONCLUSIVE]
    kept = len(audit.checked) - broken - len(open_)
    rest = f", {len(open_)} not checked ({', '.join(open_)})" if open_ else ""
    rules = f"{kept} of {len(audit.checked)} rules met, {broken} broken{rest}"
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
                        "seen": one.sight.value,
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


def plan_lines(plan: Sequence[Step], patience_s: float) -> Iterator[Text]:
    """What would be tried, with the time it takes."""
    for step in plan:
        late = step.seconds > patience_s
        seconds = Text(f"{duration_text(math.ceil(step.seconds)):>8}", "yellow" if late else "")
        yield Text.assemble(seconds, f"  {step.name}", (f"\n          expected: {step.expected}", "dim"))
    within = [step.seconds for step in plan if step.seconds <= patience_s]
    rest = (
        f"; skipped, because they take longer than --patience: {len(plan) - len(within)}"
        if len(within) < len(plan)
        else ""
    )
    yield Text(f"{len(plan)} steps; {len(within)} take at most {duration_text(math.ceil(sum(within) / 60) * 60)}{rest}")


def step_lines(tried: Tried) -> Iterator[Text]:
    """One step that was tried."""
    earlier = f" (run {tried.run})" if tried.run is not None else ""
    yield Text.assemble(outcome_text(tried.outcome), f"  {tried.step.name}{earlier}: {tried.found}")
    if tried.outcome is not Outcome.PASS:
        yield Text(f"      expected: {tried.step.expected}", "dim")


def exercise_line(who: str, tried: Sequence[Tried]) -> Text:
    """The whole of an exercise."""
    counts = {outcome: sum(one.outcome is outcome for one in tried) for outcome in Outcome}
    told = f"{counts[Outcome.PASS]} of {len(tried)} steps pass, {counts[Outcome.FAIL]} fail"
    open_ = f", {counts[Outcome.INCONCLUSIVE]} inconclusive" if counts[Outcome.INCONCLUSIVE] else ""
    return Text.assemble(f"{who}: {told}{open_}: ", outcome_text(overall(one.outcome for one in tried)))


def exercise_json(who: str, log: Path, run: int, tried: Sequence[Tried]) -> str:
    """Every step with its verdict."""
    return json.dumps(
        {
            "node": who,
            "outcome": overall(one.outcome for one in tried).value,
            "log": str(log),
            "run": run,
            "steps": [
                {
                    "step": one.step.name,
                    "sensor": one.step.sensor,
                    "other": one.step.other or None,
                    "outcome": one.outcome.value,
                    "expected": one.step.expected,
                    "found": one.found,
                    "tried_in_run": one.run if one.run is not None else run,
                }
                for one in tried
            ],
        },
        indent=1,
        ensure_ascii=False,
    )


def exercise_junit(who: str, tried: Sequence[Tried]) -> str:
    """A test suite for each sensor, a test case for each step; what could not be told is an error."""
    root = ElementTree.Element("testsuites", name=f"exercise of {who}")
    for sensor in dict.fromkeys(one.step.sensor for one in tried):
        own = [one for one in tried if one.step.sensor == sensor]
        failed, open_ = (sum(one.outcome is o for one in own) for o in (Outcome.FAIL, Outcome.INCONCLUSIVE))
        counts = {"tests": len(own), "failures": failed, "errors": open_}
        suite = ElementTree.SubElement(root, "testsuite", {"name": sensor} | {k: str(n) for k, n in counts.items()})
        for one in own:
            case = ElementTree.SubElement(suite, "testcase", classname=f"{who}.{sensor}", name=one.step.name)
            if one.outcome is not Outcome.PASS:
                tag = "failure" if one.outcome is Outcome.FAIL else "error"
                ElementTree.SubElement(case, tag, message=one.found).text = f"expected: {one.step.expected}"
    return junit_text(root)


def _case(suite: ElementTree.Element, audit: Audit, one: Checked) -> None:
    case = ElementTree.SubElement(suite, "testcase", classname=audit.who, name=one.rule.name)
    text = "\n".join(f"{f.place}: {f.found}; expected: {f.expected}" for f in one.findings)
    if one.outcome is Outcome.FAIL:
        ElementTree.SubElement(case, "failure", message=one.rule.meaning).text = text
    elif one.outcome is Outcome.INCONCLUSIVE:
        ElementTree.SubElement(case, "skipped", message="no data to check it on")
    elif text:
        ElementTree.SubElement(case, "system-out").text = text
