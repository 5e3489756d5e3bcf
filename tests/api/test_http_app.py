"""What holds for the application as a whole: headers, hosts, probes, metrics, the OpenAPI document."""

import inspect
import json
import sys

import pytest
from fastapi.routing import APIRoute
from prometheus_client.parser import text_string_to_metric_families

from api.http import openapi
from api.http.headers import host_name
from api.pages import rigs as pages_rigs
from api.pages import runs as pages_runs
from api.pages import today
from api.pages import units as pages_units
from station.records import RunEvent
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

ROUTES = ("rigs", "runs", "units", "specifications", "events", "probes", "monitors")
PATHS = ["/", "/rigs/a", "/runs", "/runs/2", "/units", "/v1/rigs", "/v1/nope", "/static/live.js", "/static/charts/bokeh.min.js", "/healthz"]


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_a_strict_policy(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "http:" not in policy
    assert "*" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in headers
    assert "server" not in headers


def test_the_nonce_is_new_each_time(client: TestClient) -> None:
    policies = {client.get("/").headers["content-security-policy"] for _ in range(3)}
    assert len(policies) == 3


def test_no_answer_of_the_api_is_kept_but_the_chart_library_is(client: TestClient) -> None:
    assert client.get("/v1/rigs").headers["cache-control"] == "no-store"
    assert client.get("/").headers["cache-control"] == "no-store"
    assert "max-age" in client.get("/static/charts/bokeh.min.js").headers["cache-control"]


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::2]", "localhost.evil:8000"])
def test_other_names_are_not_answered_to(client: TestClient, desk: FakeDesk, host: str) -> None:
    answer = client.post("/v1/rigs/a/halt", headers={"Host": host})
    assert (answer.status_code, answer.json()["code"]) == (421, "host-unknown")
    assert desk.asked == []


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost", "LOCALHOST:1", "[::1]:8000"])
def test_own_names_are_answered_to(client: TestClient, host: str) -> None:
    assert client.get("/v1/rigs", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(("header", "name"), [("a:80", "a"), ("A", "a"), ("[::1]:80", "[::1]"), ("[::1]", "[::1]"), ("", "")])
def test_host_names_lose_their_port(header: str, name: str) -> None:
    assert host_name(header) == name


def test_health_is_always_good_and_readiness_says_what_is_not(client: TestClient, desk: FakeDesk) -> None:
    assert client.get("/healthz").json() == {"status": "ok"}
    good = client.get("/readyz")
    assert (good.status_code, good.json()["status"]) == (200, "ready")
    assert set(good.json()["checks"]) == {"database", "rig a"}
    desk.checks["rig a"] = "Link lost: no word for 320 ms."
    bad = client.get("/readyz")
    assert (bad.status_code, bad.json()["status"]) == (503, "not-ready")
    assert bad.json()["checks"]["rig a"].startswith("Link lost")


def test_metrics_are_read_by_the_library_that_defines_them(client: TestClient, desk: FakeDesk) -> None:
    for verdict in ("pass", "fail", "pass"):
        desk.tell(RunEvent("run-ended", "a", {"run": 1, "verdict": verdict}))
    client.get("/v1/runs/2")
    client.get("/v1/runs/3")
    answer = client.get("/metrics")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    samples = {(s.name, *sorted(s.labels.items())): s.value for family in families.values() for s in family.samples}
    assert samples[("restpoint_runs_ended_total", ("rig", "a"), ("verdict", "pass"))] == 2
    assert samples[("restpoint_http_requests_total", ("method", "GET"), ("route", "/v1/runs/{number}"), ("status", "200"))] == 2
    assert samples[("restpoint_rig_state", ("rig", "a"), ("state", "empty"))] == 1
    assert samples[("restpoint_event_streams",)] == 0
    assert "DN-0002" not in answer.text


def test_metrics_come_as_openmetrics_when_asked(client: TestClient) -> None:
    answer = client.get("/metrics", headers={"Accept": "application/openmetrics-text; version=1.0.0"})
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert answer.text.endswith("# EOF\n")


def test_the_openapi_document_kept_with_the_source_is_the_one_served(client: TestClient) -> None:
    kept = json.loads(openapi.KEPT.read_text(encoding="utf-8"))
    assert client.get("/openapi.json").json() == kept, "run: python -m api.http.openapi"
    assert kept["openapi"].startswith("3.1")


def test_the_document_names_problems_and_nothing_of_the_framework(client: TestClient) -> None:
    document = client.get("/openapi.json").json()
    for path, item in document["paths"].items():
        for operation in item.values():
            assert list(operation["responses"]["default"]["content"]) == ["application/problem+json"], path
            assert "422" not in operation["responses"]
    assert "HTTPValidationError" not in document["components"]["schemas"]
    units = {"_s", "_hz", "_v", "_f", "_counts"}
    trace = document["components"]["schemas"]["TraceBody"]["properties"]
    assert all(any(name.endswith(unit) for unit in units) for name, one in trace.items() if one.get("type") == "number")


def test_handlers_that_ask_the_database_never_block_the_event_loop() -> None:
    modules = [today, pages_rigs, pages_runs, pages_units, *(sys.modules[f"api.http.routes.{name}"] for name in ROUTES)]
    endpoints = [route.endpoint for module in modules for route in module.router.routes if isinstance(route, APIRoute)]
    asking = [one for one in endpoints if "queries" in inspect.signature(one).parameters]
    assert len(asking) >= 13
    assert [one.__name__ for one in asking if inspect.iscoroutinefunction(one)] == []
