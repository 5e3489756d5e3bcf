"""Tokens, passes, and the gate before every route."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.http.access import PASS_VALID, Access, Role, Token, is_loopback, new_token, read_tokens, require_tokens_for
from api.http.app import build_app
from api.http.gate import COOKIE
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import AccessDenied, ConfigurationError
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
HOST = "http://127.0.0.1:8000"
BENCH, BENCH_HASH = new_token("bench")
VIEWER, VIEWER_HASH = new_token("viewer")
TOKENS = (Token("bench", Role.OPERATE, BENCH_HASH), Token("viewer", Role.VIEW, VIEWER_HASH))


class Clock:
    def __init__(self) -> None:
        self.at = NOW

    def __call__(self) -> datetime:
        return self.at


@pytest.fixture
def guarded(desk: FakeDesk, empty_queries: Queries, settings: WebSettings) -> Iterator[TestClient]:
    """A client of an app with two tokens."""
    app = build_app(desk, empty_queries, Access(TOKENS), settings)
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=("127.0.0.1", 50000)) as client:
        yield client


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_a_token_is_known_again_and_hashed_only_once() -> None:
    access = Access(TOKENS)
    assert access.by_token(BENCH).name == "bench"
    assert access.by_token(BENCH).role is Role.OPERATE
    assert BENCH not in repr(vars(access))


WRONG = ["", "bench", "bench.", BENCH[:-1], BENCH + "x", BENCH.replace("bench", "viewer"), "nobody.abc"]


@pytest.mark.parametrize("wrong", WRONG, ids=["empty", "name", "no-secret", "short", "long", "other-name", "unknown"])
def test_any_other_token_is_refused(wrong: str) -> None:
    with pytest.raises(AccessDenied):
        Access(TOKENS).by_token(wrong)


def test_an_expired_token_is_refused_even_when_it_was_seen_before() -> None:
    clock = Clock()
    access = Access([Token("bench", Role.OPERATE, BENCH_HASH, NOW + timedelta(hours=1))], clock)
    cookie = access.new_pass(BENCH)
    clock.at = NOW + timedelta(hours=1)
    with pytest.raises(AccessDenied, match="expired"):
        access.by_token(BENCH)
    with pytest.raises(AccessDenied):
        access.by_pass(cookie)


def test_a_pass_ends_survives_a_restart_and_dies_with_its_token() -> None:
    clock = Clock()
    cookie = Access(TOKENS, clock).new_pass(BENCH)
    restarted = Access(TOKENS, clock)
    assert restarted.by_pass(cookie).name == "bench"
    _, other_hash = new_token("bench")
    with pytest.raises(AccessDenied):
        Access([Token("bench", Role.OPERATE, other_hash)], clock).by_pass(cookie)
    clock.at = NOW + PASS_VALID
    with pytest.raises(AccessDenied, match="ended"):
        restarted.by_pass(cookie)


@pytest.mark.parametrize(
    "change", [lambda c: c.replace("bench", "viewer"), lambda c: c[:-1] + ("0" if c[-1] != "0" else "1"), lambda c: "", lambda c: "a.b.c"]
)
def test_a_changed_pass_is_refused(change: object) -> None:
    cookie = Access(TOKENS).new_pass(BENCH)
    with pytest.raises(AccessDenied):
        Access(TOKENS).by_pass(change(cookie))  # type: ignore[operator]


def test_the_end_of_a_pass_cannot_be_moved() -> None:
    access = Access(TOKENS)
    name, end, seal = access.new_pass(BENCH).split(".")
    with pytest.raises(AccessDenied):
        access.by_pass(f"{name}.{int(end) + 3600}.{seal}")


def test_a_tokens_file_is_read(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    file.write_text(f'[[token]]\nname = "bench"\nrole = "operate"\nhash = "{BENCH_HASH}"\nexpires_at = 2027-06-30T00:00:00Z\n')
    assert read_tokens(file) == (Token("bench", Role.OPERATE, BENCH_HASH, datetime(2027, 6, 30, tzinfo=UTC)),)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('[[token]]\nname = "bench"\nrole = "boss"\nhash = "$argon2id$x"', "role"),
        ('[[token]]\nname = "bench"\nrole = "view"\nhash = "secret"', "hash"),
        ('[[token]]\nname = "bench"\nrole = "view"', "hash"),
        ('[[token]]\nname = "bench"\nrole = "view"\nhash = "$argon2id$x"\ncolour = 1', "colour"),
        ("[[token]", "TOML"),
        ('[[token]]\nname = "b"\nrole = "view"\nhash = "$argon2id$x"\n' * 2, "each name once"),
    ],
)
def test_a_wrong_tokens_file_names_what_is_wrong(tmp_path: Path, text: str, word: str) -> None:
    file = tmp_path / "tokens.toml"
    file.write_text(text)
    with pytest.raises(ConfigurationError, match=re.escape(str(file))) as caught:
        read_tokens(file)
    assert word in str(caught.value)


def test_a_missing_tokens_file_is_a_configuration_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="tokens_file"):
        read_tokens(tmp_path / "none.toml")


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.4.20", "station.local", ""])
def test_no_address_but_loopback_is_served_without_tokens(host: str) -> None:
    assert not is_loopback(host)
    with pytest.raises(ConfigurationError, match="access tokens"):
        require_tokens_for(host, ())
    require_tokens_for(host, TOKENS)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.53", "::1", "[::1]", "localhost"])
def test_loopback_may_be_served_without_tokens(host: str) -> None:
    require_tokens_for(host, ())


def test_every_route_asks_for_a_token_when_there_are_any(guarded: TestClient) -> None:
    paths = guarded.app.openapi()["paths"]  # type: ignore[attr-defined]
    tried = 0
    for path, operations in paths.items():
        for method in operations:
            if path in ("/healthz", "/readyz"):
                continue
            address = (
                path.replace("{rig}", "a")
                .replace("{number}", "1")
                .replace("{serial}", "DN-1")
                .replace("{name}", "x")
                .replace("{revision}", "A")
            )
            answer = guarded.request(method, address)
            assert answer.status_code == 401, (method, path)
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.headers["www-authenticate"] == "Bearer"
            tried += 1
    assert tried >= 15


@pytest.mark.parametrize(
    "path", ["/", "/rigs/a", "/runs", "/runs/1", "/units", "/units/DN-1", "/definitions", "/docs/api", "/openapi.json"]
)
def test_pages_lead_to_the_sign_in(guarded: TestClient, path: str) -> None:
    answer = guarded.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/sign-in?next={path}"


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/sign-in", "/static/restpoint.css", "/problems/busy"])
def test_probes_and_the_sign_in_page_are_open(guarded: TestClient, path: str) -> None:
    assert guarded.get(path).status_code == 200


def test_a_bearer_token_opens(guarded: TestClient) -> None:
    assert guarded.get("/v1/rigs", headers=bearer(BENCH)).status_code == 200
    assert guarded.get("/v1/rigs", headers=bearer(BENCH + "x")).status_code == 401


def test_a_viewer_moves_nothing(guarded: TestClient, desk: FakeDesk) -> None:
    assert guarded.get("/v1/rigs", headers=bearer(VIEWER)).status_code == 200
    answer = guarded.post("/v1/rigs/a/halt", headers=bearer(VIEWER))
    assert (answer.status_code, answer.json()["code"]) == (403, "access-denied")
    assert desk.asked == []


def sign_in(client: TestClient, following: str = "/runs") -> str:
    answer = client.post("/sign-in", data={"token": BENCH, "next": following})
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert BENCH.lower() not in cookie
    return str(answer.headers["location"])


def test_a_browser_signs_in_reads_and_acts_with_the_pages_own_token(guarded: TestClient, desk: FakeDesk) -> None:
    assert sign_in(guarded) == "/runs"
    shown = guarded.get("/rigs/a", headers={"Accept": "text/html"})
    assert shown.status_code == 200
    found = re.search(r'name="request-token" content="([0-9a-f]{64})"', shown.text)
    assert found
    refused = guarded.post("/v1/rigs/a/halt")
    assert (refused.status_code, refused.json()["code"]) == (403, "cross-site")
    assert desk.asked == []
    taken = guarded.post("/v1/rigs/a/halt", headers={"X-Restpoint-Request": found.group(1)})
    assert taken.status_code == 200
    assert desk.asked == [("halt", "a")]


def test_a_wrong_token_at_the_sign_in_says_so_and_gives_nothing(guarded: TestClient) -> None:
    answer = guarded.post("/sign-in", data={"token": "bench.nonsense"})
    assert answer.status_code == 401
    assert "no such token" in answer.text
    assert COOKIE not in answer.headers.get("set-cookie", "")


@pytest.mark.parametrize(
    "elsewhere", ["https://example.org/", "//example.org", "/\\example.org", "javascript:alert(1)", "/a\r\nSet-Cookie: x=1"]
)
def test_a_sign_in_never_leads_elsewhere(guarded: TestClient, elsewhere: str) -> None:
    assert sign_in(guarded, elsewhere) == "/"


def test_signing_out_forgets_the_pass(guarded: TestClient) -> None:
    sign_in(guarded)
    page = guarded.get("/", headers={"Accept": "text/html"})
    assert "Sign out bench" in page.text
    assert guarded.post("/sign-out").status_code == 303
    assert guarded.get("/", headers={"Accept": "text/html"}).status_code == 303


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://example.org"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://127.0.0.1:9999"},
    ],
)
def test_another_site_cannot_start_anything_even_without_tokens(client: TestClient, desk: FakeDesk, headers: dict[str, str]) -> None:
    answer = client.post("/v1/rigs/a/start", headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "cross-site")
    assert desk.asked == []


def test_the_own_page_may_start(empty_queries: Queries, settings: WebSettings) -> None:
    desk = FakeDesk()
    desk.show("a", not_ready=())
    with TestClient(build_app(desk, empty_queries, Access(), settings), base_url=HOST, client=("127.0.0.1", 50000)) as client:
        answer = client.post("/v1/rigs/a/start", headers={"Origin": HOST, "Sec-Fetch-Site": "same-origin"})
    assert answer.status_code == 202
    assert desk.asked == [("start", "a")]
