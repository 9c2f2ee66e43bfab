"""What it takes to declare a figure: all that judging, showing and comparing it, and proving requirements on it, need
to know. A figure that lacks one of these facts can't be declared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Role = Literal["sequence", "node time", "sample time", "battery"]
OF_FIELD = "unit of the field"  # in place of a unit: a value, or a difference of two, in the field's own unit
FEWEST_VALUES = 20  # common practice: below it a share or a median says little
FEWEST_FOR_P99 = 100  # one value in a hundred has to exist
FEWEST_SECONDS = 10
FEWEST_PER_CODE = 16  # below it a code may just not have been met: e**-16 of all by chance


@dataclass(frozen=True, slots=True)
class JudgedWhen:
    """When a verdict on a figure can be given.

    Attributes:
        fewest: observations that a verdict needs.
        disproves: on which side of a requirement one observation alone proves failure, "" for neither.
        whole_run: whether only the whole planned length of a run can show that a requirement is met.
        bounds_needed: whether a verdict is inconclusive where the figure has no bounds.
    """

    fewest: int
    disproves: Literal["above", "below", ""]
    whole_run: bool
    bounds_needed: bool


@dataclass(frozen=True, slots=True)
class Needs:
    """What must be there for a figure to be measured.

    Attributes:
        roles: the channel has a field with one of these roles; () for none.
        without: a role that the channel may not have, because another figure is exact then; None for none.
        setting: a period that is written, a sensor that is switched off, or nothing.
        stores: whether the channel has to keep values while nobody is subscribed.
    """

    roles: tuple[Role, ...]
    without: Role | None
    setting: Literal["period", "off", ""]
    stores: bool


@dataclass(frozen=True, slots=True)
class Figure:
    """One kind of figure.

    Attributes:
        name: as a spec writes it.
        unit: the unit it is worked out in, `OF_FIELD` for the field's own.
        basis: what its observations are.
        meaning: one line for tables and documentation.
        span: which numbers it can be: a share from 0 to 100 percent, none below zero, or any.
        difference: whether, in a field's unit, it is a difference of two values, so that 2 degC means 2 K.
        judged: when a verdict on it can be given.
        needs: what must be there for it to be measured.
        compared: how two runs are held against each other: as counts of events, by their bounds, or not at all.
        better: which way is better, that 0 is best, or that only a lower one is worse; "" where it depends on what is
            wanted.
        evidence: a query over the relations of `analysis.evidence` whose first row ends in the figure; no row at all
            stands for none. Of one of `FITTED` the rows are what the figure is fitted to.
        nothing: why there is no figure, where there is none.
    """

    name: str
    unit: str
    basis: str
    meaning: str
    span: Literal["share", "positive", "any"]
    difference: bool
    judged: JudgedWhen
    needs: Needs
    compared: Literal["counts", "bounds", ""]
    better: Literal["higher", "lower", "zero", "not lower", ""]
    evidence: str
    nothing: str = "no data to measure it from"


COUNT = JudgedWhen(FEWEST_VALUES, "above", whole_run=True, bounds_needed=False)  # or a longest: one can break it
ESTIMATE = JudgedWhen(FEWEST_VALUES, "", whole_run=False, bounds_needed=False)
RATE = JudgedWhen(0, "", whole_run=False, bounds_needed=False)  # its bounds tell how few the values are
BOUNDED = JudgedWhen(FEWEST_VALUES, "", whole_run=False, bounds_needed=True)
NOTHING = Needs((), without=None, setting="", stores=False)
STORES = Needs((), without=None, setting="", stores=True)
COUNTER = Needs(("sequence",), without=None, setting="", stores=False)


def percentile(share: str, column: str, relation: str, name: str) -> str:
    """The query for a quantile, by linear interpolation between the two nearest values (as NumPy's default does)."""
    return (
        f"SELECT n, sum({column} * CASE k WHEN floor(at) THEN 1 - at + floor(at) ELSE at - floor(at) END) AS {name} "  # noqa: S608
        f"FROM (SELECT {column}, row_number() OVER (ORDER BY {column}) - 1 AS k, "
        f"(count(*) OVER () - 1) * {share} AS at, count(*) OVER () AS n FROM {relation}) "
        f"WHERE k IN (floor(at), floor(at) + 1)"
    )


def counted(relation: str, columns: str, name: str, when: str) -> str:
    """The query for a count: the rows counted, each with how many they are."""
    return f"SELECT {columns}, count(*) OVER () AS {name} FROM {relation} WHERE {when}"  # noqa: S608


def by_name(*figures: Figure) -> dict[str, Figure]:
    """Figures as they are looked up."""
    return {figure.name: figure for figure in figures}
