"""Proving a rig in a real browser: a procedure from its form to its outcome, also through a restart; a chart frozen and noted."""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote, urlsplit

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select
from selenium.webdriver.support.wait import WebDriverWait

from api.http.proof import chart_text
from station.errors import NotReady
from station.proof import Kind, Standing
from tests.api.browser import ENLARGED, NARROW, WIDE, attribute, complaints, log_of, opened, see, until_text, width
from tests.api.fakes import serving
from tests.api.staged import PARTS, REFERENCE, Stage, staged
from tests.api.staged_store import CHECKS, GAUGE, IN_FORCE, OFF, PEAK, REFUSED, SLOW, SPEED, TYPE_1, proven_store
from tests.api.test_browser import scanner

pytestmark = pytest.mark.browser

Visit = Callable[[str], webdriver.Chrome]


def of_chart(key: object) -> str:
    return f"/prove/chart?key={quote(str(key))}"


FIGURES = [f"/prove/calibrations/{IN_FORCE}", f"/prove/studies/{GAUGE}", f"/prove/studies/{TYPE_1}", of_chart(SPEED), of_chart(PEAK)]
PATHS = [
    "/prove",
    "/prove/rigs/a",
    "/prove/rigs/b",
    f"/prove/calibrations/{REFUSED}",
    f"/prove/checks/{OFF}",
    "/prove/procedures/1",
    *FIGURES,
]
SMALL = """return [...document.querySelectorAll('button, input:not([type=hidden], [type=checkbox]), select, nav a, .row, .button, summary')]
  .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 43.5).map((one) => one.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with opened(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database of a proven rig, made once."""
    return proven_store(tmp_path_factory.mktemp("proven"))


@pytest.fixture
def copied(made: str, tmp_path: Path) -> str:
    """Address of a copy that a test may change."""
    copy = tmp_path / "results.sqlite"
    shutil.copyfile(urlsplit(made).path, copy)
    return f"sqlite:///{copy}"


@pytest.fixture
def stage(copied: str) -> Iterator[Stage]:
    with staged(copied) as one:
        yield one


@pytest.fixture
def address(stage: Stage) -> Iterator[str]:
    with serving(stage.app) as (url, _):
        yield url


@pytest.fixture
def visit(window: webdriver.Chrome, address: str) -> Visit:
    """Opens a page."""

    def open_page(path: str) -> webdriver.Chrome:
        width(window, WIDE)
        window.get(address + path)
        complaints(window)
        return window

    return open_page


def begin(window: webdriver.Chrome, kind: Kind, **fields: str) -> None:
    """Fill in the form of a kind and begin."""
    form = f"form[data-begin='{kind}']"
    see(window, form).find_element(By.XPATH, "..").find_element(By.CSS_SELECTOR, "summary").click()
    for name, value in {"operator": "A. Marsh", **fields}.items():
        field = see(window, f"{form} [name={name}]")
        field.clear()
        field.send_keys(value)
    see(window, f"{form} button").click()


def drawn(window: webdriver.Chrome) -> bool:
    """Whether every picture of the page stands."""
    return bool(window.execute_script("return [...document.querySelectorAll('.chart')].every((one) => one.childElementCount)"))


