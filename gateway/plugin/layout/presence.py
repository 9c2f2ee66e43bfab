"""Reads when a field is there, as a plugin says it: by earlier integers, or by whether the value goes on."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from gateway.plugin.layout.model import Condition, Field, Presence

ReportProblem = Callable[[str, str, str], None]  # place, found, expected
_WHEN = re.compile(
    r"(?P<negated>not\s+)?(?P<name>[a-z][a-z0-9_]*)(?:\s*(?P<test>==|!=)\s*(?P<number>0[xX][0-9a-fA-F]+|\d+))?"
)


def presence(
    when: str | None, known: Mapping[str, Field], place: str, report_problem: ReportProblem
) -> Presence | None:
    """What a line's ``when`` means; None for a field that is always there.

    Args:
        known: the fields before it, by name.
    """
    if when is None:
        return None
    parts = [part.strip() for part in re.split(r"\sand\s", when)]
    more = "more" in parts and "more" not in known
    conditions = [_condition(part, known, place, report_problem) for part in parts if not (more and part == "more")]
    return Presence(tuple(one for one in conditions if one is not None), more)


def _condition(text: str, known: Mapping[str, Field], place: str, report_problem: ReportProblem) -> Condition | None:
    found = _WHEN.fullmatch(text)
    if found is None or (found["negated"] and found["test"]):
        report_problem(
            place, f"{text!r}", "written as 'flag', 'not flag', 'field == 3' or 'field != 3', joined by and; or 'more'"
        )
        return None
    field = known.get(found["name"])
    if field is None or not field.type.integer:
        integers = [name for name, other in known.items() if other.type.integer]
        report_problem(
            place, f"{found['name']!r} is not an earlier integer field", f"one of {', '.join(integers) or 'none'}"
        )
        return None
    if found["test"]:
        return Condition(field.name, int(found["number"], 0), found["test"] == "==")
    return Condition(field.name, 0, bool(found["negated"]))
