"""Pages of rework and advice as text: what to solder, where, with which cautions; what retests said; what the ledger taught."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from api.http.settings import WebSettings
from api.pages.ledger import place_of
from api.pages.show import farads
from api.pages.work_list import PERSON, RETEST, SOLDER, STATE_WORDS, WAIT, item_of, needed, picks, places
from db.rows_rework import LedgerRow, OrderDetail, OrderRow, TryRow
from station.judge.advice_words import CAUTIONS
from station.records import UnitIdentity
from station.rework import Part, PartRecord, State
from tests.api.client import TestClient
from tests.api.conftest import HOST
from tests.api.reworked import CLOSED, HOPELESS, SECOND_TRY, TO_RETEST, TO_SOLDER, WITHDRAWN, reworked_app, reworked_store
from tests.api.test_pages import Links

PAGES = (
    *("/rework", "/rework/orders", "/rework/orders?state=withdrawn", "/rework/ledger", "/rework/lots", "/units/DN-0101", "/units/DN-0107"),
    *(f"/rework/{number}" for number in range(CLOSED, WITHDRAWN + 1)),
    *("/runs/1/advice", "/runs/7/advice", "/rework/lots?product=dunlin-2&lot=ML-2607", "/rework/lots/answer?product=dunlin-2&lot=ML-2607"),
)
AT = datetime(2026, 11, 24, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Requests to a service whose database has an order in each stage. Nothing here changes it."""
    url = reworked_store(tmp_path_factory.mktemp("reworked"))
    with reworked_app(url, WebSettings("Mossgate bench", "0.1.0", cautions=("Bench 3: ask the shift lead first.",))) as app:
        options: dict[str, Any] = {"raise_server_exceptions": False, "follow_redirects": False}
        with TestClient(app, base_url=HOST, **options) as one:
            yield one