@pytest.mark.parametrize("pixels", [WIDE, NARROW, ENLARGED])
def test_pages_keep_their_width_their_policy_and_to_their_host(window: webdriver.Chrome, address: str, pixels: int) -> None:
    width(window, pixels)
    log_of(window, "performance")
    for path in PATHS:
        window.get(address + path)
        WebDriverWait(window, 20, 0.05).until(drawn, path)
        assert window.execute_script("return document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0, path
        assert window.execute_script(SMALL) == [], path
        assert complaints(window) == [], path
    asked = [json.loads(entry["message"])["message"] for entry in log_of(window, "performance")]
    urls = [one["params"]["request"]["url"] for one in asked if one["method"] == "Network.requestWillBeSent"]
    assert len(urls) > len(PATHS)
    assert {urlsplit(url).netloc for url in urls if not url.startswith(("data:", "blob:"))} == {urlsplit(address).netloc}


def test_start_and_halt_can_be_pressed_with_gloves(visit: Visit) -> None:
    window = visit("/prove/rigs/b")
    begin(window, Kind.CALIBRATION)
    until_text(window, "#step-title", "Prepare")
    width(window, NARROW)
    heights = "return ['go', 'halt'].map((id) => document.getElementById(id).getBoundingClientRect().height)"
    assert min(window.execute_script(heights)) >= 64


def test_a_check_is_followed_from_its_form_to_its_outcome(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/a")
    begin(window, Kind.REFERENCE_CHECK, serial=REFERENCE)
    until_text(window, "#step-count", "Step 1 of 1")
    assert REFERENCE in see(window, "#step-title").text
    assert "Emergency stop within reach? Press start." in see(window, "#step-says").text
    assert "the finger's power in hardware" in see(window, ".caution").text
    see(window, "#go").click()
    until_text(window, "#step-progress", "of 3")
    assert not see(window, "#go").is_enabled()
    until_text(window, "#outcome-word", "Within its limits")
    see(window, "#outcome-link").click()
    until_text(window, "h1", f"check {CHECKS + 1}")
    assert complaints(window) == []
    assert stage.proof.state("a").procedure == 0


def test_what_went_wrong_is_told_and_the_step_is_done_again(visit: Visit, stage: Stage) -> None:
    stage.courses[Kind.REFERENCE_CHECK].failing.append(NotReady("The guard is open: close it."))
    window = visit("/prove/rigs/a")
    begin(window, Kind.REFERENCE_CHECK, serial=REFERENCE)
    until_text(window, "#go", "Start step")
    see(window, "#go").click()
    until_text(window, "#step-problem", "The guard is open: close it.")
    until_text(window, "#go", "Do it again")
    see(window, "#go").click()
    until_text(window, "#outcome-word", "Within its limits")


def test_the_button_of_the_rig_does_the_same_as_the_page(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/a")
    begin(window, Kind.REFERENCE_CHECK, serial=REFERENCE)
    until_text(window, "#go", "Start step")
    stage.workers["a"].press()
    until_text(window, "#outcome-word", "Within its limits")


def test_halt_stands_beside_every_step(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/b")
    begin(window, Kind.CALIBRATION)
    until_text(window, "#step-title", "Prepare")
    see(window, "#halt").click()
    WebDriverWait(window, 5, 0.05).until(lambda _: ("halt", "b") in stage.desk.asked)


def test_a_study_names_part_and_operator_of_every_step(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/a")
    begin(window, Kind.GAUGE_STUDY, parts=", ".join(PARTS[:2]), operators="A. Marsh, B. Reed", trials="2")
    until_text(window, "#step-count", "Step 1 of 8")
    number = stage.proof.state("a").procedure
    step = stage.proof.procedure(number).steps[0]
    assert step.unit in see(window, "#step-who").text
    assert step.operator in see(window, "#step-who").text
    see(window, "#go").click()
    until_text(window, "#step-count", "Step 2 of 8")
    assert stage.proof.procedure(number).procedure.results[0].by == step.operator


def test_a_scanned_code_never_starts_a_step_whatever_has_the_focus(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/a")
    begin(window, Kind.REFERENCE_CHECK, serial=REFERENCE)
    until_text(window, "#go", "Start step")
    number = stage.proof.state("a").procedure
    window.execute_script("document.getElementById('go').focus()")
    scanner(window, REFERENCE)
    time.sleep(stage.courses[Kind.REFERENCE_CHECK].pace_s + 0.5)
    view = stage.proof.procedure(number)
    assert (view.busy, view.procedure.results) == (False, ())


def test_an_abandoned_procedure_keeps_its_cause(visit: Visit, stage: Stage) -> None:
    window = visit("/prove/rigs/b")
    begin(window, Kind.CALIBRATION)
    until_text(window, "#step-title", "Prepare")
    number = stage.proof.state("b").procedure
    see(window, "#abandon-box summary").click()
    see(window, "#abandon [name=operator]").send_keys("B. Reed")
    see(window, "#abandon [name=cause]").send_keys("cracked tip")
    see(window, "#abandon button").click()
    until_text(window, "#outcome-head", "Abandoned")
    until_text(window, "#outcome-word", "cracked tip (B. Reed)")
    assert stage.proof.procedure(number).procedure.standing is Standing.ABANDONED


def test_a_procedure_goes_on_after_a_restart_of_the_service(window: webdriver.Chrome, copied: str) -> None:
    width(window, WIDE)
    with staged(copied) as stage, serving(stage.app) as (url, _):
        port = urlsplit(url).port or 0
        window.get(f"{url}/prove/rigs/b")
        begin(window, Kind.CALIBRATION)
        until_text(window, "#step-count", "Step 1 of 11")
        see(window, "#go").click()
        until_text(window, "#step-count", "Step 2 of 11")
    left_s = time.monotonic()
    until_text(window, "#stale", "Stale since", within_s=6.0)
    assert time.monotonic() - left_s < 5.0
    with staged(copied) as stage, serving(stage.app, port) as (url, _):
        WebDriverWait(window, 15, 0.05).until(lambda _: not see(window, "#stale").is_displayed())
        until_text(window, "#step-title", "Check the sampler")
        see(window, "#go").click()
        until_text(window, "#step-count", "Step 3 of 11")
        window.refresh()
        until_text(window, "#step-title", "Check the clocks")


def test_a_chart_is_drawn_with_its_signal_and_the_signal_noted(visit: Visit, stage: Stage) -> None:
    window = visit(of_chart(SPEED))
    WebDriverWait(window, 20, 0.05).until(lambda _: attribute(window, "#chart", "data-drawn"))
    assert window.execute_script("return Bokeh.documents.length") == 2  # the level, and its moving range
    assert f"run {SLOW} is at 394 reach/s, below its lower limit" in see(window, "[aria-labelledby=signals]").text
    assert Select(see(window, "#note [name=point]")).first_selected_option.text == str(SLOW)
    for name, text in {"cause": "dragging finger", "action": "tip changed", "operator": "B. Reed"}.items():
        see(window, f"#note [name={name}]").send_keys(text)
    see(window, "#note button").click()
    until_text(window, "[aria-labelledby=signals]", "dragging finger; done: tip changed (B. Reed)")
    assert not [line for line in stage.proof.banners() if "Release speed" in line]


def test_limits_are_frozen_from_a_stretch(visit: Visit, stage: Stage) -> None:
    assert stage.proof.chart(PEAK)["limits"] == "provisional"
    window = visit(of_chart(chart_text(PEAK)))
    until_text(window, "main", "provisional")
    see(window, "#freeze [name=operator]").send_keys("C. Holt")
    Select(see(window, "#freeze [name=last]")).select_by_index(1)  # newest first: without the last check
    see(window, "#freeze button").click()
    until_text(window, "main", "Limits: frozen")
    kept = stage.book.baseline(PEAK)
    assert kept is not None
    assert (kept.by, kept.rules) == ("C. Holt", ("beyond", "one-side"))
    assert complaints(window) == []
