"""For the tests of a firmware repository: pytest fixtures for a node on the bench or a simulated one, a run whose
figures can be asserted, and run files that pytest collects, one test item for each requirement. Imports nothing of the
rest until a test asks for it, as pytest loads it wherever gattest is installed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from gateway.testing.carry import Run, carried_out, folder_of, loaded_run, radio_turn, told, unused
from gateway.testing.items import RequirementItem, RunFile
from gateway.testing.node import Node

if TYPE_CHECKING:
    from gateway.config import RunConfig

__all__ = ["Node", "Run"]
_GROUP = "gattest"  # for xdist with --dist loadgroup: one radio, one worker


def pytest_addoption(parser: pytest.Parser) -> None:
    """What a test run can be told."""
    group = parser.getgroup("gattest", "nodes on the bench (gattest)")
    group.addoption("--gattest-runfile", metavar="FILE", help="Run file of the fixtures gattest_node and gattest_run.")
    group.addoption("--gattest-radio", metavar="NAME", help="Radio in place of the run file's: system, hci or virtual.")
    group.addoption("--gattest-for", metavar="DURATION", help="Length of runs in place of the run file's.")
    group.addoption(
        "--gattest-into", metavar="DIR", help="Where logs and reports are kept; pytest's own folder if not."
    )
    parser.addini("gattest_runfile", "Run file of the fixtures gattest_node and gattest_run.", default="")


def pytest_itemcollected(item: pytest.Item) -> None:
    """All that uses the radio goes to one worker of xdist."""
    if isinstance(item, RequirementItem) or {"gattest_node", "gattest_run"} & set(getattr(item, "fixturenames", ())):
        item.add_marker(pytest.mark.xdist_group(_GROUP))


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A run file that is named on the command line."""
    named = {Path(str(one).partition("::")[0]).resolve() for one in parent.config.args}
    if file_path.suffix == ".toml" and file_path.resolve() in named:
        return RunFile.from_parent(parent, path=file_path)
    return None


@pytest.fixture(scope="session")
def gattest_config(request: pytest.FixtureRequest) -> RunConfig:
    """The run file of ``--gattest-runfile``, or of ``gattest_runfile`` in the configuration of pytest."""
    path = told(request.config, "--gattest-runfile") or str(request.config.getini("gattest_runfile") or "")
    if not path:
        raise pytest.UsageError("no run file: use --gattest-runfile FILE, or gattest_runfile in pytest's configuration")
    return loaded_run(request.config, request.config.rootpath / path)


@pytest.fixture
def gattest_node(
    request: pytest.FixtureRequest, gattest_config: RunConfig, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Node]:
    """The first node of the run file, or the one that ``@pytest.mark.parametrize("gattest_node", ["NAME"],
    indirect=True)`` names: linked and set up, and let go at the end of the test."""
    name = getattr(request, "param", None) or next(iter(gattest_config.nodes))
    if name not in gattest_config.nodes:
        raise pytest.UsageError(f"{gattest_config.path} has no node {name!r}: {', '.join(gattest_config.nodes)}")
    only = replace(
        gattest_config,
        nodes={name: gattest_config.nodes[name]},
        twins={key: twin for key, twin in gattest_config.twins.items() if key == name},
    )
    folder = folder_of(request.config, tmp_path_factory)
    node = Node(only, unused(folder, request.node.name.replace("/", "_").replace("[", "-").rstrip("]")))
    with radio_turn(only.radio.value):
        try:
            node.start()
            yield node
        finally:
            node.end()


@pytest.fixture(scope="session")
def gattest_run(
    request: pytest.FixtureRequest, gattest_config: RunConfig, tmp_path_factory: pytest.TempPathFactory
) -> Run:
    """A run of the whole run file, carried out once, with its figures and verdicts."""
    return carried_out(request.config, gattest_config, folder_of(request.config, tmp_path_factory))
