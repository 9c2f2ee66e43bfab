"""Verdicts for machines, and the queries that let a doubter look for himself."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from gateway.analysis.evidence import evidence
from gateway.app.review import verdicts_of
from gateway.log.reader import Log, RunInfo
from gateway.model.records import Measure, Outcome, Verdict
from gateway.report.machine import verdicts_json, verdicts_junit
from tests.capture.test_capture import RUN
from tests.support import figures, run_bench, run_file

SPEC = (
    RUN
    + """
[spec.loan-crate.link]
losses = { max = 0 }
[spec.loan-crate.shock]
undecoded = { max = 0 }
"""
)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A minute of a faulty crate and a polled gauge."""
    folder = tmp_path_factory.mktemp("machine")
    run_bench(run_file(folder, SPEC), folder / "run.db", 60)
    return folder / "run.db"


def shown(log: Path, measure: Measure) -> list[tuple[Any, ...]]:
    with Log(log) as opened:
        query = evidence(opened.run(), measure)
    with sqlite3.connect(log) as connection:
        return connection.execute(query).fetchall()


def test_every_figure_has_a_query_that_runs(log: Path) -> None:
    found = figures(log)
    assert len(found) > 100
    for measure in found.values():
        shown(log, measure)


@pytest.mark.parametrize(
    ("subject", "figure"), [("climate", "undecoded"), ("climate", "outside_limits"), ("link", "losses")]
)
def test_a_count_is_the_number_of_rows_its_query_shows(log: Path, subject: str, figure: str) -> None:
    measure = figures(log)["a", subject, figure]
    value = measure.value
    assert len(shown(log, measure)) == value
    assert value or figure == "outside_limits"


def test_the_longest_gap_stands_first(log: Path) -> None:
    measure = figures(log)["g", "reading", "gap_longest"]
    assert shown(log, measure)[0][2] == pytest.approx(measure.value, rel=0.1)


def test_json_tells_each_verdict_with_its_evidence(log: Path) -> None:
    info, verdicts = verdicts_of(log, None, None)
    told = json.loads(verdicts_json(info, verdicts))
    assert len(told["verdicts"]) == len(verdicts) and told["outcome"] in ("fail", "inconclusive")
    assert all(v["query"].startswith("SELECT ") for v in told["verdicts"])


RUN_INFO = RunInfo(1, "a \x07 <title>", "none", "host", 0, None, 10, "", 1, 2, (), ())


def verdict(outcome: Outcome, why: str = "") -> Verdict:
    return Verdict(Measure("a<b", "climate", "rate", 1.0, "1/s", 20, "values"), 0.5, None, outcome, 0.5, why)


def test_junit_counts_fails_as_failures_and_the_inconclusive_as_errors() -> None:
    verdicts = [verdict(Outcome.PASS), verdict(Outcome.FAIL), verdict(Outcome.INCONCLUSIVE, "too \x00 few")]
    text = verdicts_junit(RUN_INFO, verdicts, 12.0)
    root = ElementTree.fromstring(text)
    (suite,) = root
    assert (suite.get("name"), suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("a<b", "3", "1", "1")
    assert [case[0].tag for case in suite] == ["system-out", "failure", "error"]
    assert root.get("name") == "a ? <title>" and "too ? few" in str(suite[2][0].get("message"))
