"""Two runs side by side, firmware before and after: each figure of both, and whether the difference is beyond what
the amount of data leaves open. The figures with bounds are tested together (Holm), and so are the counts (Tarone and
Holm), each with half of the risk where there are both: with two runs of the same firmware, something is told to be
worse in 5 % of cases at most, and something to be better in as many. How small a change would be told is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from gateway.analysis.bounds import BLOCKS, T_BLOCKS, at_least, t_beyond, t_quantile
from gateway.analysis.chance import holm, holm_of_counts
from gateway.log.info import RunInfo
from gateway.model.figures import LINK, figures_of
from gateway.model.records import Measure, Outcome, Verdict

Change = Literal["higher", "lower", "no change seen", "not comparable"]
_RISK = 0.05  # of a change that is told among all figures, and of being no worse that is told of one
_POWER = 0.8  # how often a change is told that is said to be told


@dataclass(frozen=True, slots=True)
class Pair:
    """A figure of a node in the first and in the second run.

    Attributes:
        before, after: None where a run has no such figure.
        change: how the second stands to the first.
        chance: how likely two runs of the same firmware differ as much in this figure, a count that way; None where
            that can't be told.
        least_chance: of a count, what it would have been had all happened in one of the runs.
        seen_from: the smallest change that would be told four times of five, in the figure's unit; None for counts.
        no_worse: whether the second is shown to be no worse by more than the margin that was asked for; None where
            none was, or where neither way is worse.
    """

    node: str
    subject: str
    figure: str
    before: Measure | None
    after: Measure | None
    change: Change
    chance: float | None = None
    least_chance: float | None = None
    seen_from: float | None = None
    no_worse: bool | None = None

    @property
    def direction(self) -> Literal["better", "worse", "changed", ""]:
        """What the change means, "" for none."""
        if self.change not in ("higher", "lower"):
            return ""
        better = figures_of(self.subject)[self.figure].better
        if better == "zero":
            before, after = (abs(m.value or 0) if m is not None else 0 for m in (self.before, self.after))
            return "better" if after < before else "worse"
        if better == "not lower":
            return "worse" if self.change == "lower" else "changed"
        return "changed" if not better else "better" if better == self.change else "worse"

    @property
    def new(self) -> bool:
        """Whether it counts something that should not be, and was not there in the first run."""
        counts = figures_of(self.subject)[self.figure].compared == "counts"
        return counts and self.before is not None and self.before.value == 0 and bool(self.after and self.after.value)


@dataclass(frozen=True, slots=True)
class Flip:
    """A requirement whose verdict is another in the second run."""

    before: Verdict
    after: Verdict

    @property
    def worse(self) -> bool:
        """Whether it fails now and did not before."""
        return self.after.outcome is Outcome.FAIL


def flips(first: tuple[RunInfo, Sequence[Verdict]], second: tuple[RunInfo, Sequence[Verdict]]) -> list[Flip]:
    """Requirements of both runs whose verdicts differ."""
    after = {(v.measure.node, v.measure.subject, v.measure.name): v for v in second[1]}
    names = _partners(first[0], second[0])
    found = []
    for verdict in first[1]:
        m = verdict.measure
        other = after.get((names.get(m.node, ""), m.subject, m.name))
        if other is not None and other.outcome is not verdict.outcome:
            found.append(Flip(verdict, other))
    return found


def compare(
    first: tuple[RunInfo, Sequence[Measure]], second: tuple[RunInfo, Sequence[Measure]], margin: float | None = None
) -> list[Pair]:
    """Every figure of every node that both runs have.

    A node is that of the same name; where a kind has one node in each run, these are taken for the same.

    Args:
        first, second: the runs with their figures.
        margin: by how much of the first run's figure the second may be worse and is still to be shown no worse.
    """
    names = _partners(first[0], second[0])
    lasted_s = first[0].lasted_s, second[0].lasted_s
    before = {(m.node, m.subject, m.name): m for m in first[1]}
    after = {(m.node, m.subject, m.name): m for m in second[1]}
    pairs = []
    for node, partner in names.items():
        keys = dict.fromkeys([k[1:] for k in before if k[0] == node] + [k[1:] for k in after if k[0] == partner])
        for subject, figure in keys:
            a, b = before.get((node, subject, figure)), after.get((partner, subject, figure))
            pairs.append(_pair(node, subject, figure, a, b, lasted_s, margin))
    bounded = [pair for pair in pairs if pair.chance is not None and pair.least_chance is None]
    counted = [pair for pair in pairs if pair.least_chance is not None]
    risk = _RISK / 2 if bounded and counted else _RISK  # of either family, so that that of both is kept
    stands = [
        *holm([p.chance or 0.0 for p in bounded], len(bounded), risk),
        *holm_of_counts([p.chance or 0.0 for p in counted], [p.least_chance or 0.0 for p in counted], risk),
    ]
    told = {id(pair): stand for pair, stand in zip([*bounded, *counted], stands, strict=True)}
    freedom = BLOCKS - 1
    strictest_t = t_quantile(risk / 2 / max(len(bounded), 1), freedom) + t_quantile(1 - _POWER, freedom)
    return [
        replace(
            pair,
            change=pair.change if told.get(id(pair)) else "no change seen" if id(pair) in told else "not comparable",
            seen_from=None if pair.seen_from is None else pair.seen_from * strictest_t,
        )
        for pair in pairs
    ]


def _partners(first: RunInfo, second: RunInfo) -> dict[str, str]:
    """Nodes of the first run with those of the second that they are."""
    partners = {node.name: node.name for node in first.nodes if node.name in {other.name for other in second.nodes}}
    for kind in {node.kind for node in first.nodes}:
        here = [node.name for node in first.nodes if node.kind == kind]
        there = [node.name for node in second.nodes if node.kind == kind]
        if len(here) == len(there) == 1:
            partners[here[0]] = there[0]
    return {node.name: partners[node.name] for node in first.nodes if node.name in partners}


def _pair(
    node: str,
    subject: str,
    figure: str,
    a: Measure | None,
    b: Measure | None,
    lasted_s: tuple[float, float],
    margin: float | None,
) -> Pair:
    """A figure by itself: ``change`` is the way it went, and ``seen_from`` the standard error of the difference."""
    plain = Pair(node, subject, figure, a, b, "not comparable")
    if a is None or b is None or a.value is None or b.value is None:
        return plain
    declared = figures_of(subject)[figure]
    way: Change = "higher" if b.value > a.value else "lower"
    if declared.compared == "counts":
        exposed = lasted_s if subject == LINK else (a.n, b.n)
        if min(exposed) <= 0:
            return plain
        counts, rates = (round(a.value), round(b.value)), (a.value / exposed[0], b.value / exposed[1])
        shown = margin is not None and _chance_of_counts(*counts, exposed[0], exposed[1] * (1 + margin))[1] <= _RISK
        way = "higher" if rates[1] > rates[0] else "lower"
        return replace(
            plain,
            change=way,
            chance=min(_chance_of_counts(*counts, *exposed)),
            least_chance=(min(exposed) / sum(exposed)) ** sum(counts),
            no_worse=shown if margin is not None else None,
        )
    if declared.compared != "bounds" or not (a.method and b.method):
        return plain
    error, worse = _error_of_difference(a, b, b.value > a.value), _worse_by(a.value, b.value, declared.better)
    no_worse = None
    if margin is not None and worse is not None:
        no_worse = _beyond(margin * abs(a.value) - worse, _error_of_difference(a, b, b.value < a.value)) <= _RISK
    chance = min(2 * _beyond(abs(b.value - a.value), error), 1.0)
    return replace(plain, change=way, chance=chance, seen_from=error, no_worse=no_worse)


def _worse_by(a: float, b: float, better: str) -> float | None:
    """By how much the second figure is worse, None where neither way is."""
    if better == "zero":
        return abs(b) - abs(a)
    return None if not better else b - a if better == "lower" else a - b


def _error_of_difference(a: Measure, b: Measure, rises: bool) -> float | None:
    """The standard error of a difference, from those sides of both bounds that face each other; None where one is
    open."""
    facing = (a.high, b.low) if rises else (a.low, b.high)
    if facing[0] is None or facing[1] is None or a.value is None or b.value is None:
        return None
    return math.hypot(a.value - facing[0], b.value - facing[1]) / T_BLOCKS


def _beyond(difference: float, error: float | None) -> float:
    """How likely a difference is so high or higher where there is none."""
    if error is None:
        return 1.0
    if error == 0:
        return 0.0 if difference > 0 else 1.0
    return t_beyond(difference / error, BLOCKS - 1)


def _chance_of_counts(a: int, b: int, exposed_a: float, exposed_b: float) -> tuple[float, float]:
    """How likely so many or more, and so few or fewer, of all that happened fall to the second run, were both alike
    (the exact conditional test of two Poisson counts: Przyborowski and Wilenski, Biometrika 31, 1940; from memory)."""
    alike = exposed_b / (exposed_a + exposed_b)
    return at_least(b, a + b, alike), at_least(a, a + b, 1 - alike)


def unit_of(pair: Pair) -> str:
    """The unit of a pair's figures."""
    return next(m.unit for m in (pair.before, pair.after) if m is not None)
