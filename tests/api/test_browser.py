"""The pages in a real browser: scanner, keyboard, progress, verdict, staleness, no scroll sideways, nothing from elsewhere."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from fastapi import FastAPI
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.wait import WebDriverWait

from api.http.access import Access, Role, Token, new_token
from api.http.app import build_app
from api.http.server import StationServer
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import NotReady
from station.records import RunEvent, UnitIdentity
from tests.api.browser import ENLARGED, NARROW, WIDE, attribute, complaints, log_of, opened, see, until_text, width
from tests.api.fakes import FakeDesk, serving

pytestmark = pytest.mark.browser

PATHS = ["/", "/rigs/a", "/runs", "/runs/1", "/runs/2", "/runs/4", "/units", "/units/DN-0002", "/definitions", "/docs/api", "/problems"]


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with opened(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture
def served(app: FastAPI) -> Iterator[tuple[str, StationServer]]:
    with serving(app) as one:
        yield one


@pytest.fixture
def address(served: tuple[str, StationServer]) -> str:
    return served[0]


@pytest.fixture
def live(window: webdriver.Chrome, address: str) -> webdriver.Chrome:
    """The live page, its stream open."""
    width(window, WIDE)
    window.get(f"{address}/rigs/a")
    until_text(window, "#rig-id", "finger-7")
    complaints(window)
    return window


def scanner(window: webdriver.Chrome, code: str) -> None:
    """Types as a barcode scanner does: a key every 10 ms wherever the focus is, then Enter. A slow test machine does not slow the keys."""
    send, struck_at = window.execute_cdp_cmd, time.time()
    for number, key in enumerate((*code, "\r")):
        named = {"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13} if key == "\r" else {"key": key}
        named["timestamp"] = struck_at + 0.010 * number
        send("Input.dispatchKeyEvent", {"type": "keyDown", "text": key, **named})
        send("Input.dispatchKeyEvent", {"type": "keyUp", **named})


def flick(group: str, number: int, progress: dict[str, Any]) -> RunEvent:
    trace = {"t_ms": [-4.0, 0.0, 3.0, 6.0, 20.0, 75.0], "deflection_counts": [77.0, 70.0, -10.0, -18.0, 4.0, 0.0]}
    data = {"run": 41, "stick": "main", "group": group, "number": number, "figures": {}, "trace": trace, "progress": progress}
    return RunEvent("flick", "a", data)


@pytest.mark.parametrize("pixels", [WIDE, NARROW, ENLARGED])
def test_no_page_scrolls_sideways_or_breaks_its_own_policy(window: webdriver.Chrome, address: str, pixels: int) -> None:
    width(window, pixels)
    for path in PATHS:
        window.get(address + path)
        if path.startswith("/runs/"):
            WebDriverWait(window, 20, 0.05).until(lambda _: see(window, "[data-overlay]").get_attribute("data-drawn"), path)
        beyond = window.execute_script("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond == 0, path
        assert complaints(window) == [], path


def test_no_request_leaves_the_host(window: webdriver.Chrome, address: str) -> None:
    log_of(window, "performance")
    for path in PATHS:
        window.get(address + path)
    asked = [json.loads(entry["message"])["message"] for entry in log_of(window, "performance")]
    urls = [one["params"]["request"]["url"] for one in asked if one["method"] == "Network.requestWillBeSent"]
    assert len(urls) > len(PATHS)
    assert {urlsplit(url).netloc for url in urls if not url.startswith(("data:", "blob:"))} == {urlsplit(address).netloc}


def test_charts_are_drawn_with_the_zone(window: webdriver.Chrome, address: str) -> None:
    width(window, WIDE)
    window.get(f"{address}/runs/2")
    WebDriverWait(window, 20, 0.05).until(lambda _: see(window, "[data-overlay]").get_attribute("data-drawn"))
    heights = "return [...document.querySelectorAll('[data-flicks], [data-histogram]')].map((one) => one.firstElementChild.offsetHeight)"
    assert [height > 150 for height in window.execute_script(heights)] == [True] * 8
    bands = "return Bokeh.documents.map((one) => one.roots()[0].center.filter((part) => part.type === 'BoxAnnotation').length)"
    assert window.execute_script(bands) == [1] * 8
    assert see(window, "[data-note='x+']").text == "6 of 6 flicks drawn"


def test_a_scanned_code_names_the_unit_wherever_the_focus_is(live: webdriver.Chrome, desk: FakeDesk) -> None:
    scanner(live, "DN-0300")
    until_text(live, "#unit-serial", "DN-0300")
    until_text(live, "#scan-said", "Nothing moves before start")
    assert [one[0] for one in desk.asked] == ["scan"]
    assert desk.asked[0][2] == UnitIdentity("DN-0300", "dunlin-2", "")


def test_a_doubled_scan_counts_once_and_a_garbled_one_not_at_all(live: webdriver.Chrome, desk: FakeDesk) -> None:
    scanner(live, "DN-0301")
    scanner(live, "DN-0301")
    until_text(live, "#unit-serial", "DN-0301")
    scanner(live, "DN_0#99")
    until_text(live, "#scan-said", "is not a serial number of this station")
    assert len(desk.asked) == 1


def test_a_scan_with_a_button_in_focus_never_presses_it(live: webdriver.Chrome, desk: FakeDesk) -> None:
    desk.show("a", not_ready=(), state="ready")
    WebDriverWait(live, 5, 0.05).until(lambda _: see(live, "#start").is_enabled())
    live.execute_script("document.getElementById('start').focus()")
    for code in ("DN-0302", " DN-0303", "DN 0304", "\rDN-0305", "x\r"):
        scanner(live, code)
        time.sleep(0.15)
    until_text(live, "#unit-serial", "DN-0305")
    assert "start" not in [one[0] for one in desk.asked]


def test_a_scan_into_another_field_leaves_it_as_it_was(live: webdriver.Chrome, desk: FakeDesk) -> None:
    see(live, "#lot").send_keys("ML-2611")
    time.sleep(0.1)
    scanner(live, "DN-0306")
    until_text(live, "#unit-serial", "DN-0306")
    assert see(live, "#lot").get_attribute("value") == "ML-2611"
    assert desk.asked[0][2].lot == "ML-2611"


def test_the_whole_way_by_keyboard_alone(live: webdriver.Chrome, desk: FakeDesk) -> None:
    live.execute_script("document.getElementById('scan').focus()")
    for key in "dn-0307":
        ActionChains(live).send_keys(key).pause(0.06).perform()
    ActionChains(live).send_keys(Keys.ENTER).perform()
    until_text(live, "#unit-serial", "DN-0307")
    until_text(live, "#state", "ready")
    live.execute_script("document.getElementById('main').focus()")
    reached = []
    for _ in range(4):
        ActionChains(live).send_keys(Keys.TAB).pause(0.06).perform()
        reached.append(live.switch_to.active_element.get_attribute("id"))
        if reached[-1] == "start":
            break
    assert reached[-1] == "start"
    ring = live.execute_script("const s = getComputedStyle(document.activeElement); return [s.outlineStyle, parseFloat(s.outlineWidth)]")
    assert ring == ["solid", 3]
    ActionChains(live).send_keys(Keys.SPACE).perform()
    until_text(live, "#state", "running")
    assert [one[0] for one in desk.asked] == ["scan", "start"]
    assert not see(live, "#start").is_enabled()


def test_progress_traces_and_verdict_come_as_they_happen(live: webdriver.Chrome, desk: FakeDesk) -> None:
    unit = UnitIdentity("DN-0308", "dunlin-2", "")
    desk.show(
        "a", state="running", run_number=41, unit=unit, not_ready=(), sentence="Run 41: unit DN-0308 is being flicked. Keep hands out."
    )
    progress = {"x+": {"flicks": 2, "missed": 0, "beyond": 1, "verdict": "undecided", "settled": False}}
    desk.tell(flick("x+", 1, progress))
    desk.tell(flick("x+", 2, progress))
    until_text(live, "[data-group='x+'] .counts", "going on: 2 flicks, 1 beyond the zone")
    drawn = "return document.querySelectorAll(\"[data-group='x+'] polyline.line\").length"
    WebDriverWait(live, 5, 0.05).until(lambda _: live.execute_script(drawn) == 2)
    assert attribute(live, "[data-group='x+'] rect", "fill").startswith("url(#hatch")
    done = {"x+": {"flicks": 2, "missed": 0, "beyond": 2, "verdict": "fail", "settled": True}}
    desk.show(
        "a", state="ended", run_number=0, verdict="fail", reasons=("snapback:x+",), progress=done, last_run=41, sentence="Run 41 failed."
    )
    until_text(live, ".board li.holds", "FAIL")
    until_text(live, "#reasons", "group x+: Too many flicks swing beyond")
    until_text(live, "[data-group='x+'] .counts", "fail: 2 flicks")
    assert see(live, "#verdict").get_attribute("aria-live") == "assertive"
    assert see(live, "#verdict-word").get_attribute("textContent") == "Verdict fail"
    assert attribute(live, "#run-link", "href").endswith("/runs/41")


def test_after_the_link_was_lost_the_page_says_so_and_asks_for_a_start(live: webdriver.Chrome, desk: FakeDesk) -> None:
    sentence = "Link lost: no word for 320 ms. Once it is back, scan the unit and press start again; nothing starts by itself."
    desk.show("a", state="unlinked", sentence=sentence, not_ready=("The rig is not linked.",))
    until_text(live, "#sentence", sentence)
    assert "needs" in attribute(live, "#state-panel", "class")
    assert not see(live, "#start").is_enabled()


def test_what_the_station_refuses_is_said(live: webdriver.Chrome, desk: FakeDesk) -> None:
    desk.show("a", not_ready=(), state="ready")
    WebDriverWait(live, 5, 0.05).until(lambda _: see(live, "#start").is_enabled())
    desk.trouble = NotReady("Guard is open: hands out, close the guard.")
    see(live, "#start").click()
    until_text(live, "#said", "Guard is open: hands out")


def test_the_page_is_stale_within_five_seconds_and_recovers(
    window: webdriver.Chrome, desk: FakeDesk, empty_queries: Queries, settings: WebSettings
) -> None:
    desk.show("a", state="ended", verdict="pass", last_run=40)
    with serving(build_app(desk, empty_queries, Access(), settings)) as (url, _):
        port = urlsplit(url).port or 0
        window.get(f"{url}/rigs/a")
        until_text(window, ".board li.holds", "PASS")
        filled = "return getComputedStyle(document.querySelector('.board li.holds')).backgroundImage"
        assert window.execute_script(filled) == "none"
    began = time.monotonic()
    until_text(window, "#stale", "Stale since", 5.0)
    assert time.monotonic() - began < 5.0
    assert "gradient" in window.execute_script(filled)  # no old pass stays up as if it were fresh
    desk.show("a", state="ended", verdict="fail", last_run=41)
    with serving(build_app(desk, empty_queries, Access(), settings), port):
        WebDriverWait(window, 10, 0.05).until(lambda _: not see(window, "#stale").is_displayed())
        until_text(window, ".board li.holds", "FAIL")


def test_the_first_page_renews_itself(window: webdriver.Chrome, address: str, desk: FakeDesk) -> None:
    window.get(f"{address}/")
    until_text(window, "[data-live='rigs']", "No serial number: scan the unit.")
    time.sleep(0.2)
    desk.show("a", state="ready", sentence="Ready: press start on the rig.")
    until_text(window, "[data-live='rigs']", "Ready: press start on the rig.")


def test_targets_are_large_enough_for_gloves(window: webdriver.Chrome, address: str) -> None:
    width(window, NARROW)
    small = """return [...document.querySelectorAll('button, input:not([type=hidden]), select, nav a, a.row, a.button, summary')]
      .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 43.5).map((one) => one.outerHTML.slice(0, 120))"""
    for path in ("/", "/rigs/a", "/runs", "/runs/2", "/units"):
        window.get(address + path)
        assert window.execute_script(small) == [], path


def test_signing_in_and_acting_with_a_token(
    window: webdriver.Chrome, desk: FakeDesk, empty_queries: Queries, settings: WebSettings
) -> None:
    token, kept = new_token("bench")
    app = build_app(desk, empty_queries, Access([Token("bench", Role.OPERATE, kept)]), settings)
    with serving(app) as (url, _):
        window.get(f"{url}/rigs/a")
        see(window, "input[name=token]").send_keys(token + Keys.ENTER)
        until_text(window, "h1", "Rig a")
        complaints(window)
        assert window.execute_script("return document.cookie") == ""
        see(window, "#halt").click()
        WebDriverWait(window, 5, 0.05).until(lambda _: desk.asked == [("halt", "a")])
        assert complaints(window) == []
        window.delete_all_cookies()


def test_a_printed_verdict_reads_in_grey(window: webdriver.Chrome, address: str, tmp_path: Path) -> None:
    window.get(f"{address}/runs/2")
    window.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        style = window.execute_script(
            "const s = getComputedStyle(document.querySelector('.board li.holds')); return [s.backgroundColor, s.color, s.borderTopWidth]"
        )
    finally:
        window.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert style == ["rgb(255, 255, 255)", "rgb(0, 0, 0)", "5px"]
