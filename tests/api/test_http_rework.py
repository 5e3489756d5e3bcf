"""Rework over HTTP: the work list, one order, what technicians record, the ledger, advice, the pad map."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from api.clock import SystemClock
from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from api.pads import read_pad_maps
from db.migrate import create_or_require
from db.queries import Queries
from db.rework import ReworkStore
from db.store import SqlStore
from station.records import Fitted
from station.rework import Job, Part
from station.service.reckoner import StationReckoning
from station.service.rework_desk import OrderDesk
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.filled import SPECIFICATION, SPECIFICATION_TEXT, START, STATION, STORIES, Story, add_run
from tests.db.making_rework import checked, document

HOST = "http://127.0.0.1:8000"
PADS = Path(__file__).parents[2] / "rigs" / "profiles" / "pads"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqlStore]:
    """A unit that failed, DN-0002, and its order 1 with advice."""
    url = f"sqlite:///{tmp_path / 'results.sqlite'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    store.keep_specification(SPECIFICATION_TEXT, SPECIFICATION, START)
    rework = ReworkStore(store.database, STATION)
    rework.follow(add_run(store, STORIES[1], START), 3, START)
    step = {"stick": "main", "axis": "x", "solder": True, "help": [], "in_words": "Fit 0.47 uF (474).", "where": "", "value": "0.47 uF"}
    step |= {"capacitance_f": 4.7e-7, "marking": "474"}
    rework.keep_advice(job_of(rework, "advice"), {"main": document()}, [step], "0.1.0", START)
    yield store
    store.close()


def job_of(rework: ReworkStore, kind: str) -> Job:
    (found,) = [one for one in rework.jobs() if one.kind == kind]
    return found


@pytest.fixture
def said() -> list[tuple[int, str]]:
    return []


@pytest.fixture
def client(store: SqlStore, said: list[tuple[int, str]], settings: WebSettings) -> Iterator[TestClient]:
    queries = Queries(str(store.database.url))
    orders = OrderDesk(
        ReworkStore(store.database, STATION), SystemClock(), read_pad_maps(PADS), lambda *one: said.append(one), StationReckoning()
    )
    app = build_app(FakeDesk(), queries, Access(), settings, orders)
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False) as one:
        yield one
    queries.close()


def fit(client: TestClient, part: str = "474", axis: str = "x") -> Any:
    return client.post("/v1/rework/1/fitted", json={"stick": "main", "axis": axis, "part": part, "operator": "a. marsh"})


def test_the_work_list_shows_open_orders(client: TestClient) -> None:
    body = client.get("/v1/rework").json()
    (order,) = body["orders"]
    assert (order["order"], order["state"], order["unit"]["serial"], order["advice"]) == (1, "open", "DN-0002", "made")
    assert order["reasons"][0].startswith("snapback:x")
    assert body["next"] is None
    assert client.get("/v1/rework?state=closed").json()["orders"] == []
    assert client.get("/v1/rework?serial=DN-0003").json()["orders"] == []


def test_one_order_says_what_to_do_and_warns_first(client: TestClient) -> None:
    body = client.get("/v1/rework/1").json()
    (tried,) = body["all_tries"]
    assert tried["steps"][0]["marking"] == "474"
    assert any("batteries" in caution for caution in body["cautions"])
    assert body["pad_map"] == "/v1/products/dunlin-2/pad-map"


def test_the_pad_map_is_an_inert_picture_that_names_the_pads(client: TestClient) -> None:
    answer = client.get("/v1/products/dunlin-2/pad-map")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    for word in ("X SIG", "Y SIG", "GND"):
        assert word in answer.text
    for word in ("<script", "style=", "http://www.w3.org/1999/xlink", "onload"):
        assert word not in answer.text
    assert client.get("/v1/products/other/pad-map").status_code == 404


def test_a_part_is_recorded_once(client: TestClient, store: SqlStore, said: list[tuple[int, str]]) -> None:
    first, second = fit(client), fit(client, "0.47uF")
    assert (first.status_code, second.status_code) == (200, 200)
    body = second.json()
    assert (body["state"], body["tries"], len(body["all_tries"][0]["parts"])) == ("fitted", 1, 1)
    part = body["all_tries"][0]["parts"][0]
    assert (part["text"], part["capacitance_f"], part["by"]) == ("474", 4.7e-7, "a. marsh")
    assert store.fitted("DN-0002") == {"main": Fitted(4.7e-7, 0.0)}
    assert said == [(1, "Order 1: a. marsh recorded 0.47 uF on main x. Test the unit again.")]


def test_none_is_a_part_too_and_the_token_names_the_operator(client: TestClient) -> None:
    answer = client.post("/v1/rework/1/fitted", json={"axis": "y", "part": "none"})
    assert answer.json()["all_tries"][0]["parts"][0]["capacitance_f"] == 0.0
    assert answer.json()["all_tries"][0]["parts"][0]["by"] == "local"


@pytest.mark.parametrize(
    ("body", "status", "code", "words"),
    [
        ({"axis": "x", "part": "47x"}, 422, "marking", "47x"),
        ({"axis": "z", "part": "474"}, 422, "not-valid", "axis"),
        ({"axis": "x", "part": "474", "stick": "left"}, 422, "usage", "left"),
        ({"axis": "x", "part": "474", "more": 1}, 422, "not-valid", "more"),
        ({"axis": "x"}, 422, "not-valid", "part"),
    ],
)
def test_what_cannot_be_recorded_is_refused(client: TestClient, body: dict[str, object], status: int, code: str, words: str) -> None:
    answer = client.post("/v1/rework/1/fitted", json=body)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert words in answer.json()["detail"]
    assert client.get("/v1/rework/1").json()["state"] == "open"


def test_people_end_orders_and_an_ended_one_takes_nothing(client: TestClient) -> None:
    for how in ("scrap", "withdraw"):
        assert client.post(f"/v1/rework/1/{how}", json={"cause": " ", "operator": "a"}).status_code == 422
    body = client.post("/v1/rework/1/scrap", json={"cause": "cracked housing", "operator": "a. marsh"}).json()
    assert (body["state"], body["closing"], body["closed_by"]) == ("scrapped", "cracked housing", "a. marsh")
    for answer in (fit(client), client.post("/v1/rework/1/withdraw", json={"cause": "x"})):
        assert (answer.status_code, answer.json()["code"]) == (409, "not-ready")
        assert "has ended (scrapped): cracked housing" in answer.json()["detail"]
    assert client.get("/v1/rework").json()["orders"] == []
    assert client.get("/v1/rework?state=all").json()["orders"][0]["order"] == 1


@pytest.mark.parametrize("path", ["/99", "/0", "?state=done", "?after=x", "?limit=0", "?x=1"])
def test_what_cannot_be_asked_is_a_problem(client: TestClient, path: str) -> None:
    answer = client.get(f"/v1/rework{path}")
    assert answer.status_code == (404 if path.endswith("99") else 422)
    assert answer.headers["content-type"] == "application/problem+json"


def test_pages_of_orders_are_linked(client: TestClient, store: SqlStore) -> None:
    rework = ReworkStore(store.database, STATION)
    for number in (5, 6):
        story = replace(STORIES[1], serial=f"DN-000{number}")
        rework.follow(add_run(store, story, START + timedelta(minutes=number), number), 3, START)
    first = client.get("/v1/rework?limit=2")
    assert [one["order"] for one in first.json()["orders"]] == [1, 2]
    assert 'rel="next"' in first.headers["link"]
    assert [one["order"] for one in client.get(first.json()["next"]).json()["orders"]] == [3]


def test_the_ledger_is_given_with_its_residuals(client: TestClient, store: SqlStore) -> None:
    rework = ReworkStore(store.database, STATION)
    rework.fit(1, Part("main", "x", 4.7e-7, "474"), "a. marsh", START)
    retest = add_run(store, _carrying(store), START + timedelta(minutes=9))
    rework.follow(retest, 3, START)
    rework.keep_check(job_of(rework, "check"), checked(), START)
    (entry,) = client.get("/v1/rework/ledger?product=dunlin-2&lot=ML-2607&emulated=true").json()["entries"]
    assert entry["residual_counts"] == pytest.approx(entry["measured_counts"] - entry["predicted_counts"])
    assert (entry["order"], entry["retest_run"], entry["capacitance_f"]) == (1, 2, 4.7e-7)
    assert client.get("/v1/rework/ledger?emulated=false").json() == {"entries": [], "next": None}
    assert client.get("/v1/rework/estimates").json() == {"estimates": []}
    order = client.get("/v1/rework/1").json()
    assert order["all_tries"][0]["findings"]["main x"]["finding"] == "as-recorded"


def _carrying(store: SqlStore) -> Story:
    return replace(STORIES[1], fitted=store.fitted("DN-0002")["main"])


def test_advice_is_given_as_kept_or_computed_now(client: TestClient, store: SqlStore) -> None:
    kept = client.get("/v1/runs/1/advice").json()
    assert kept["sticks"] == {"main": document()}
    assert kept["made_at"] == "2026-11-24T07:30:00.000Z"
    assert client.get("/v1/units/DN-0002/advice").json() == kept
    other = add_run(store, STORIES[2], START + timedelta(minutes=3))
    fresh = client.get(f"/v1/runs/{other}/advice").json()
    assert (fresh["made_at"], fresh["unit"]["serial"], list(fresh["sticks"])) == (None, "DN-0003", ["main"])
    for path in ("/v1/runs/99/advice", "/v1/units/DN-0003/advice"):
        assert (client.get(path).status_code, client.get(path).json()["code"]) == (404, "not-found")


def test_a_lot_is_told_which_part_serves_it_best(client: TestClient, store: SqlStore) -> None:
    number = add_run(store, replace(STORIES[1], serial="DN-0007", lot="ML-2611"), START + timedelta(minutes=3))
    body = client.get("/v1/lots/ML-2611/advice?product=dunlin-2").json()
    assert (body["format"], body["sticks"], body["rests_on"]["runs"]) == ("restpoint-lot/1", 1, [number])
    assert body["rests_on"]["in_words"] == "All 1 tested units of the lot were looked at."
    assert [value["capacitance_f"] for value in body["values"]] == [0.0, *SPECIFICATION.stock.values_f]
    assert client.get(f"/v1/runs/{number}/advice").json()["made_at"] is not None  # made for the lot, and kept
    for query, status in (("ML-9999/advice?product=dunlin-2", 404), ("ML-2611/advice?product=other", 404), ("ML-2611/advice", 422)):
        assert client.get(f"/v1/lots/{query}").status_code == status


def test_a_service_without_a_desk_only_reads(store: SqlStore, settings: WebSettings) -> None:
    queries = Queries(str(store.database.url))
    with TestClient(build_app(FakeDesk(), queries, Access(), settings), base_url=HOST) as client:
        assert len(client.get("/v1/rework").json()["orders"]) == 1
        assert fit(client).status_code == 409
    queries.close()


def test_the_picture_and_its_table_name_the_same_pads() -> None:
    (one,) = read_pad_maps(PADS).values()
    for stick in one.pads.values():
        assert set(stick) == {"x", "y"}
        for pads in stick.values():
            assert f">{pads.signal}</text>" in one.svg
            assert f">{pads.ground}</text>" in one.svg
