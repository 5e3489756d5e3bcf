"""Guessing, large and strange bodies, pages, streams, names, other sites: each has its limit, and none of them is a 500."""

import json
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest

from api.http.access import Access, Role, Token, new_token
from api.http.app import build_app
from api.http.gate import Gate
from api.http.limits import ADDRESSES_MAX, WRONG_BURST, WRONG_EVERY_S, Buckets, WrongTokens, asker_of
from api.http.settings import WebSettings
from db.migrate import create_or_require
from db.queries import PAGE_MAX, Queries
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

HOST = "http://127.0.0.1:8000"
BENCH, BENCH_HASH = new_token("bench")
LATE, LATE_HASH = new_token("late")
TOKENS = (Token("bench", Role.OPERATE, BENCH_HASH), Token("late", Role.VIEW, LATE_HASH))
LIMIT = 10_000


class Seconds:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def time_s(monkeypatch: pytest.MonkeyPatch) -> Seconds:
    """The clock of the bucket for wrong tokens."""
    seconds = Seconds()
    real = Gate.__init__

    def with_clock(gate: Gate, *args: Any, **kwargs: Any) -> None:
        real(gate, *args, **kwargs)
        gate._wrong = WrongTokens(seconds)

    monkeypatch.setattr(Gate, "__init__", with_clock)
    return seconds


@pytest.fixture
def client(empty_queries: Queries, time_s: Seconds) -> Iterator[TestClient]:
    app = build_app(FakeDesk(), empty_queries, Access(TOKENS), WebSettings("bench", "0", body_max_bytes=LIMIT, streams_max=2))
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=("192.0.2.7", 50000)) as one:
        yield one


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The same for tests that leave nothing behind."""
    url = f"sqlite:///{tmp_path_factory.mktemp('limits') / 'empty.sqlite'}"
    create_or_require(url)
    queries = Queries(url)
    app = build_app(FakeDesk(), queries, Access(TOKENS), WebSettings("bench", "0", body_max_bytes=LIMIT))
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=("192.0.2.7", 50000)) as one:
        yield one
    queries.close()


def ask(client: TestClient, token: str, method: str = "GET", path: str = "/v1/rigs", **more: Any) -> Any:
    return client.request(method, path, headers={"Authorization": f"Bearer {token}", **more.pop("headers", {})}, **more)


def guess(client: TestClient, times: int) -> list[int]:
    return [ask(client, f"bench.guess{number}").status_code for number in range(times)]


def test_a_bucket_gives_its_burst_then_one_by_one() -> None:
    seconds = Seconds()
    buckets = Buckets(3, 10.0, seconds)
    assert [buckets.take("a") for _ in range(4)] == [True, True, True, False]
    assert (buckets.wait_s("a"), buckets.wait_s("b")) == (10, 0)
    seconds.now += 9.0
    assert (buckets.wait_s("a"), buckets.take("a")) == (1, False)
    seconds.now += 1.0
    assert [buckets.take("a"), buckets.take("a")] == [True, False]
    seconds.now += 1e6
    assert [buckets.take("a") for _ in range(4)] == [True, True, True, False]


def test_buckets_forget_the_oldest_names_first() -> None:
    buckets = Buckets(1, 10.0, Seconds(), names_max=3)
    for name in "abcd":
        buckets.take(name)
    assert len(buckets) == 3
    assert [buckets.wait_s(name) > 0 for name in "abcd"] == [False, True, True, True]
    assert ADDRESSES_MAX >= 1000


@pytest.mark.parametrize(
    ("host", "asker"),
    [("192.0.2.7", "192.0.2.7"), ("2001:db8:1:2::9", "2001:db8:1:2::/64"), ("testclient", "testclient"), ("::1", "::/64")],
)
def test_an_asker_is_an_address_or_an_ipv6_network(host: str, asker: str) -> None:
    assert asker_of({"type": "http", "client": (host, 1)}) == asker


def test_no_address_known_is_one_asker() -> None:
    assert asker_of({"type": "http"}) == asker_of({"type": "http", "client": None}) == ""


def test_guessing_is_slowed_down_and_told_how_long(client: TestClient, time_s: Seconds) -> None:
    assert guess(client, WRONG_BURST + 5) == [401] * (WRONG_BURST - 1) + [429] * 6
    answer = ask(client, "bench.again")
    assert (answer.status_code, answer.json()["code"]) == (429, "too-many")
    assert answer.headers["retry-after"] == str(int(WRONG_EVERY_S))
    time_s.now += WRONG_EVERY_S
    assert ask(client, LATE).status_code == 200


def test_a_right_token_is_not_looked_at_while_guesses_are_shut_out_but_a_known_one_works(client: TestClient) -> None:
    """Else guessing would go on at full speed; whoever was at work before is not shut out by it."""
    assert ask(client, BENCH).status_code == 200
    guess(client, WRONG_BURST)
    assert ask(client, LATE).status_code == 429
    assert ask(client, BENCH).status_code == 200


def test_the_sign_in_page_counts_the_same_guesses(client: TestClient, time_s: Seconds) -> None:
    codes = [client.post("/sign-in", data={"token": f"bench.{number}"}).status_code for number in range(WRONG_BURST + 3)]
    assert codes == [401] * WRONG_BURST + [429] * 3
    assert ask(client, "bench.x").status_code == 429
    assert client.get("/sign-in").status_code == 200
    time_s.now += WRONG_EVERY_S
    assert client.post("/sign-in", data={"token": BENCH}).status_code == 303


def test_hundreds_of_guesses_never_get_in(client: TestClient, time_s: Seconds) -> None:
    seen = set()
    for number in range(300):
        time_s.now += 0.02
        seen.add(ask(client, f"bench.{number}").status_code)
    assert seen == {401, 429}


def test_no_token_is_no_guess(client: TestClient) -> None:
    assert {client.get("/v1/rigs").status_code for _ in range(3 * WRONG_BURST)} == {401}
    assert ask(client, LATE).status_code == 200


def chunks(count: int) -> Iterator[bytes]:
    """A body without Content-Length."""
    for _ in range(count):
        yield b"x" * 1000


@pytest.mark.parametrize("path", ["/v1/rigs/a/unit", "/v1/charts/notes"])
@pytest.mark.parametrize("content", ["whole", "chunked"])
def test_a_body_above_the_limit_is_413_with_and_without_its_length(shared: TestClient, path: str, content: str) -> None:
    body = b"x" * (LIMIT + 1) if content == "whole" else chunks(LIMIT // 1000 + 1)
    answer = ask(shared, BENCH, "POST", path, content=body)
    assert (answer.status_code, answer.json()["code"]) == (413, "body-too-large")
    assert answer.headers["content-type"] == "application/problem+json"


SCAN = "/v1/rigs/a/unit"
BODIES = {
    "deep": b"[" * 4000 + b"]" * 4000,
    "deep objects": b'{"a":' * 1500 + b"1" + b"}" * 1500,
    "nan": b'{"serial": NaN}',
    "infinity": b'{"serial": -Infinity}',
    "not utf-8": b'{"serial": "\xff\xfe"}',
    "utf-16": json.dumps({"serial": "DN-1"}).encode("utf-16"),
    "lone surrogate": b'{"serial": "\\ud800"}',
    "nul": b'{"serial": "DN\\u0000-1"}',
    "cut": b'{"serial": "DN',
    "empty": b"",
    "long number": b'{"serial": 1' + b"0" * 5000 + b"}",
    "twice": b'{"serial": "a", "serial": 1}',
    "list": b"[]",
    "null": b"null",
    "more": b'{"serial": "DN-1", "role": "admin"}',
    "proto": b'{"__proto__": {"role": "admin"}, "serial": 1}',
}


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
@pytest.mark.parametrize("path", [SCAN, "/v1/charts/notes"])
def test_a_strange_body_is_a_problem_and_no_defect(shared: TestClient, path: str, body: bytes) -> None:
    answer = ask(shared, BENCH, "POST", path, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code in {400, 409, 422}, answer.text
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "path", ["/v1/runs", "/v1/units", "/v1/failed-units", "/v1/rework", "/v1/rework/ledger", "/v1/calibrations", "/v1/studies"]
)
@pytest.mark.parametrize("limit", ["0", "-1", str(PAGE_MAX + 1), "1000000", "NaN", "1e9"])
def test_a_page_has_a_limit(shared: TestClient, path: str, limit: str) -> None:
    assert ask(shared, BENCH, path=f"{path}?limit={limit}").status_code == 422


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "127.0.0.2", "localhost.", "[::2]", "127.0.0.1@evil.example", "localhost\t"]
)
def test_only_known_names_are_answered(shared: TestClient, host: str) -> None:
    """DNS rebinding: the other site's name stands in Host."""
    answer = ask(shared, BENCH, headers={"Host": host})
    assert (answer.status_code, answer.json()["code"]) == (421, "host-unknown")


