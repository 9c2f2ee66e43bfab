"""The spec against the figures. A verdict is pass or fail only where the data carry it; everything else is
inconclusive, and says what is missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from gateway.analysis.bounds import SHARE, SHARE_IN_BURSTS, enough_for
from gateway.analysis.chance import chance_at, holm
from gateway.log.info import RunInfo
from gateway.model.figures import GUARD, LINK, SIMPLE, Requirement, figures_of
from gateway.model.figures.declare import FEWEST_SECONDS
from gateway.model.records import Measure, Outcome, Verdict, overall
from gateway.model.units import unit_text

SMALLEST_SHARE = 0.1  # percent; "none at all" can't be shown, so it asks for as much as this
_SHARES = (SHARE, SHARE_IN_BURSTS)
CUT_OFF = "the run has not ended: it goes on, or its process was killed; judged up to its last record"


def judge(
    rules: Iterable[Requirement],
    kinds: Mapping[str, str],
    measures: Sequence[Measure],
    shortfall: str = "",
    look: int = 0,
) -> list[Verdict]:
    """One verdict for each requirement and node it applies to.

    A failure that rests on chance has to stand among all requirements that do (`chance.holm`); passing needs no such
    correction, as a run passes only where all of them do.

    Args:
        rules: requirements; one on a node by its name takes the place of the one on its kind.
        kinds: the kind of each node, by its name.
        measures: the figures of the run.
        shortfall: how the run fell short of its planned length, "" where it did not.
        look: number of this look at a run that goes on, from 1, or 0 where it has ended. What is told in any look holds
            with the risk of one: the nth has 6 / (pi n)**2 of it, which adds up to all (a union bound over looks;
            time-uniform bounds of Howard et al., Annals of Statistics 49, 2021, are narrower where each value is
            looked at).
    """
    found = {(m.node, m.subject, m.name): m for m in measures}
    part = 6 / (math.pi * look) ** 2 if look else 1.0
    verdicts: list[Verdict] = []
    failing: list[tuple[int, float, float]] = []  # which verdict, its chance, its risk
    tested = 0
    rules = list(rules)
    subjects = list(dict.fromkeys(rule.subject for rule in rules))
    rules = sorted(rules, key=lambda rule: subjects.index(rule.subject))  # each together, wherever it comes from
    for node, kind in kinds.items():
        own = {(rule.subject, rule.figure) for rule in rules if rule.whom == node}
        for rule in rules:
            if rule.whom == node or (rule.whom == kind and (rule.subject, rule.figure) not in own):
                missing = Measure(node, rule.subject, rule.figure, None, rule.unit, 0, "")
                measure = found.get((node, rule.subject, rule.figure), missing)
                risk = rule.risk * part if rule.risk < SIMPLE else SIMPLE
                verdict = _verdict(measure, rule.low, rule.high, found, shortfall, risk)
                if measure.method and risk < SIMPLE:
                    tested += 1
                    if verdict.outcome is Outcome.FAIL and (chance := _chance_of_failing(verdict)) > 0:
                        failing.append((len(verdicts), chance, risk))
                verdicts.append(replace(verdict, risk=rule.risk))
    for place, chance in _by_accident(failing, tested):
        verdicts[place] = replace(
            verdicts[place],
            outcome=Outcome.INCONCLUSIVE,
            why=f"fails on its own, but could by chance (p = {chance:.2g}); as {tested} requirements are tested at "
            "once, Holm's correction asks for more; run longer",
        )
    return verdicts


def _by_accident(failing: Sequence[tuple[int, float, float]], tested: int) -> Iterator[tuple[int, float]]:
    """The failures that do not stand among so many requirements, each with its chance; of a requirement with a risk of
    its own the chance counts against that."""
    stand = holm([chance / risk for _, chance, risk in failing], tested, 1.0)
    for (place, chance, _), stands in zip(failing, stand, strict=True):
        if not stands:
            yield place, chance


def _chance_of_failing(v: Verdict) -> float:
    """How likely a node just within its limits is found so far outside; 0 where one event is proof."""
    m, allowed = v.measure, _allowed(v.measure, v.high)
    if v.high == 0 and m.method in _SHARES:
        return 0.0
    above = chance_at(m, allowed, above=True) if allowed is not None else 1.0
    return min(above, chance_at(m, v.low, above=False) if v.low is not None else 1.0)


def decision_text(verdicts: Iterable[Verdict]) -> str:
    """The decision rule of a run in words, with its risks (JCGM 106, 9.3 and 9.5: those of consumer and producer; from
    memory)."""
    other = [v for v in verdicts if v.risk != GUARD]
    own = [
        f"{v.measure.node} {v.measure.subject} {v.measure.name}: "
        + ("simple acceptance" if v.risk == SIMPLE else f"a risk of {v.risk:.2g}")
        for v in other
    ]
    return (
        "guarded acceptance: a node just at a limit passes in 2.5 % of runs at most (consumer's risk), and one that "
        "keeps all its limits fails in 2.5 % at most (producer's risk; failures that rest on chance stand among all "
        "requirements, by Holm)" + (f"; other rules for {', '.join(own)}" if own else "")
    )


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
    risk: float,
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
        return doubt(f"{m.observed}, at least {judged.fewest} are needed", margin)
    if m.method in _SHARES and high == 0 and value > 0:  # none at all: one is too many
        return Verdict(m, low, high, Outcome.FAIL, margin)
    if judged.bounds_needed and not m.method and risk < SIMPLE:
        return doubt(f"{m.observed} without confidence bounds: too few, or they change through the whole run", margin)
    decided = _decided(m, low, high, risk) if m.method and risk < SIMPLE else None
    if m.method and risk < SIMPLE and decided is None:
        return doubt(_open(m, low, high, risk), margin)
    if judged.whole_run and shortfall and decided is not Outcome.FAIL:
        return doubt(shortfall, margin)
    if decided is not None:
        return Verdict(m, low, high, decided, margin)
    resolution = value / m.n if m.name.startswith("rate") and m.n else 0.0  # one value more or less in the time
    if resolution > 0 and abs(margin) < resolution:
        return doubt("so close to the limit that a single value decides; run longer", margin)
    return Verdict(m, low, high, Outcome.FAIL if margin < 0 else Outcome.PASS, margin)


def _allowed(m: Measure, high: float | None) -> float | None:
    """What a share may be at most: that there is none at all can't be shown."""
    return SMALLEST_SHARE if high == 0 and m.method in _SHARES else high


