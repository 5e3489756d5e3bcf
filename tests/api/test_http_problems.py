"""Every error is a problem document (RFC 9457), and every problem has a page."""

import pytest

from api.http.problems import ALL_KINDS, ERROR_KINDS, kind_of
from station import errors
from station.errors import RestpointError
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

MEMBERS = {"type", "title", "status", "detail", "instance"}  # RFC 9457 section 3.1


def descendants(kind: type[RestpointError]) -> set[type[RestpointError]]:
    return {kind}.union(*(descendants(child) for child in kind.__subclasses__()))


@pytest.mark.parametrize("kind", sorted(descendants(RestpointError), key=str), ids=str)
def test_no_error_class_is_missing_from_the_table(kind: type[RestpointError]) -> None:
    if kind.__module__ == errors.__name__:
        assert kind in ERROR_KINDS
    else:
        assert any(base in ERROR_KINDS for base in kind.__mro__)


@pytest.mark.parametrize("kind", [one for one in ERROR_KINDS if one not in (errors.KeyProblem,)], ids=lambda one: one.__name__)
def test_the_codes_of_table_and_class_agree(kind: type[RestpointError]) -> None:
    assert ERROR_KINDS[kind].code == kind.code


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (errors.Busy("in run 3"), 409, "busy"),
        (errors.NotReady("clamp is open", not_ready=["clamp"]), 409, "not-ready"),
        (errors.LinkLost("silence for 320 ms"), 503, "link-lost"),
        (errors.RigFault("stop"), 409, "rig-fault"),
        (errors.StoreUnavailable("disk full"), 503, "store-unavailable"),
        (errors.UsageError("product is 'x'"), 422, "usage"),
        (errors.SpecificationError("host.bits", 99, "4 to 16"), 422, "specification"),
        (errors.AccessDenied("no"), 403, "access-denied"),
    ],
)
def test_what_the_station_raises_is_answered_as_a_problem(
    client: TestClient, desk: FakeDesk, error: RestpointError, status: int, code: str
) -> None:
    desk.trouble = error
    answer = client.post("/v1/rigs/a/halt")
    body = answer.json()
    assert answer.status_code == status == body["status"]
    assert answer.headers["content-type"] == "application/problem+json"
    assert set(body) >= MEMBERS
    assert (body["type"], body["detail"], body["instance"]) == (f"/problems/{code}", error.message, "/v1/rigs/a/halt")
    assert ("retry-after" in answer.headers) == (status == 503)


def test_a_defect_is_a_problem_and_tells_nothing_of_the_inside(client: TestClient, desk: FakeDesk) -> None:
    desk.trouble = ZeroDivisionError("secret detail")  # type: ignore[assignment]
    answer = client.post("/v1/rigs/a/halt")
    assert (answer.status_code, answer.json()["code"]) == (500, "internal")
    assert "secret" not in answer.text
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("method", "path", "sent", "status", "code"),
    [
        ("GET", "/v1/nope", None, 404, "no-such-address"),
        ("GET", "/v1/rigs/zz", None, 404, "not-found"),
        ("GET", "/v1/runs/999999", None, 404, "not-found"),
        ("GET", "/v1/runs/0", None, 422, "not-valid"),
        ("GET", "/v1/runs/x", None, 422, "not-valid"),
        ("GET", "/v1/runs?limit=9999", None, 422, "not-valid"),
        ("GET", "/v1/runs?colour=blue", None, 422, "not-valid"),
        ("GET", "/v1/runs?verdict=fine", None, 422, "not-valid"),
        ("GET", "/v1/runs?since=2026-11-25T08:00:00", None, 422, "not-valid"),
        ("GET", "/v1/runs?after=rubbish", None, 422, "usage"),
        ("GET", "/v1/units/nobody", None, 404, "not-found"),
        ("GET", "/v1/specifications/x/A", None, 404, "not-found"),
        ("DELETE", "/v1/runs/1", None, 405, "method-not-allowed"),
        ("POST", "/v1/rigs/a/unit", b"{", 422, "not-valid"),
        ("POST", "/v1/rigs/a/unit", b'{"serial": "DN-0001", "colour": 1}', 422, "not-valid"),
        ("POST", "/v1/rigs/a/unit", b'{"serial": 5}', 422, "not-valid"),
        ("POST", "/v1/rigs/a/unit", b'{"serial": "\xff\xfe"}', 400, "bad-request"),
        ("POST", "/v1/rigs/a/unit", b"[" * 50_000, 400, "bad-request"),
        ("POST", "/v1/rigs/a/unit", b'{"serial": NaN}', 422, "not-valid"),
        ("POST", "/v1/rigs/a/unit", b'{"serial": "a; DROP TABLE runs"}', 422, "usage"),
        ("POST", "/v1/rigs/a/unit", b" " * 2_000_000, 413, "body-too-large"),
    ],
)
def test_wrong_requests_are_problems(
    client: TestClient, desk: FakeDesk, method: str, path: str, sent: bytes | None, status: int, code: str
) -> None:
    answer = client.request(method, path, content=sent, headers={"Content-Type": "application/json"} if sent else {})
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.headers["content-type"] == "application/problem+json"
    assert desk.asked == []


def test_a_validation_problem_lists_the_fields(client: TestClient) -> None:
    body = client.post("/v1/rigs/a/unit", json={"serial": "", "lot": 7}).json()
    assert [one["where"] for one in body["errors"]] == ["body.serial", "body.lot"]


@pytest.mark.parametrize("code", sorted(ALL_KINDS))
def test_every_problem_is_documented_at_its_type(client: TestClient, code: str) -> None:
    page = client.get(f"/problems/{code}")
    assert page.status_code == 200
    assert ALL_KINDS[code].advice.split("`")[0].split("'")[0][:20] in page.text
    assert code in client.get("/problems").text


def test_a_person_gets_a_page_instead(client: TestClient) -> None:
    answer = client.get("/runs/999999", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "run 999999 does not exist" in answer.text


def test_the_nearest_class_decides() -> None:
    class Jammed(errors.RigFault):
        code = "jammed"

    assert kind_of(Jammed("stuck")).code == "rig-fault"
