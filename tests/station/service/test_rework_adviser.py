"""The adviser: what ended runs lead to, what goes wrong on the way, and that nothing is lost by a kill."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing as closed
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from db.migrate import create_or_require
from db.rework import ReworkStore
from db.store import SqlStore
from station.errors import StoreUnavailable
from station.ports.rework import PadMap, Pads
from station.records import Verdict
from station.rework import Part
from station.service import adviser
from station.service.adviser import Adviser, AdviserNeeds
from tests.db.making import SPECIFICATION, START, STATION, TEXT
from tests.db.making_rework import MINUTE, run
from tests.station.service.reckon import FakeReckoning

PADS = {"dunlin-2": PadMap("dunlin-2", "<svg/>", {"main": {"x": Pads("X SIG", "GND")}})}


class StillClock:
    def monotonic_s(self) -> float:
        return 0.0

    def utc(self) -> Any:
        return START

    def sleep(self, seconds: float) -> None:
        raise AssertionError("the adviser never sleeps by the clock")


@dataclass
class Scene:
    """A store, its orders, and an adviser that can be killed and born again."""

    store: SqlStore
    reckon: FakeReckoning = field(default_factory=FakeReckoning)
    said: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.book = ReworkStore(self.store.database, STATION)
        self.adviser = self.born()

    def born(self) -> Adviser:
        needs = AdviserNeeds(self.book, StillClock(), PADS, "0.1.0", lambda kind, data: self.said.append((kind, data)), self.reckon)
        self.adviser = Adviser(needs)
        return self.adviser

    def ended(self, verdict: Verdict = Verdict.FAIL, minute: int = 0, serial: str = "DL2-00001") -> int:
        number = run(self.store, verdict, serial, minute)
        self.adviser.run_ended(number)
        return number

    def fit(self, order: int, minute: int) -> None:
        self.book.fit(order, Part("main", "x", 4.7e-7, "474"), "a. marsh", START + minute * MINUTE)

    def notices(self) -> list[str]:
        return [data["sentence"] for kind, data in self.said if kind == "notice"]

    def state(self, order: int = 1) -> str:
        return self.book.order(order).order.state

    def advice(self, order: int = 1) -> str:
        return self.book.order(order).order.advice


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    url = f"sqlite:///{tmp_path / 'station.db'}"
    create_or_require(url)
    store = SqlStore(url, STATION, keep_pass_every=1)
    store.keep_specification(TEXT, SPECIFICATION, START)
    scene = Scene(store)
    yield scene
    scene.adviser.end()
    store.close()


def until(what: Callable[[], object], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.01)


def test_a_failure_gets_an_order_with_steps_that_name_pads(scene: Scene) -> None:
    scene.ended()
    scene.adviser.work()
    (tried,) = scene.book.order(1).tries
    x, y = tried.steps
    assert (x["marking"], x["value"], x["where"]) == ("474", "0.47 uF", "between the x axis signal and ground: pads X SIG and GND")
    assert (x["signal_pad"], x["ground_pad"], x["chance_to_pass"]) == ("X SIG", "GND", 0.97)
    assert (y["signal_pad"], y["where"]) == (None, "between the y axis signal and ground")
    sentences = [data["sentence"] for kind, data in scene.said if kind == "rework"]
    assert sentences[0] == "Order 1 opened for unit DL2-00001: run 1 failed (snapback:x+)."
    assert "advice is made" in sentences[1]
    assert {data["order"] for kind, data in scene.said if kind == "rework"} == {1}


def test_the_whole_loop_learns_before_it_advises_again(scene: Scene) -> None:
    scene.ended()
    scene.adviser.work()
    scene.fit(1, 2)
    scene.ended(Verdict.FAIL, 3)
    scene.adviser.work()
    assert scene.reckon.asked == ["advise", "check", "estimate", "estimate", "advise"]
    detail = scene.book.order(1)
    assert (detail.order.state, detail.order.tries, detail.tries[1].advice_run) == ("open", 2, 2)
    kept = scene.book.advice(2)
    assert kept is not None
    assert kept.sticks["main"]["track"]["source"] == "ML-2607 of 1"
    scene.fit(1, 5)
    scene.ended(Verdict.PASS, 6)
    scene.adviser.work()
    assert scene.state() == "closed"
    assert [one.document for one in scene.book.ledger().items] == [{}, {}]
    assert "the unit passed; the order is closed. x acts." in scene.said[-1][1]["sentence"]


@pytest.mark.parametrize("problem", [ValueError("division"), ZeroDivisionError()])
def test_a_computation_that_raises_leaves_a_notice_and_says_so(scene: Scene, problem: Exception) -> None:
    scene.reckon.trouble["advise"] = problem
    scene.ended()
    scene.adviser.work()
    assert scene.advice() == "failed"
    (sentence,) = scene.notices()
    assert sentence.startswith("Advice for order 1 failed")
    assert scene.book.order(1).tries[0].advice_sentence == sentence[:1].lower() + sentence[1:]
    scene.adviser.work()
    assert len(scene.notices()) == 1  # it is not tried for ever


def test_a_check_that_raises_does_not_hold_the_order_up(scene: Scene) -> None:
    scene.reckon.trouble["check"] = ValueError("x")
    scene.ended()
    scene.adviser.work()
    scene.fit(1, 2)
    scene.ended(Verdict.PASS, 3)
    scene.adviser.work()
    tried = scene.book.order(1).tries[0]
    assert (scene.state(), tried.retest_check) == ("closed", "failed")
    assert "ValueError" in tried.check_sentence
    assert scene.book.ledger().items == ()


def test_learning_that_raises_is_told_once_and_advice_goes_on(scene: Scene) -> None:
    scene.reckon.trouble["estimate"] = ValueError("x")
    scene.ended()
    scene.adviser.work()
    scene.fit(1, 2)
    scene.ended(Verdict.FAIL, 3)
    scene.adviser.work()
    assert scene.advice() == "made"
    assert {one.partition(" failed")[0] for one in scene.notices()} == {"Learning from lot ML-2607", "Learning from product dunlin-2"}
    assert "ValueError" in scene.notices()[0]


def test_a_run_without_a_trace_has_no_advice_and_says_why(scene: Scene) -> None:
    number = scene.ended()
    with scene.store.database.writer.begin() as connection:
        connection.exec_driver_sql("DELETE FROM trace_blocks")
    scene.adviser.work()
    assert scene.advice() == "failed"
    assert f"run {number} has no trace kept" in scene.notices()[0]


def test_a_damaged_trace_is_a_notice_too(scene: Scene) -> None:
    scene.ended()
    with scene.store.database.writer.begin() as connection:
        connection.exec_driver_sql("UPDATE trace_blocks SET sha256 = 'f00d'")
    scene.adviser.work()
    assert scene.advice() == "failed"
    assert "does not match its SHA-256" in scene.notices()[0]


@pytest.mark.parametrize("killed_at", ["never told", "advise", "check", "estimate"])
def test_what_a_kill_left_undone_is_done_in_the_next_life(scene: Scene, killed_at: str) -> None:
    """Killed: the computation never comes back. The next adviser finds what is due in the database alone."""

    class Killed(BaseException):
        pass

    def live() -> None:
        try:
            scene.adviser.work()
        except Killed:
            scene.reckon.trouble.clear()
            scene.born().work()

    scene.reckon.trouble = {killed_at: Killed()}  # type: ignore[dict-item]
    run(scene.store)
    if killed_at != "never told":
        scene.adviser.run_ended(1)
    live()
    assert scene.advice() == "made"
    scene.fit(1, 2)
    scene.ended(Verdict.FAIL, 3)
    live()
    assert (scene.book.order(1).order.tries, scene.advice()) == (2, "made")
    assert len(scene.book.ledger().items) == 1
    assert [one.version for one in scene.book.estimates()] == [1, 1]
    assert scene.book.jobs() == []


def test_a_full_queue_loses_nothing(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adviser, "QUEUE_RUNS", 2)
    scene.born().work()
    for minute in range(5):
        scene.ended(minute=minute, serial=f"DL2-0000{minute}")
    scene.adviser.work()
    assert len(scene.book.orders().items) == 5


def test_the_thread_works_by_itself_and_ends_at_the_stop(scene: Scene) -> None:
    scene.adviser.begin()
    scene.ended()
    until(lambda: scene.book.orders().items and scene.advice() == "made")
    scene.ended(minute=1, serial="DL2-00002")
    until(lambda: len(scene.book.orders().items) == 2)
    scene.adviser.end()
    scene.adviser.end()
    assert "adviser" not in [thread.name for thread in threading.enumerate()]


def test_a_database_that_is_away_is_tried_again(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adviser, "RETRY_S", 0.02)
    away = [StoreUnavailable("database station.db is locked")] * 3
    follow = scene.book.follow

    def sometimes(*arguments: Any) -> Any:
        if away:
            raise away.pop()
        return follow(*arguments)

    monkeypatch.setattr(scene.book, "follow", sometimes)
    scene.ended()
    scene.adviser.begin()
    until(lambda: scene.book.orders().items and scene.advice() == "made")
    assert scene.notices() == ["Rework waits: database station.db is locked; nothing is lost, it is tried again"]


def test_a_fault_of_the_book_does_not_end_the_thread(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adviser, "RETRY_S", 0.02)
    follow, faults = scene.book.follow, [KeyError("x")]

    def once(*arguments: Any) -> Any:
        if faults:
            raise faults.pop()
        return follow(*arguments)

    monkeypatch.setattr(scene.book, "follow", once)
    scene.ended()
    scene.adviser.begin()
    until(lambda: scene.book.orders().items and scene.advice() == "made")
    assert "Following runs up failed (KeyError)" in scene.notices()[0]


def test_a_stop_in_the_middle_of_a_computation_leaves_it_for_the_next_life(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    scene.ended()
    advise = scene.reckon.advise

    def stopped(*arguments: Any) -> Any:
        scene.adviser.end()
        return advise(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(scene.reckon, "advise", stopped)
        scene.adviser.work()
    assert scene.advice() == "pending"
    scene.born().work()
    assert scene.advice() == "made"


def test_the_tables_of_rework_are_sound_afterwards(scene: Scene, tmp_path: Path) -> None:
    scene.ended()
    scene.adviser.work()
    scene.fit(1, 2)
    scene.ended(Verdict.PASS, 3)
    scene.adviser.work()
    with closed(sqlite3.connect(tmp_path / "station.db")) as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