def _decided(m: Measure, low: float | None, high: float | None, risk: float) -> Outcome | None:
    """On which side of its limits a figure with bounds lies, at a risk; None where that is still open."""
    allowed, risk = _allowed(m, high), risk * (1 + 1e-9)
    if low is not None and chance_at(m, low, above=False) <= risk:
        return Outcome.FAIL
    if allowed is not None and chance_at(m, allowed, above=True) <= risk:
        return Outcome.FAIL
    held = (low is None or chance_at(m, low, above=True) <= risk) and (
        allowed is None or chance_at(m, allowed, above=False) <= risk
    )
    return Outcome.PASS if held else None


def _open(m: Measure, low: float | None, high: float | None, risk: float) -> str:
    """Why it is open on which side of a limit a figure lies."""
    allowed = _allowed(m, high)
    chances = [
        (chance_at(m, limit, above), limit) for limit, above in ((low, True), (allowed, False)) if limit is not None
    ]
    chance, limit = max(chances)
    enough = _enough(m, limit)
    need = f"about {enough:,} would be enough" if enough is not None else "a longer run would not help"
    need = need if m.n else "a longer run would tell"
    if risk != GUARD and _within(m, low, allowed):
        return f"a node at the limit would do as well in {chance:.2g} of all runs, more than the risk of {risk:.2g}"
    sides = f"{_side(m.low)} to {_side(m.high)} {unit_text(m.unit)}".strip()
    return f"{m.observed} leave{'s' if m.n == 1 else ''} {sides} possible; {need}"


def _within(m: Measure, low: float | None, high: float | None) -> bool:
    """Whether the 95 % bounds lie within the limits."""
    return (low is None or (m.low is not None and m.low >= low)) and (
        high is None or (m.high is not None and m.high <= high)
    )


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
