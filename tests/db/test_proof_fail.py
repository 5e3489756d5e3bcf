"""Every verb of the book of proofs is one transaction: wherever a statement fails, all is as it was; and a second try has one effect."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from db.store import SqlStore
from station.errors import StoreUnavailable
from station.proof import Kind
from tests.db.making import START, closing, opening
from tests.db.making_proof import HEALTH, baseline, begun, calibration, check, closed_run, note, proof_of, signal, step, study, unit
from tests.db.test_fail_at_n import FailAt
from tests.db.test_migrate import dump

OUTCOMES: dict[Kind, Callable[[int], Any]] = {
    Kind.CALIBRATION: calibration,
    Kind.REFERENCE_VALUES: unit,
    Kind.REFERENCE_CHECK: check,
    Kind.GAUGE_STUDY: study,
}
VERBS = ["begin", "step", "step again", "end", *OUTCOMES, "baseline", "signals", "note", "close"]


def prepared(store: SqlStore, verb: str) -> Callable[[], object]:
    """The verb, and everything that goes before it."""
    proof = proof_of(store)
    closed_run(store)
    if verb == "begin":
        return lambda: proof.begin_procedure(begun())
    if verb == "close":
        number = store.open_run(opening("DL2-00002"))
        return lambda: store.close_run(number, closing(2, flicks=84, health=HEALTH, traces={}))
    procedure = proof.begin_procedure(begun(Kind(verb) if verb in OUTCOMES else Kind.CALIBRATION))
    if verb != "step":
        proof.keep_step(procedure, step())
    if verb in OUTCOMES:
        outcome = OUTCOMES[Kind(verb)](procedure)
        return lambda: proof.conclude(procedure, outcome, START)
    acts: dict[str, Callable[[], object]] = {
        "step": lambda: proof.keep_step(procedure, step()),
        "step again": lambda: proof.keep_step(procedure, step(minute=2)),
        "end": lambda: proof.end_procedure(procedure, "no time", START),
        "baseline": lambda: proof.keep_baseline(baseline()),
        "signals": lambda: proof.keep_signals([signal("21"), signal("22"), signal("22", "one-side")]),
        "note": lambda: proof.keep_note(note()),
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
    """The first try was committed; the second one, as the store makes it, changes nothing more and answers the same."""
    store, file = new_store(file_url), Path(file_url.removeprefix("sqlite:///"))
    act, written, answers = prepared(store, verb), [], []
    transaction = store.database._transaction

    def lost(work: Any, again: bool) -> Any:
        answers.append(transaction(work, again))
        if again:
            return answers[-1]
        written.append(dump(file))
        raise StoreUnavailable("the answer got lost", lasting=False)

    monkeypatch.setattr(store.database, "_transaction", lost)
    act()
    assert [dump(file)] == written
    assert answers[0] == answers[1]
