"""Live events over a real socket: ids, replay, keep-alive, the cap, and the end at shutdown."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import httpx
import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from api.http.streams import PULSE_S
from db.queries import Queries
from station.records import RunEvent
from tests.api.fakes import FakeDesk, serving

PLACES = 5


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk(names=("a", "b"))


@pytest.fixture
def address(desk: FakeDesk, empty_queries: Queries) -> Iterator[str]:
    app = build_app(desk, empty_queries, Access(), WebSettings("Mossgate bench", "0.1.0", streams_max=PLACES))
    with serving(app) as (url, _):
        yield url


def parsed(lines: Iterator[str]) -> Iterator[dict[str, Any]]:
    """Server-sent events by the rules of the HTML standard, section 9.2.6, as far as they are used here."""
    event: dict[str, Any] = {}
    for line in lines:
        if line == "" and event:
            yield event
            event = {}
        elif line and not line.startswith(":"):
            name, _, value = line.partition(":")
            event[name] = value.removeprefix(" ")


def take(response: httpx.Response, kind: str, count: int = 1) -> list[dict[str, Any]]:
    found = []
    for event in parsed(response.iter_lines()):
        if event.get("event") == kind:
            found.append(event)
            if len(found) == count:
                return found
    return found


def flick(number: int, rig: str = "a") -> RunEvent:
    return RunEvent("flick", rig, {"number": number, "sentence": "two\nlines"})


def test_an_event_told_by_a_worker_reaches_the_page_at_once(desk: FakeDesk, address: str) -> None:
    with httpx.stream("GET", f"{address}/v1/events") as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        events = parsed(response.iter_lines())
        hello = next(events)
        assert (hello["event"], hello["retry"]) == ("hello", "1000")
        told = time.monotonic()
        threading.Thread(target=desk.tell, args=(flick(1),)).start()
        event = next(event for event in events if event["event"] == "flick")
        assert time.monotonic() - told < 0.5
    life = json.loads(hello["data"])["life"]
    assert event["id"] == f"{life}-1"
    assert json.loads(event["data"]) == {"number": 1, "kind": "flick", "rig": "a", "data": {"number": 1, "sentence": "two\nlines"}}


def test_only_new_events_come_unless_older_ones_are_asked_for(desk: FakeDesk, address: str) -> None:
    for number in range(1, 4):
        desk.tell(flick(number))
    with httpx.stream("GET", f"{address}/v1/events") as response:
        desk.tell(flick(4))
        assert json.loads(take(response, "flick")[0]["data"])["data"]["number"] == 4
    with httpx.stream("GET", f"{address}/v1/events?after=0") as response:
        assert [json.loads(one["data"])["number"] for one in take(response, "flick", 4)] == [1, 2, 3, 4]


def test_a_page_that_comes_back_is_given_what_it_missed(desk: FakeDesk, address: str) -> None:
    desk.tell(flick(1))
    with httpx.stream("GET", f"{address}/v1/events?after=0") as response:
        last = take(response, "flick")[0]["id"]
    for number in (2, 3):
        desk.tell(flick(number))
    with httpx.stream("GET", f"{address}/v1/events", headers={"Last-Event-ID": last}) as response:
        assert [json.loads(one["data"])["number"] for one in take(response, "flick", 2)] == [2, 3]


def test_an_id_of_an_earlier_life_of_the_service_gets_all_that_is_kept(desk: FakeDesk, address: str) -> None:
    desk.tell(flick(1))
    with httpx.stream("GET", f"{address}/v1/events", headers={"Last-Event-ID": "0badcafe-977"}) as response:
        assert json.loads(take(response, "flick")[0]["data"])["number"] == 1


def test_a_stream_of_one_rig_hears_of_no_other(desk: FakeDesk, address: str) -> None:
    with httpx.stream("GET", f"{address}/v1/events?rig=b&after=0") as response:
        desk.tell(flick(1, "a"))
        desk.tell(flick(2, "b"))
        assert json.loads(take(response, "flick")[0]["data"])["rig"] == "b"


def test_a_stream_of_an_unknown_rig_is_not_found(address: str) -> None:
    answer = httpx.get(f"{address}/v1/events?rig=zz")
    assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


def test_a_silent_station_still_pulses(address: str) -> None:
    with httpx.stream("GET", f"{address}/v1/events") as response:
        began = time.monotonic()
        pulses = take(response, "pulse", 2)
        assert time.monotonic() - began < PULSE_S + 1.0
    assert json.loads(pulses[0]["data"])["at"].endswith("Z")


def test_streams_are_capped_and_places_come_free_again(address: str) -> None:
    with httpx.Client(timeout=5) as client:
        with ExitStack() as held:
            streams = [held.enter_context(client.stream("GET", f"{address}/v1/events")).iter_lines() for _ in range(PLACES)]
            assert [next(lines) for lines in streams] == ["event: hello"] * PLACES
            full = client.get(f"{address}/v1/events")
            assert (full.status_code, full.json()["code"]) == (503, "streams-full")
            assert int(full.headers["retry-after"]) > 0
            assert client.get(f"{address}/v1/rigs").status_code == 200
        assert eventually(lambda: status_of_a_stream(client, address) == 200)


def status_of_a_stream(client: httpx.Client, address: str) -> int:
    with client.stream("GET", f"{address}/v1/events") as response:
        return response.status_code


def eventually(holds: Callable[[], bool], within_s: float = 5.0) -> bool:
    until_s = time.monotonic() + within_s
    while time.monotonic() < until_s:
        if holds():
            return True
        time.sleep(0.02)
    return False


def test_the_service_stops_at_once_with_streams_open(desk: FakeDesk, empty_queries: Queries) -> None:
    app = build_app(desk, empty_queries, Access(), WebSettings("Mossgate bench", "0.1.0"))
    ended: list[float] = []

    def listen(url: str, ready: threading.Barrier) -> None:
        with httpx.stream("GET", f"{url}/v1/events") as response:
            lines = response.iter_lines()
            next(lines)
            ready.wait()
            for _ in lines:
                pass
        ended.append(time.monotonic())

    with serving(app) as (url, server):
        ready = threading.Barrier(4)
        listeners = [threading.Thread(target=listen, args=(url, ready)) for _ in range(3)]
        for listener in listeners:
            listener.start()
        ready.wait(10)
        began = time.monotonic()
        server.should_exit = True
        for listener in listeners:
            listener.join(5)
    assert len(ended) == 3
    assert max(ended) - began < 1.0
    assert desk.watchers == 0
