"""What is kept of proving, over HTTP: procedures, calibrations and certificates, reference units and checks, studies."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.proven import RUNS, proven


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with proven(tmp_path_factory.mktemp("proven")) as store:
        yield str(store.database.url)


@pytest.fixture
def client(url: str, settings: WebSettings) -> Iterator[TestClient]:
    queries = Queries(url)
    app = build_app(FakeDesk(("rig-1", "rig-2")), queries, Access(), settings)
    with TestClient(app, base_url="http://127.0.0.1:8000", raise_server_exceptions=False, client=("127.0.0.1", 50000)) as one:
        yield one
    queries.close()


def test_procedures_of_a_rig_are_listed_newest_first(client: TestClient) -> None:
    found = client.get("/v1/rigs/rig-1/procedures").json()["procedures"]
    assert [one["number"] for one in found] == list(range(9, 0, -1))
    newest, oldest = found[0], found[-1]
    assert (newest["standing"], newest["kind"], newest["steps_done"], newest["outcome_number"]) == ("open", "reference-check", 1, None)
    assert (oldest["standing"], oldest["begun_by"], oldest["begun_at"]) == ("done", "a. marsh", "2026-11-25T07:30:00.000Z")
    assert oldest["outcome_number"] == 1
    kinds = client.get("/v1/rigs/rig-1/procedures?kind=calibration&standing=done").json()["procedures"]
    assert [one["number"] for one in kinds] == [2, 1]
    assert client.get("/v1/rigs/rig-2/procedures").json() == {"procedures": [], "next": None}


LISTS = [
    ("/v1/rigs/rig-1/procedures", "procedures", 9),
    ("/v1/calibrations", "calibrations", 2),
    ("/v1/reference-units", "units", 2),
    ("/v1/reference-checks", "checks", 2),
    ("/v1/studies", "studies", 2),
]


@pytest.mark.parametrize(("path", "what", "count"), LISTS)
def test_pages_are_linked_and_lose_nothing(client: TestClient, path: str, what: str, count: int) -> None:
    whole = client.get(path).json()[what]
    found: list[Any] = []
    address: str | None = f"{path}?limit=1"
    while address is not None:
        answer = client.get(address)
        found += answer.json()[what]
        address = answer.json()["next"]
        assert ('rel="next"' in answer.headers.get("link", "")) is (address is not None)
    assert (len(found), found) == (count, whole)


@pytest.mark.parametrize(("path", "what", "count"), LISTS)
@pytest.mark.parametrize("query", ["after=x", "limit=0", "limit=501", "colour=blue"])
def test_what_cannot_be_asked_is_a_problem(client: TestClient, path: str, what: str, count: int, query: str) -> None:
    answer = client.get(f"{path}?{query}")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "path",
    [
        "/v1/calibrations/99",
        "/v1/calibrations/99/certificate",
        "/v1/reference-checks/99",
        "/v1/studies/99",
        "/v1/rigs/zz/procedures",
    ],
)
def test_what_there_is_not_is_not_found(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")


@pytest.mark.parametrize(
    "path", ["/v1/calibrations/0", "/v1/studies/x", "/v1/calibrations?accepted=perhaps", "/v1/rigs/rig-1/procedures?kind=x"]
)
def test_what_makes_no_sense_is_not_valid(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-valid")


def test_calibrations_say_how_long_they_hold_and_what_they_have_seen(client: TestClient) -> None:
    refused, accepted = client.get("/v1/calibrations").json()["calibrations"]
    assert (refused["number"], refused["accepted"], refused["problems"]) == (2, False, ["latency_s is 0.03 s; expected at most 0.02 s"])
    assert (accepted["name"], accepted["accepted"], accepted["by"], accepted["flicks"]) == ("C-1", True, "a. marsh", 84 * RUNS)
    assert client.get("/v1/calibrations?accepted=true").json()["calibrations"] == [accepted]
    for query in ("rig=rig-2", "emulated=false"):
        assert client.get(f"/v1/calibrations?{query}").json()["calibrations"] == []


def test_a_calibration_has_its_document_and_unknown_figures_are_null(client: TestClient) -> None:
    body = client.get("/v1/calibrations/1").json()
    assert body["document"]["rig"]["latency_s"]["value"] == 0.012
    assert body["document"]["rig"]["bow"]["value"] is None
    assert "flicks" not in body


def test_a_certificate_is_a_pdf_that_names_the_calibration(client: TestClient, tmp_path: Path) -> None:
    answer = client.get("/v1/calibrations/1/certificate")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert answer.headers["content-disposition"] == 'attachment; filename="calibration-1.pdf"'
    paper = tmp_path / "c.pdf"
    paper.write_bytes(answer.content)
    text = PdfReader(paper).pages[0].extract_text()
    assert "C-1" in text
    assert "EMULATED" in text


def test_reference_units_and_checks_are_given_figure_by_figure(client: TestClient) -> None:
    newest, older = client.get("/v1/reference-units?product=dunlin-2").json()["units"]
    assert newest["values"]["main"]["x+"]["peak_counts"] == {"value": 19.5, "limit": 0.8}
    assert older["values"]["main"]["x+"]["peak_counts"]["value"] == 19.0
    (off,) = client.get("/v1/reference-checks?accepted=false").json()["checks"]
    assert (off["number"], off["within"], off["deviations"][1]["measured"]) == (2, False, None)
    assert client.get("/v1/reference-checks/2").json() == off
    assert client.get("/v1/reference-checks/1").json()["within"] is True
    assert client.get("/v1/reference-units?product=other").json()["units"] == []


def test_studies_are_listed_light_and_shown_whole(client: TestClient) -> None:
    type_1, gauge = client.get("/v1/studies").json()["studies"]
    assert (type_1["kind"], type_1["peak_u_counts"]) == ("type-1-study", None)
    assert (gauge["kind"], gauge["peak_u_counts"], gauge["accepted"]) == ("gauge-study", 0.12, True)
    assert "document" not in gauge
    whole = client.get("/v1/studies/1").json()
    assert {key: value for key, value in whole.items() if key != "document"} == gauge
    assert whole["document"]["figures"]["main x+ peak_counts"]["distinct_categories"] >= 5
    assert client.get("/v1/studies?product=other").json()["studies"] == []
