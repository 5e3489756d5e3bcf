"""Proving the rig over HTTP: how a rig stands, the procedures people are led through, and who may move the finger."""

from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest

from api.http.access import Access, Role, Token, new_token
from api.http.app import build_app
from api.http.proof import CAUTIONS
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import Busy, NotReady, StoreUnavailable
from station.proof import Kind
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.fakes_proof import STEPS, FakeProof

HOST = "http://127.0.0.1:8000"
HERE, ELSEWHERE = ("127.0.0.1", 50000), ("192.0.2.7", 50000)  # the latter: TEST-NET-1, RFC 5737


@pytest.fixture
def proof() -> FakeProof:
    return FakeProof()


def client_of(proof: FakeProof | None, queries: Queries, settings: WebSettings, access: Access, asker: tuple[str, int]) -> TestClient:
    app = build_app(FakeDesk(), queries, access, settings, proof=proof)
    return TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=asker)


@pytest.fixture
def client(proof: FakeProof, empty_queries: Queries, settings: WebSettings) -> Iterator[TestClient]:
    with client_of(proof, empty_queries, settings, Access(), HERE) as one:
        yield one


def begin(client: TestClient, kind: str = "calibration", **more: Any) -> Any:
    return client.post("/v1/rigs/a/procedures", json={"kind": kind, "operator": "ann", **more})


def test_a_rigs_proof_says_what_blocks_and_what_it_rests_on(client: TestClient, proof: FakeProof) -> None:
    body = client.get("/v1/rigs/a/proof").json()
    assert (body["valid"], body["flicks_left"], body["days_left"], body["reference_due"]) == (True, 800, 12.5, True)
    assert (body["calibration"]["name"], body["calibration"]["accepted"]) == ("C-3", True)
    assert body["calibration"]["valid_until"] == "2027-02-22T07:30:00.000Z"
    assert "document" not in body["calibration"]
    assert body["blocks"][0].startswith("Reference unit DN-REF is off")
    good, lost = body["last_check"]["deviations"]
    assert (good["measured"], good["value"], good["limit"], good["within"]) == (18.5, 18.0, 1.0, True)
    assert (lost["measured"], lost["within"], body["last_check"]["within"]) == (None, False, False)
    assert body["procedure"] == 0
    proof.calibration = None
    assert client.get("/v1/rigs/a/proof").json()["calibration"] is None


def test_a_procedure_is_begun_and_has_an_address(client: TestClient, proof: FakeProof) -> None:
    answer = begin(client, plan={"levels_v": [0.5, 2.5]})
    body = answer.json()
    assert (answer.status_code, answer.headers["location"]) == (201, "/v1/procedures/1")
    assert proof.asked == [("begin", "a", Kind.CALIBRATION, {"levels_v": [0.5, 2.5]}, "ann")]
    assert (body["number"], body["kind"], body["standing"], body["next"], body["busy"]) == (1, "calibration", "open", 1, False)
    assert [step["title"] for step in body["steps"]] == [step.title for step in STEPS]
    assert (body["steps"][1]["moves"], body["steps"][1]["unit"], body["steps"][1]["done_at"]) == (True, "DN-REF", None)
    assert client.get(answer.headers["location"]).json() == body
    assert client.get("/v1/rigs/a/proof").json()["procedure"] == 1


def test_cautions_come_with_every_procedure_also_the_stations_own(proof: FakeProof, empty_queries: Queries) -> None:
    settings = WebSettings("bench-1", "0.1.0", cautions=("Two people at rig a.",))
    with client_of(proof, empty_queries, settings, Access(), HERE) as client:
        assert begin(client).json()["cautions"] == [*CAUTIONS, "Two people at rig a."]


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_may_be_begun(client: TestClient, kind: Kind) -> None:
    assert begin(client, kind).json()["kind"] == kind


