"""The spec against the figures. A verdict is pass or fail only where the data carry it; everything else is
inconclusive, and says what is missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from gateway.records import Measure, Outcome, Verdict

Rule = tuple[str, str, str, float | None, float | None]  # kind, subject, figure, low, high

FEWEST_VALUES = 20  # common practice: below it a share or a median says little
FEWEST_FOR_P99 = 100  # one value in a hundred has to exist
FEWEST_SECONDS = 10
# n >= 3/p without an event puts p below its limit at 95 %: Hanley and Lippman-Hand, JAMA 249 (1983), from memory
RULE_OF_THREE = 3
# Figures that one observation can push over their limit for good.
_PROVEN_BY_ONE = {
    "gap_longest",
    "undecoded",
    "outside_limits",
    "duplicates",
    "losses",
    "descriptors_differ",
    "settings_differ",
    "return_longest",
}
_ENOUGH = {
    "gap_p99": FEWEST_FOR_P99,
    "linked": FEWEST_SECONDS,
    "losses": 1,
    "descriptors_differ": 1,
    "settings_differ": 1,
    "return_median": 1,
    "return_longest": 1,
}


def judge(rules: Iterable[Rule], kinds: Mapping[str, str], measures: Sequence[Measure]) -> list[Verdict]:
    """One verdict for each requirement and node it applies to.

    Args:
        rules: requirements, bounds in the figure's unit.
        kinds: the kind of each node, by its name.
        measures: the figures of the run.
    """
    found = {(m.node, m.subject, m.name): m for m in measures}
    verdicts = []
    for kind, subject, figure, low, high in rules:
        for node, its_kind in kinds.items():
            if its_kind == kind:
                missing = Measure(node, subject, figure, None, "", 0, "")
                verdicts.append(_verdict(found.get((node, subject, figure), missing), low, high, found))
    return sorted(verdicts, key=lambda v: list(kinds).index(v.measure.node))


def overall(verdicts: Sequence[Verdict]) -> Outcome:
    """Fail if one fails, else inconclusive if one is or there are none, else pass."""
    outcomes = {verdict.outcome for verdict in verdicts}
    if Outcome.FAIL in outcomes:
        return Outcome.FAIL
    return Outcome.PASS if outcomes == {Outcome.PASS} else Outcome.INCONCLUSIVE


def _verdict(
    m: Measure, low: float | None, high: float | None, found: Mapping[tuple[str, str, str], Measure]
) -> Verdict:
    if m.name.startswith("return_") and m.value is None:
        losses = found.get((m.node, m.subject, "losses"))
        if losses is not None and losses.value == 0 and losses.n:
            return Verdict(m, low, high, Outcome.PASS, None, "the link was never lost")
    if m.value is None:
        return Verdict(m, low, high, Outcome.INCONCLUSIVE, None, "nothing to measure it from")
    margins = [
        edge
        for edge in (m.value - low if low is not None else None, high - m.value if high is not None else None)
        if edge is not None
    ]
    margin = min(margins)
    if margin < 0 and m.name in _PROVEN_BY_ONE:
        return Verdict(m, low, high, Outcome.FAIL, margin)
    enough = _needed(m, high)
    if m.n < enough:
        return Verdict(m, low, high, Outcome.INCONCLUSIVE, margin, f"{m.n} {m.basis}, at least {enough} are needed")
    resolution = m.value / m.n if m.name.startswith("rate") else 0.0  # one value more or less in the time
    if resolution > 0 and abs(margin) < resolution:
        longer = "so close to the limit that one value more or less decides; run longer"
        return Verdict(m, low, high, Outcome.INCONCLUSIVE, margin, longer)
    return Verdict(m, low, high, Outcome.FAIL if margin < 0 else Outcome.PASS, margin)


def _needed(m: Measure, high: float | None) -> int:
    """How many observations a verdict on this figure rests on at least."""
    if m.name in ("loss", "no_reading") and high and m.value is not None and m.value <= high:
        return max(FEWEST_VALUES, math.ceil(RULE_OF_THREE * 100 / high))
    return _ENOUGH.get(m.name, FEWEST_VALUES)
