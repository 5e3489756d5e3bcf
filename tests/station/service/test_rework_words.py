"""What a run means for an order, over every combination there is."""

from itertools import product

import pytest

from station.records import Fitted, Verdict
from station.rework import ACTIVE, Meaning, Outcome, Part, State, carries, closing_of, meaning_of, note_of, outcome_of

ALL = list(product(Verdict, [None, *ACTIVE], [True, False]))


@pytest.mark.parametrize(("verdict", "state", "carried"), ALL)
def test_what_says_nothing_of_the_unit_moves_nothing(verdict: Verdict, state: State | None, carried: bool) -> None:
    meaning = meaning_of(verdict, state, carried)
    if verdict in (Verdict.INVALID, Verdict.UNDECIDED):
        assert meaning in (Meaning.NOTHING, Meaning.NOTED, Meaning.WAITS)
    assert (meaning is Meaning.OPENS) == (state is None and verdict is Verdict.FAIL)
    assert (meaning is Meaning.WAITS) == (state is State.RETESTED)
    assert (meaning is Meaning.RETESTS) == (state is State.FITTED and carried and verdict in (Verdict.PASS, Verdict.FAIL))


@pytest.mark.parametrize(("verdict", "state"), [(one, state) for one in Verdict for state in (State.OPEN, State.FITTED)])
def test_every_note_names_the_run_and_says_what_to_do(verdict: Verdict, state: State) -> None:
    note = note_of(7, verdict, ("rig-guard",), state)
    assert note.startswith("Run 7 ")
    assert "again" in note or "withdraw" in note


def test_a_run_carries_what_was_recorded_to_the_farad() -> None:
    parts = (Part("main", "x", 4.7e-7), Part("main", "y", 0.0))
    assert carries({"main": Fitted(4.7e-7, 0.0)}, parts)
    assert not carries({"main": Fitted(3.3e-7, 0.0)}, parts)
    assert not carries({}, parts)
    assert not carries({"left": Fitted(4.7e-7, 0.0)}, parts)


def test_the_limit_on_tries_is_inclusive() -> None:
    assert [outcome_of(Verdict.FAIL, number, 3) for number in (1, 2, 3)] == [Outcome.GOES_ON, Outcome.GOES_ON, Outcome.SCRAPPED]
    assert outcome_of(Verdict.PASS, 3, 3) is Outcome.PASSED
    assert closing_of(Outcome.GOES_ON, 5, 1) == ""
    assert closing_of(Outcome.PASSED, 5, 2) == "Run 5 passed after 2 tries."