def test_whoever_begins_without_a_name_has_that_of_the_token(client: TestClient, proof: FakeProof) -> None:
    assert client.post("/v1/rigs/a/procedures", json={"kind": "calibration"}).json()["begun_by"] == "local"


@pytest.mark.parametrize(
    ("body", "status", "code", "word"),
    [
        ({"kind": "polish"}, 422, "not-valid", "kind"),
        ({}, 422, "not-valid", "kind"),
        ({"kind": "calibration", "plan": [1]}, 422, "not-valid", "plan"),
        ({"kind": "calibration", "plan": "x"}, 422, "not-valid", "plan"),
        ({"kind": "calibration", "plan": {"surprise": 1}}, 422, "usage", "surprise is 1"),
        ({"kind": "calibration", "operator": "x" * 61}, 422, "not-valid", "operator"),
        ({"kind": "calibration", "more": 1}, 422, "not-valid", "more"),
    ],
)
def test_what_cannot_be_begun_is_refused(client: TestClient, body: dict[str, Any], status: int, code: str, word: str) -> None:
    answer = client.post("/v1/rigs/a/procedures", json=body)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.headers["content-type"] == "application/problem+json"
    assert word in answer.json()["detail"]
    assert client.get("/v1/procedures/1").status_code == 404


def test_no_second_procedure_is_begun_beside_an_open_one(client: TestClient) -> None:
    begin(client)
    answer = begin(client, "reference-check")
    assert (answer.status_code, answer.json()["code"]) == (409, "busy")
    assert "Procedure 1" in answer.json()["detail"]


def seen(client: TestClient, number: int = 1) -> dict[str, Any]:
    return dict(client.get(f"/v1/procedures/{number}").json())


def settled(client: TestClient) -> dict[str, Any]:
    while (view := seen(client))["busy"]:
        pass
    return view


def test_steps_are_carried_out_one_by_one_until_the_outcome(client: TestClient, proof: FakeProof) -> None:
    begin(client)
    assert client.post("/v1/procedures/1/go-on").status_code == 202
    view = seen(client)
    assert (view["busy"], view["progress"], view["next"]) == (True, "Low reference voltage: 1 of 2", 1)
    view = settled(client)
    assert (view["next"], view["steps"][0]["done_by"], view["steps"][0]["done_at"]) == (2, "ann", "2026-11-24T07:30:00.000Z")
    assert view["outcome"] == {}
    assert client.post("/v1/procedures/1/go-on", json={"position": 2, "operator": "ben"}).status_code == 202
    seen(client)
    view = settled(client)
    assert (view["standing"], view["next"], view["outcome"]["accepted"]) == ("done", None, True)
    assert [one for one in proof.asked if one[0] == "go_on"] == [("go_on", 1, "ann", 0), ("go_on", 1, "ben", 2)]


def test_a_step_nobody_signs_is_of_whom_it_asks_for_or_of_who_began(client: TestClient, proof: FakeProof) -> None:
    begin(client, operator="carl")
    for position in (2, 1):
        client.post("/v1/procedures/1/go-on", json={"position": position})
        seen(client)
        settled(client)
    assert [one[2] for one in proof.asked if one[0] == "go_on"] == ["ann", "carl"]


def test_a_steps_figures_are_given_once_there_are_any(client: TestClient) -> None:
    begin(client)
    answer = client.get("/v1/procedures/1/steps/1")
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")
    client.post("/v1/procedures/1/go-on")
    seen(client)
    settled(client)
    body = client.get("/v1/procedures/1/steps/1").json()
    assert (body["name"], body["by"], body["figures"]) == ("voltage-low", "ann", {"mean_v": 0.5, "sd_v": None})


def test_a_step_that_fails_says_why_and_can_be_tried_again(client: TestClient, proof: FakeProof) -> None:
    begin(client)
    proof.failing = "The clamp is open: close it."
    client.post("/v1/procedures/1/go-on")
    seen(client)
    view = settled(client)
    assert (view["problem"], view["next"], view["standing"]) == ("The clamp is open: close it.", 1, "open")
    client.post("/v1/procedures/1/go-on")
    seen(client)
    assert (settled(client)["next"], seen(client)["problem"]) == (2, "")


