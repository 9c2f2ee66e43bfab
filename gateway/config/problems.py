"""Gathers the problems of a run file while its quantities are read, so that all of them can be told at once."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from gateway.model.errors import Problem, UnitError
from gateway.model.units import PLAIN, Unit, parse_duration_ns, parse_quantity

T = TypeVar("T")


class Problems:
    """Reads quantities of one file; what can't be read is noted, and a stand-in returned."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[Problem] = []

    def report_problem(self, place: str, found: str, expected: str = "") -> None:
        self.problems.append(Problem(str(self.path), place, found, expected))

    def tried(self, place: str, work: Callable[[], T], default: T) -> T:
        try:
            return work()
        except UnitError as error:
            self.report_problem(place, str(error))
            return default

    def exact(self, place: str, text: str, unit: Unit, default: Fraction = Fraction(0)) -> Fraction:
        return self.tried(place, lambda: parse_quantity(text).in_unit(unit), default)

    def number(self, place: str, text: str, unit: Unit, default: float = 0.0) -> float:
        return float(self.exact(place, text, unit, Fraction(default)))

    def duration(self, place: str, text: str, default: int = 1) -> int:
        return self.tried(place, lambda: parse_duration_ns(text), default)

    def share(self, place: str, text: str | None) -> float:
        value = self.number(place, text, PLAIN) if text is not None else 0.0
        if not 0 <= value <= 1:
            self.report_problem(place, f"{text!r}", "a share from '0 percent' to '100 percent'")
        return value
