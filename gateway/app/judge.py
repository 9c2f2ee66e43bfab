"""A log judged: its figures, its requirements held against them, two runs compared, a field held against a calibrated
instrument."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.analysis.compare import Flip, Pair, flips
from gateway.analysis.compare import compare as compare_runs
from gateway.analysis.judge import judge as judge_measures
from gateway.analysis.judge import outcome_of
from gateway.analysis.measure import measure_run
from gateway.analysis.measure.agreement import Agreement, Budget, agreement, values_of
from gateway.analysis.measure.reference import read_reference
from gateway.analysis.measure.setpoints import Calibration, calibration
from gateway.config import RunConfig
from gateway.log.info import RunInfo
from gateway.log.notes import span_of
from gateway.log.reader import Log
from gateway.model.errors import InputError, UnitError
from gateway.model.figures import Requirement
from gateway.model.records import Measure, Outcome, Verdict
from gateway.model.units import Unit, parse_quantity, parse_unit
from gateway.model.utc import duration_text


@dataclass(frozen=True, slots=True)
class Judged:
    """A run with its verdicts, and the figures that they rest on."""

    run: RunInfo
    verdicts: list[Verdict]
    measures: list[Measure]

    @property
    def outcome(self) -> Outcome:
        """The verdict on the whole; inconclusive where nothing is required, or a run that has not ended would pass."""
        return outcome_of(self.run, self.verdicts)


def judge(log: Path, run: int | None = None, spec: RunConfig | None = None, look: int = 0) -> Judged:
    """Judge a run of a log.

    Args:
        run: its number, the newest by default.
        spec: a run file whose requirements to use; the log's own by default.
        look: number of the look at a run that goes on, from 1; 0 where it has ended.

    Raises:
        LogFileError: the log can't be used.
    """
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        rules: Sequence[Requirement] = spec.requirements if spec is not None else info.requirements
        fields = {rule.subject for rule in rules if "." in rule.subject}
        kinds = {node.name: node.kind for node in info.nodes}
        measures = measure_run(opened, info, fields)
        shortfall = info.shortfall or ("the run goes on" if look else "")
        return Judged(info, judge_measures(rules, kinds, measures, shortfall, look), measures)


def figures(log: Path, run: int | None = None, fields: Collection[str] | None = None) -> list[Measure]:
    """Every figure of a run, with its unit and, where it has any, its 95 % bounds.

    Args:
        run: its number, the newest by default.
        fields: whose figures to work out as well, written ``channel.field``; None for every field.

    Raises:
        LogFileError: the log can't be used.
    """
    with Log(log) as opened, opened.damage_reported():
        return measure_run(opened, opened.run(run), fields)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs, and each figure that both have.

    Attributes:
        flips: requirements whose verdict is another.
        warnings: why the runs may not be comparable.
    """

    before: RunInfo
    after: RunInfo
    pairs: list[Pair]
    flips: list[Flip]
    warnings: list[str]

    @property
    def changed(self) -> list[Pair]:
        """The figures that differ beyond the uncertainty of both."""
        return [pair for pair in self.pairs if pair.direction]

    @property
    def worse(self) -> bool:
        """Whether something got worse: a requirement that fails now, or a figure beyond its uncertainty."""
        return any(flip.worse for flip in self.flips) or any(pair.direction == "worse" for pair in self.pairs)


def compare(
    before: Path,
    after: Path,
    run_a: int | None = None,
    run_b: int | None = None,
    margin: float | None = None,
    span_a: str | None = None,
    span_b: str | None = None,
) -> Comparison:
    """Hold two runs against each other, figure by figure.

    Args:
        before, after: the logs.
        run_a, run_b: which run of each, the newest by default.
        margin: by what share of its figure the second run may be worse, to be shown no worse by more than that.
        span_a, span_b: of each run only the time from the note with this text to the next one; None for all of it.

    Raises:
        LogFileError: a log can't be used.
        InputError: the runs have no node in common, or there is no such note.
    """
    measured, verdicts, texts = [], [], []
    for path, number, span in ((before, run_a, span_a), (after, run_b, span_b)):
        with Log(path) as opened, opened.damage_reported():
            info = opened.run(number)
            if span is not None:
                info = opened.part(info, *span_of(path, info.uid, span, info.end_ns))
            found = measure_run(opened, info)
            of = {node.name: node.kind for node in info.nodes}
            measured.append((info, found))
            verdicts.append((info, judge_measures(info.requirements, of, found, info.shortfall)))
            texts.append(opened.plugin_texts(info))
    pairs = compare_runs(measured[0], measured[1], margin)
    if not pairs:
        kinds = [", ".join(f"{n.name} ({n.kind})" for n in info.nodes) or "none" for info, _ in measured]
        raise InputError(f"the runs have no node in common: {kinds[0]} in {before}, {kinds[1]} in {after}")
    infos = measured[0][0], measured[1][0]
    return Comparison(*infos, pairs, flips(verdicts[0], verdicts[1]), _differences(*infos, *texts))


