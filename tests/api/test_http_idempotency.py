"""Keyed requests: the same again gets the same answer and is done once; edits that rest on what is not so any more are refused."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from api.http.access import Access, Role, Token, new_token
from api.http.app import build_app
from api.http.audit import AccessBook
from api.http.settings import WebSettings
from db.answers import AnswerStore
from db.audit import AuditStore, entries
from db.engine import Database
from db.migrate import create_or_require
from db.queries import Queries
from station.errors import LinkLost
from station.ports.desk import RigView
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.reworked import TO_SOLDER, reworked_app, reworked_store

HOST = "http://127.0.0.1:8000"
MADE = {name: new_token(name) for name in ("bench", "other")}
TOKENS = [Token(name, Role.ENGINEER, hashed) for name, (_, hashed) in MADE.items()]
START = "/v1/rigs/a/start"


class SlowDesk(FakeDesk):
    """A desk whose start waits until it is let go."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.begun, self.go = threading.Event(), threading.Event()

    def start(self, rig: str) -> RigView:
        self.begun.set()
        assert self.go.wait(20)
        return super().start(rig)


@pytest.fixture
def url(tmp_path: Path) -> str:
    made = f"sqlite:///{tmp_path / 'station.sqlite'}"
    create_or_require(made)
    return made


@pytest.fixture
def build(url: str, settings: WebSettings) -> Iterator[Callable[[FakeDesk], FastAPI]]:
    """An app with a book; each is like a service that was started anew on the same database."""
    opened: list[Any] = []

    def made(desk: FakeDesk) -> FastAPI:
        queries, database = Queries(url), Database(url)
        opened.extend([queries, database])
        book = AccessBook(AuditStore(database, "mossgate-1"), AnswerStore(database))
        return build_app(desk, queries, Access(TOKENS), settings, book=book)

    yield made
    for one in opened:
        one.close()


def ready_desk(kind: type[FakeDesk] = FakeDesk) -> Any:
    desk = kind()
    desk.show("a", not_ready=())
    return desk


def client_of(app: FastAPI) -> TestClient:
    return TestClient(app, base_url=HOST, raise_server_exceptions=False, client=("127.0.0.1", 50000))


def post(client: TestClient, key: str | None, path: str = START, who: str = "bench", **more: Any) -> Any:
    headers = {"Authorization": f"Bearer {MADE[who][0]}"} | ({} if key is None else {"Idempotency-Key": key})
    return client.post(path, headers=headers, **more)


def starts(desk: FakeDesk) -> int:
    return desk.asked.count(("start", "a"))