@pytest.mark.parametrize("path", ["/v1/rigs", "/v1/rigs/a/start", "/healthz", "/sign-in", "/v1/events"])
def test_no_other_site_may_read_or_preflight(shared: TestClient, path: str) -> None:
    asked = {"Origin": "https://evil.example", "Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization"}
    answer = shared.options(path, headers=asked)
    assert answer.status_code in {401, 403, 405}
    assert not [name for name in answer.headers if name.startswith("access-control-")]
    read = shared.get("/healthz", headers={"Origin": "https://evil.example"})
    assert not [name for name in read.headers if name.startswith("access-control-")]


@pytest.mark.parametrize("path", ["/healthz", "/sign-in", "/v1/rigs", "/nowhere", "/static/restpoint.css"])
def test_every_answer_carries_the_strict_policy(shared: TestClient, path: str) -> None:
    """Directives of Content Security Policy level 3 (W3C): nothing by default, no inline script, no evaluation, no frame."""
    headers = shared.get(path).headers
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert (policy["default-src"], policy["script-src"]) == ("'none'", "'self'")
    assert (policy["frame-ancestors"], policy["base-uri"], policy["form-action"]) == ("'none'", "'none'", "'self'")
    assert "unsafe" not in headers["content-security-policy"]
    assert "*" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


def test_the_nonce_of_a_policy_is_never_the_same(shared: TestClient) -> None:
    seen = [shared.get("/healthz").headers["content-security-policy"] for _ in range(20)]
    assert all(one != other for one, other in pairwise(sorted(seen)))


@pytest.mark.parametrize(
    "path",
    [
        "/static/../gate.py",
        "/static/%2e%2e/gate.py",
        "/static/..%2f..%2fhttp%2fgate.py",
        "/static/charts/../../../etc/passwd",
        "/static//etc/passwd",
    ],
)
def test_no_file_outside_of_the_folders_is_read(shared: TestClient, path: str) -> None:
    answer = shared.get(path)
    assert answer.status_code in {401, 404}
    assert "root:" not in answer.text
    assert "import" not in answer.text
