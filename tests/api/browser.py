"""A headless Chromium for tests; skipped with the reason where it is missing."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.wait import WebDriverWait

ARGUMENTS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--force-prefers-reduced-motion"),
)
WIDE, NARROW, ENLARGED = 1280, 390, 320  # 320: what is left of 1280 at 400 % zoom (WCAG 2.2, success criterion 1.4.10)


def chromium() -> tuple[str, str]:
    """Paths of browser and driver; skips the test when one is missing."""
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if browser is None or driver is None:
        pytest.skip("needs chromium and chromedriver, which are not installed")
    return browser, driver


@contextmanager
def opened(profile: Path) -> Iterator[webdriver.Chrome]:
    """A browser with a fresh profile."""
    browser, driver = chromium()
    options = Options()
    for argument in (*ARGUMENTS, f"--user-data-dir={profile}"):
        options.add_argument(argument)
    options.binary_location = browser
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    window = webdriver.Chrome(options=options, service=Service(driver))
    try:
        yield window
    finally:
        window.quit()


def width(window: webdriver.Chrome, pixels: int) -> None:
    """Set the width of the page itself."""
    metrics = {"width": pixels, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    window.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def see(window: webdriver.Chrome, selector: str) -> WebElement:
    """The first element of a selector."""
    return window.find_element(By.CSS_SELECTOR, selector)


def until_text(window: webdriver.Chrome, selector: str, expected: str, within_s: float = 5.0) -> None:
    """Wait until an element's text holds what is expected; the page may be left for another meanwhile."""
    WebDriverWait(window, within_s, 0.05, (NoSuchElementException, StaleElementReferenceException)).until(
        lambda _: expected in see(window, selector).text, f"{selector} never said {expected!r}"
    )


def log_of(window: webdriver.Chrome, kind: str) -> list[dict[str, str]]:
    """Entries of one of the browser's logs since the last call."""
    return list(window.get_log(kind))  # type: ignore[no-untyped-call]


def attribute(window: webdriver.Chrome, selector: str, name: str) -> str:
    """An attribute of the first element of a selector, empty when it has none."""
    return see(window, selector).get_attribute(name) or ""


def complaints(window: webdriver.Chrome) -> list[str]:
    """What the browser's console complained of: errors of scripts, and whatever the page's policy forbade."""
    return [entry["message"] for entry in log_of(window, "browser") if entry["level"] == "SEVERE"]
