"""The documents say what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import typer.main

from gateway.cli import app
from gateway.model.errors import ProblemsError
from gateway.model.figures import CHANNEL_FIGURES, FIELD_FIGURES, LINK_FIGURES
from gateway.plugin.layout.types import TYPES
from gateway.plugin.reference import MISTAKES, plugin_reference
from gateway.plugin.shape import PluginFileShape
from tests.support import own_plugin

ROOT = Path(__file__).parents[2]
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_stands_in_the_readme(name: str) -> None:
    assert COMMANDS[name].help
    assert re.search(rf"^\| `gattest {name}[ `]", (ROOT / "README.md").read_text("utf-8"), flags=re.MULTILINE)


def test_every_figure_stands_in_the_page_of_run_files() -> None:
    text = (ROOT / "configs" / "README.md").read_text("utf-8")
    missing = [name for name in (*CHANNEL_FIGURES, *LINK_FIGURES, *FIELD_FIGURES) if f"`{name}`" not in text]
    assert not missing


def test_the_readmes_plugin_example_is_good(tmp_path: Path) -> None:
    from gateway.app.check import check

    text = (ROOT / "README.md").read_text("utf-8")
    (example,) = re.findall(r"```toml\n(# plugins/door-post/plugin\.toml\n.*?)```", text, flags=re.DOTALL)
    (tmp_path / "plugin.toml").write_text(example)
    (result,) = check(tmp_path)
    assert result.problems == ()


PAGES = [ROOT / "README.md", *(ROOT / name / "README.md" for name in ("configs", "plugins", "tests", "tests/truth"))]


@pytest.mark.parametrize("page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_of_a_page_leads_to_a_file(page: Path) -> None:
    links = re.findall(r"\]\(([^)#:]+)\)", page.read_text("utf-8"))
    assert [link for link in links if not (page.parent / link).exists()] == []


def test_every_page_can_be_reached_from_the_readme() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    assert [name for name in ("configs", "plugins", "tests") if f"({name}/README.md)" not in text] == []


def test_every_mistake_in_the_reference_is_told_as_it_says(tmp_path: Path) -> None:
    for number, (line, told, _) in enumerate(MISTAKES):
        with pytest.raises(ProblemsError) as refused:
            own_plugin(tmp_path / str(number), f"fields = [{line}]\n")
        assert told in str(refused.value), line


def test_the_layers_in_the_developers_guide_are_those_of_the_contract() -> None:
    contract = re.search(
        r"^layers = \[(.*?)^\]", (ROOT / "pyproject.toml").read_text("utf-8"), flags=re.DOTALL | re.MULTILINE
    )
    assert contract is not None
    names = re.findall(r"\w+", contract[1])
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert [name for name in names if f"`{name}`" not in guide] == []


@pytest.mark.parametrize("path", sorted((ROOT / "gateway").rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_every_module_says_what_it_is_for(path: Path) -> None:
    assert path.read_text("utf-8").startswith('"""')


def test_the_reference_of_the_plugin_format_is_that_of_the_models() -> None:
    """Made again with: .venv/bin/python -m gateway.plugin.reference > plugins/README.md"""
    assert (ROOT / "plugins" / "README.md").read_text("utf-8") == plugin_reference()


def test_the_reference_explains_every_key_and_every_type() -> None:
    text = plugin_reference()
    empty = [line for line in text.splitlines() if line.startswith("| `") and line.endswith("|  |")]
    assert empty == [] and [kind for kind in TYPES if kind.written not in text] == []
    assert [key for key in PluginFileShape.model_fields if f"`[{key}" not in text] == []


def test_every_dependency_is_bounded_above_so_that_a_new_major_does_not_come_by_itself() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        needed = tomllib.load(file)["project"]["dependencies"]
    assert [one for one in needed if "<" not in one] == []
