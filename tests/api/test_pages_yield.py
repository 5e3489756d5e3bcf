"""The page of yield: shares with intervals, causes that lead to their runs, and what an empty form asks for."""

import re
from collections.abc import Iterator

import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.reworked import reworked_store
from tests.api.test_pages import Links
from tests.api.test_pages_rework import words_of


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    queries = Queries(reworked_store(tmp_path_factory.mktemp("reworked")))
    app = build_app(FakeDesk(), queries, Access(), WebSettings("Mossgate bench", "0.1.0"))
    with TestClient(app, base_url="http://127.0.0.1:8000", client=("127.0.0.1", 50000)) as one:
        yield one
    queries.close()


def told(client: TestClient, query: str = "?emulated=true") -> str:
    answer = client.get(f"/yield{query}")
    assert answer.status_code == 200
    return answer.text


def test_the_page_says_what_the_report_says(client: TestClient) -> None:
    said = words_of(told(client))
    total = client.get("/v1/yield?split=none&emulated=true").json()["total"]
    assert f"{100 * total['first_pass']['value']:.1f} %" in said
    assert f"{total['first_pass']['count']} of {total['first_pass']['of']} units" in said
    assert "snapback" in said


def test_every_figure_and_cause_leads_to_its_runs(client: TestClient) -> None:
    addresses = {link for _, link in Links(told(client, "?emulated=true&split=lot")).found if link.startswith("/yield/runs")}
    assert len(addresses) > 5
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200, address
    causes = [address for address in addresses if "reason=snapback" in address]
    assert "snapback" in words_of(client.get(causes[0]).text)


def test_files_of_the_page_are_there(client: TestClient) -> None:
    for address in {link for _, link in Links(told(client)).found if link.startswith("/v1/")}:
        assert client.get(address).status_code == 200, address


def test_an_empty_field_asks_for_all(client: TestClient) -> None:
    whole = words_of(told(client, "?emulated=true&split=day"))
    assert words_of(told(client, "?from=&to=&product=&lot=&rig=&operator=&specification=&split=day&emulated=true")) == whole


@pytest.mark.parametrize("query", ["?from=soon", "?from=2026-11-25&to=2026-11-24", "?split=weather"])
def test_what_cannot_be_asked_is_refused_in_words(client: TestClient, query: str) -> None:
    answer = client.get(f"/yield{query}", headers={"Accept": "text/html"})
    assert answer.status_code == 422
    assert re.search("expected|valid|should", answer.text)


def test_emulated_runs_are_called_no_yield(client: TestClient) -> None:
    assert "a demonstration, no yield" in words_of(told(client, "?emulated=true"))


def test_emulated_runs_are_never_yield(client: TestClient) -> None:
    said = words_of(told(client, "?emulated=false"))
    assert "Nothing is decided yet." in said
    assert re.search(r"[1-9]\d* runs, counted apart", said)
