"""What pytest does in a firmware repository, tried by pytest itself: the page of the README, and nodes that fail."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

from gateway.testing.carry import radio_turn

pytest_plugins = ("pytester",)
README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
RUN = """
[run]
title = "bench"
length = "20 s"
radio = "virtual"
[node.crate-1]
plugin = "loan-crate"
find = { name = "CRATE-1" }
sensor = { climate = { period = "100 ms" }, light = { period = "0.5 s" } }
[twin.crate-1.signal.climate]
temperature = { constant = "19.5 degC" }
[spec.loan-crate.climate]
rate = { min = "0.8 /s" }
decode_errors = { max = 0 }
[spec.loan-crate.light]
rate = { min = "5 /s" }
[spec.loan-crate.link]
disconnects = { max = 0 }
time_between_disconnects = { min = "1 day" }
"""


@pytest.fixture
def bench(pytester: pytest.Pytester) -> pytest.Pytester:
    pytester.makefile(".toml", bench=RUN)
    return pytester


def test_the_page_of_the_readme_runs_on_the_virtual_air(bench: pytest.Pytester) -> None:
    page = README.partition("## In the tests of your firmware")[2]
    (example,) = re.findall(r"```python\n(.*?)```", page, flags=re.DOTALL)[:1]
    bench.makepyfile(test_crate=example)
    done = bench.runpytest_subprocess(
        "--gattest-runfile", "bench.toml", "--gattest-radio", "virtual", "--gattest-for", "5 s",
        "--gattest-into", "kept", "-p", "no:cacheprovider",
    )  # fmt: skip
    done.assert_outcomes(passed=2)
    kept = {path.suffix for path in (bench.path / "kept").iterdir()}
    assert {".db", ".html"} <= kept


def test_a_run_file_is_collected_an_item_for_each_requirement(bench: pytest.Pytester) -> None:
    done = bench.runpytest_subprocess(
        "bench.toml", "--gattest-for", "12 s", "--junitxml", "out.xml", "-p", "no:cacheprovider"
    )
    done.assert_outcomes(passed=3, failed=1, errors=1)
    text = done.stdout.str()
    assert (
        "crate-1 light rate: " in text and "required >= 5 /s" in text and "SELECT" in text and "Traceback" not in text
    )
    assert "crate-1 link time_between_disconnects" in text
    assert "a longer run would tell" in text
    assert 'name="rate"' in (bench.path / "out.xml").read_text()


def test_what_is_known_to_be_open_can_be_expected(bench: pytest.Pytester) -> None:
    bench.makeconftest(
        """
        import pytest
        def pytest_collection_modifyitems(items):
            for item in items:
                if item.name.endswith(("light::rate", "time_between_disconnects")):
                    item.add_marker(pytest.mark.xfail(reason="the next build"))
        """
    )
    done = bench.runpytest_subprocess("bench.toml", "--gattest-for", "12 s", "-p", "no:cacheprovider")
    done.assert_outcomes(passed=3, xfailed=2)


def test_other_toml_files_are_left_alone(bench: pytest.Pytester) -> None:
    bench.makepyfile("def test_nothing(): pass")
    bench.runpytest_subprocess("-p", "no:cacheprovider").assert_outcomes(passed=1)


def test_an_async_test_may_use_the_fixtures_too(bench: pytest.Pytester) -> None:
    bench.makepyfile(
        """
        import asyncio
        def test_inside_a_loop(gattest_node):
            async def work():
                return await asyncio.to_thread(gattest_node.values, "climate", 3)
            assert len(asyncio.run(work())) == 3
        """
    )
    bench.runpytest_subprocess("--gattest-runfile", "bench.toml", "-p", "no:cacheprovider").assert_outcomes(passed=1)


@pytest.mark.parametrize(
    ("arguments", "test", "told"),
    [
        ([], "def test(gattest_run): pass", "no run file: use --gattest-runfile"),
        (["--gattest-runfile", "nothing.toml"], "def test(gattest_run): pass", "nothing.toml"),
        (["--gattest-runfile", "bench.toml", "--gattest-radio", "smoke"], "def test(gattest_run): pass", "smoke"),
        (["--gattest-runfile", "bench.toml", "--gattest-for", "long"], "def test(gattest_run): pass", "--gattest-for"),
        (
            ["--gattest-runfile", "bench.toml"],
            "def test(gattest_node): gattest_node.values('climate', 2000, 0.5)",
            "of 2000 values of crate-1 climate in 0.5 s",
        ),
        (
            ["--gattest-runfile", "bench.toml"],
            "def test(gattest_node): gattest_node.values('nose')",
            "no channel 'nose'",
        ),
    ],
)
def test_what_goes_wrong_is_told(bench: pytest.Pytester, arguments: list[str], test: str, told: str) -> None:
    bench.makepyfile(test)
    done = bench.runpytest_subprocess(*arguments, "-p", "no:cacheprovider")
    assert told in done.stdout.str() + done.stderr.str()


def test_processes_take_turns_at_the_radio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    order: list[str] = []

    def second() -> None:
        with radio_turn("system"):
            order.append("second")

    with radio_turn("system"):
        other = threading.Thread(target=second)
        other.start()
        other.join(0.5)
        order.append("first")
    other.join(10)
    assert order == ["first", "second"]


def test_workers_of_xdist_carry_out_their_runs(bench: pytest.Pytester) -> None:
    bench.makepyfile(
        """
        import pytest
        @pytest.mark.parametrize("n", range(2))
        def test_node(gattest_node, n):
            assert gattest_node.values("climate")
        """
    )
    done = bench.runpytest_subprocess(
        "--gattest-runfile", "bench.toml", "-n", "2", "--dist", "loadgroup", "-p", "no:cacheprovider"
    )
    done.assert_outcomes(passed=2)
