"""Rigs over HTTP: seen, scanned, started, halted."""

import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from station.records import UnitIdentity
from tests.api.client import TestClient
from tests.api.conftest import HOST
from tests.api.fakes import FakeDesk


def test_rigs_are_listed_and_shown(client: TestClient) -> None:
    listed = client.get("/v1/rigs").json()["rigs"]
    assert [rig["name"] for rig in listed] == ["a"]
    assert client.get("/v1/rigs/a").json() == listed[0]
    assert listed[0]["emulated"] is True
    assert listed[0]["unit"] is None


def test_a_scan_names_the_unit_and_starts_nothing(client: TestClient, desk: FakeDesk) -> None:
    answer = client.post("/v1/rigs/a/unit", json={"serial": "DN-0200", "product": "dunlin-2", "lot": "ML-2607", "operator": "ann"})
    assert answer.status_code == 200
    assert answer.json()["unit"] == {"serial": "DN-0200", "product": "dunlin-2", "lot": "ML-2607"}
    assert desk.asked == [("scan", "a", UnitIdentity("DN-0200", "dunlin-2", "ML-2607"), "ann")]


def test_a_known_unit_needs_its_serial_only(client: TestClient, desk: FakeDesk) -> None:
    assert client.post("/v1/rigs/a/unit", json={"serial": "DN-0003"}).json()["unit"] == {
        "serial": "DN-0003",
        "product": "dunlin-2",
        "lot": "ML-2611",
    }
    assert desk.asked[0][3] == "local"


def test_a_new_unit_takes_the_only_product(client: TestClient) -> None:
    assert client.post("/v1/rigs/a/unit", json={"serial": "DN-0900"}).json()["unit"]["product"] == "dunlin-2"


@pytest.mark.parametrize("serial", ["abc", "DN 0001", "DN-0001\u0007", "=1+1", "x" * 33, "DN-0001\n", "ДН-0001"])
def test_a_garbled_code_is_refused(client: TestClient, desk: FakeDesk, serial: str) -> None:
    answer = client.post("/v1/rigs/a/unit", json={"serial": serial})
    assert (answer.status_code, answer.json()["code"]) == (422, "usage")
    assert desk.asked == []


def test_a_start_that_is_not_ready_is_refused_with_what_is_missing(client: TestClient, desk: FakeDesk) -> None:
    answer = client.post("/v1/rigs/a/start")
    assert (answer.status_code, answer.json()["detail"]) == (409, "No serial number: scan the unit.")
    desk.show("a", not_ready=())
    assert client.post("/v1/rigs/a/start").status_code == 202


def test_a_scan_while_a_run_is_on_is_refused(client: TestClient, desk: FakeDesk) -> None:
    desk.show("a", state="running", run_number=7)
    answer = client.post("/v1/rigs/a/unit", json={"serial": "DN-0200"})
    assert (answer.status_code, answer.json()["code"]) == (409, "busy")


@pytest.mark.parametrize("verb", ["halt", "reset"])
def test_halt_and_reset_are_handed_on_and_may_be_repeated(client: TestClient, desk: FakeDesk, verb: str) -> None:
    assert [client.post(f"/v1/rigs/a/{verb}").status_code for _ in range(2)] == [200, 200]
    assert desk.asked == [(verb, "a")] * 2


@pytest.mark.parametrize("verb", ["unit", "start", "halt", "reset"])
def test_an_unknown_rig_is_not_found(client: TestClient, verb: str) -> None:
    answer = client.post(f"/v1/rigs/zz/{verb}", json={"serial": "DN-0001"})
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")


def test_a_monitor_that_alarmed_is_listed_shown_and_set_back(client: TestClient, desk: FakeDesk) -> None:
    desk.alarmed["dunlin-2 A"] = "Rare big flicks: decided by count alone since run 40."
    assert client.get("/v1/monitors").json()["alarms"] == [{"specification": "dunlin-2 A", "sentence": desk.alarmed["dunlin-2 A"]}]
    assert "decided by count alone since run 40" in client.get("/").text
    asked = {"specification": "dunlin-2 A", "operator": "ann", "cause": "a worn finger tip"}
    assert client.post("/v1/monitors/set-back", json={**asked, "cause": ""}).status_code == 422
    assert client.post("/v1/monitors/set-back", json=asked).json() == {"alarms": []}
    assert desk.asked == [("set_back", "dunlin-2 A", "ann", "a worn finger tip")]


@pytest.mark.parametrize(("network_start", "status"), [(False, 403), (True, 202)])
def test_a_start_from_another_machine_needs_the_configurations_word(
    desk: FakeDesk, queries: Queries, network_start: bool, status: int
) -> None:
    desk.show("a", not_ready=())
    settings = WebSettings("bench-1", "0.1.0", network_start=network_start)
    with TestClient(build_app(desk, queries, Access(), settings), base_url=HOST, client=("192.0.2.7", 50000)) as client:
        answer = client.post("/v1/rigs/a/start")
    assert answer.status_code == status
    assert bool([one for one in desk.asked if one[0] == "start"]) is network_start
