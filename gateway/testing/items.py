"""Run files as pytest collects them: an item for each requirement on each node."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from gateway.testing.carry import Run, carried_out, folder_of, loaded_run

if TYPE_CHECKING:
    from gateway.model.records import Verdict


class RequirementFailedError(Exception):
    """A requirement that was not met."""


class InconclusiveError(Exception):
    """A requirement that the run could not decide."""


class RunFile(pytest.File):
    """A run file: one item for each requirement and node."""

    _run: Run | None = None

    def collect(self) -> Iterator[pytest.Item]:
        """The items; nothing is carried out yet."""
        loaded = loaded_run(self.config, self.path)
        for name, node in loaded.nodes.items():
            own = {(rule.subject, rule.figure) for rule in loaded.requirements if rule.whom == name}
            for rule in loaded.requirements:
                mine = rule.whom == name or (rule.whom == node.plugin.kind and (rule.subject, rule.figure) not in own)
                if mine:
                    yield RequirementItem.from_parent(
                        self, name=f"{name}::{rule.subject}::{rule.figure}", wanted=(name, rule.subject, rule.figure)
                    )

    def run_once(self) -> Run:
        """The run of this file, carried out when the first of its items asks for it."""
        if self._run is None:
            factory: pytest.TempPathFactory = self.config._tmp_path_factory  # type: ignore[attr-defined]
            loaded = loaded_run(self.config, self.path)
            self._run = carried_out(self.config, loaded, folder_of(self.config, factory))
        return self._run


class RequirementItem(pytest.Item):
    """A requirement on a node."""

    def __init__(self, *, wanted: tuple[str, str, str], **more: Any) -> None:
        super().__init__(**more)
        self._wanted = wanted

    def setup(self) -> None:
        """Carry out the run; what it could not decide is an error, not a failure."""
        from gateway.model.records import Outcome

        assert isinstance(self.parent, RunFile)  # noqa: S101  that is who makes them
        run = self.parent.run_once()
        self.add_report_section("setup", "gattest", f"log {run.log}, report {run.report}")
        verdict = run.verdict(*self._wanted)
        if verdict.outcome is Outcome.INCONCLUSIVE:
            raise InconclusiveError("; ".join([_verdict_text(verdict), *run.troubles]))

    def runtest(self) -> None:
        """Fail where the requirement was not met."""
        from gateway.analysis.evidence import evidence
        from gateway.log.reader import Log
        from gateway.model.records import Outcome

        assert isinstance(self.parent, RunFile)  # noqa: S101
        run = self.parent.run_once()
        verdict = run.verdict(*self._wanted)
        if verdict.outcome is Outcome.FAIL:
            with Log(run.log) as log:
                query = evidence(log.run(), verdict.measure)
            raise RequirementFailedError(f"{_verdict_text(verdict)}\nreport {run.report}\nlog {run.log}\n{query}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What was found, without a traceback."""
        if isinstance(excinfo.value, RequirementFailedError | InconclusiveError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it stands."""
        return self.path, None, " ".join(self._wanted)


def _verdict_text(verdict: Verdict) -> str:
    """A verdict in a line: the figure, its bounds, what is required and why."""
    from gateway.report.tables import number, required

    one = verdict.measure
    bounds = ""
    if one.low is not None or one.high is not None:
        bounds = f" (95 %: {number(one.low, one.unit)} to {number(one.high, one.unit)})"
    why = f"; {verdict.why}" if verdict.why else ""
    return (
        f"{one.node} {one.subject} {one.name}: {number(one.value, one.unit)}{bounds}, required {required(verdict)}"
        f"{why}; {one.observed}"
    )
