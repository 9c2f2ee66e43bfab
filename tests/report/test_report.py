"""The report in a real browser, and what it must hold whatever the log says."""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from gateway.app.report import review
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.errors import InputError
from gateway.model.events import EventKind, LinkEvent
from gateway.model.figures import Requirement
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from tests.browser import chromium, sized
from tests.support import EPOCH_NS, needs_program

SECOND = 10**9
HOSTILE = "</script><script>document.title='broken'</script><b>&amp;"
RULES = [
    Requirement("loan-crate", "climate", "rate", 1.9, 2.1, "1/s"),
    Requirement("loan-crate", "climate", "gap_longest", None, 5.0, "s"),
    Requirement("loan-crate", "climate.temperature", "highest", None, 30.0, "degC"),
    Requirement("loan-crate", "link", "disconnects", None, 0.0, ""),
]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two crates for an hour: the second loses its link once, is silent for a while, and has one hot value."""
    path = tmp_path_factory.mktemp("report") / "x.db"
    plugin = find_plugin("loan-crate")
    nodes = {"crate-a": (plugin, "A"), "crate-b": (plugin, "B")}
    writer = LogWriter(path, RunFacts(HOSTILE, EPOCH_NS, 3600 * SECOND, "none", "", "", nodes, RULES))
    for node in nodes:
        writer.event(LinkEvent.of(EPOCH_NS, node, EventKind.FOUND, {"rssi_dbm": -60, "address": "C2:00:00:00:00:01"}))
        writer.event(LinkEvent.of(EPOCH_NS + 1, node, EventKind.IDENTITY, {"firmware revision": HOSTILE}))
        writer.event(LinkEvent.of(EPOCH_NS + 2, node, EventKind.READY))
        for i in range(7200):
            if node == "crate-b" and 3000 < i < 3100:
                continue
            temperature = 6000 if (node, i) == ("crate-b", 5000) else 2000 + i % 100
            raw = struct.pack("<HhH", i, temperature, 5000) + (100_000).to_bytes(3, "little")
            writer.frame(Frame(EPOCH_NS + i * SECOND // 2 + 10, node, "climate", raw))
    writer.event(LinkEvent.of(EPOCH_NS + 1500 * SECOND + 20, "crate-b", EventKind.LOST, {"reason": HOSTILE}))
    writer.event(LinkEvent.of(EPOCH_NS + 1549 * SECOND, "crate-b", EventKind.READY))
    writer.event(LinkEvent.of(EPOCH_NS + 1549 * SECOND, "crate-b", EventKind.RECONNECTED, {"after_s": 49.0}))
    writer.close(EPOCH_NS + 3600 * SECOND, "duration reached")
    return path


@pytest.fixture(scope="module")
def page(log: Path) -> Path:
    path = log.with_name("report.html")
    path.write_text(review(log, None).page(), encoding="utf-8")
    return path


@pytest.fixture(scope="module", params=[(1280, 900), (390, 844)], ids=["desk", "phone"])
def opened(request: pytest.FixtureRequest) -> Iterator[webdriver.Chrome]:
    """A browser of this size."""
    with chromium() as driver:
        sized(driver, *request.param)
        yield driver


@pytest.fixture
def browser(opened: webdriver.Chrome, page: Path) -> Iterator[webdriver.Chrome]:
    """The page, fresh; nothing in it may complain."""
    opened.get(page.as_uri())
    yield opened
    assert opened.get_log("browser") == []


def plot_of(browser: webdriver.Chrome, name: str) -> object:
    """A plot, drawn."""
    place = browser.find_element(By.CSS_SELECTOR, f'[data-plot="{name}"]')
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", place)
    WebDriverWait(browser, 10).until(lambda _: place.find_elements(By.CSS_SELECTOR, ".main-svg"))
    return place


@needs_program("chromedriver")
def test_a_script_that_is_not_the_pages_own_is_refused_by_its_policy(opened: webdriver.Chrome, page: Path) -> None:
    opened.get(page.as_uri())
    added = "const s = document.createElement('script'); s.textContent = 'window.alien = 1'; document.body.append(s);"
    assert opened.execute_script(f"{added} return window.alien") is None
    assert any("Content Security Policy" in line["message"] for line in opened.get_log("browser"))


@needs_program("chromedriver")
def test_the_page_shows_the_verdict_first_and_needs_no_network(browser: webdriver.Chrome) -> None:
    verdict = browser.find_element(By.CLASS_NAME, "verdict")
    assert "FAIL" in verdict.text and verdict.location["y"] < 200
    failed = browser.find_element(By.CSS_SELECTOR, "section[aria-labelledby=failed]").text
    assert "crate-b" in failed and "disconnects" in failed and "highest" in failed and "crate-a" not in failed
    assert browser.title != "broken"
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")


@needs_program("chromedriver")
def test_a_node_is_chosen_and_all_plots_follow_one_span(browser: webdriver.Chrome) -> None:
    browser.find_element(By.CSS_SELECTOR, '[data-show="crate-b"]').click()
    shown = [s.get_attribute("data-node") for s in browser.find_elements(By.CSS_SELECTOR, "section.node:not([hidden])")]
    assert shown == ["crate-b"]
    place = plot_of(browser, "crate-b.climate.temperature")
    ranges = "return arguments[0].layout.xaxis.range.map((end) => Date.parse(end + 'Z'))"
    whole = browser.execute_script(ranges, place)
    assert max(browser.execute_script("return arguments[0].data[0].y.filter((y) => y !== null)", place)) == 60
    ActionChains(browser).move_to_element(place).move_by_offset(-60, 0).click_and_hold().move_by_offset(
        100, 0
    ).release().perform()  # type: ignore[arg-type]
    WebDriverWait(browser, 10).until(lambda _: browser.execute_script(ranges, place) != whole)
    closer = browser.execute_script(ranges, place)
    rate = plot_of(browser, "crate-b.climate:rate")
    WebDriverWait(browser, 10).until(lambda _: browser.execute_script(ranges, rate) == closer)
    browser.execute_script("document.querySelector('[data-move=whole]').click()")
    WebDriverWait(browser, 10).until(lambda _: browser.execute_script(ranges, place) == whole)
    for move in ("in", "on", "back", "out", "out"):
        browser.execute_script(f"document.querySelector('[data-move={move}]').click()")
    WebDriverWait(browser, 10).until(lambda _: browser.execute_script(ranges, place) == whole)


@needs_program("chromedriver")
def test_every_plot_can_be_printed_and_read_in_words(browser: webdriver.Chrome) -> None:
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    WebDriverWait(browser, 20).until(
        lambda _: browser.execute_script(
            "return [...document.querySelectorAll('.plot')].every((plot) => plot.querySelector('.main-svg'))"
        )
    )
    labels = [plot.get_attribute("aria-label") or "" for plot in browser.find_elements(By.CLASS_NAME, "plot")]
    assert any(re.search(r"temperature of crate-b: 20 to 60 °C", label) for label in labels)
    axes = browser.execute_script(
        "return [...document.querySelectorAll('.plot')].map((p) => [p.layout.xaxis.title.text, p.dataset.plot])"
    )
    assert all(title for title, _ in axes)


class _Outside(HTMLParser):
    """Collects what a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [
            value or "" for name, value in attrs if name in ("src", "href") and not (value or "").startswith("#")
        ]


