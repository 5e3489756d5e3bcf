"""Orders in the database: opened, fitted, retested, ended; every verb may be repeated with one effect."""

from collections.abc import Callable

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from db.store import SqlStore
from station.errors import NotFound, NotReady, StoreError, UsageError
from station.records import Fitted, Verdict
from station.rework import Checked, Meaning, Outcome, Part, State
from tests.db.making import START
from tests.db.making_rework import MINUTE, STEP, advise, checked, document, failed, follow, job, retested, rework_of, run

X = Part("main", "x", 4.7e-7, "474")


def fit(store: SqlStore, order: int, part: Part = X, minute: int = 1) -> bool:
    return rework_of(store).fit(order, part, "a. marsh", START + minute * MINUTE)


def check(store: SqlStore) -> Outcome:
    return rework_of(store).keep_check(job(store, "check"), checked(), START + 9 * MINUTE)


def test_a_failed_run_opens_an_order_and_asks_for_advice(store: SqlStore) -> None:
    order = failed(store)
    row = rework_of(store).order(order).order
    assert (row.state, row.unit.serial, row.failing_run, row.tries, row.tries_max) == ("open", "DL2-00001", 1, 1, 3)
    assert row.reasons == ("snapback:x+",)
    assert (job(store, "advice").run, row.advice, row.specification, row.emulated) == (1, "pending", "dunlin-2 A", True)


def test_following_twice_opens_one_order(store: SqlStore) -> None:
    order = failed(store)
    again = follow(store, 1)
    assert (again.meaning, again.order) == (Meaning.OPENS, order)
    assert len(rework_of(store).orders().items) == 1


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.UNDECIDED, Verdict.INVALID])
def test_only_a_failure_opens_an_order(store: SqlStore, verdict: Verdict) -> None:
    assert follow(store, run(store, verdict)).meaning is Meaning.NOTHING
    assert rework_of(store).orders().items == ()


def test_a_second_failure_before_any_part_moves_the_advice_to_it(store: SqlStore) -> None:
    order = failed(store)
    advise(store)
    followed = follow(store, run(store, minute=2))
    detail = rework_of(store).order(order)
    assert (followed.meaning, followed.order) == (Meaning.REPEATS, order)
    assert (detail.order.failing_run, detail.tries[0].advice_run, detail.tries[0].advice, detail.tries[0].steps) == (1, 2, "pending", ())
    assert "Run 2 failed before a part was recorded" in detail.order.note


def test_a_part_is_recorded_once_and_the_next_run_carries_it(store: SqlStore) -> None:
    order = failed(store)
    assert fit(store, order) is True
    assert fit(store, order, minute=2) is False
    (tried,) = rework_of(store).order(order).tries
    assert [(one.part, one.by, one.at) for one in tried.parts] == [(X, "a. marsh", START + MINUTE)]
    assert store.fitted("DL2-00001") == {"main": Fitted(4.7e-7, 0.0)}
    assert rework_of(store).order(order).order.state == "fitted"


def test_a_wrong_record_is_corrected_in_the_same_try(store: SqlStore) -> None:
    order = failed(store)
    fit(store, order, Part("main", "x", 3.3e-7, "334"))
    fit(store, order)
    fit(store, order, Part("main", "y", 0.0, "none"))
    (tried,) = rework_of(store).order(order).tries
    assert [(one.part.axis, one.part.farads) for one in tried.parts] == [("x", 4.7e-7), ("y", 0.0)]
    assert store.fitted("DL2-00001") == {"main": Fitted(4.7e-7, 0.0)}


def test_a_stick_that_the_product_does_not_have_is_refused(store: SqlStore) -> None:
    order = failed(store)
    with pytest.raises(UsageError, match="stick is 'left'; expected one of the sticks of dunlin-2: main"):
        fit(store, order, Part("left", "x", 1e-7))
    with pytest.raises(NotFound, match="order 99"):
        fit(store, 99)


def test_a_passed_retest_closes_the_order(store: SqlStore) -> None:
    order = failed(store)
    number = retested(store, order, Verdict.PASS, 3)
    assert rework_of(store).order(order).order.state == "retested"
    one = job(store, "check")
    assert (one.run, one.before, one.parts) == (number, 1, (X,))
    assert check(store) is Outcome.PASSED
    detail = rework_of(store).order(order)
    assert (detail.order.state, detail.order.closing) == ("closed", "Run 2 passed after 1 try.")
    assert (detail.tries[0].retest_verdict, detail.tries[0].outcome) == ("pass", "passed")
    assert detail.tries[0].findings["main x"]["finding"] == "as-recorded"
    assert [one for one in rework_of(store).jobs() if one.kind == "check"] == []


