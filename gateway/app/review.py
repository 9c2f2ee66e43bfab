"""A log looked at again: judged, and surveyed for a report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.analysis.judge import judge, overall
from gateway.analysis.measure import NodeSurvey, measure_run, survey_run
from gateway.config import RunConfig
from gateway.log.reader import Log, RunInfo
from gateway.model.errors import InputError
from gateway.model.events import LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Outcome, Verdict
from gateway.report.page import bins_for, page
from gateway.report.picture import picture
from gateway.report.plots import Plot, plots_of


def verdicts_of(log: Path, run: int | None, spec: RunConfig | None) -> tuple[RunInfo, list[Verdict]]:
    """Judge a run of a log against its own spec, or against another run file's.

    Raises:
        LogFileError: the log can't be used.
    """
    with Log(log) as opened, opened.damage_told():
        info = opened.run(run)
        rules: Sequence[Requirement] = spec.requirements if spec is not None else info.requirements
        fields = {rule.subject for rule in rules if "." in rule.subject}
        kinds = {node.name: node.kind for node in info.nodes}
        return info, judge(rules, kinds, measure_run(opened, info, fields), info.shortfall)


@dataclass(frozen=True, slots=True)
class Review:
    """A run with everything that was measured of it."""

    info: RunInfo
    surveys: list[NodeSurvey]
    verdicts: list[Verdict]
    events: Mapping[str, list[LinkEvent]]

    @property
    def outcome(self) -> Outcome:
        """The verdict on the whole."""
        return overall(self.verdicts)

    @property
    def plots(self) -> dict[str, Plot]:
        """The plots of the report by name, in its order."""
        return {plot.name: plot for survey in self.surveys for plot in plots_of(survey, self.info.requirements)}

    def page(self) -> str:
        """The report, a page of HTML."""
        return page(self.info, self.surveys, self.verdicts, self.events)

    def picture(self, name: str) -> bytes:
        """One plot of the report as PNG.

        Raises:
            InputError: there is no such plot, or nothing to draw it with.
        """
        plots = self.plots
        if name not in plots:
            raise InputError(f"there is no plot {name!r}; there are: {', '.join(plots)}")
        return picture(plots[name])


def review(log: Path, run: int | None) -> Review:
    """Measure a run of a log in full.

    Raises:
        LogFileError: the log can't be used.
    """
    with Log(log) as opened, opened.damage_told():
        info = opened.run(run)
        surveys = survey_run(opened, info, bins=bins_for(info))
        kinds = {node.name: node.kind for node in info.nodes}
        measures = [measure for survey in surveys for measure in survey.measures]
        verdicts = judge(info.requirements, kinds, measures, info.shortfall)
        events = {node.name: list(opened.events(info, node)) for node in info.nodes}
        events[""] = [event for event in opened.events(info) if event.node is None]
        return Review(info, surveys, verdicts, events)
