"""Conditional requests: what has not changed is not sent again, what has changed always is."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from api.http.etags import holds, tag_of
from db.rework import ReworkStore
from db.store import SqlStore
from station.records import Verdict
from station.rework import State
from tests.api.client import TestClient
from tests.api.conftest import HOST
from tests.api.told import SEED, Told, add_failed, app_over, copied, told_history
from tests.db.making import STATION
from tests.db.making_yields import history

LISTS = ("/v1/runs", "/v1/units", "/v1/failed-units", "/v1/failed-units/export", "/v1/yield", "/v1/yield?format=pdf", "/v1/yield/runs")


@pytest.fixture(scope="module")
def first_told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    return told_history(tmp_path_factory.mktemp("told"), runs=40)


@pytest.fixture
def told(first_told: Told, tmp_path: Path) -> Told:
    return copied(first_told, tmp_path)


@pytest.fixture
def told_client(told: Told) -> Iterator[TestClient]:
    with app_over(told) as app, TestClient(app, base_url=HOST, client=("127.0.0.1", 50000)) as one:
        yield one


def tags(client: TestClient, addresses: tuple[str, ...] = LISTS) -> dict[str, str]:
    return {address: client.get(address).raise_for_status().headers["etag"] for address in addresses}


def changed(client: TestClient, change: Callable[[], object], addresses: tuple[str, ...] = LISTS) -> set[str]:
    """Addresses whose tag is another after a change."""
    before = tags(client, addresses)
    change()
    return {address for address, tag in tags(client, addresses).items() if tag != before[address]}


@pytest.mark.parametrize(
    "address",
    [
        "/v1/runs?limit=2",
        "/v1/runs/2",
        "/v1/runs/2/flicks",
        "/v1/runs/2/overlay",
        "/v1/runs/2/trace",
        "/v1/runs/2/trace?format=csv",
        "/v1/runs/2/trace?format=raw",
        "/v1/units?serial=DN",
        "/v1/units/DN-0002",
        "/v1/units/DN-0002/history",
        "/v1/units/DN-0002/report",
        "/v1/failed-units",
        "/v1/failed-units/export?format=xlsx",
        "/v1/yield?emulated=true",
        "/v1/yield?emulated=true&format=csv",
        "/v1/yield/runs?emulated=true",
    ],
)
def test_what_the_client_has_is_not_sent_again(client: TestClient, address: str) -> None:
    first = client.get(address)
    tag = first.headers["etag"]
    assert first.status_code == 200
    assert tag.startswith('"')
    assert tag.endswith('"')
    assert (first.headers["cache-control"], first.headers["vary"]) == ("no-cache", "Accept")
    for header in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get(address, headers={"If-None-Match": header})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag), header
        assert again.headers["cache-control"] == "no-cache"
    other = client.get(address, headers={"If-None-Match": '"other"'})
    assert (other.status_code, other.content) == (200, first.content)


def test_another_question_or_form_has_another_tag(client: TestClient) -> None:
    asked = (
        "/v1/yield",
        "/v1/yield?split=lot",
        "/v1/yield?format=csv",
        "/v1/yield?format=csv&dialect=semicolon",
        "/v1/runs",
        "/v1/runs?limit=2",
    )
    assert len(set(tags(client, asked).values())) == len(asked)
    by_header = client.get("/v1/yield", headers={"Accept": "text/csv"})
    assert client.get("/v1/yield", headers={"Accept": "application/pdf", "If-None-Match": by_header.headers["etag"]}).status_code == 200


def test_a_failed_run_changes_every_list_and_its_unit_but_no_closed_run(told_client: TestClient, told: Told) -> None:
    others = ("/v1/runs/3", "/v1/units/U-001/history") if told_client.get("/v1/units/U-001").status_code == 200 else ("/v1/runs/3",)
    add_failed(told.url, "U-900")
    mine = ("/v1/units/U-900", "/v1/units/U-900/report")
    found = changed(told_client, lambda: add_failed(told.url, "U-900"), (*LISTS, *mine, *others))
    assert found == {*LISTS, *mine}


def test_beginning_and_ending_a_run_are_two_changes(told_client: TestClient, told: Told) -> None:
    store, run = SqlStore(told.url, STATION), history(SEED)[-1]
    numbers: list[int] = []
    try:
        assert "/v1/runs" in changed(told_client, lambda: numbers.append(store.open_run(run.opening)))
        assert "etag" not in told_client.get(f"/v1/runs/{numbers[0]}").headers
        found = changed(told_client, lambda: store.close_run(numbers[0], run.closing))
    finally:
        store.close()
    assert {"/v1/runs", "/v1/yield"} <= found
    assert "etag" in told_client.get(f"/v1/runs/{numbers[0]}").headers


def test_runs_that_end_out_of_order_are_seen(told_client: TestClient, told: Told) -> None:
    store, runs = SqlStore(told.url, STATION), [run for run in history(SEED) if run.closing.verdict is not Verdict.INVALID][:3]
    try:
        numbers = [store.open_run(run.opening) for run in runs]
        seen = [told_client.get("/v1/yield").headers["etag"]]
        for place in (1, 0, 2):
            store.close_run(numbers[place], runs[place].closing)
            seen.append(told_client.get("/v1/yield").headers["etag"])
    finally:
        store.close()
    assert len(set(seen)) == len(seen)


def test_an_order_that_ends_changes_yield_and_the_list_of_failed_units(told_client: TestClient, told: Told) -> None:
    number = add_failed(told.url, "U-901")
    book = ReworkStore(SqlStore(told.url, STATION).database, STATION)
    at = datetime.fromisoformat("2026-11-25T09:00:00+00:00")
    orders: list[int] = []
    try:
        assert "/v1/failed-units" in changed(told_client, lambda: orders.append(book.follow(number, 3, at).order))
        end = changed(told_client, lambda: book.end_order(orders[0], State.SCRAPPED, "a. marsh", "cracked", at + timedelta(hours=1)))
    finally:
        book.database.close()
    assert {"/v1/yield", "/v1/failed-units", "/v1/failed-units/export"} <= end
    assert told_client.get("/v1/yield").json()["made_at"] == "2026-11-25T10:00:00.000Z"
    assert told_client.get("/v1/failed-units").json()["units"][0]["order_state"] == "scrapped"


def test_a_part_that_is_recorded_changes_the_unit(told_client: TestClient, told: Told) -> None:
    add_failed(told.url, "U-902")
    store = SqlStore(told.url, STATION)
    at = datetime.fromisoformat("2026-11-25T09:00:00+00:00")
    addresses = ("/v1/units/U-902", "/v1/units/U-902/history", "/v1/units/U-902/report")
    try:
        found = changed(told_client, lambda: store.record_fitted("U-902", "main", "x", 4.7e-7, "ben", at), addresses)
    finally:
        store.close()
    assert found == set(addresses)
    assert told_client.get("/v1/units/U-902/history").json()["fitted"] == {"main": {"x_f": 4.7e-7, "y_f": 0.0}}


def test_another_release_has_other_tags(told: Told) -> None:
    found = set()
    for version in ("0.1.0", "0.2.0"):
        with app_over(told) as app:
            app.state.settings = replace(app.state.settings, version=version)
            with TestClient(app, base_url=HOST) as one:
                found.add(one.get("/v1/yield").headers["etag"])
    assert len(found) == 2


def test_an_empty_database_has_tags_too(tmp_path: Path) -> None:
    told = told_history(tmp_path, runs=0)
    with app_over(told) as app, TestClient(app, base_url=HOST) as one:
        assert set(tags(one)) == set(LISTS)
        assert one.get("/v1/yield").json()["total"]["units"] == 0
        assert one.get("/v1/failed-units/export").text.count("\r\n") == 1


@pytest.mark.parametrize(
    ("header", "expected"),
    [("", False), ('"a"', True), ('W/"a"', True), ('"b", "a"', True), ("*", True), ("a", False), ('"A"', False), ('"ab"', False)],
)
def test_a_header_names_a_tag(header: str, expected: bool) -> None:
    assert holds(header, '"a"') is expected


def test_a_tag_is_strong_and_of_all_its_parts() -> None:
    assert len({tag_of("a", 1), tag_of("a", 2), tag_of("b", 1), tag_of("a", 1, None)}) == 4
    assert tag_of("a\udcff").startswith('"')