def test_failed_retests_go_on_until_the_limit_scraps_the_unit(store: SqlStore) -> None:
    order = failed(store, tries_max=2)
    retested(store, order, Verdict.FAIL, 3, 3.3e-7)
    assert check(store) is Outcome.GOES_ON
    detail = rework_of(store).order(order)
    assert (detail.order.state, [one.outcome for one in detail.tries], detail.tries[1].advice_run) == ("open", ["goes-on", ""], 2)
    retested(store, order, Verdict.FAIL, 6)
    assert check(store) is Outcome.SCRAPPED
    row = rework_of(store).order(order).order
    assert (row.state, row.closed_by) == ("scrapped", "mossgate-1")
    assert "last of 2 tries: scrap the unit for its stick module" in row.closing


def test_a_check_kept_twice_counts_once(store: SqlStore) -> None:
    order = failed(store)
    retested(store, order, Verdict.FAIL, 3)
    one = job(store, "check")
    for _ in range(2):
        assert rework_of(store).keep_check(one, checked(), START) is Outcome.GOES_ON
    assert len(rework_of(store).ledger().items) == 1
    assert rework_of(store).order(order).order.tries == 2


def test_a_check_that_failed_still_moves_the_order(store: SqlStore) -> None:
    order = failed(store)
    retested(store, order, Verdict.PASS, 3)
    rework_of(store).keep_check(job(store, "check"), Checked("the check failed"), START)
    detail = rework_of(store).order(order)
    assert (detail.order.state, detail.tries[0].retest_check, detail.tries[0].check_sentence) == ("closed", "failed", "the check failed")


@pytest.mark.parametrize(
    ("verdict", "words"),
    [(Verdict.INVALID, "Run 2 was invalid (rig-link)"), (Verdict.UNDECIDED, "Run 2 is undecided: the order stays fitted")],
)
def test_a_retest_that_says_nothing_leaves_the_order_and_says_so(store: SqlStore, verdict: Verdict, words: str) -> None:
    order = failed(store)
    fit(store, order)
    followed = follow(store, run(store, verdict, minute=2))
    row = rework_of(store).order(order).order
    assert (followed.meaning, row.state) == (Meaning.NOTED, "fitted")
    assert words in row.note
    assert followed.sentence == row.note


def test_a_run_that_began_before_the_part_was_recorded_is_no_retest(store: SqlStore) -> None:
    order = failed(store)
    number = run(store, minute=2)  # carries no part
    fit(store, order)
    assert follow(store, number).meaning is Meaning.NOTED
    assert "began before the fitted part was recorded" in rework_of(store).order(order).order.note


def test_a_pass_with_nothing_recorded_does_not_close_the_order(store: SqlStore) -> None:
    order = failed(store)
    assert follow(store, run(store, Verdict.PASS, minute=2)).meaning is Meaning.NOTED
    row = rework_of(store).order(order).order
    assert row.state == "open"
    assert "no part was recorded" in row.note


def test_a_run_after_an_unchecked_retest_waits(store: SqlStore) -> None:
    order = failed(store)
    retested(store, order, Verdict.FAIL, 3)
    number = run(store, minute=5)
    assert follow(store, number).meaning is Meaning.WAITS
    check(store)
    assert follow(store, number).meaning is Meaning.REPEATS


def test_an_older_run_that_comes_late_changes_nothing(store: SqlStore) -> None:
    older, newer = run(store), run(store, minute=2)
    order = follow(store, newer).order
    assert follow(store, older).meaning is Meaning.NOTHING
    assert rework_of(store).order(order).order.failing_run == newer


@pytest.mark.parametrize("state", [State.SCRAPPED, State.WITHDRAWN])
def test_people_end_orders(store: SqlStore, state: State) -> None:
    order = failed(store)
    rework_of(store).end_order(order, state, "a. marsh", "cracked housing", START + MINUTE)
    row = rework_of(store).order(order).order
    assert (row.state, row.closed_by, row.closing, row.closed_at) == (state, "a. marsh", "cracked housing", START + MINUTE)
    assert rework_of(store).jobs() == []
    with pytest.raises(NotReady, match=f"has ended \\({state}\\): cracked housing"):
        fit(store, order)
    with pytest.raises(NotReady):
        rework_of(store).end_order(order, State.WITHDRAWN, "b", "c", START)
    assert failed(store, minute=4) == order + 1  # the next failure opens another one


def test_a_check_of_an_order_that_was_ended_meanwhile_is_kept(store: SqlStore) -> None:
    order = failed(store)
    retested(store, order, Verdict.FAIL, 3)
    one = job(store, "check")
    with pytest.raises(NotReady, match="retest is being checked"):
        fit(store, order, Part("main", "y", 1e-7))
    rework_of(store).end_order(order, State.WITHDRAWN, "a. marsh", "sold as it is", START)
    assert rework_of(store).keep_check(one, checked(), START) is Outcome.ENDED
    detail = rework_of(store).order(order)
    assert (detail.order.state, detail.tries[0].outcome, detail.tries[0].retest_check) == ("withdrawn", "ended", "made")
    assert len(rework_of(store).ledger().items) == 1


