"""Two runs side by side, firmware before and after: each figure of both, and whether the difference is beyond what
the amount of data leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from gateway.analysis.bounds import at_least
from gateway.log.reader import RunInfo
from gateway.model.figures import LINK, figures_of
from gateway.model.records import Measure, Outcome, Verdict

Change = Literal["higher", "lower", "no change seen", "not comparable"]
_RISK = 0.05


@dataclass(frozen=True, slots=True)
class Pair:
    """A figure of a node in the first and in the second run.

    Attributes:
        before, after: None where a run has no such figure.
        change: how the second stands to the first.
    """

    node: str
    subject: str
    figure: str
    before: Measure | None
    after: Measure | None
    change: Change

    @property
    def direction(self) -> Literal["better", "worse", "changed", ""]:
        """What the change means, "" for none."""
        if self.change not in ("higher", "lower"):
            return ""
        better = figures_of(self.subject)[self.figure].better
        if better == "zero":
            before, after = (abs(m.value or 0) if m is not None else 0 for m in (self.before, self.after))
            return "better" if after < before else "worse"
        return "changed" if not better else "better" if better == self.change else "worse"


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


def compare(first: tuple[RunInfo, Sequence[Measure]], second: tuple[RunInfo, Sequence[Measure]]) -> list[Pair]:
    """Every figure of every node that both runs have.

    A node is that of the same name; where a kind has one node in each run, these are taken for the same.

    Args:
        first, second: the runs with their figures.
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
            pairs.append(Pair(node, subject, figure, a, b, _change(a, b, lasted_s)))
    return pairs


def _partners(first: RunInfo, second: RunInfo) -> dict[str, str]:
    """Nodes of the first run with those of the second that they are."""
    partners = {node.name: node.name for node in first.nodes if node.name in {other.name for other in second.nodes}}
    for kind in {node.kind for node in first.nodes}:
        here = [node.name for node in first.nodes if node.kind == kind]
        there = [node.name for node in second.nodes if node.kind == kind]
        if len(here) == len(there) == 1:
            partners[here[0]] = there[0]
    return {node.name: partners[node.name] for node in first.nodes if node.name in partners}


def _change(a: Measure | None, b: Measure | None, lasted_s: tuple[float, float]) -> Change:
    if a is None or b is None or a.value is None or b.value is None:
        return "not comparable"
    compared = figures_of(a.subject)[a.name].compared
    if compared == "counts":
        exposed = lasted_s if a.subject == LINK else (a.n, b.n)
        return _counted(round(a.value), round(b.value), *exposed)
    if compared != "bounds" or not (a.method and b.method):
        return "not comparable"
    if a.high is not None and b.low is not None and b.low > a.high:
        return "higher"
    if a.low is not None and b.high is not None and b.high < a.low:
        return "lower"
    return "no change seen"


def _counted(a: int, b: int, exposed_a: float, exposed_b: float) -> Change:
    """Of all that happened, the share that fell to the second run would be its share of the exposure, were both alike
    (the exact conditional test of two Poisson counts: Przyborowski and Wilenski, Biometrika 31, 1940; from memory), at
    5 % a side: none before and five now, in as long a time, is a change."""
    if exposed_a <= 0 or exposed_b <= 0:
        return "not comparable"
    alike = exposed_b / (exposed_a + exposed_b)
    if a + b and at_least(b, a + b, alike) <= _RISK:
        return "higher"
    return "lower" if a + b and at_least(a, a + b, 1 - alike) <= _RISK else "no change seen"


def unit_of(pair: Pair) -> str:
    """The unit of a pair's figures."""
    return next(m.unit for m in (pair.before, pair.after) if m is not None)