def _differences(a: RunInfo, b: RunInfo, texts_a: Mapping[str, str], texts_b: Mapping[str, str]) -> list[str]:
    """Why two runs may not be comparable, a line each."""
    found = []
    short, long = sorted((a.lasted_s, b.lasted_s))
    if long > 2 * short:
        found.append(f"A lasted {duration_text(round(a.lasted_s))}, B {duration_text(round(b.lasted_s))}")
    found += [f"the plugin {kind} differs" for kind in texts_a if kind in texts_b and texts_a[kind] != texts_b[kind]]
    if a.run_text and b.run_text and a.run_text != b.run_text:
        found.append("the run files differ, so settings and requirements may")
    found += [f"run {letter} has not ended" for letter, run in (("A", a), ("B", b)) if run.ended_ns is None]
    return found


@dataclass(frozen=True, slots=True)
class Agreed:
    """A field of a node beside a reference, in the field's unit.

    Attributes:
        agreement: with an instrument that read all the time, None for set points.
        calibration: by set points, None for readings.
        budget: what the agreement's offset is uncertain by; None without the reference's uncertainty.
    """

    node: str
    field: str
    unit: str
    agreement: Agreement | None
    calibration: Calibration | None = None
    budget: Budget | None = None


def agree(
    log: Path,
    reference: Path,
    field: str,
    unit: str,
    node: str | None = None,
    column: str | None = None,
    time: str | None = None,
    zone: str | None = None,
    most_lag_s: float = 60.0,
    uncertainty: str | None = None,
    limit: str | None = None,
    run: int | None = None,
) -> Agreed:
    """Compare a field with a calibrated instrument that stood beside the node, or with set points that were held.

    Args:
        reference: CSV with a header; with columns ``from`` and ``to`` it holds set points.
        field: written ``channel.field``.
        unit: of the reference's numbers.
        node: which, needed where the run has several.
        column, time, zone: as for `read_reference`.
        most_lag_s: how far a lag is looked for, seconds; not with set points.
        uncertainty: expanded uncertainty of the reference (k = 2), with its unit.
        limit: how large an error at a set point may be, with its unit.
        run: its number, the newest by default.

    Raises:
        InputError: one of them can't be used, or the two have too little time in common.
    """
    read = read_reference(reference, time, column, zone)
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        nodes = info.chosen([node] if node else [], [])
        if len(nodes) != 1:
            raise InputError(f"run {info.id} has the nodes {', '.join(n.name for n in nodes)}; choose one with --node")
        times_s, values, of_field = values_of(opened, info, nodes[0], field)
    own = parse_unit(of_field.unit)
    gain, zero = (float(part) for part in parse_unit(unit).to(own))
    expanded = None if uncertainty is None else abs(_difference(uncertainty, own, "uncertainty"))
    who = nodes[0].name, field, of_field.unit
    if read.holds:
        holds = [replace(hold, value=hold.value * gain + zero) for hold in read.holds]
        allowed = None if limit is None else abs(_difference(limit, own, "limit"))
        return Agreed(*who, None, calibration(times_s, values, holds, expanded or 0.0, allowed))
    if limit is not None:
        raise InputError(f"{reference} holds no set points, and a limit is for those; columns from and to make them")
    found = agreement(times_s, values, read.times_s, read.values * gain + zero, most_lag_s)
    return Agreed(*who, found, None, None if expanded is None else found.budget(expanded, of_field.lsb))


def _difference(text: str, unit: Unit, what: str) -> float:
    """A difference of two values, such as 0.2 K, in a unit."""
    try:
        return float(parse_quantity(text).span_in(unit))
    except UnitError as error:
        raise InputError(f"{what} {text!r}: {error}; write it with its unit, such as '0.2 {unit.symbol}'") from None
