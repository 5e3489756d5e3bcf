"""The work list, the ledger and the estimates: pages by key, filters, versions."""

import shutil
import sqlite3
from contextlib import closing as closed
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from db.migrate import require_current, upgrade
from db.rework import ReworkStore
from db.rows_rework import LedgerFilter, OrderFilter
from db.store import SqlStore
from station.errors import UsageError
from station.records import Verdict
from station.rework import LotKey, LotNews, State
from tests.db.making import START
from tests.db.making_rework import LOT, checked, estimate, failed, job, retested, rework_of
from tests.db.test_migrate import dump

PRODUCT = LotKey("dunlin-2", None, True)


@pytest.fixture
def rework(store: SqlStore) -> ReworkStore:
    """Five orders: 1 and 4 of another lot, 2 scrapped, 3 withdrawn."""
    for number in range(1, 6):
        failed(store, f"DL2-0000{number}", number, lot="ML-2611" if number in (1, 4) else "ML-2607")
    made = rework_of(store)
    made.end_order(2, State.SCRAPPED, "a. marsh", "cracked", START)
    made.end_order(3, State.WITHDRAWN, "a. marsh", "sold", START)
    return made


def orders(rework: ReworkStore, **which: str) -> list[int]:
    return [one.order for one in rework.orders(OrderFilter(**which)).items]


def test_the_work_list_shows_what_waits_longest_first(rework: ReworkStore) -> None:
    assert orders(rework) == [1, 4, 5]
    assert orders(rework, state="all") == [5, 4, 3, 2, 1]
    assert orders(rework, state="scrapped") == [2]
    assert orders(rework, lot="ML-2611") == [1, 4]
    assert orders(rework, product="other") == []
    assert orders(rework, serial_prefix="DL2-00005") == [5]
    assert [one.order for one in rework.orders_of("DL2-00003")] == [3]


@pytest.mark.parametrize("state", ["active", "all"])
def test_pages_follow_each_other_without_gap(rework: ReworkStore, state: str) -> None:
    found: list[int] = []
    after: str | None = None
    while True:
        page = rework.orders(OrderFilter(state), after, 2)
        found += [one.order for one in page.items]
        after = page.next
        if after is None:
            break
    assert found == orders(rework, state=state)


@pytest.mark.parametrize("after", ["x", "-1", "1.5", "9" * 19, "١"])
def test_a_cursor_that_was_not_given_out_is_refused(rework: ReworkStore, after: str) -> None:
    for ask in (rework.orders, rework.ledger):
        with pytest.raises(UsageError, match="page cursor"):
            ask(None, after)


def test_what_cannot_be_asked_is_refused(rework: ReworkStore) -> None:
    with pytest.raises(UsageError, match="state is 'done'; expected one of active, open"):
        rework.orders(OrderFilter("done"))
    with pytest.raises(UsageError, match="limit is 0"):
        rework.ledger(limit=0)


def test_the_ledger_shows_prediction_outcome_and_residual(store: SqlStore) -> None:
    for number in (1, 2, 3):
        serial = f"DL2-0000{number}"
        order = failed(store, serial, 10 * number)
        retested(store, order, Verdict.PASS, 10 * number + 3, serial=serial)
        rework_of(store).keep_check(job(store, "check"), checked(), START)
    rework = rework_of(store)
    first = rework.ledger(limit=2)
    assert [one.order for one in first.items] == [3, 2]
    assert [one.order for one in rework.ledger(None, first.next).items] == [1]
    entry = first.items[0]
    assert entry.residual_counts == pytest.approx(-0.1)
    assert (entry.unit.serial, entry.unit.lot, entry.retest_run, entry.finding) == ("DL2-00003", "ML-2607", 6, "as-recorded")
    assert rework.ledger(LedgerFilter(lot="ML-2611")).items == ()
    assert len(rework.ledger(LedgerFilter("dunlin-2", "ML-2607", True)).items) == 3
    assert rework.ledger(LedgerFilter(emulated=False)).items == ()
    assert rework.lots_to_learn() == [LotNews(LOT, 3, 6), LotNews(PRODUCT, 3, 6)]
    assert [one["ohm"] for one in rework.lessons(LOT)] == [10_200.0] * 3


