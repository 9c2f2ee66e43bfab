"""Reads when a field is there, as a plugin says it: by earlier integers, or by whether the value goes on."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import cast

from gateway.model.errors import InputError
from gateway.plugin.layout.arithmetic import Arithmetic, read_arithmetic
from gateway.plugin.layout.model import Condition, Field, Presence, Test

ReportProblem = Callable[[str, str, str], None]  # place, found, expected
_COMPARED = re.compile(
    r"(?P<value>(?:[^=!<>]|>>)+?)\s*(?P<test>==|!=|<=|>=|<|>)\s*(?P<number>-?(?:0[xX][0-9a-fA-F]{1,16}|\d{1,20}))"
)
_FLAG = re.compile(r"(?P<negated>not\s+)?(?P<value>[a-z][a-z0-9_]*)")


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
    compared, flag = _COMPARED.fullmatch(text), _FLAG.fullmatch(text)
    found = compared or flag
    if found is None:
        report_problem(
            place,
            f"{text!r}",
            "written as 'flag', 'not flag', or arithmetic compared with a number by == != < <= > >=, joined by and; or "
            "'more'",
        )
        return None
    value = follows(found["value"], known, place, report_problem)
    if value is None:
        return None
    if compared is None:
        return Condition(value, "==" if found["negated"] else "!=", 0)
    number = int(found["number"], 16 if "x" in found["number"].lower() else 10)
    if not value.low - 1 <= number <= value.high + 1:
        report_problem(
            place, f"{text!r}: {value.text} lies between {value.low} and {value.high}", "a number it can have"
        )
        return None
    match found["test"]:
        case "<":
            return Condition(value, "<=", number - 1)
        case ">":
            return Condition(value, ">=", number + 1)
        case test:  # the pattern has no others
            return Condition(value, cast(Test, test), number)


def follows(text: str, known: Mapping[str, Field], place: str, report_problem: ReportProblem) -> Arithmetic | None:
    """What follows from earlier fields, as it is written."""
    ranges = {name: field.raw_range for name, field in known.items() if field.type.integer}
    try:
        return read_arithmetic(text, ranges)
    except InputError as error:
        report_problem(place, str(error), "what follows from earlier integer fields")
        return None
