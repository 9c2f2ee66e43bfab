"""The order of the tests' files: those that take longest begin first, so that no process is left alone with one of them
in the end."""

from __future__ import annotations

import pytest

LONGEST = (
    "tests/verify/test_exercise.py",
    "tests/session/test_session.py",
    "tests/cli/test_cli.py",
    "tests/mqtt/test_publish.py",
    "tests/web/test_page.py",
    "tests/cli/test_readme.py",
    "tests/testing/test_plugin.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Called once all tests are known."""
    place = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.nodeid.partition("::")[0], len(LONGEST)))
