"""Read a spec: tables of bounds, by subject and figure, proven against the characteristics they speak of. Plugins carry
one for every node of their kind, run files one for each kind, for all, or for one node."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gateway.model.errors import UnitError
from gateway.model.figures import FORMER_NAMES, GUARD, LINK, OF_FIELD, SIMPLE, Requirement, figures_of
from gateway.model.units import PLAIN, Unit, parse_quantity, parse_unit
from gateway.plugin.layout.presence import ReportProblem
from gateway.plugin.model import Characteristic
from gateway.plugin.shape import BoundShape, SpecShape

_DECISIONS = {"guard": GUARD, "simple": SIMPLE}


def read_spec(
    spec: SpecShape,
    whom: str,
    table: Mapping[str, Characteristic],
    channels: tuple[str, ...],
    report_problem: ReportProblem,
) -> Iterator[Requirement]:
    """The requirements of a spec on nodes with these characteristics.

    Args:
        whom: the kind or the node they are for.
        channels: the characteristics that carry values.
        report_problem: is told what is wrong and where, the place beginning with the subject.
    """
    for subject, entries in spec.items():
        if subject != LINK and subject not in channels:
            report_problem(subject, f"there is no channel {subject!r}", f"{LINK}, {', '.join(channels)}")
            continue
        fields = {} if subject == LINK else _units(table[subject])
        for key, entry in entries.items():
            if isinstance(entry, BoundShape):
                why = _unmeasurable(key, subject, None if subject == LINK else table[subject])
                if why is not None:
                    report_problem(f"{subject}.{key}", *why)
                elif (made := _requirement(whom, subject, key, entry, PLAIN, report_problem)) is not None:
                    yield made
            elif key not in fields:
                report_problem(
                    f"{subject}.{key}", f"there is no field {key!r}", f"one of {', '.join(fields) or 'none'}"
                )
            else:
                for figure, bound in entry.items():
                    made = _requirement(whom, f"{subject}.{key}", figure, bound, fields[key], report_problem)
                    if made is not None:
                        yield made


def _unmeasurable(name: str, subject: str, item: Characteristic | None) -> tuple[str, str] | None:
    """Why a figure can't be measured of a channel: what was found, and what is to be done."""
    figure = figures_of(subject).get(name)
    if figure is None or item is None:
        return None
    needs = figure.needs
    if needs.without is not None and item.layout.with_role(needs.without) is not None:
        return f"{subject} has a {needs.without} counter", "require loss, which is exact"
    if needs.stores and not item.stores:
        return f"{subject} stores no values", "remove it, or declare stores in the plugin"
    if needs.roles and not any(item.layout.with_role(role) for role in needs.roles):
        return (
            f"{subject} has no field with the role {' or '.join(needs.roles)}",
            "remove it, or declare the role in the plugin",
        )
    return None


def _units(item: Characteristic) -> dict[str, Unit]:
    """The unit of each field and derived value that is a number and measured as one."""
    numbers = [
        field
        for field, _ in item.layout.all_fields()
        if field.role not in ("sequence", "node time", "sample time") and not field.names and not field.type.textual
    ]
    return {field.name: field.unit for field in numbers} | {d.name: d.unit for d in item.derived}


def _requirement(
    whom: str, subject: str, name: str, bound: BoundShape, of_field: Unit, report_problem: ReportProblem
) -> Requirement | None:
    place = f"{subject}.{name}"
    figure = figures_of(subject).get(name)
    if figure is None:
        renamed = f"; {name} is now called {FORMER_NAMES[name]}" if name in FORMER_NAMES else ""
        report_problem(place, "is not a known figure", f"one of {', '.join(figures_of(subject))}{renamed}")
        return None
    if bound.min is None and bound.max is None and bound.abs is None:
        report_problem(place, "no bound", 'give min, max or both, such as { max = "300 ms" }')
        return None
    if bound.abs is not None and (figure.span != "any" or (bound.min, bound.max) != (None, None)):
        found = "abs beside min or max" if figure.span == "any" else f"{name} is never below zero, so abs says nothing"
        report_problem(place, found, "min and max, or abs alone" if figure.span == "any" else "max in its place")
        return None
    in_field = figure.unit == OF_FIELD
    unit = of_field if in_field else parse_unit(figure.unit)
    ends: list[float | None] = []
    for key, text in (("abs", bound.abs), ("min", bound.min), ("max", bound.max)):
        if isinstance(text, int | float) and unit.symbol:
            report_problem(f"{place}.{key}", f"{text} has no unit", f"a quantity in {unit.symbol}")
        try:
            if text is None:
                ends.append(None)
                continue
            quantity = parse_quantity(str(text))
            ends.append(float(quantity.span_in(unit) if in_field and figure.difference else quantity.in_unit(unit)))
        except UnitError as error:
            report_problem(f"{place}.{key}", str(error), "")
            ends.append(None)
    reach, low, high = ends
    if reach is not None:
        low, high = -abs(reach), abs(reach)
    if high is not None and high < 0 and figure.span != "any":
        report_problem(f"{place}.max", f"{bound.max}", "zero or more, as nothing can be below zero")
    if low is not None and low > 100 and figure.span == "share":
        report_problem(f"{place}.min", f"{bound.min}", "at most 100 percent, as nothing can exceed it")
    if low is not None and high is not None and low > high:
        report_problem(place, f"min {bound.min} is above max {bound.max}", "min not above max")
    return Requirement(whom, subject, name, low, high, unit.symbol, _risk(place, bound.decision, report_problem))


def _risk(place: str, decision: str | None, report_problem: ReportProblem) -> float:
    """The risk that a decision rule takes."""
    if decision is None or decision in _DECISIONS:
        return _DECISIONS[decision or "guard"]
    try:
        share = float(parse_quantity(decision).in_unit(parse_unit("percent"))) / 100
    except UnitError:
        share = 0.0
    if not 0 < share <= SIMPLE:
        report_problem(
            f"{place}.decision", f"{decision!r}", f"{', '.join(_DECISIONS)}, or a risk such as 5 percent, at most 50"
        )
        return GUARD
    return share
