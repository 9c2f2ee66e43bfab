"""Verdicts for machines."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from gateway.log.info import RunInfo
from gateway.model.records import Measure, Outcome, Verdict
from gateway.report.machine import verdicts_json, verdicts_junit
from tests.capture.test_capture import RUN
from tests.support import run_bench, run_file, verdicts_of

SPEC = (
    RUN
    + """
[spec.loan-crate.link]
disconnects = { max = 0 }
[spec.loan-crate.shock]
decode_errors = { max = 0 }
"""
)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A minute of a faulty crate and a polled gauge."""
    folder = tmp_path_factory.mktemp("machine")
    run_bench(run_file(folder, SPEC), folder / "run.db", 60)
    return folder / "run.db"


def test_json_tells_each_verdict_with_its_evidence(log: Path) -> None:
    info, verdicts = verdicts_of(log, None, None)
    told = json.loads(verdicts_json(info, verdicts))
    assert len(told["verdicts"]) == len(verdicts) and told["outcome"] in ("fail", "inconclusive")
    assert all(v["query"].startswith("WITH ") for v in told["verdicts"])


RUN_INFO = RunInfo(1, "a \x07 <title>", "none", "host", 0, None, 10, "", 1, 2, (), (), "uid", 10_000_000_000)


def verdict(outcome: Outcome, why: str = "") -> Verdict:
    return Verdict(Measure("a<b", "climate", "rate", 1.0, "1/s", 20, "values"), 0.5, None, outcome, 0.5, why)


def test_junit_counts_fails_as_failures_and_the_inconclusive_as_errors() -> None:
    verdicts = [verdict(Outcome.PASS), verdict(Outcome.FAIL), verdict(Outcome.INCONCLUSIVE, "too \x00 few")]
    text = verdicts_junit(RUN_INFO, verdicts)
    root = ElementTree.fromstring(text)
    (suite,) = root
    assert (suite.get("name"), suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("a<b", "3", "1", "1")
    assert [case[0].tag for case in suite.iter("testcase")] == ["system-out", "failure", "error"]
    assert root.get("name") == "a ? <title>" and "too ? few" in str(suite[3][0].get("message"))
