"""The live page in a browser and over HTTP: runs that go on, end, and are replaced; who may ask, and what may happen."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_core_python.selenium import Axe
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from gateway.app.report import review
from gateway.log.notes import notes_of, notes_path
from gateway.log.store import RunFacts
from gateway.log.writer import LogWriter
from gateway.model.events import LinkEvent, Lost, RadioTrouble, Ready
from gateway.model.records import Frame
from gateway.plugin import find_plugin
from tests.browser import chromium, sized
from tests.support import EPOCH_NS, needs_program, wait_for

pytestmark = [needs_program("chromium"), needs_program("chromedriver")]
GATTEST = str(Path(sys.executable).with_name("gattest"))
CLIMATE = bytes.fromhex("01006e098813cd8b01")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextlib.contextmanager
def serving(*arguments: str | Path, port: int, token: str = "") -> Iterator[str]:
    """The address of a server of these logs, while it runs."""
    environment = os.environ | ({"GATTEST_TOKEN": token} if token else {})
    command = [GATTEST, "serve", *map(str, arguments), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        assert "in a browser" in process.stdout.readline()
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()


def asked(url: str, body: bytes | None = None, **headers: str) -> tuple[int, str, dict[str, str]]:
    named = {key.replace("_", "-"): value for key, value in headers.items()}
    request = urllib.request.Request(url, body, named)  # noqa: S310  this machine's own
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:  # noqa: S310
            return answer.status, answer.read().decode(), dict(answer.headers)
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(), dict(error.headers)


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with chromium() as driver:
        yield driver


def text_of(browser: webdriver.Chrome, place: str) -> str:
    return str(browser.execute_script("return document.getElementById(arguments[0])?.textContent ?? ''", place))


def until(browser: webdriver.Chrome, place: str, wanted: str, seconds: float = 30) -> str:
    WebDriverWait(browser, seconds).until(lambda _: wanted in text_of(browser, place), f"{wanted!r} in {place}")
    return text_of(browser, place)


def facts(title: str) -> RunFacts:
    plugin = find_plugin("loan-crate")
    return RunFacts(title, EPOCH_NS, None, "none", "", "", {"crate-a": (plugin, "A"), "crate-b": (plugin, "B")})


def written(path: Path, title: str = "finished", minutes: int = 60, events: int = 0) -> Path:
    """A finished run of an hour, with as many events of the radio."""
    writer = LogWriter(path, facts(title))
    writer.event(LinkEvent(EPOCH_NS, "crate-a", Ready()))
    for second in range(minutes * 60):
        writer.frame(Frame(EPOCH_NS + second * 10**9, "crate-a", "climate", CLIMATE))
    for number in range(events):
        writer.event(LinkEvent(EPOCH_NS + number * 10**6, None, RadioTrouble(reason=f"trouble {number}")))
    writer.event(LinkEvent(EPOCH_NS + minutes * 60 * 10**9, "crate-a", Lost(reason="out of reach")))
    writer.close(EPOCH_NS + minutes * 60 * 10**9, "test")
    return path


def test_a_run_is_watched_from_its_first_values_to_its_verdict(tmp_path: Path, browser: webdriver.Chrome) -> None:
    """Faults appear while the page is open; it outlives the run, and the server."""
    port = free_port()
    (tmp_path / "plugins").symlink_to(Path("plugins").resolve())
    run_text = Path("configs/demo.toml").read_text("utf-8").replace('length = "20 s"', 'length = "25 s"')
    (tmp_path / "run.toml").write_text(run_text.replace("length =", "# \nlength =", 1), "utf-8")
    log = tmp_path / "run.db"
    run = subprocess.Popen(
        [GATTEST, "run", "run.toml", "--into", str(log)],
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for(lambda: log.exists() and log.stat().st_size > 0)
        with serving(log, port=port) as address:
            browser.get(f"{address}/log/run.db/1")
            until(browser, "word", "running")
            until(browser, "node-rows", "connected")
            first = int(
                browser.execute_script("return document.querySelector('#node-rows .n:nth-child(7)').textContent")
            )
            until(browser, "event-rows", "lost")
            WebDriverWait(browser, 20).until(
                lambda b: (
                    int(
                        b.execute_script(
                            "return document.querySelector('#node-rows .n:nth-child(7)').textContent.replace(',', '')"
                        )
                    )
                    > first
                )
            )
            until(browser, "rule-rows", "FAIL")
            until(browser, "about", "ended", seconds=60)
            assert until(browser, "word", "FAIL") == "FAIL"
        until(browser, "trouble", "the server does not answer")
        with serving(log, port=port):
            WebDriverWait(browser, 20).until(lambda b: not b.find_element(By.ID, "trouble").is_displayed())
            complaints = [one for one in browser.get_log("browser") if "ERR_" not in one["message"]]
            assert complaints == []
    finally:
        run.terminate()
        run.wait()


def test_plots_show_any_span_and_events_lead_to_the_minute_before(tmp_path: Path, browser: webdriver.Chrome) -> None:
    with serving(written(tmp_path / "x.db"), port=free_port()) as address:
        browser.get(address)  # one run: its page at once
        until(browser, "node-rows", "24.14 °C")
        place = browser.find_element(By.CSS_SELECTOR, '[data-plot="crate-a.climate.temperature"]')
        browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", place)
        WebDriverWait(browser, 20).until(lambda b: b.execute_script("return arguments[0].data?.[0].x.length", place))
        browser.find_element(By.XPATH, "//tr[td='lost']//button").click()
        shown = until(browser, "span", "Shown")
        assert "00:59:00" in shown and "01:00:0" in shown
        browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", place)
        ends = "return arguments[0].data[0].x.filter(x => x).length"
        WebDriverWait(browser, 20).until(
            lambda b: 100 < b.execute_script(ends, place) < 140
        )  # each second, there and back
        browser.find_element(By.CSS_SELECTOR, '[data-move="whole"]').click()
        WebDriverWait(browser, 20).until(lambda b: text_of(b, "span") == "")


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_has_no_serious_fault_for_those_who_cannot_see_or_point(
    width: int, scheme: str, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    """By axe-core, and nothing reaches beyond the width of a phone."""
    sized(browser, width, 900)
    preferred = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", preferred)
    try:
        with serving(written(tmp_path / "x.db", minutes=1), port=free_port()) as address:
            browser.get(address)
            until(browser, "node-rows", "24.14 °C")
            told = Axe().run(browser)
            found = told["violations"]
            assert len(told["passes"]) > 20  # it looked at something
            assert [
                (one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in ("serious", "critical")
            ] == []
            assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_ten_thousand_events_are_reached_a_page_at_a_time(tmp_path: Path, browser: webdriver.Chrome) -> None:
    with serving(written(tmp_path / "x.db", minutes=1, events=10_000), port=free_port()) as address:
        browser.get(address)
        until(browser, "event-rows", "trouble 9999")
        rows = "return document.getElementById('event-rows').children.length"
        assert browser.execute_script(rows) == 200
        browser.find_element(By.ID, "earlier").click()
        WebDriverWait(browser, 20).until(lambda b: b.execute_script(rows) == 400)
        assert "trouble 9700" in text_of(browser, "event-rows")


def test_notes_are_written_beside_the_log(tmp_path: Path, browser: webdriver.Chrome) -> None:
    log = written(tmp_path / "x.db", minutes=1)
    before = log.read_bytes()
    with serving(log, port=free_port()) as address:
        browser.get(address)
        until(browser, "node-rows", "24.14 °C")
        browser.find_element(By.ID, "text").send_keys("heater on <b>\n")
        until(browser, "note-rows", "heater on <b>")
        assert [note.text for note in notes_of(log)] == ["heater on <b>"]
    assert log.read_bytes() == before and notes_path(log).exists()
    assert "heater on &lt;b&gt;" in review(log).page()


def test_two_tabs_show_the_same_run_and_what_takes_the_place_of_its_log(
    tmp_path: Path, browser: webdriver.Chrome
) -> None:
    log = written(tmp_path / "x.db", minutes=1)
    with serving(tmp_path, port=free_port()) as address:
        browser.get(address)
        first = browser.current_window_handle
        until(browser, "node-rows", "24.14 °C")
        browser.switch_to.new_window("tab")
        browser.get(address)
        until(browser, "node-rows", "24.14 °C")
        (tmp_path / "other").mkdir()
        other = written(tmp_path / "other" / "x.db", "another", 2)
        shutil.move(other, log)
        until(browser, "about", "120 values")
        browser.close()
        browser.switch_to.window(first)
        until(browser, "about", "120 values")


def test_a_folder_of_logs_is_listed_and_what_is_no_log_is_told(tmp_path: Path) -> None:
    written(tmp_path / "a.db", "first", minutes=1)
    written(tmp_path / "b.db", "second", minutes=1)
    (tmp_path / "c.db").write_text("no log")
    with serving(tmp_path, port=free_port()) as address:
        status, text, headers = asked(address)
        assert status == 200 and "first" in text and "second" in text and "not a gattest log" in text
        assert "default-src 'none'" in headers["content-security-policy"]
        for path in ("/nowhere", "/file/nothing.js"):
            assert asked(address + path)[:2] == (404, f"there is no page at {path}; the runs are listed at /")
        assert asked(f"{address}/log/c.db/1")[0] == 404
        assert asked(f"{address}/log/a.db/7")[:2] == (404, f"{tmp_path / 'a.db'} has no run 7; it has 1")
        assert asked(f"{address}/log/..%2Fa.db/1")[0] == 404
        assert asked(f"{address}/log/a.db/1/report")[0] == 200


def test_only_this_machine_is_answered_and_only_its_own_page_may_write(tmp_path: Path) -> None:
    written(tmp_path / "x.db", minutes=1)
    with serving(tmp_path / "x.db", port=free_port()) as address:
        note = f"{address}/log/x.db/1/note"
        body = json.dumps({"text": "a"}).encode()
        assert asked(address, Host="evil.example")[0] == 403
        assert asked(note, body)[0] == 403 and asked(note, body, Origin="http://evil.example")[0] == 403
        assert asked(note, body, Origin=address)[0] == 200
        assert asked(note, b"{", Origin=address)[0] == 400
        for odd in (
            {"text": " "},
            {"text": None},
            {"text": "a", "ms": -1},
            {"text": "a", "ms": 10**20},
            {"text": "\ud800"},
        ):
            assert asked(note, json.dumps(odd).encode(), Origin=address)[0] == 400, odd
        assert [one.text for one in notes_of(tmp_path / "x.db")] == ["a"]
        for query in ("events?before=--5", "plots?from=%C2%B2", "events?before=-9999999999999999999"):
            assert asked(f"{address}/log/x.db/1/{query}")[0] == 200
        assert asked(note, b"x" * 20_000, Origin=address)[0] == 413


def test_beyond_this_machine_a_token_is_asked_for(tmp_path: Path) -> None:
    written(tmp_path / "x.db", minutes=1)
    with serving(tmp_path / "x.db", "--listen", "127.0.0.2", port=(port := free_port()), token="s3cret"):
        address = f"http://127.0.0.2:{port}/log/x.db/1"
        assert asked(address)[0] == 403 and asked(f"{address}?token=other")[0] == 403
        status, _, headers = asked(f"{address}?token=s3cret")
        assert status == 200 and "HttpOnly; SameSite=Strict" in headers["set-cookie"]
        assert asked(address, Cookie="gattest_token=s3cret")[0] == 200


def test_on_all_addresses_the_one_that_is_printed_opens_with_its_token(tmp_path: Path) -> None:
    written(tmp_path / "x.db", minutes=1)
    command = [GATTEST, "serve", str(tmp_path / "x.db"), "--port", str(free_port()), "--listen", "0.0.0.0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            address, _, token = process.stdout.readline().split()[1].partition("?")
            assert "0.0.0.0" not in address
            assert asked(f"{address}log/x.db/1?{token}")[0] == 200
            assert asked(f"{address}log/x.db/1")[0] == 403
            process.send_signal(signal.SIGINT)
            assert process.wait(10) == 0
        finally:
            process.kill()


def test_a_token_that_an_address_can_not_hold_is_told(tmp_path: Path) -> None:
    written(tmp_path / "x.db", minutes=1)
    command = [GATTEST, "serve", str(tmp_path / "x.db"), "--listen", "127.0.0.2", "--port", str(free_port())]
    environment = os.environ | {"GATTEST_TOKEN": "my secret"}
    told = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    assert told.returncode == 2 and "letters, digits" in told.stderr and "my secret" not in told.stderr


@pytest.mark.parametrize("name", ["x#1.db", "q?z.db", "100%25.db", "a b ü'.db"])
def test_logs_of_any_name_are_linked(name: str, tmp_path: Path, browser: webdriver.Chrome) -> None:
    written(tmp_path / name, minutes=1)
    with serving(tmp_path / name, port=free_port()) as address:
        browser.get(address)
        until(browser, "node-rows", "24.14 °C")


def test_a_log_that_is_moved_away_is_told_and_looked_for_again(tmp_path: Path, browser: webdriver.Chrome) -> None:
    log = written(tmp_path / "x.db", minutes=1)
    with serving(tmp_path, port=free_port()) as address:
        browser.get(address)
        until(browser, "node-rows", "24.14 °C")
        log.rename(tmp_path / "away")
        until(browser, "trouble", "looking again")
        (tmp_path / "away").rename(log)
        WebDriverWait(browser, 30).until(lambda b: not b.find_element(By.ID, "trouble").is_displayed())


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    written(tmp_path / "x.db", minutes=1)
    with serving(tmp_path / "x.db", port=(port := free_port())):
        told = subprocess.run(
            [GATTEST, "serve", tmp_path / "x.db", "--port", str(port)], capture_output=True, text=True, check=False
        )
    assert told.returncode == 2 and f"127.0.0.1:{port} can't be listened on: Address already in use" in told.stderr
    assert "Traceback" not in told.stderr
