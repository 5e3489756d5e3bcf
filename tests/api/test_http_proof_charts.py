"""Control charts over HTTP."""

from collections.abc import Iterator
from typing import Any

import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.proof import chart_of, chart_text
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import UsageError
from station.proof import ChartKey
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.fakes_proof import CHART, FakeProof

KEY = "reference/a/dunlin-2//main x+ peak_counts"


@pytest.fixture
def proof() -> FakeProof:
    return FakeProof()


@pytest.fixture
def client(proof: FakeProof, empty_queries: Queries, settings: WebSettings) -> Iterator[TestClient]:
    app = build_app(FakeDesk(), empty_queries, Access(), settings, proof=proof)
    with TestClient(app, base_url="http://127.0.0.1:8000", raise_server_exceptions=False, client=("127.0.0.1", 50000)) as one:
        yield one


@pytest.mark.parametrize(
    "key",
    [CHART, ChartKey("peak", lot="ML-2607"), ChartKey("failed", "", "a/b", "50 %2F", "x+/peak"), ChartKey("noise", "rig-1", figure="%")],
)
def test_a_chart_is_one_word_and_back(key: ChartKey) -> None:
    assert chart_of(chart_text(key)) == key
    if not {"/", "%"} & set("".join((key.rig, key.product, key.lot, key.figure))):
        assert chart_text(key) == str(key)


@pytest.mark.parametrize("text", ["", "reference", "a/b/c/d", "a/b/c/d/e/f", "////"])
def test_what_names_no_chart_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="WHAT/RIG/PRODUCT/LOT/FIGURE"):
        chart_of(text)


def test_charts_are_listed_by_rig(client: TestClient) -> None:
    (one,) = client.get("/v1/charts?rig=a").json()["charts"]
    assert one == {"key": KEY, "what": "reference", "rig": "a", "product": "dunlin-2", "lot": "", "figure": "main x+ peak_counts"}
    assert client.get("/v1/charts").json() == {"charts": []}
    assert client.get("/v1/charts?rig=zz").status_code == 404


def test_a_chart_has_its_points_against_their_limits(client: TestClient, proof: FakeProof) -> None:
    body = client.get("/v1/charts/points", params={"key": KEY, "newest": 7}).json()
    assert [point["key"] for point in body["points"]] == [f"check {number}" for number in range(24, 31)]
    assert (body["limits"], body["unit"], body["points"][0]["spread"]) == ("provisional", "counts", None)
    assert body["points"][-1]["rules"] == ["one-side"]
    assert body["signals"][0]["points"] == ["check 29", "check 30"]
    assert proof.asked == [("chart", CHART, 7)]
    assert client.get("/v1/charts/points", params={"key": "peak////"}).status_code == 404


@pytest.mark.parametrize("query", ["", "key=reference", "key=a/b/c/d/e/f", f"key={KEY}&newest=0", f"key={KEY}&newest=2001", "key="])
def test_what_cannot_be_asked_is_a_problem(client: TestClient, query: str) -> None:
    answer = client.get(f"/v1/charts/points?{query}")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


def test_limits_are_frozen_from_a_stretch(client: TestClient, proof: FakeProof) -> None:
    asked = {"key": KEY, "first": "check 1", "last": "check 27", "rules": ["beyond", "slope"], "operator": "ann"}
    answer = client.post("/v1/charts/limits", json=asked)
    body = answer.json()
    assert (answer.status_code, body["limits"], body["baseline"]["last"]) == (201, "frozen", "check 27")
    assert [rule["name"] for rule in body["rules"] if rule["chosen"]] == ["beyond", "slope"]
    assert client.get("/v1/charts/points", params={"key": KEY}).json() == body
    assert proof.asked[0] == ("freeze", CHART, "check 1", "check 27", ("beyond", "slope"), "ann")


@pytest.mark.parametrize(
    ("change", "word"), [({"last": "check 3"}, "at least"), ({"first": "check 99"}, "check 99"), ({"rules": ["beyound"]}, "beyound")]
)
def test_a_stretch_that_makes_no_limits_is_a_problem(client: TestClient, change: dict[str, Any], word: str) -> None:
    answer = client.post("/v1/charts/limits", json={"key": KEY, "first": "check 1", "last": "check 27", **change})
    assert (answer.status_code, answer.json()["code"]) == (422, "usage")
    assert word in answer.json()["detail"]


def test_a_cause_is_noted_and_the_chart_shows_it(client: TestClient, proof: FakeProof) -> None:
    asked = {"key": KEY, "point": "check 2", "cause": "worn tip", "action": "new tip", "operator": "ann"}
    answer = client.post("/v1/charts/notes", json=asked)
    (noted,) = answer.json()["points"][1]["notes"]
    assert (answer.status_code, noted["cause"], noted["action"], noted["by"]) == (201, "worn tip", "new tip", "ann")
    assert proof.asked[0] == ("note", CHART, "check 2", "worn tip", "new tip", "ann")


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("limits", {"key": KEY, "first": "check 1"}),
        ("limits", {"key": "nonsense", "first": "check 1", "last": "check 2"}),
        ("limits", {"key": KEY, "first": "", "last": "check 2"}),
        ("limits", {"key": KEY, "first": "check 1", "last": "check 2", "rules": "all"}),
        ("limits", {"key": KEY, "first": "check 1", "last": "check 2", "more": 1}),
        ("notes", {"key": KEY, "point": "check 2"}),
        ("notes", {"key": KEY, "point": "check 2", "cause": ""}),
        ("notes", {"key": KEY, "point": 2, "cause": "x"}),
        ("notes", {"key": "nonsense", "point": "check 2", "cause": "x"}),
    ],
)
def test_what_cannot_be_kept_is_refused(client: TestClient, proof: FakeProof, path: str, body: dict[str, Any]) -> None:
    answer = client.post(f"/v1/charts/{path}", json=body)
    assert answer.status_code == 422
    assert answer.json()["code"] in ("usage", "not-valid")
    assert proof.asked == []
