"""Pages of rework and advice in a real browser: recording a part by hand, by keyboard and by scanner; pictures; nothing sideways."""

import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.wait import WebDriverWait

from api.http.settings import WebSettings
from tests.api.browser import ENLARGED, NARROW, WIDE, attribute, complaints, opened, see, until_text, width
from tests.api.fakes import serving
from tests.api.reworked import SECOND_TRY, TO_RETEST, TO_SOLDER, reworked_app, reworked_store
from tests.api.test_browser import scanner

pytestmark = pytest.mark.browser

PATHS = ["/rework", "/rework/orders", "/rework/1", "/rework/2", "/rework/3", "/rework/4", "/rework/ledger", "/rework/lots"]
DRAWN = ["/runs/2/advice", "/units/DN-0101", "/rework/lots?product=dunlin-2&lot=ML-2607"]


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with opened(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with an order in each stage, made once."""
    return reworked_store(tmp_path_factory.mktemp("reworked"))


@pytest.fixture
def address(made: str, tmp_path: Path) -> Iterator[str]:
    """A service over a copy of that database, which a test may change."""
    copy = tmp_path / "results.sqlite"
    shutil.copyfile(urlsplit(made).path, copy)
    with reworked_app(f"sqlite:///{copy}", WebSettings("Mossgate bench", "0.1.0")) as app, serving(app) as (url, _):
        yield url


@pytest.fixture
def order(window: webdriver.Chrome, address: str) -> Callable[[int], webdriver.Chrome]:
    """Opens the page of an order, ready to be filled in."""

    def visit(number: int) -> webdriver.Chrome:
        width(window, WIDE)
        window.get(f"{address}/rework/{number}")
        until_text(window, "#record-button", "Record")
        window.execute_script("sessionStorage.setItem('operator', 'a. marsh'); document.getElementById('operator').value = 'a. marsh'")
        complaints(window)
        return window

    return visit


def after_reload(window: webdriver.Chrome, selector: str, expected: str) -> None:
    """Wait until an element's text holds what is expected, whatever becomes of the page meanwhile."""
    wait = WebDriverWait(window, 5, 0.05, ignored_exceptions=(StaleElementReferenceException, NoSuchElementException))
    wait.until(lambda _: expected in see(window, selector).text, f"{selector} never said {expected!r}")


def drawn(window: webdriver.Chrome) -> None:
    """Wait until all pictures of a page stand."""
    done = "return !document.querySelector('[data-later], [data-advice]:not([data-drawn]), [data-lot]:not([data-drawn])')"
    WebDriverWait(window, 20, 0.05).until(lambda _: window.execute_script(done))


@pytest.mark.parametrize("pixels", [WIDE, NARROW, ENLARGED])
def test_no_page_scrolls_sideways_or_breaks_its_own_policy(window: webdriver.Chrome, address: str, pixels: int) -> None:
    width(window, pixels)
    for path in [*PATHS, *DRAWN]:
        window.get(address + path)
        drawn(window)
        beyond = window.execute_script("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert beyond == 0, path
        assert complaints(window) == [], path


def test_targets_are_large_enough_for_gloves(window: webdriver.Chrome, address: str) -> None:
    width(window, NARROW)
    small = """return [...document.querySelectorAll('button, input:not([type=hidden]), select, nav a, a.row, a.button, summary, .choice')]
      .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 43.5).map((one) => one.outerHTML.slice(0, 120))"""
    for path in [*PATHS, "/units/DN-0102"]:
        window.get(address + path)
        assert window.execute_script(small) == [], path
    window.get(f"{address}/rework/{TO_SOLDER}")
    sizes = "return [...document.querySelectorAll('#fitted-form .choice, #record-button')].map((one) => one.getBoundingClientRect().height)"
    assert min(window.execute_script(sizes)) >= 56  # gloves: well above the 44 of fingers


def test_picking_the_advised_part_and_pressing_record_is_enough(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_SOLDER)
    see(window, "[name=part][value='684']").click()
    until_text(window, "#record-button", "Record 684 on main x")
    see(window, "#record-button").click()
    after_reload(window, "#fitted-said", "Recorded: 684 on main x.")
    assert "main x: 0.68 µF (684), by a. marsh" in see(window, "main").text
    assert see(window, "[name=place][value='main y']").is_selected()  # what is left comes next
    assert "Record" in see(window, "#record-button").text
    assert complaints(window) == []


def test_another_part_is_asked_about_once(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_SOLDER)
    see(window, "[name=part][value='334']").click()
    see(window, "#record-button").click()
    until_text(window, "#fitted-said", "Advised on main x is 0.68 µF (684). Press again to record 334 all the same.")
    assert "nothing yet" in see(window, "[aria-labelledby='try-1']").text
    see(window, "#record-button").click()
    after_reload(window, "#fitted-said", "Recorded: 334 on main x.")
    assert "main x: 0.33 µF (334)" in see(window, "[aria-labelledby='try-1']").text


def test_a_scanned_part_is_recorded_wherever_the_focus_is(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(SECOND_TRY)
    scanner(window, "474K")
    after_reload(window, "#fitted-said", "Recorded: 474K on main x.")
    assert "main x: 0.47 µF (474K)" in see(window, "[aria-labelledby='try-2']").text


def test_a_scan_with_a_button_in_focus_never_presses_it(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_SOLDER)
    see(window, "[name=part][value='684']").click()
    time.sleep(0.1)
    window.execute_script("document.getElementById('record-button').focus()")
    scanner(window, "DN-0102")
    until_text(window, "#fitted-said", "That is the unit of this order. Now scan the part.")
    time.sleep(0.2)
    assert "nothing yet" in see(window, "[aria-labelledby='try-1']").text


def test_a_code_that_is_no_part_is_refused_in_words(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_SOLDER)
    scanner(window, "47x9")
    until_text(window, "#fitted-said", "Press again to record 47x9")
    see(window, "#record-button").click()
    until_text(window, "#fitted-said", "capacitance '47x9' cannot be read; expected farads as 3.3e-7")
    assert see(window, "#marking").get_attribute("value") == "47x9"


def test_a_part_is_recorded_by_keyboard_alone(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(SECOND_TRY)
    window.execute_script("document.querySelector('[name=place]:checked').focus()")
    ring = "const s = getComputedStyle(document.activeElement.nextElementSibling); return [s.outlineStyle, parseFloat(s.outlineWidth)]"
    for keys in (Keys.TAB, Keys.SPACE):  # to the parts; the first one, none
        ActionChains(window).send_keys(keys).pause(0.06).perform()
    for _ in range(5):  # 104, 154, 224, 334, 474
        ActionChains(window).send_keys(Keys.ARROW_RIGHT).pause(0.06).perform()
    assert window.execute_script(ring) == ["solid", 3]
    until_text(window, "#record-button", "Record 474 on main x")
    ActionChains(window).send_keys(Keys.ENTER).perform()
    after_reload(window, "#fitted-said", "Recorded: 474 on main x.")


def test_typed_values_keep_their_letters(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_RETEST)
    for key in "0.33uF":
        ActionChains(window).send_keys_to_element(see(window, "#marking"), key).pause(0.06).perform()
    see(window, "[name=place][value='main y']").find_element("xpath", "..").click()
    see(window, "#record-button").click()
    until_text(window, "#fitted-said", "Press again to record 0.33uF all the same.")
    see(window, "#record-button").click()
    after_reload(window, "#fitted-said", "Recorded: 0.33uF on main y.")
    assert "main y: 0.33 µF (0.33uF)" in see(window, "[aria-labelledby='try-1']").text


def test_an_order_is_ended_by_hand_with_its_cause(order: Callable[[int], webdriver.Chrome]) -> None:
    window = order(TO_SOLDER)
    see(window, "#ending summary").click()
    see(window, "#ending-form [name=cause]").send_keys("cracked housing")
    see(window, "#ending-form [name=operator]").send_keys("b. reed")
    see(window, "#ending-form button").click()
    after_reload(window, "#state-head", "scrapped for its stick module")
    assert "cracked housing" in see(window, "main").text
    assert "by b. reed" in see(window, "main").text


def test_a_unit_scanned_on_the_work_list_opens_its_order(window: webdriver.Chrome, address: str) -> None:
    width(window, WIDE)
    window.get(f"{address}/rework")
    scanner(window, "DN-0103")
    after_reload(window, "h1", "Order 3: unit DN-0103")


def test_pictures_of_advice_show_zone_limits_and_the_chosen_part(window: webdriver.Chrome, address: str) -> None:
    width(window, WIDE)
    window.get(f"{address}/units/DN-0102")
    drawn(window)
    bands = "return Bokeh.documents.map((one) => one.roots()[0].center.filter((part) => part.type === 'BoxAnnotation').length)"
    limits = "return Bokeh.documents.map((one) => one.roots()[0].center.filter((part) => part.type === 'Span').length)"
    assert window.execute_script(bands) == [1, 0, 1, 0, 1, 1, 1, 1]  # peaks and lags of x, of y, then the traces of the four groups
    assert window.execute_script(limits) == [1, 1, 1, 1, 0, 0, 0, 0]
    lines = "return Bokeh.documents[4].roots()[0].renderers.map((one) => one.glyph.line_color.value ?? one.glyph.line_color)"
    assert set(window.execute_script(lines)) == {"#0072b2"}  # an axis keeps its colour
    until_text(window, "[data-trace-note='x+']", "dashed: the farthest with this part, peak 1")
    see(window, "[name='shown-main-x'][value='0.0']").click()
    until_text(window, "[data-trace-note='x+']", "dashed: the farthest with this part, peak 2")
    assert attribute(window, "[data-advice]", "data-drawn") == "true"


def test_advice_nobody_asked_for_is_fetched_and_drawn(window: webdriver.Chrome, address: str) -> None:
    window.get(f"{address}/runs/10/advice")
    drawn(window)
    until_text(window, ".axis-advice.x .lead", "Fit nothing: mean peak 1")
    assert window.execute_script("return Bokeh.documents.length") == 8
    window.get(f"{address}/rework/lots?product=dunlin-2&lot=ML-9999")
    until_text(window, "[data-later] [role=alert]", "no unit of it has passed or failed yet")
