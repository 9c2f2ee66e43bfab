"""The spec against the figures. A verdict is pass or fail only where the data carry it; everything else is
inconclusive, and says what is missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from gateway.analysis.bounds import SHARE, SHARE_IN_BURSTS, enough_for
from gateway.log.reader import RunInfo
from gateway.model.figures import LINK, Requirement, figures_of
from gateway.model.figures.declare import FEWEST_SECONDS
from gateway.model.records import Measure, Outcome, Verdict, overall
from gateway.model.units import unit_text

SMALLEST_SHARE = 0.1  # percent; "none at all" can't be shown, so it asks for as much as this
_SHARES = (SHARE, SHARE_IN_BURSTS)
CUT_OFF = "the run has not ended: it goes on, or its process was killed; judged up to its last record"


def judge(
    rules: Iterable[Requirement], kinds: Mapping[str, str], measures: Sequence[Measure], shortfall: str = ""
) -> list[Verdict]:
    """One verdict for each requirement and node it applies to.

    Args:
        rules: requirements; one on a node by its name takes the place of the one on its kind.
        kinds: the kind of each node, by its name.
        measures: the figures of the run.
        shortfall: how the run fell short of its planned length, "" where it did not.
    """
    found = {(m.node, m.subject, m.name): m for m in measures}
    verdicts = []
    rules = list(rules)
    for node, kind in kinds.items():
        own = {(rule.subject, rule.figure) for rule in rules if rule.whom == node}
        for rule in rules:
            if rule.whom == node or (rule.whom == kind and (rule.subject, rule.figure) not in own):
                missing = Measure(node, rule.subject, rule.figure, None, rule.unit, 0, "")
                measure = found.get((node, rule.subject, rule.figure), missing)
                verdicts.append(_verdict(measure, rule.low, rule.high, found, shortfall))
    return verdicts


def outcome_of(run: RunInfo, verdicts: Iterable[Verdict]) -> Outcome:
    """The verdict on the whole: inconclusive where nothing is required, or where a run that goes on would pass."""
    outcome = overall(verdict.outcome for verdict in verdicts)
    return Outcome.INCONCLUSIVE if outcome is Outcome.PASS and run.ended_ns is None else outcome


def _verdict(
    m: Measure,
    low: float | None,
    high: float | None,
    found: Mapping[tuple[str, str, str], Measure],
    shortfall: str,
) -> Verdict:
    def doubt(why: str, margin: float | None = None) -> Verdict:
        return Verdict(m, low, high, Outcome.INCONCLUSIVE, margin, why)

    lasted = found.get((m.node, LINK, "connected"))
    if not shortfall and lasted is not None and lasted.n < FEWEST_SECONDS:
        shortfall = f"the run lasted {lasted.n} s, at least {FEWEST_SECONDS} s are needed"
    if m.name.startswith("reconnect_time_") and m.value is None:
        lost = found.get((m.node, m.subject, "disconnects"))
        if lost is None or lost.value != 0 or not lost.n:
            return doubt("no data to measure it from")
        return doubt(shortfall) if shortfall else Verdict(m, low, high, Outcome.PASS, None, "never disconnected")
    if m.value is None:
        return doubt(figures_of(m.subject)[m.name].nothing)
    judged, value = figures_of(m.subject)[m.name].judged, m.value
    margin = min(value - low if low is not None else math.inf, high - value if high is not None else math.inf)
    if high is not None and value > high and judged.disproves == "above":
        return Verdict(m, low, high, Outcome.FAIL, margin)
    if low is not None and value < low and judged.disproves == "below":
        return Verdict(m, low, high, Outcome.FAIL, margin)
    if m.n < judged.fewest:
        return doubt(f"{m.n} {m.basis}, at least {judged.fewest} are needed", margin)
    if m.method in _SHARES and high == 0 and value > 0:  # none at all: one is too many
        return Verdict(m, low, high, Outcome.FAIL, margin)
    if judged.bounds_needed and not m.method:
        return doubt(f"{m.n} {m.basis} are too few for confidence bounds", margin)
    if m.method and (why := _open(m, low, high)):
        return doubt(why, margin)
    if judged.whole_run and shortfall:
        return doubt(shortfall, margin)
    resolution = value / m.n if m.name.startswith("rate") and m.n else 0.0  # one value more or less in the time
    if resolution > 0 and abs(margin) < resolution:
        return doubt("so close to the limit that a single value decides; run longer", margin)
    return Verdict(m, low, high, Outcome.FAIL if margin < 0 else Outcome.PASS, margin)


def _open(m: Measure, low: float | None, high: float | None) -> str:
    """Why the bounds of a figure do not tell yet on which side of a limit it lies, "" where they do."""
    lowest = -math.inf if m.low is None else m.low
    highest = math.inf if m.high is None else m.high
    allowed = SMALLEST_SHARE if high == 0 and m.method in _SHARES else high
    if (low is not None and highest < low) or (allowed is not None and lowest > allowed):
        return ""
    limit = low if low is not None and lowest < low else allowed if allowed is not None and highest > allowed else None
    if limit is None:
        return ""
    enough = _enough(m, limit)
    need = f"about {enough:,} would be enough" if enough is not None else "a longer run would not help"
    sides = f"{_side(m.low)} to {_side(m.high)} {unit_text(m.unit)}".strip()
    return f"{m.n} {m.basis} leave {sides} possible; {need}"


def _side(bound: float | None) -> str:
    return "anything" if bound is None else f"{bound:.4g}"


def _enough(m: Measure, limit: float) -> int | None:
    """How many observations would tell, if the figure stays what it is."""
    if m.value is None:
        return None
    if m.method == SHARE:
        return enough_for(m.value / 100, limit / 100, m.n)
    if m.low is None or m.high is None:
        return 4 * m.n  # quantiles far out: their ranks come into sight with the number
    distance = abs(m.value - limit)
    factor = (max(m.high - m.value, m.value - m.low) / distance) ** 2 if distance > 0 else math.inf
    return math.ceil(m.n * factor * 1.1) if factor < 1e6 else None
