"""Every verb of rework is one transaction: wherever a statement fails, all is as it was; and a second try has one effect."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from db.store import SqlStore
from station.errors import StoreUnavailable
from station.records import Verdict
from station.rework import Part, State
from tests.db.making import START
from tests.db.making_rework import checked, document, estimate, failed, follow, job, retested, rework_of, run
from tests.db.test_fail_at_n import FailAt
from tests.db.test_migrate import dump

VERBS = ["open", "note", "retest", "advice", "advice failed", "check goes on", "check passes", "estimate", "fit", "scrap"]


def prepared(store: SqlStore, verb: str) -> Callable[[], object]:
    """The verb, and everything that goes before it."""
    rework, part = rework_of(store), Part("main", "x", 4.7e-7, "474")
    if verb == "open":
        number = run(store)
        return lambda: follow(store, number)
    order = failed(store)
    advice = job(store, "advice")
    if verb in ("note", "retest"):
        rework.fit(order, part, "a. marsh", START)
        number = run(store, Verdict.INVALID if verb == "note" else Verdict.FAIL, minute=3)
        return lambda: follow(store, number)
    if verb.startswith("check"):
        retested(store, order, Verdict.FAIL if verb == "check goes on" else Verdict.PASS, 3)
        check = job(store, "check")
        return lambda: rework.keep_check(check, checked(), START)
    acts: dict[str, Callable[[], object]] = {
        "advice": lambda: rework.keep_advice(advice, {"main": document()}, [{"stick": "main"}], "0.1.0", START),
        "advice failed": lambda: rework.advice_failed(advice, "failed", START),
        "estimate": lambda: rework.keep_estimate(estimate(), 1),
        "fit": lambda: rework.fit(order, part, "a. marsh", START),
        "scrap": lambda: rework.end_order(order, State.SCRAPPED, "a. marsh", "cracked", START),
    }
    return acts[verb]


@pytest.mark.parametrize("verb", VERBS)
def test_a_verb_is_done_wholly_or_not_at_all(
    file_url: str, new_store: Callable[..., SqlStore], monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    monkeypatch.setattr("db.engine.worth_another_try", lambda _problem: False)
    store, file = new_store(file_url), Path(file_url.removeprefix("sqlite:///"))
    act = prepared(store, verb)
    before = dump(file)
    at = 1
    while True:
        broken = FailAt(store.database.writer, at)
        try:
            act()
        except StoreUnavailable:
            assert broken.end()
            assert dump(file) == before, f"statement {at}"
            at += 1
            continue
        assert not broken.end()
        break
    assert at > 2
    assert dump(file) != before


@pytest.mark.parametrize("verb", VERBS)
def test_a_verb_whose_answer_got_lost_is_done_once(
    file_url: str, new_store: Callable[..., SqlStore], monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    """The first try was committed; the second one, as the store makes it, changes nothing more."""
    store, file = new_store(file_url), Path(file_url.removeprefix("sqlite:///"))
    act, written = prepared(store, verb), []
    transaction = store.database._transaction

    def lost(work: Any, again: bool) -> Any:
        answer = transaction(work, again)
        if again:
            return answer
        written.append(dump(file))
        raise StoreUnavailable("the answer got lost", lasting=False)

    monkeypatch.setattr(store.database, "_transaction", lost)
    act()
    assert [dump(file)] == written