def words_of(html: str) -> str:
    """Text of a page's content, without tags, single blanks."""
    within = html.partition("<main")[2].partition("</main>")[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", within)).replace("&#39;", "'")


def job(html: str, serial: str) -> str:
    """Words of one unit's card on the work list."""
    cards = re.findall(r'<li class="panel job.*?</li>', html, re.DOTALL)
    (mine,) = [card for card in cards if f">{serial}<" in card]
    return words_of(f"<main>{mine}</main>")


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_whole_and_every_link_leads_somewhere(shop: TestClient, path: str) -> None:
    answer = shop.get(path)
    assert answer.status_code == 200
    links = Links(answer.text)
    assert len(links.ids) == len(set(links.ids))
    assert links.inputs == links.labels
    assert links.inline == []
    assert answer.text.count("<h1") == 1
    for tag, value in links.found:
        assert value.startswith(("/", "#"))
        if tag in ("a", "img", "link", "script") and not value.startswith("#"):
            assert shop.get(value.partition("#")[0]).status_code == 200, (path, value)


def test_the_work_list_says_what_to_solder_and_where(shop: TestClient) -> None:
    text = shop.get("/rework").text
    card = job(text, "DN-0102")
    assert "stick main, axis x 0.68 uF marked 684 Between the x axis signal and ground: pads X SIG and GND." in card
    assert "stick main, axis y 0.47 uF marked 474 Between the y axis signal and ground: pads Y SIG and GND." in card
    assert "474 0.47 µF 2 pieces" in words_of(text)  # one for each of two units
    assert "684 0.68 µF 1 piece" in words_of(text)
    assert 'src="/v1/products/dunlin-2/pad-map"' in text
    assert "drawn from the solder side: main x between X SIG and GND; main y between Y SIG and GND;" in text


def test_every_page_on_which_soldering_is_ordered_warns_first(shop: TestClient) -> None:
    for path in ("/rework", f"/rework/{TO_SOLDER}"):
        html = shop.get(path).text
        text = words_of(html)
        for caution in (*CAUTIONS, "Bench 3: ask the shift lead first."):
            assert caution in text
        assert text.index("remove batteries first") < text.index("marked")
    for word in (
        "batteries",
        "Eye protection",
        "fume extraction",
        "iron is hot",
        "Wash hands",
        "Static",
        "qualified",
        "local workplace rules",
    ):
        assert word in text, word


def test_each_order_stands_under_what_it_waits_for(shop: TestClient) -> None:
    text = words_of(shop.get("/rework").text)
    heads = [text.index(head) for head in ("To solder 2", "To test again 1", "To be decided by a person 1")]
    assert heads == sorted(heads)
    for serial, after, before in (("DN-0103", heads[0], heads[1]), ("DN-0105", heads[1], heads[2]), ("DN-0104", heads[2], len(text))):
        assert after < text.index(serial) < before
    assert "DN-0101" not in text
    assert "DN-0106" not in text


def test_where_no_part_will_do_the_page_says_what_stands_in_the_way_and_what_helps(shop: TestClient) -> None:
    card = job(shop.get("/rework").text, "DN-0104")
    assert "No part will do: scrap the unit for its stick module" in card
    assert "None will do: over_share_good stands in the way (snapback:x+, snapback:x-)" in card
    assert "What would help: A larger part than any in stock, or a stick module whose spring throws it less far past rest." in card


def test_a_scanned_unit_leads_to_its_order(shop: TestClient) -> None:
    answer = shop.get("/rework/unit?serial=dn-0102")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/rework/{TO_SOLDER}")
    ended = shop.get("/rework/unit?serial=DN-0101").headers["location"]
    assert ended == "/rework/orders?state=all&serial=DN-0101"
    assert re.findall(r'href="/rework/(\d+)"', shop.get(ended).text) == [str(CLOSED)]
    assert "No orders." in shop.get(shop.get("/rework/unit?serial=%3Cb%3E").headers["location"]).text


def test_the_form_offers_every_part_in_stock_and_begins_with_the_next_axis(shop: TestClient) -> None:
    html = shop.get(f"/rework/{TO_SOLDER}").text
    assert re.findall(r'name="part" value="(\w+)"', html) == ["none", "104", "154", "224", "334", "474", "684"]
    where = re.findall(r'name="place" value="main (\w)"[^>]*data-marking="(\w*)"[^>]*?( checked)?>', html)
    assert where == [("x", "684", " checked"), ("y", "474", "")]
    assert "Record what was fitted" not in shop.get(f"/rework/{CLOSED}").text


def test_an_order_tells_its_tries_with_findings_and_likelihoods(shop: TestClient) -> None:
    text = words_of(shop.get(f"/rework/{SECOND_TRY}").text)
    assert text.index("Try 2 of 3: going on") < text.index("Try 1 of 3: failed, a further try follows")
    assert "main x: not acting" in text
    assert "The part on x does not act (the stick answers as without any): a dry joint, a wrong pad, or no part fitted." in text
    of_x = text[text.index("main x: not acting") : text.index("main y: as recorded")]
    weights = dict(re.findall(r"(the part does not act|acts as recorded|another value than recorded acts)[^0-9]*?(\d\.\d{3})", of_x))
    assert float(weights["the part does not act"]) > 0.9
    assert float(weights["acts as recorded"]) < 0.05
    assert "x+ peak, counts" in text


def test_ended_orders_say_how_and_by_whom(shop: TestClient) -> None:
    assert "Run 8 passed after 1 try." in words_of(shop.get(f"/rework/{CLOSED}").text)
    withdrawn = words_of(shop.get(f"/rework/{WITHDRAWN}").text)
    assert "sent back to the customer" in withdrawn
    assert "by b. reed" in withdrawn
    listed = words_of(shop.get("/rework/orders?state=withdrawn").text)
    assert "DN-0106" in listed
    assert "DN-0101" not in listed


def test_the_ledger_shows_predicted_measured_residual_and_what_it_taught(shop: TestClient) -> None:
    text = words_of(shop.get("/rework/ledger").text)
    rows = re.findall(r"(DN-\d+) dunlin-2, ML-2607 \(emulated\) main x 0\.47 µF (\d+\.\d+) (\d+\.\d+) ([+-]\d+\.\d+)", text)
    assert [row[0] for row in rows] == ["DN-0103", "DN-0101"]
    for _, predicted, measured, residual in rows:
        assert float(measured) - float(predicted) == pytest.approx(float(residual), abs=0.011)
    assert abs(float(rows[1][3])) < 0.5  # simulated at the nominal track, the part as marked
    assert float(rows[0][3]) > 3.0  # nothing acted there
    assert "not yet: 1 of 8 retests" in text
    assert "No retest has been compared yet." in shop.get("/rework/ledger?lot=ML-9999").text


def test_kept_advice_is_on_the_page_at_once_with_every_part_against_the_limits(shop: TestClient) -> None:
    html = shop.get("/runs/2/advice").text
    text = words_of(html)
    assert "data-later" not in html
    assert "Fit 0.68 uF (684): mean peak" in text
    assert "limit zone 22.0 0.1 % 1.60 12.00 50 % asked" in text
    assert text.count("meets") + text.count("does not:") == 14  # seven parts on each axis
    document = shop.get("/v1/runs/2/advice").json()["sticks"]["main"]
    for part in document["axes"]["x"]["candidates"]:
        assert f"{farads(part['capacitance_f'])} " in text
        assert f"{part['peak_counts']['mean']:.1f} sd {part['peak_counts']['sd']:.1f}" in text
    assert "track 10000 Ω ± 20 %, by specification" in text
    assert text.index("remove batteries first") < text.index("Fit 0.68 uF")
    assert "remove batteries first" not in words_of(shop.get("/runs/10/advice/now").text)  # nothing is to be soldered there


def test_advice_that_was_not_kept_is_fetched_after_the_page(shop: TestClient) -> None:
    assert 'data-later="/runs/10/advice/now"' in shop.get("/runs/10/advice").text
    assert "/runs/10/advice" in shop.get("/units/DN-0108").text
    answer = shop.get("/runs/10/advice/now")
    assert answer.status_code == 200
    assert "Fit nothing: mean peak 1" in words_of(answer.text)
    assert 'data-later="/runs/10/advice/now"' in shop.get("/runs/10/advice").text  # looking keeps nothing
    assert shop.get("/runs/99/advice").status_code == 404


def test_predicted_traces_are_those_of_the_advised_part(shop: TestClient) -> None:
    body = shop.get("/runs/2/advice/traces?stick=main").json()
    assert body["neutral_zone_counts"] == 22.0
    advice = shop.get("/v1/runs/2/advice").json()["sticks"]["main"]["axes"]
    for group, trace in body["groups"].items():
        assert len(trace["t_s"]) == len(trace["measured_counts"])
        worst = {part["capacitance_f"]: part["groups"][group]["peak_counts"]["max"] for part in advice[group[0]]["candidates"]}
        for part in trace["candidates"]:
            free = [-count for t_s, count in zip(trace["t_s"], part["counts"], strict=True) if t_s > 0]
            assert max(free) == pytest.approx(worst[part["capacitance_f"]], abs=1.0)  # noise of one sample stays in the drawn trace
    wider = shop.get("/runs/2/advice/traces?track_ohm=12000").json()["groups"]["x+"]["candidates"][-1]["counts"]
    assert min(wider) > min(body["groups"]["x+"]["candidates"][-1]["counts"]) + 0.5  # more resistance, more filtering


@pytest.mark.parametrize("query", ["?track_ohm=0", "?track_ohm=nan", "?stick="])
def test_what_cannot_be_drawn_is_refused(shop: TestClient, query: str) -> None:
    assert shop.get(f"/runs/2/advice/traces{query}").status_code == 422


def test_the_lot_page_answers_the_planner(shop: TestClient) -> None:
    page = shop.get("/rework/lots?product=dunlin-2&lot=ML-2607").text
    assert 'data-later="/rework/lots/answer?product=dunlin-2&amp;lot=ML-2607"' in page
    text = words_of(shop.get("/rework/lots/answer?product=dunlin-2&lot=ML-2607").text)
    assert "0.68 uF (684) on every axis makes the largest share pass: 6 of 7 sticks, 86 % (95 % interval 42 to 100 %)" in text
    assert "6 of 7 86 % 42 % to 100 %" in text  # Clopper and Pearson for 6 of 7: 0.4213 to 0.9964, by the beta law
    assert shop.get("/rework/lots/answer?product=dunlin-2&lot=ML-9999").status_code == 404


def test_unit_and_run_lead_to_orders_and_advice(shop: TestClient) -> None:
    unit = shop.get("/units/DN-0102").text
    assert f'href="/rework/{TO_SOLDER}"' in unit
    assert 'data-advice data-run="2" data-stick="main"' in unit
    assert 'href="/runs/2/advice"' in shop.get("/runs/2").text
    assert "Rework</a>" in unit
    assert "The advice below is from an earlier run" not in unit


def test_a_service_without_a_desk_shows_its_pages_too(client: TestClient) -> None:
    for path in ("/rework", "/rework/orders", "/rework/ledger", "/rework/lots", "/runs/2/advice", "/units/DN-0002"):
        assert client.get(path).status_code == 200
    assert "No unit waits for rework" in client.get("/rework").text
    assert client.get("/runs/2/advice/now").status_code == 409
    assert client.get("/rework/1").status_code == 404


# --- what an order waits for


def step(axis: str, action: str = "fit", capacitance_f: float | None = 4.7e-7) -> dict[str, Any]:
    solder = action in ("fit", "remove", "larger", "smaller")
    marking = None if capacitance_f is None else "474"
    return {"stick": "main", "axis": axis, "action": action, "solder": solder, "capacitance_f": capacitance_f, "marking": marking}


def detail(state: State, steps: tuple[dict[str, Any], ...] = (), advice: str = "made", parts: str = "") -> OrderDetail:
    unit = UnitIdentity("DN-0301", "dunlin-2", "ML-2607")
    order = OrderRow(
        *(1, "Mossgate bench", unit, False, "dunlin-2 A", 1, ("snapback:x+",), state, 1, 3, advice, 1, "waiting", "", AT, AT, None, "", "")
    )
    records = tuple(PartRecord(Part("main", axis, 4.7e-7, "474"), "a. marsh", AT) for axis in parts)
    said = "the trace is damaged" if advice == "failed" else ""
    return OrderDetail(order, (TryRow(1, 1, advice, said, AT, steps, records, None, None, "waiting", "", {}, ""),))


@pytest.mark.parametrize(
    ("one", "stage"),
    [
        (detail(State.OPEN, (step("x"), step("y", "none-needed", 0.0))), SOLDER),
        (detail(State.OPEN, (step("x", "remove", 0.0),)), SOLDER),
        (detail(State.OPEN, (step("x"), step("y", "none-will-do", None))), PERSON),  # soldering x alone would not help
        (detail(State.OPEN, (step("x", "not-measured", None),)), PERSON),
        (detail(State.OPEN, (step("x", "keep"),)), PERSON),
        (detail(State.OPEN, advice="pending"), WAIT),
        (detail(State.OPEN, advice="failed"), PERSON),
        (detail(State.FITTED, (step("x"), step("y")), parts="x"), SOLDER),  # the other part is still to be fitted
        (detail(State.FITTED, (step("x"), step("y")), parts="xy"), RETEST),
        (detail(State.FITTED, (step("x", "none-will-do", None), step("y")), parts="x"), RETEST),
        (detail(State.RETESTED, (step("x"),), parts="x"), WAIT),
    ],
)
def test_an_order_waits_for_one_thing(one: OrderDetail, stage: str) -> None:
    found = item_of(one)
    assert found.stage == stage
    assert stage in (SOLDER, PERSON) or not found.steps


def test_only_what_is_left_is_ordered_and_counted() -> None:
    half = item_of(detail(State.FITTED, (step("x"), step("y")), parts="x"))
    assert [one["axis"] for one in half.steps] == ["y"]
    whole = item_of(detail(State.OPEN, (step("x"), step("y"), step("y", "remove", 0.0))))
    assert [(one.marking, one.count) for one in needed([half, whole])] == [("474", 3)]


def test_a_failed_advice_says_why() -> None:
    assert item_of(detail(State.OPEN, advice="failed")).sentence == "the trace is damaged"


def test_the_form_begins_where_something_is_left_to_solder() -> None:
    tried = detail(State.FITTED, (step("x"), step("y")), parts="x").tries[0]
    assert [(one.name, one.checked, one.recorded) for one in places(tried, [])] == [("main x", False, "0.47 µF"), ("main y", True, "")]
    bare = replace(tried, steps=(), parts=())
    assert [(one.name, one.checked) for one in places(bare, ["left", "right"])] == [
        ("left x", True),
        ("left y", False),
        ("right x", False),
        ("right y", False),
    ]


def test_parts_are_picked_by_their_marking() -> None:
    assert [(one.marking, one.value) for one in picks([4.7e-7, 1e-7])] == [("none", "none"), ("104", "0.1 µF"), ("474", "0.47 µF")]


def test_every_state_has_words() -> None:
    assert set(STATE_WORDS) == set(State)


@pytest.mark.parametrize(("predicted", "measured", "place"), [(20.0, 20.0, 50.0), (20.0, 22.0, 75.0), (20.0, 9.0, 0.0), (None, 20.0, None)])
def test_a_residual_has_its_place_on_the_scale(predicted: float | None, measured: float, place: float | None) -> None:
    unit = UnitIdentity("DN-0301", "dunlin-2", "ML-2607")
    row = LedgerRow(1, 1, 1, unit, False, "main", "x", 2, 4.7e-7, predicted, measured, "as-recorded", "specification", {}, AT)
    assert place_of(row) == place


def test_the_order_that_waits_for_its_retest_says_what_was_recorded(shop: TestClient) -> None:
    text = words_of(shop.get(f"/rework/{TO_RETEST}").text)
    assert "Now fitted: the unit is to be tested again" in text
    assert "main y: 0.47 µF ( 474K ), by a. marsh" in text
    assert f"Order {HOPELESS}" in shop.get(f"/rework/{HOPELESS}").text