def test_a_step_is_not_begun_twice(client: TestClient) -> None:
    begin(client)
    client.post("/v1/procedures/1/go-on")
    answer = client.post("/v1/procedures/1/go-on")
    assert (answer.status_code, answer.json()["code"]) == (409, "busy")


@pytest.mark.parametrize("body", [{"position": -1}, {"position": "two"}, {"more": 1}, {"operator": "x" * 61}])
def test_a_step_that_cannot_be_moves_nothing(client: TestClient, proof: FakeProof, body: dict[str, Any]) -> None:
    begin(client)
    answer = client.post("/v1/procedures/1/go-on", json=body)
    assert (answer.status_code, answer.json()["code"]) == (422, "not-valid")
    assert not [one for one in proof.asked if one[0] == "go_on"]


def test_a_procedure_is_abandoned_with_a_cause(client: TestClient) -> None:
    begin(client)
    assert client.post("/v1/procedures/1/abandon", json={"operator": "ann"}).status_code == 422
    assert client.post("/v1/procedures/1/abandon", json={"cause": ""}).status_code == 422
    body = client.post("/v1/procedures/1/abandon", json={"cause": "wrong voltage source"}).json()
    assert (body["standing"], body["cause"], body["next"]) == ("abandoned", "wrong voltage source (local)", None)


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/v1/procedures/99", 404),
        ("GET", "/v1/procedures/0", 422),
        ("GET", "/v1/procedures/x", 422),
        ("GET", "/v1/procedures/99/steps/1", 404),
        ("POST", "/v1/procedures/99/go-on", 404),
        ("POST", "/v1/procedures/99/abandon", 404),
        ("GET", "/v1/rigs/zz/proof", 404),
        ("POST", "/v1/rigs/zz/procedures", 404),
        ("GET", "/v1/rigs/zz/wear", 404),
        ("GET", "/v1/rigs/zz/budget?product=dunlin-2", 404),
        ("GET", "/v1/rigs/a/budget?product=other", 404),
        ("GET", "/v1/rigs/a/budget", 422),
        ("DELETE", "/v1/procedures/1", 405),
    ],
)
def test_what_there_is_not_is_a_problem(client: TestClient, method: str, path: str, status: int) -> None:
    body = {"kind": "calibration"} if path.endswith("/procedures") else {"cause": "x"} if path.endswith("/abandon") else None
    answer = client.request(method, path, json=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (NotReady("Rig a is not linked."), 409, "not-ready"),
        (Busy("run 3"), 409, "busy"),
        (StoreUnavailable("disk full"), 503, "store-unavailable"),
    ],
)
def test_what_the_desk_raises_is_answered_as_a_problem(
    client: TestClient, proof: FakeProof, error: Exception, status: int, code: str
) -> None:
    proof.trouble = error  # type: ignore[assignment]
    answer = begin(client)
    assert (answer.status_code, answer.json()["code"]) == (status, code)


def test_wear_budget_and_banners_are_handed_on(client: TestClient) -> None:
    latency = client.get("/v1/rigs/a/wear").json()["figures"]["push_latency_s"]
    assert (latency["standing"], latency["limit"]["high"]) == ("approaching", 0.02)
    budget = client.get("/v1/rigs/a/budget?product=dunlin-2").json()
    assert budget["peak"]["expanded_u"] == pytest.approx(2.0 * budget["peak"]["combined_u"])
    assert budget["peak"]["effective_df"] is None
    assert client.get("/v1/banners").json() == {"banners": ["Reference unit DN-REF is off."]}


