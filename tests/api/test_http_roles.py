"""Every address of the OpenAPI document asked by everybody: four roles, nobody, and tokens that are wrong, expired or revoked."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute

from api.http import limits
from api.http.access import Access, Role, Token, new_token, read_tokens
from api.http.app import build_app
from api.http.audit import SUBJECTS
from api.http.idempotency import KEYED
from api.http.roles import ROLES, WRITE, least_role, template_of
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import AccessDenied
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
HOST = "http://127.0.0.1:8000"
MADE = {name: new_token(name) for name in ("view", "operate", "engineer", "admin", "expired", "revoked")}
TOKENS = [Token(name, Role[name.upper()], MADE[name][1]) for name in ("view", "operate", "engineer", "admin")]
TOKENS.append(Token("expired", Role.ADMIN, MADE["expired"][1], NOW))
STRANGERS = {
    "nobody": None,
    "empty": "",
    "wrong secret": MADE["admin"][0][:-1] + ("A" if MADE["admin"][0][-1] != "A" else "B"),
    "other name": MADE["view"][0].replace("view.", "admin.", 1),
    "expired": MADE["expired"][0],
    "revoked": MADE["revoked"][0],
}
OPEN = {"/healthz", "/readyz"}
NAMES = ("view", "operate", "engineer", "admin")

# Who may, written out by hand for all that is not simply read: view, operate, engineer, admin.
MAY = {
    ("post", "/v1/rigs/{rig}/unit"): (False, True, True, True),
    ("post", "/v1/rigs/{rig}/start"): (False, True, True, True),
    ("post", "/v1/rigs/{rig}/halt"): (False, True, True, True),
    ("post", "/v1/rigs/{rig}/reset"): (False, True, True, True),
    ("post", "/v1/rigs/{rig}/procedures"): (False, True, True, True),
    ("post", "/v1/procedures/{number}/go-on"): (False, True, True, True),
    ("post", "/v1/procedures/{number}/abandon"): (False, True, True, True),
    ("post", "/v1/charts/notes"): (False, True, True, True),
    ("post", "/v1/charts/limits"): (False, False, True, True),
    ("post", "/v1/rework/{order}/fitted"): (False, True, True, True),
    ("post", "/v1/rework/{order}/scrap"): (False, True, True, True),
    ("post", "/v1/rework/{order}/withdraw"): (False, True, True, True),
    ("post", "/v1/monitors/set-back"): (False, False, True, True),
    ("get", "/v1/audit"): (False, False, False, True),
}
ALL_MAY = (True, True, True, True)
VALUES = {
    "rig": "nowhere",
    "number": "1",
    "serial": "DN-1",
    "name": "x",
    "revision": "A",
    "order": "1",
    "position": "1",
    "lot": "L",
    "product": "P",
}


@pytest.fixture
def app(empty_queries: Queries, settings: WebSettings, monkeypatch: pytest.MonkeyPatch) -> FastAPI:
    monkeypatch.setattr(limits, "WRONG_BURST", 100_000)  # guessing is slowed down elsewhere; here everybody asks everything
    return build_app(FakeDesk(), empty_queries, Access(TOKENS, lambda: NOW), settings)


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=("127.0.0.1", 50000)) as one:
        yield one


def routes(app: FastAPI) -> list[tuple[str, str]]:
    return [(method, path) for path, item in app.openapi()["paths"].items() for method in item]


def address(path: str) -> str:
    for name, value in VALUES.items():
        path = path.replace("{" + name + "}", value)
    assert "{" not in path
    return path + ("?rig=nowhere" if path == "/v1/events" else "")  # else it would not end


def ask(client: TestClient, method: str, path: str, token: str | None) -> Any:
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    return client.request(method, address(path), headers=headers)


def test_every_route_by_every_role(client: TestClient, app: FastAPI) -> None:
    asked = 0
    for method, path in routes(app):
        for name, may in zip(NAMES, MAY.get((method, path), ALL_MAY), strict=True):
            answer = ask(client, method, path, MADE[name][0])
            assert (answer.status_code not in (401, 403, 429)) == may, (method, path, name, answer.text)
            if not may:
                assert answer.json()["code"] == "access-denied"
            asked += 1
    assert asked >= 4 * 60
    assert set(MAY) <= set(routes(app))


def test_every_route_refuses_whoever_is_not_known(client: TestClient, app: FastAPI) -> None:
    asked = 0
    for method, path in routes(app):
        for who, token in STRANGERS.items():
            answer = ask(client, method, path, token)
            assert (answer.status_code != 401) == (path in OPEN), (method, path, who)
            asked += 1
    assert asked >= 6 * 60


def test_whatever_writes_stands_in_the_table_written_by_hand(app: FastAPI) -> None:
    """A new POST, PUT, PATCH or DELETE must be given its roles here and in the product."""
    assert {one for one in routes(app) if one[0] != "get"} == {one for one in MAY if one[0] != "get"}
    assert set(WRITE) == {path for method, path in MAY if method == "post"} == set(SUBJECTS)
    assert set(WRITE) > KEYED


def test_every_route_and_page_has_a_role_and_no_role_is_for_nothing(app: FastAPI) -> None:
    served = {(method.upper(), path) for method, path in routes(app)} | {("GET", "/openapi.json")} | set(pages())
    for method, path in served:
        if path in OPEN or path.startswith(("/sign-", "/problems/")):
            continue
        assert template_of(method, address_of_page(path)) == path, (method, path)
    assert set(ROLES) <= served


def pages() -> list[tuple[str, str]]:
    from api.pages.router import router

    found = []
    for included in router.routes:
        inner = getattr(included, "original_router", None) or getattr(included, "router", None) or included
        for route in getattr(inner, "routes", [inner]):
            if isinstance(route, APIRoute):
                found += [(method, route.path) for method in route.methods or ()]
    assert len(found) > 20
    return found


def address_of_page(path: str) -> str:
    return address(path.replace("{code}", "busy")).partition("?")[0]


def test_a_route_that_stands_in_no_table_is_denied_to_everybody(app: FastAPI) -> None:
    @app.get("/v1/forgotten")
    def forgotten() -> dict[str, int]:
        return {"told": 1}

    assert least_role("GET", "/v1/forgotten") is None
    with TestClient(app, base_url=HOST) as client:
        answer = client.get("/v1/forgotten", headers={"Authorization": f"Bearer {MADE['admin'][0]}"})
        absent = client.get("/v1/absent", headers={"Authorization": f"Bearer {MADE['admin'][0]}"})
    assert (answer.status_code, answer.json()["code"]) == (403, "access-denied")
    assert absent.status_code == 404


def test_a_token_ends_at_its_very_time() -> None:
    at = [NOW]
    access = Access([Token("expired", Role.VIEW, MADE["expired"][1], NOW + timedelta(seconds=1))], lambda: at[0])
    assert access.by_token(MADE["expired"][0]).role is Role.VIEW
    at[0] = NOW + timedelta(seconds=1)
    with pytest.raises(AccessDenied, match="expired"):
        access.by_token(MADE["expired"][0])


def write(file: Path, *names: str) -> None:
    lines = [f'[[token]]\nname = "{name}"\nrole = "operate"\nhash = "{MADE[name][1]}"\n' for name in names]
    file.write_text("".join(lines), encoding="utf-8")


def test_a_line_taken_out_of_the_file_is_refused_at_once_with_its_passes(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    write(file, "view", "revoked")
    access = Access(read_tokens(file), file=file)
    cookie = access.new_pass(MADE["revoked"][0])
    assert access.by_pass(cookie).name == "revoked"
    write(file, "view")
    with pytest.raises(AccessDenied):
        access.by_token(MADE["revoked"][0])
    with pytest.raises(AccessDenied):
        access.by_pass(cookie)
    assert access.by_token(MADE["view"][0]).name == "view"


@pytest.mark.parametrize("content", ["[[token", "", None], ids=["unreadable", "empty", "gone"])
def test_a_file_that_says_nothing_lets_nobody_in(tmp_path: Path, content: str | None) -> None:
    file = tmp_path / "tokens.toml"
    write(file, "view")
    access = Access(read_tokens(file), file=file)
    if content is None:
        file.unlink()
    else:
        file.write_text(content, encoding="utf-8")
    with pytest.raises(AccessDenied):
        access.by_token(MADE["view"][0])
    assert not access.open
    write(file, "view")
    assert access.by_token(MADE["view"][0]).name == "view"


def test_secrets_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """argon2 verifies tokens; digests of passes and of pages' own tokens go through hmac.compare_digest, never through ==."""
    import hmac

    compared: list[tuple[bytes, bytes]] = []
    real = hmac.compare_digest

    def watched(one: bytes, other: bytes) -> bool:
        compared.append((one, other))
        return real(one, other)

    monkeypatch.setattr("api.http.access.hmac.compare_digest", watched)
    access = Access(TOKENS, lambda: NOW)
    access.by_pass(access.new_pass(MADE["view"][0]))
    assert len(compared) == 1
