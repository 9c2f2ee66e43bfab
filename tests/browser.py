"""The browser that pages are tried in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from selenium import webdriver


@contextmanager
def chromium() -> Iterator[webdriver.Chrome]:
    """A Chromium without a window; what its pages complain of is kept."""
    options = webdriver.ChromeOptions()
    for flag in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    options.binary_location = "/usr/bin/chromium"
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    try:
        yield driver
    finally:
        driver.quit()


def sized(driver: webdriver.Chrome, width: int, height: int) -> None:
    """Give its window a size, CSS pixels."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