def test_the_page_holds_all_it_needs(page: Path) -> None:
    outside = _Outside()
    outside.feed(page.read_text("utf-8"))
    assert outside.found == []


def test_an_hour_takes_little_room(page: Path) -> None:
    assert page.stat().st_size < 10_000_000


@needs_program("chromium")
def test_a_plot_becomes_a_picture(log: Path) -> None:
    """The PNG signature and size: ISO/IEC 15948, 5.2 and 11.2.2."""
    raw = review(log, None).picture("crate-b.climate.temperature")
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", raw[16:24]) == (2000, 920)


def test_a_plot_that_is_not_there_is_told_with_those_that_are(log: Path) -> None:
    with pytest.raises(InputError, match=r"no plot 'x'; available are: crate-a\.link, crate-a\.climate:rate"):
        review(log, None).picture("x")


def test_a_run_without_a_value_has_a_report(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    writer = LogWriter(path, RunFacts("t", EPOCH_NS, None, "none", "", "", {"a": (find_plugin("loan-crate"), "A")}))
    writer.close(EPOCH_NS, "stopped")
    text = review(path, None).page()
    assert "inconclusive" in text and "nothing can pass" in text
    assert json.loads(re.findall(r'id="plots">(.*?)</script>', text)[0]).keys() == {"a.link"}
