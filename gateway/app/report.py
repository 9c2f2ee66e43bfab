"""A run measured in full: its report as a page, its plots as pictures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.analysis.judge import judge
from gateway.analysis.measure import NodeSurvey, survey_run
from gateway.app.energy import energy_plots
from gateway.host.files import refuse_existing, write_file
from gateway.host.toml import parse_toml
from gateway.log.info import RunInfo
from gateway.log.notes import Note, notes_of
from gateway.log.reader import Log
from gateway.model.errors import InputError, ProblemsError
from gateway.model.events import LinkEvent
from gateway.model.records import Outcome, Verdict, overall
from gateway.report.page import REPORT_MARK, bins_for, page
from gateway.report.picture import picture
from gateway.report.plots import Plot, plots_of


@dataclass(frozen=True, slots=True)
class Review:
    """A run with everything that was measured of it."""

    info: RunInfo
    surveys: list[NodeSurvey]
    verdicts: list[Verdict]
    events: Mapping[str, list[LinkEvent]]
    energy: Mapping[str, list[Plot]]
    notes: list[Note]

    @property
    def outcome(self) -> Outcome:
        """The verdict on the whole."""
        return overall(v.outcome for v in self.verdicts)

    @property
    def plots(self) -> dict[str, Plot]:
        """The plots of the report by name, in its order."""
        found: dict[str, Plot] = {}
        for survey in self.surveys:
            own = [*plots_of(survey, self.info.requirements), *self.energy.get(survey.node.name, ())]
            found |= {plot.name: plot for plot in own}
        return found

    def page(self) -> str:
        """The report, a page of HTML that needs nothing else."""
        return page(self.info, self.surveys, self.verdicts, self.events, _head(self.info), self.energy, self.notes)

    def write_page(self, path: Path, force: bool = False) -> None:
        """Write the report to a file.

        Args:
            force: overwrite a file that is no report.

        Raises:
            InputError: there is such a file, or it can't be written.
        """
        refuse_existing(path, force, REPORT_MARK)
        write_file(path, self.page())

    def picture(self, name: str) -> bytes:
        """One plot of the report as PNG.

        Raises:
            InputError: there is no such plot, or nothing to draw it with.
        """
        plots = self.plots
        if name not in plots:
            raise InputError(f"there is no plot {name!r}; available are: {', '.join(plots)}")
        return picture(plots[name])


def _head(run: RunInfo) -> dict[str, str]:
    """What the run file's table ``[report]`` says of the run, such as board revision and serial number."""
    try:
        told = parse_toml(run.run_text, "run file").get("report", {})
    except ProblemsError:  # of an earlier version, or of another program
        return {}
    return {str(name): str(value) for name, value in told.items()} if isinstance(told, dict) else {}


def review(log: Path, run: int | None = None) -> Review:
    """Measure a run of a log in full, for its report.

    Args:
        run: its number, the newest by default.

    Raises:
        LogFileError: the log can't be used.
    """
    with Log(log) as opened, opened.damage_reported():
        info = opened.run(run)
        surveys = survey_run(opened, info, bins=bins_for(info))
        kinds = {node.name: node.kind for node in info.nodes}
        measures = [measure for survey in surveys for measure in survey.measures]
        verdicts = judge(info.requirements, kinds, measures, info.shortfall)
        events = {node.name: list(opened.events(info, node)) for node in info.nodes}
        events[""] = [event for event in opened.events(info) if event.node is None]
        energy = {survey.node.name: energy_plots(opened, info, survey) for survey in surveys}
        notes = [note for note in notes_of(log) if note.run == info.uid]
        return Review(info, surveys, verdicts, events, energy, notes)