@pytest.mark.parametrize(("network_start", "status"), [(False, 403), (True, 202)])
def test_a_step_from_another_machine_needs_the_configurations_word(
    proof: FakeProof, empty_queries: Queries, network_start: bool, status: int
) -> None:
    settings = WebSettings("bench-1", "0.1.0", network_start=network_start)
    with client_of(proof, empty_queries, settings, Access(), ELSEWHERE) as client:
        assert begin(client).status_code == 201  # moves nothing
        assert client.post("/v1/procedures/1/go-on").status_code == status
        assert bool([one for one in proof.asked if one[0] == "go_on"]) is network_start
        assert client.post("/v1/procedures/1/abandon", json={"cause": "x"}).status_code == 200


def test_a_service_without_a_desk_says_so(empty_queries: Queries, settings: WebSettings) -> None:
    with client_of(None, empty_queries, settings, Access(), HERE) as client:
        for answer in (client.get("/v1/rigs/a/proof"), begin(client), client.get("/v1/charts")):
            assert (answer.status_code, answer.json()["code"]) == (409, "not-ready")


TOKENS = {role: new_token(role.name.lower()) for role in (Role.VIEW, Role.OPERATE, Role.ENGINEER)}
ACCESS = Access([Token(role.name.lower(), role, hashed) for role, (_, hashed) in TOKENS.items()])
FREEZING = {"key": "reference/a/dunlin-2//main x+ peak_counts", "first": "check 1", "last": "check 2"}
NOTING = {"key": FREEZING["key"], "point": "check 1", "cause": "worn tip"}
UNSAFE: list[tuple[str, dict[str, Any], Role]] = [
    ("/v1/rigs/a/procedures", {"kind": "calibration"}, Role.OPERATE),
    ("/v1/procedures/1/go-on", {}, Role.OPERATE),
    ("/v1/procedures/1/abandon", {"cause": "x"}, Role.OPERATE),
    ("/v1/charts/notes", NOTING, Role.OPERATE),
    ("/v1/charts/limits", FREEZING, Role.ENGINEER),
]
CHARTED = f"/v1/charts/points?key={quote(FREEZING['key'])}"
READING = [
    "/v1/rigs/a/proof",
    "/v1/procedures/1",
    "/v1/charts?rig=a",
    "/v1/banners",
    "/v1/rigs/a/wear",
    CHARTED,
]


@pytest.mark.parametrize("role", [None, *TOKENS])
def test_everybody_may_look_and_only_the_right_roles_may_do(
    role: Role | None, proof: FakeProof, empty_queries: Queries, settings: WebSettings
) -> None:
    proof.begin("a", Kind.CALIBRATION, {}, "ann")
    before = len(proof.asked)
    headers = {} if role is None else {"Authorization": f"Bearer {TOKENS[role][0]}"}
    with client_of(proof, empty_queries, settings, ACCESS, HERE) as client:
        client.headers.update(headers)
        assert {client.get(path).status_code for path in READING} == ({401} if role is None else {200})
        del proof.asked[before:]
        for path, body, needed in UNSAFE:
            proof.trouble = NotReady("so far and no further")
            answer = client.post(path, json=body)
            assert answer.status_code == (401 if role is None else 409 if role >= needed else 403), path
            assert answer.json()["code"] == ("sign-in-needed" if role is None else "not-ready" if role >= needed else "access-denied")
    assert len(proof.asked) - before == sum(role is not None and role >= needed for _, _, needed in UNSAFE)


def test_the_tokens_name_stands_for_who_did_it(proof: FakeProof, empty_queries: Queries, settings: WebSettings) -> None:
    with client_of(proof, empty_queries, settings, ACCESS, HERE) as client:
        client.headers["Authorization"] = f"Bearer {TOKENS[Role.ENGINEER][0]}"
        client.post("/v1/rigs/a/procedures", json={"kind": "calibration"})
        client.post("/v1/charts/limits", json=FREEZING)
        client.post("/v1/charts/notes", json=NOTING)
    assert [one[-1] for one in proof.asked if one[0] in ("begin", "freeze", "note")] == ["engineer"] * 3