def test_the_same_key_starts_once_and_gets_the_same_answer_also_after_a_restart(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client:
        first, again = post(client, "k-1"), post(client, "k-1")
    assert (first.status_code, again.status_code, again.content) == (202, 202, first.content)
    assert again.headers["idempotency-repeated"] == "true"
    assert again.headers["content-type"] == first.headers["content-type"]
    with client_of(build(desk)) as client:
        assert post(client, "k-1").content == first.content
    assert starts(desk) == 1


def test_without_a_key_or_with_another_each_request_counts(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client:
        for key in (None, None, "k-1", "k-2"):
            assert post(client, key).status_code == 202
    assert starts(desk) == 4


def test_keys_belong_to_who_sent_them(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client:
        post(client, "k-1")
        assert "idempotency-repeated" not in post(client, "k-1", who="other").headers
    assert starts(desk) == 2


@pytest.mark.parametrize("more", [{"path": "/v1/rigs/b/start"}, {"path": START + "?x=1"}, {"json": {"a": 1}}], ids=["rig", "query", "body"])
def test_a_key_of_another_request_is_refused(build: Callable[[FakeDesk], FastAPI], more: dict[str, Any]) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client:
        post(client, "k-1")
        answer = post(client, "k-1", **more)
    assert (answer.status_code, answer.json()["code"]) == (422, "key-reused")
    assert starts(desk) == 1


def test_while_the_first_goes_on_the_second_is_told_so(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = ready_desk(SlowDesk)
    with client_of(build(desk)) as client, ThreadPoolExecutor(1) as pool:
        first = pool.submit(post, client, "k-1")
        assert desk.begun.wait(20)
        second = post(client, "k-1")
        desk.go.set()
        assert first.result(20).status_code == 202
    assert (second.status_code, second.json()["code"], second.headers["retry-after"]) == (409, "key-running", "5")
    assert starts(desk) == 1


def test_fifty_at_once_start_one_run(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client, ThreadPoolExecutor(10) as pool:
        post(client, None, "/v1/rigs/a/halt")  # the token's hash is computed once, before the rush
        answers = list(pool.map(lambda _: post(client, "k-1").status_code, range(50)))
    assert starts(desk) == 1
    assert set(answers) <= {202, 409}
    assert answers.count(202) >= 1


def test_a_request_that_was_cut_short_is_never_done_again(build: Callable[[FakeDesk], FastAPI], url: str) -> None:
    """The service was killed between taking the key and answering: nobody knows what came of it."""
    from datetime import UTC, datetime

    from api.http.idempotency import request_digest

    digest = request_digest({"type": "http", "method": "POST", "path": START, "query_string": b""}, b"")
    database = Database(url)
    AnswerStore(database).begin("bench", "k-1", digest, datetime.now(UTC))
    database.close()
    desk = ready_desk()
    with client_of(build(desk)) as client:
        assert post(client, "k-1").json()["code"] == "key-running"
    assert starts(desk) == 0


def test_a_refusal_gives_its_key_free(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = FakeDesk()
    with client_of(build(desk)) as client:
        desk.show("a", not_ready=("No unit was scanned.",))
        assert post(client, "k-1").status_code == 409
        desk.show("a", not_ready=())
        assert post(client, "k-1").status_code == 202


def test_an_answer_that_leaves_open_what_was_done_is_kept(build: Callable[[FakeDesk], FastAPI]) -> None:
    class Lost(FakeDesk):
        def start(self, rig: str) -> RigView:
            self.asked.append(("start", rig))
            raise LinkLost("rig a is not answering")

    desk = ready_desk(Lost)
    with client_of(build(desk)) as client:
        first, again = post(client, "k-1"), post(client, "k-1")
    assert (first.status_code, again.status_code, again.content) == (503, 503, first.content)
    assert starts(desk) == 1


@pytest.mark.parametrize("key", ["", "a b", "x" * 201, "caf\u00e9".encode().decode("latin-1")], ids=["empty", "space", "long", "not ascii"])
def test_a_key_must_be_visible_ascii(build: Callable[[FakeDesk], FastAPI], key: str) -> None:
    desk = ready_desk()
    with client_of(build(desk)) as client:
        headers = {b"Authorization": f"Bearer {MADE['bench'][0]}".encode(), b"Idempotency-Key": key.encode("latin-1")}
        answer = client.post(START, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (400, "key-bad")
    assert starts(desk) == 0


def test_a_keyed_body_has_the_same_limit(build: Callable[[FakeDesk], FastAPI], settings: WebSettings) -> None:
    with client_of(build(ready_desk())) as client:
        for key in ("k-1", None):
            answer = post(client, key, content=b"x" * (settings.body_max_bytes + 1))
            assert (answer.status_code, answer.json()["code"]) == (413, "body-too-large")


def test_a_repetition_is_no_second_deed_in_the_trail(build: Callable[[FakeDesk], FastAPI], url: str) -> None:
    with client_of(build(ready_desk())) as client:
        post(client, "k-1")
        post(client, "k-1")
    database = Database(url)
    assert [one.entry.status for one in entries(database, None, 10)] == [202]
    database.close()


ALARMED = {"dunlin-2 A": "decided by count alone"}
SET_BACK = {"specification": "dunlin-2 A", "operator": "a. marsh", "cause": "worn tip replaced"}


def set_back(client: TestClient, tag: str | None) -> Any:
    headers = {"Authorization": f"Bearer {MADE['bench'][0]}"} | ({} if tag is None else {"If-Match": tag})
    return client.post("/v1/monitors/set-back", json=SET_BACK, headers=headers)


def test_an_alarm_that_came_after_looking_is_not_set_back(build: Callable[[FakeDesk], FastAPI]) -> None:
    desk = FakeDesk(alarmed=dict(ALARMED))
    with client_of(build(desk)) as client:
        seen = client.get("/v1/monitors", headers={"Authorization": f"Bearer {MADE['bench'][0]}"}).headers["etag"]
        desk.alarmed["dunlin-2 A"] = "another alarm"
        answer = set_back(client, seen)
        assert (answer.status_code, answer.json()["code"]) == (412, "changed-meanwhile")
        assert "dunlin-2 A" in desk.alarmed
        now = client.get("/v1/monitors", headers={"Authorization": f"Bearer {MADE['bench'][0]}"}).headers["etag"]
        assert set_back(client, now).status_code == 200
    assert desk.alarmed == {}


@pytest.mark.parametrize("tag", [None, "*"])
def test_without_a_tag_or_with_a_star_nothing_is_compared(build: Callable[[FakeDesk], FastAPI], tag: str | None) -> None:
    with client_of(build(FakeDesk(alarmed=dict(ALARMED)))) as client:
        assert set_back(client, tag).status_code == 200


def test_of_two_who_saw_the_same_one_is_refused(build: Callable[[FakeDesk], FastAPI]) -> None:
    class Twice(FakeDesk):
        def set_back(self, specification: str, operator: str, cause: str) -> None:
            self.asked.append(("set_back", specification))
            self.alarmed[specification] = "alarmed again"

    desk = Twice(alarmed=dict(ALARMED))
    with client_of(build(desk)) as client, ThreadPoolExecutor(8) as pool:
        seen = client.get("/v1/monitors", headers={"Authorization": f"Bearer {MADE['bench'][0]}"}).headers["etag"]
        answers = sorted(pool.map(lambda _: set_back(client, seen).status_code, range(8)))
    assert answers == [200] + [412] * 7
    assert len(desk.asked) == 1


def test_of_two_technicians_who_record_different_parts_the_second_is_refused(tmp_path: Path, settings: WebSettings) -> None:
    """Both read the order with nothing fitted; the first part must not be lost to the second."""
    with reworked_app(reworked_store(tmp_path), settings) as app, TestClient(app, base_url=HOST) as client:
        address = f"/v1/rework/{TO_SOLDER}"
        seen = client.get(address).headers["etag"]

        def fit(part: str, tag: str) -> Any:
            body = {"stick": "main", "axis": "x", "part": part, "operator": "a. marsh"}
            return client.post(f"{address}/fitted", json=body, headers={"If-Match": tag})

        first, second = fit("474", seen), fit("334", seen)
        assert (first.status_code, second.status_code, second.json()["code"]) == (200, 412, "changed-meanwhile")
        assert client.get(address).json() == first.json()
        assert first.headers["etag"] == client.get(address).headers["etag"]
        assert fit("334", first.headers["etag"]).status_code == 200