def test_estimates_have_versions_and_each_entry_is_learnt_once(store: SqlStore) -> None:
    order = failed(store)
    retested(store, order, Verdict.FAIL, 3)
    rework = rework_of(store)
    rework.keep_check(job(store, "check"), checked(), START)
    assert rework.estimate(LOT) is None
    assert [rework.keep_estimate(estimate(), 1) for _ in range(2)] == [1, 1]
    assert [news.key for news in rework.lots_to_learn()] == [PRODUCT]
    assert rework.keep_estimate(replace(estimate(), key=PRODUCT), 1) == 1
    assert rework.lots_to_learn() == []
    assert rework.keep_estimate(estimate(), 2) == 1  # the same as before: it only knows of one entry more
    assert rework.keep_estimate(estimate(2), 3) == 2
    newest = rework.estimate(LOT)
    assert newest is not None
    assert (newest.version, newest.retests, newest.used, newest.document) == (2, 2, False, {"method": "made for a test"})
    assert [one.version for one in rework.estimates("dunlin-2", "ML-2607")] == [2, 1]
    assert rework.estimates(lot="ML-2611") == []
    assert rework.estimate(LotKey("dunlin-2", "ML-2607", False)) is None  # emulated sticks teach nothing about real ones


def test_runs_of_a_lot_are_the_newest_decided_ones_with_a_trace(store: SqlStore) -> None:
    from tests.db.making_rework import run

    for serial, minute, verdict in (("DL2-1", 1, Verdict.FAIL), ("DL2-1", 2, Verdict.FAIL), ("DL2-2", 3, Verdict.INVALID)):
        run(store, verdict, serial, minute)
    run(store, Verdict.FAIL, "DL2-3", 4, lot="ML-2611")
    run(store, Verdict.PASS, "DL2-4", 5)  # run 5: of the passed ones one in 20 keeps its trace, the first, 21st, ...
    assert rework_of(store).runs_of_lot("dunlin-2", "ML-2607", 10) == [2]


def test_an_upgrade_opens_no_orders_for_what_was_dealt_with_long_ago(tmp_path: Path) -> None:
    """A database of the first revision with a failed run, and an open one that a kill left."""
    scripts = tmp_path / "migrations"
    shutil.copytree(Path(str(files("migrations"))), scripts, ignore=shutil.ignore_patterns("__pycache__"))
    for step in (scripts / "versions").glob("0*.py"):
        if step.name > "0002":
            step.unlink()
    file = tmp_path / "station.db"
    upgrade(f"sqlite:///{file}", scripts)
    with closed(sqlite3.connect(file)) as connection:
        connection.executescript(OLD_ROWS)
    before = dump(file)
    done = upgrade(f"sqlite:///{file}")
    assert (done.before, done.backup is not None) == ("0001", True)
    require_current(f"sqlite:///{file}")
    after = dump(file)
    rows = [line for line in before if line.startswith("INSERT") and "alembic_version" not in line and "sqlite_sequence" not in line]
    assert len(rows) == 5
    for row in rows:  # as they were, with columns of later revisions behind them
        assert any(line.startswith(row.removesuffix(");")) for line in after), row
    store = SqlStore(f"sqlite:///{file}", "mossgate-1")
    assert rework_of(store).unfollowed() == []
    store.close_interrupted("mossgate-1", START)
    assert rework_of(store).unfollowed() == []  # an interrupted run of a unit without an order means nothing for rework
    store.close()


OLD_ROWS = """
INSERT INTO rigs VALUES (1, 'mossgate-1', 'rig-1', 'R-0001', 1, '1.4', 1, 1);
INSERT INTO specifications VALUES (1, 'dunlin-2', 'A', 'd', 'text', 1);
INSERT INTO units VALUES (1, 'DL2-00001', 'dunlin-2', 'ML-2607', 1);
INSERT INTO runs VALUES (1, 'mossgate-1', 'rig-1', 1, 1, 1, 'dunlin-2', 'ML-2607', '', '0.1.0', '1.4', 7, 'ann', 1, '{}', 1, 2,
                         'fail', '["snapback:x+"]', '', '{}', '{}');
INSERT INTO runs VALUES (2, 'mossgate-1', 'rig-1', 1, 1, 1, 'dunlin-2', 'ML-2607', '', '0.1.0', '1.4', 7, 'ann', 1, '{}', 3, NULL,
                         NULL, '[]', '', '{}', '{}');
"""