def test_a_unit_has_one_order_at_a_time(store: SqlStore) -> None:
    failed(store)
    names = "station, unit_key, serial, product, lot, emulated, specification_key, failing_run, state, tries, tries_max, note"
    names += ", opened_at, changed_at, closed_by, closing"
    doubled = text(f"INSERT INTO rework_orders ({names}) SELECT {names} FROM rework_orders")
    with store.database.writer.connect() as connection, pytest.raises(IntegrityError):
        connection.execute(doubled)


def test_advice_is_kept_and_found_by_run_and_unit(store: SqlStore) -> None:
    order = failed(store)
    rework = rework_of(store)
    with pytest.raises(NotFound, match="no advice was made"):
        rework.newest_advice("DL2-00001")
    advise(store)
    kept = rework.advice(1)
    assert kept is not None
    assert kept == rework.newest_advice("DL2-00001")
    assert kept.sticks == {"main": document()}
    tried = rework.order(order).tries[0]
    assert (tried.advice, tried.steps) == ("made", (STEP,))
    assert rework.advice(2) is None


def test_advice_for_a_run_that_was_overtaken_does_not_reach_the_order(store: SqlStore) -> None:
    order = failed(store)
    old = job(store, "advice")
    follow(store, run(store, minute=2))
    rework_of(store).keep_advice(old, {"main": document()}, [{"old": True}], "0.1.0", START)
    assert rework_of(store).order(order).tries[0].advice == "pending"
    assert rework_of(store).advice(1) is not None


def test_advice_that_failed_says_why(store: SqlStore) -> None:
    order = failed(store)
    rework_of(store).advice_failed(job(store, "advice"), "advice for order 1 failed: no trace", START)
    tried = rework_of(store).order(order).tries[0]
    assert (tried.advice, tried.advice_sentence) == ("failed", "advice for order 1 failed: no trace")
    assert rework_of(store).jobs() == []


def test_damaged_advice_is_refused(store: SqlStore) -> None:
    failed(store)
    advise(store)
    with store.database.writer.begin() as connection:
        connection.execute(text("UPDATE advices SET sha256 = 'f00d'"))
    with pytest.raises(StoreError, match="run 1, stick main: the kept advice does not match"):
        rework_of(store).advice(1)


def test_what_is_not_followed_yet_is_found_oldest_first(store: SqlStore, new_store: Callable[..., SqlStore], url: str) -> None:
    rework = rework_of(store)
    order = failed(store)
    fit(store, order)
    runs = [run(store, Verdict.PASS, minute=3), run(store, serial="DL2-00002", minute=4), run(store, Verdict.PASS, "DL2-00003", 5)]
    run(new_store(url, station="mossgate-2"), serial="DL2-00004", minute=6, station="mossgate-2")
    assert rework.unfollowed() == runs[:2]  # the retest and the failure; a pass without an order and another station's run are not ours
    for number in runs[:2]:
        follow(store, number)
    assert rework.unfollowed() == []


def test_facts_are_of_ended_runs(store: SqlStore) -> None:
    from tests.db.making import opening

    failed(store)
    facts = rework_of(store).facts(1)
    assert (facts.unit.lot, facts.verdict, facts.traces, facts.emulated) == ("ML-2607", Verdict.FAIL, ("main",), True)
    number = store.open_run(opening())
    with pytest.raises(NotFound, match=f"run {number}"):
        rework_of(store).facts(number)


def test_the_trace_of_a_passed_retest_is_kept_for_its_check(store: SqlStore) -> None:
    order = failed(store)
    assert rework_of(store).facts(retested(store, order, Verdict.PASS, 3)).traces == ("main",)
    check(store)
    later = run(store, Verdict.PASS, minute=9)  # run 3, of an order that has ended: one in 20 passed runs keeps its trace
    assert rework_of(store).facts(later).traces == ()


def test_what_a_check_found_is_reckoned_with_from_then_on(store: SqlStore) -> None:
    order = failed(store)
    number = retested(store, order, Verdict.FAIL, 3)
    before = rework_of(store).facts(number)
    assert (before.fitted, before.acting) == ({"main": Fitted(4.7e-7, 0.0)},) * 2
    findings = {"main x": {"finding": "not-acting", "acting_f": 0.0, "in_words": ""}}
    rework_of(store).keep_check(job(store, "check"), Checked("", findings), START)
    after = rework_of(store).facts(number)
    assert (after.fitted, after.acting) == ({"main": Fitted(4.7e-7, 0.0)}, {"main": Fitted(0.0, 0.0)})
