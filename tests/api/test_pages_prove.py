"""Pages that prove a rig, as text: what stands, what blocks, every figure with its limits, and a procedure's words."""

from collections.abc import Iterator

import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from api.pages.prove import outcome_address
from api.pages.prove_words import KINDS, figure_rows, in_limits
from db.queries import Queries
from station.proof import Deviation, Kind, ReferenceValue
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.fakes_proof import FakeProof
from tests.api.proven import proven
from tests.api.test_pages import Links
from tests.api.test_pages_rework import words_of

CHART = "/prove/chart?key=reference/a/dunlin-2//main%20x%2B%20peak_counts"
PAGES = (
    *("/prove", "/prove/rigs/a", "/prove/procedures/1", "/prove/calibrations/1", "/prove/calibrations/2"),
    *("/prove/checks/1", "/prove/checks/2", "/prove/studies/1", "/prove/studies/2", CHART),
)

ELSEWHERE = ("/prove/checks/4", "/prove/calibrations/3", "/prove/procedures/2")  # known to the desk of this test or its database alone


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with proven(tmp_path_factory.mktemp("proven")) as store:
        queries, proof = Queries(str(store.database.url)), FakeProof(("a", "rig-1"))
        proof.begin("a", Kind.CALIBRATION, {"flicks": 30}, "ann")
        app = build_app(FakeDesk(("a", "rig-1")), queries, Access(), WebSettings("Mossgate bench", "0.1.0"), proof=proof)
        with TestClient(app, base_url="http://127.0.0.1:8000", client=("127.0.0.1", 50000)) as one:
            yield one
        queries.close()


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_whole_and_their_links_lead_somewhere(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    links = Links(answer.text)
    assert len(links.ids) == len(set(links.ids))
    for address in {
        link.partition("#")[0]
        for _, link in links.found
        if link.startswith("/prove") and link not in ELSEWHERE and not link.startswith("/prove/chart")
    }:
        assert client.get(address).status_code == 200, address


def test_the_overview_says_what_blocks_and_where_to_go_on(client: TestClient) -> None:
    said = words_of(client.get("/prove").text)
    assert "in force C-3" in said
    assert "Reference unit DN-REF is off" in said
    assert "Go on with procedure 1" in said


def test_a_rigs_page_has_a_budget_wear_and_every_list(client: TestClient) -> None:
    said = words_of(client.get("/prove/rigs/a").text)
    for words in ("Uncertainty budget", "quantisation", "Drift and wear", "Time until the stick moves", "No run may start", "Studies"):
        assert words in said


def test_a_procedure_shows_cautions_before_anything_moves(client: TestClient) -> None:
    html = client.get("/prove/procedures/1").text
    said = words_of(html)
    assert said.index("pinch hazard") < said.index("Start step")
    assert "emergency stop" in said
    assert "Halt" in said
    assert 'data-number="1"' in html


def test_a_refused_calibration_says_why_and_what_is_out(client: TestClient) -> None:
    said = words_of(client.get("/prove/calibrations/2").text)
    assert "not accepted" in said
    assert "latency_s is 0.03 s" in said
    assert "not told" in said  # a figure that could not be measured
    assert "outside" in said


def test_a_check_that_is_off_stops_testing_in_words(client: TestClient) -> None:
    said = words_of(client.get("/prove/checks/2").text)
    assert "Testing at this rig stops" in said
    assert "Testing at this rig stops" not in words_of(client.get("/prove/checks/1").text)


def test_studies_show_their_figures(client: TestClient) -> None:
    crossed = words_of(client.get("/prove/studies/1").text)
    assert "main x+ peak counts" in crossed
    assert "Two-way crossed analysis of variance" in crossed
    assert "Cgk" in words_of(client.get("/prove/studies/2").text)


def test_a_chart_names_its_rules_and_says_that_limits_are_provisional(client: TestClient) -> None:
    said = words_of(client.get(CHART).text)
    assert "provisional, nothing is judged by them" in said
    assert "nine points in a row on one side" in said
    assert "check 30" in said


@pytest.mark.parametrize(
    "path", ["/prove/procedures/99", "/prove/calibrations/99", "/prove/studies/99", "/prove/checks/99", "/prove/rigs/zz"]
)
def test_what_is_not_there_is_a_page_that_says_so(client: TestClient, path: str) -> None:
    answer = client.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert "99" in answer.text or "zz" in answer.text


@pytest.mark.parametrize("path", ["/prove/chart?key=weather/a///", "/prove/chart?key=x", "/prove/procedures/0"])
def test_what_cannot_be_asked_is_refused(client: TestClient, path: str) -> None:
    assert client.get(path, headers={"Accept": "text/html"}).status_code in (404, 422)


def test_figures_are_shown_in_units_people_use() -> None:
    figures = {
        "a_s": {"label": "latency", "value": 0.006, "u": 0.00004, "unit": "s", "least": None, "most": 0.009, "within": True},
        "b": {"label": "clock", "value": 2e-5, "u": 1e-6, "unit": "share", "least": -1e-3, "most": 1e-3, "within": True},
        "c": {"label": "offset", "value": None, "u": None, "unit": "V", "least": -0.006, "most": 0.006, "within": False},
    }
    latency, clock, offset = figure_rows(figures)
    assert (latency.value, latency.plus_minus, latency.range) == ("6 ms", "± 0.08", "at most 9 ms")
    assert (clock.value, clock.range) == ("0.002 %", "-0.1 to 0.1 %")
    assert (offset.value, offset.plus_minus, offset.within) == ("not told", "", False)


@pytest.mark.parametrize(("measured", "share"), [(18.5, 0.5), (17.0, -1.0), (float("nan"), None)])
def test_a_deviation_stands_in_units_of_its_limit(measured: float, share: float | None) -> None:
    assert in_limits(Deviation("main", "x+", "peak_counts", measured, ReferenceValue(18.0, 1.0))) == share


def test_every_kind_has_words_and_every_outcome_an_address() -> None:
    assert set(KINDS) == set(Kind)
    assert outcome_address({"kind": "calibration", "number": 3}) == "/prove/calibrations/3"
    assert outcome_address({"kind": "reference-values", "serial": "R"}) == ""
    assert outcome_address({}) == ""
