"""The thread that sends to a line: what it tells, when it tries again, and that nobody waits for it."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Any

import pytest

from station.errors import SchemaMismatch, StoreError, StoreUnavailable
from station.ports.line import Waiting
from station.service.forwarder import AGAIN_S, LATE_S, LOOK_S, RETRY_MAX_S, RETRY_S, Forwarder

BEGAN = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)


class HandClock:
    def __init__(self) -> None:
        self.passed_s = 0.0

    def monotonic_s(self) -> float:
        return self.passed_s

    def utc(self) -> datetime:
        return BEGAN + timedelta(seconds=self.passed_s)

    def sleep(self, seconds: float) -> None:
        self.passed_s += seconds


class FakeLine:
    """A line that takes two at a time; those in `bad` it refuses, and with a problem it takes nothing."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.outbox: list[int] = []
        self.aside: list[int] = []
        self.came: list[int] = []
        self.bad: set[int] = set()
        self.problem: Exception | None = None
        self.calls: list[str] = []
        self.went = Event()

    def begin(self, at: datetime) -> None:
        self.calls.append("begin")

    def send(self, at: datetime) -> int:
        self.calls.append("send")
        if self.problem:
            raise self.problem
        some, self.outbox = self.outbox[:2], self.outbox[2:]
        self.aside += [one for one in some if one in self.bad]
        self.came += [one for one in some if one not in self.bad]
        if some and not self.outbox:
            self.went.set()
        return len(some)

    def try_again(self) -> None:
        self.calls.append("try again")
        self.outbox, self.aside = self.aside + self.outbox, []

    def waiting(self) -> Waiting:
        count = len(self.outbox) + len(self.aside)
        return Waiting(count, BEGAN if count else None, len(self.aside), f"run {self.aside[0]}: it is odd" if self.aside else "")

    def close(self) -> None:
        self.calls.append("close")


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def line(clock: HandClock) -> FakeLine:
    return FakeLine(clock)


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def forwarder(line: FakeLine, clock: HandClock, told: list[str]) -> Forwarder:
    def tell(kind: str, data: Mapping[str, Any]) -> None:
        assert kind == "notice"
        told.append(data["sentence"])

    return Forwarder(line, clock, tell)


def test_all_goes_in_one_turn_and_nothing_is_said(forwarder: Forwarder, line: FakeLine, told: list[str]) -> None:
    line.outbox = [1, 2, 3, 4, 5]
    assert forwarder.turn() == LOOK_S
    assert line.came == [1, 2, 3, 4, 5]
    assert (forwarder.sentence(), told) == ("", [])


def test_pauses_get_longer_while_the_line_is_away(forwarder: Forwarder, line: FakeLine, clock: HandClock, told: list[str]) -> None:
    line.outbox, line.problem = [1, 2, 3], StoreUnavailable("database postgresql://line cannot be reached: refused")
    pauses = [forwarder.turn() for _ in range(8)]
    assert pauses == [RETRY_S, 2.0, 4.0, 8.0, 16.0, 32.0, RETRY_MAX_S, RETRY_MAX_S]
    assert told == [
        "3 records wait for the line since 2026-11-25T07:30:00Z; nothing is lost. database postgresql://line cannot be reached: refused."
    ]
    clock.sleep(3600.0)
    assert (forwarder.standing().waiting.count, forwarder.standing().waits_s) == (3, 3600.0)
    line.problem = None
    assert forwarder.turn() == LOOK_S
    assert line.came == [1, 2, 3]
    assert told[1].startswith("Nothing keeps records from the line any more")
    assert forwarder.sentence() == ""
    line.problem = StoreUnavailable("away")
    line.outbox = [4]
    assert forwarder.turn() == RETRY_S  # short again


@pytest.mark.parametrize(
    ("problem", "words"),
    [
        (SchemaMismatch("line database L has schema revision 0004"), "schema revision 0004"),
        (StoreError("line database L knows a station bench-1 with another database"), "with another database"),
        (KeyError("number"), r"KeyError"),
    ],
)
def test_whatever_goes_wrong_is_told_and_tried_again(
    forwarder: Forwarder, line: FakeLine, told: list[str], problem: Exception, words: str
) -> None:
    line.outbox, line.problem = [1], problem
    assert forwarder.turn() == RETRY_S
    assert words in told[0]
    line.problem = None
    forwarder.turn()
    assert line.came == [1]


def test_what_is_refused_stops_nothing_and_is_tried_again_later(
    forwarder: Forwarder, line: FakeLine, clock: HandClock, told: list[str]
) -> None:
    line.outbox, line.bad = [1, 2, 3, 4], {2}
    forwarder.turn()
    assert line.came == [1, 3, 4]
    assert forwarder.sentence() == "The line refused 1 of them, first run 2: it is odd."
    forwarder.turn()
    assert len(told) == 1
    line.bad = set()
    clock.sleep(AGAIN_S - 1.0)
    forwarder.turn()
    assert line.aside == [2]
    clock.sleep(1.0)
    forwarder.turn()
    assert (line.came, line.aside, forwarder.sentence()) == ([1, 3, 4, 2], [], "")


def test_the_line_is_greeted_now_and_then(forwarder: Forwarder, line: FakeLine, clock: HandClock) -> None:
    for _ in range(60):
        clock.sleep(forwarder.turn())
    assert 4 <= line.calls.count("send") <= 6
    assert line.calls.count("begin") == 1


def test_late_without_trouble_is_told(forwarder: Forwarder, line: FakeLine, clock: HandClock) -> None:
    line.outbox = [1]
    clock.sleep(LATE_S + 1.0)
    forwarder._look()
    assert forwarder.sentence() == "1 records wait for the line since 2026-11-25T07:30:00Z; nothing is lost."


def test_the_thread_sends_what_a_run_left_and_ends(forwarder: Forwarder, line: FakeLine) -> None:
    forwarder.begin()
    line.outbox = [7]
    forwarder.run_ended(7)
    assert line.went.wait(5.0)
    forwarder.end()
    forwarder.end()
    assert line.came == [7]
    assert line.calls[-1] == "close"
