"""The ring of events and the inbox between threads."""

import threading
from typing import Any

import pytest

from station.errors import Busy, LinkLost, NotReady, RigRefused
from station.records import RunEvent, UnitIdentity
from station.service.events import EventRing
from station.service.inbox import Inbox


def test_ring_is_bounded_and_numbers_go_on() -> None:
    ring = EventRing(size=3)
    numbers = [ring.add(RunEvent("notice", rig)) for rig in ("a", "b", "a", "b", "a")]
    assert numbers == [1, 2, 3, 4, 5]
    assert [number for number, _ in ring.recent()] == [3, 4, 5]
    assert [number for number, _ in ring.recent("a", after=3)] == [5]


def test_watchers_are_woken_until_they_leave() -> None:
    ring = EventRing()
    woken: list[int] = []
    leave = ring.watch(lambda: woken.append(1))
    ring.add(RunEvent("notice", "a"))
    leave()
    leave()
    ring.add(RunEvent("notice", "a"))
    assert woken == [1]


class Worker:
    """Answers as told."""

    def __init__(self, problem: Exception | None = None) -> None:
        self.problem = problem
        self.served: list[Any] = []

    def do_scan(self, unit: UnitIdentity, operator: str) -> None:
        self.served.append((unit, operator))

    def do_start(self) -> None:
        self.served.append("start")
        if self.problem:
            raise self.problem

    def do_reset(self) -> None:
        self.served.append("reset")


def serve_one(inbox: Inbox, worker: Worker, escaped: list[Exception]) -> threading.Thread:
    def loop() -> None:
        while not worker.served:
            try:
                inbox.serve(worker)
            except LinkLost as problem:
                escaped.append(problem)

    thread = threading.Thread(target=loop)
    thread.start()
    return thread


def test_a_request_is_answered() -> None:
    inbox, worker = Inbox(), Worker()
    thread = serve_one(inbox, worker, [])
    inbox.ask(lambda served: served.do_start())
    thread.join()
    assert worker.served == ["start"]


@pytest.mark.parametrize("problem", [NotReady("guard is open"), RigRefused("busy")])
def test_a_refusal_goes_to_the_asker_alone(problem: Exception) -> None:
    inbox, worker, escaped = Inbox(), Worker(problem), list[Exception]()
    thread = serve_one(inbox, worker, escaped)
    with pytest.raises(type(problem)):
        inbox.ask(lambda served: served.do_start())
    thread.join()
    assert escaped == []


def test_trouble_of_the_link_goes_to_both() -> None:
    inbox, worker, escaped = Inbox(), Worker(LinkLost("gone")), list[Exception]()
    thread = serve_one(inbox, worker, escaped)
    with pytest.raises(LinkLost):
        inbox.ask(lambda served: served.do_start())
    thread.join()
    assert len(escaped) == 1


def test_nobody_serving_is_busy_and_the_request_is_dropped() -> None:
    inbox, worker = Inbox(), Worker()
    with pytest.raises(Busy):
        inbox.ask(lambda served: served.do_start(), wait_s=0.01)
    inbox.serve(worker)
    assert worker.served == []
