"""Tables of yield are the same however they come to be: closed in any order, filled in bulk, or back-filled by the migration."""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing as closed
from dataclasses import replace
from datetime import timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, text

from db.base import Base
from db.engine import Database
from db.filling import Filler, FinishedRun
from db.migrate import create_or_require, upgrade
from db.models_charts import FirstRun, UnitCount
from db.models_rework import FollowedRun, ReworkOrder
from db.models_yield import YieldFigure, YieldKind, YieldRun
from db.queries.yields import YieldQueries
from db.store import SqlStore
from db.yield_check import yield_problems
from station.errors import NotFound
from station.records import Verdict
from station.yields import Asked, Split
from tests.db.making import START, STATION, closing, opening
from tests.db.making_yields import fill_one_by_one, history, keep_products

TABLES: tuple[type[Base], ...] = (YieldKind, YieldRun, YieldFigure)


def tables(database: Database, *more: type[Base]) -> dict[str, list[dict[str, Any]]]:
    """Rows with what a kind means in place of its key, sums rounded: the order of adding differs."""
    with database.read() as connection:
        kinds = {row.id: tuple(row)[1:] for row in connection.execute(select(YieldKind.__table__))}
        found = {}
        for table in (*TABLES, *more):
            rows = [dict(row) for row in connection.execute(select(table.__table__)).mappings()]
            found[table.__tablename__] = sorted((_plain(row, kinds) for row in rows), key=repr)
    return found


def _plain(row: dict[str, Any], kinds: dict[int, Any]) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for key, value in row.items():
        if key != "id":
            plain[key] = float(f"{value:.9g}") if isinstance(value, float) else value
    return plain if "kind_key" not in plain else {**plain, "kind_key": kinds[plain["kind_key"]]}


def problems(store: SqlStore) -> tuple[str, ...]:
    with store.database.read() as connection:
        return yield_problems(connection)


def first_and_last(store: SqlStore) -> tuple[list[int], list[int]]:
    with store.database.read() as connection:
        numbers = [connection.scalars(select(YieldRun.run_number).where(flag)).all() for flag in (YieldRun.first, YieldRun.newest)]
    return list(numbers[0]), list(numbers[1])


@pytest.mark.parametrize("seed", [3, 4])
def test_the_order_of_closing_changes_nothing(new_store: Callable[..., SqlStore], tmp_path: Path, seed: int) -> None:
    runs, found = history(seed), []
    for order in (1, 2):
        url = f"sqlite:///{tmp_path / f'{order}.db'}"
        create_or_require(url)
        store = new_store(url)
        fill_one_by_one(store, runs, order)
        assert problems(store) == ()
        found.append(tables(store.database))
    assert found[0] == found[1]


def test_a_retest_makes_final_what_it_says_and_first_stays(store: SqlStore) -> None:
    first, second, third = (store.open_run(opening(at=START + timedelta(hours=hour))) for hour in range(3))
    asked, queries = Asked(emulated=True, split=Split.DAY), YieldQueries(store.database)
    for number, verdict, expected in (
        (first, Verdict.FAIL, (1, 0, 0)),
        (second, Verdict.PASS, (1, 0, 1)),
        (third, Verdict.FAIL, (1, 0, 0)),
    ):
        store.close_run(number, closing(number, verdict))
        total = queries.tallies(asked, "UTC").total
        assert (total.units, total.first_passed, total.final_passed) == expected
        assert first_and_last(store) == ([first], [number])


def test_a_run_that_began_before_takes_the_first_place(store: SqlStore) -> None:
    late, early = store.open_run(opening(at=START)), store.open_run(opening(at=START - timedelta(hours=1), rig_name="rig-2"))
    store.close_run(late, closing(1, Verdict.PASS))
    assert first_and_last(store) == ([late], [late])
    store.close_run(early, closing(2, Verdict.FAIL))
    assert first_and_last(store) == ([early], [late])
    assert problems(store) == ()
    rows = YieldQueries(store.database).tallies(Asked(emulated=True, split=Split.RIG), "UTC").rows
    assert [(row.label, row.units, row.first_passed, row.final_passed, row.retests) for row in rows] == [
        ("rig-1", 0, 0, 0, 1),
        ("rig-2", 1, 0, 1, 0),
    ]


def test_real_and_emulated_runs_of_a_unit_are_kept_apart(store: SqlStore) -> None:
    emulated = store.open_run(opening())
    real = store.open_run(opening(rig=replace(opening().rig, emulated=False), at=START + timedelta(hours=1)))
    store.close_run(emulated, closing(1, Verdict.FAIL))
    store.close_run(real, closing(2, Verdict.PASS))
    assert [sorted(numbers) for numbers in first_and_last(store)] == [[emulated, real], [emulated, real]]
    found = YieldQueries(store.database).tallies(Asked(), "UTC")
    assert (found.total.units, found.total.first_passed, found.emulated_runs) == (1, 1, 1)


def test_undecided_invalid_and_interrupted_runs_are_counted_and_decide_nothing(store: SqlStore) -> None:
    for verdict in (Verdict.UNDECIDED, Verdict.INVALID):
        store.close_run(store.open_run(opening()), closing(1, verdict))
    store.open_run(opening())
    assert store.close_interrupted(STATION, START + timedelta(minutes=1)) == [3]
    total = YieldQueries(store.database).tallies(Asked(emulated=True), "UTC").total
    assert (total.runs, total.decided, total.undecided, total.invalid, total.units) == (3, 0, 1, 2, 0)
    assert first_and_last(store) == ([], [])
    assert problems(store) == ()


def test_filling_in_bulk_comes_to_the_same_as_run_by_run(url: str, new_store: Callable[..., SqlStore], tmp_path: Path) -> None:
    runs = in_order_of_end(history(9))
    one_by_one = f"sqlite:///{tmp_path / 'one.db'}"
    create_or_require(one_by_one)
    store, bulk = new_store(one_by_one), new_store(url)
    keep_products(store)
    keep_products(bulk)
    numbers = []
    for run in runs:
        numbers.append(store.open_run(run.opening))
        store.close_run(numbers[-1], run.closing)
    filler, filled = Filler(bulk), []
    for begin in range(0, len(runs), 40):
        filled += filler.fill(runs[begin : begin + 40])
    filler.finish()
    assert filled == numbers
    assert tables(bulk.database, FirstRun, UnitCount) == tables(store.database, FirstRun, UnitCount)
    assert problems(bulk) == ()
    dumped = [dump(made) for made in (store, bulk)]
    assert dumped[0] == dumped[1]


def in_order_of_end(runs: list[FinishedRun]) -> list[FinishedRun]:
    """At different times, so that their numbers, their places and their beginnings go together; and no emulated ones beside real ones."""
    apart = [run for index, run in enumerate(runs) if index == 0 or run.opening.started_at > runs[index - 1].opening.started_at]
    return [run for run in apart if not run.opening.rig.emulated]


def dump(store: SqlStore) -> dict[str, list[Any]]:
    """Rows that any run leaves, as read by anybody."""
    names = ("runs", "stick_results", "group_results", "run_reasons", "flick_blocks", "units", "rigs")
    with store.database.read() as connection:
        tables = [Base.metadata.tables[name] for name in names]
        return {one.name: sorted((tuple(row) for row in connection.execute(select(one))), key=repr) for one in tables}


def test_filling_opens_and_ends_orders_by_the_rules_of_rework(url: str, new_store: Callable[..., SqlStore]) -> None:
    store = new_store(url)
    verdicts = {"A": "fail pass", "B": "fail fail fail fail", "C": "fail invalid", "D": "pass", "E": "fail fail"}
    runs = [
        FinishedRun(opening(serial, at), closing(1, Verdict(word), at + timedelta(seconds=20)))
        for serial, words in verdicts.items()
        for hour, word in enumerate(words.split())
        for at in (START + timedelta(hours=hour),)
    ]
    filler = Filler(store, tries_max=3)
    filler.fill(sorted(runs, key=lambda run: run.opening.started_at))
    filler.finish()
    with store.database.read() as connection:
        rows = connection.execute(select(ReworkOrder.serial, ReworkOrder.state, ReworkOrder.tries).order_by(ReworkOrder.serial)).all()
        followed = connection.scalars(select(FollowedRun.run_number)).all()
    assert [tuple(row) for row in rows] == [("A", "closed", 1), ("B", "scrapped", 3), ("C", "open", 1), ("E", "open", 2)]
    assert len(followed) == 10
    loop = YieldQueries(store.database).tallies(Asked(emulated=True), "UTC").rework
    assert (loop.begun, loop.active, loop.closed, loop.scrapped, dict(loop.tries)) == (4, 2, 1, 1, {1: 1})


def test_filling_wants_the_specification_first(store: SqlStore) -> None:
    run = FinishedRun(opening(specification="wren-9 Z"), closing(1))
    with pytest.raises(NotFound, match="specification 'wren-9 Z' is not in the database"):
        Filler(store).fill([run])


def test_the_migration_fills_in_what_would_have_been_kept(tmp_path: Path, new_store: Callable[..., SqlStore]) -> None:
    """Runs of today's program copied to a database of the revision before; after the step the tables must be the same again."""
    now, before = tmp_path / "now.db", tmp_path / "before.db"
    create_or_require(f"sqlite:///{now}")
    store = new_store(f"sqlite:///{now}")
    fill_one_by_one(store, history(21), 5)
    wanted = tables(store.database)
    assert min(len(rows) for rows in wanted.values()) > 5
    store.close()
    upgrade(f"sqlite:///{before}", scripts_up_to("0003", tmp_path))
    copy_rows(now, before)
    assert upgrade(f"sqlite:///{before}", scripts_up_to("0004", tmp_path)).before == "0003"
    database = Database(f"sqlite:///{before}")
    assert tables(database) == wanted
    with database.read() as connection:
        assert yield_problems(connection) == ()
    database.close()


def scripts_up_to(revision: str, folder: Path) -> Path:
    """The packaged migrations as they were with that one."""
    scripts = folder / f"migrations-{revision}"
    shutil.copytree(Path(str(files("migrations"))), scripts, ignore=shutil.ignore_patterns("__pycache__"))
    for later in (path for path in (scripts / "versions").glob("0*.py") if path.name[:4] > revision):
        later.unlink()
    return scripts


def copy_rows(source: Path, target: Path) -> None:
    """Of every table of the target but its revision, the columns that it has."""
    with closed(sqlite3.connect(target)) as connection:
        connection.execute("ATTACH ? AS now", (str(source),))
        kept = "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' AND name <> 'alembic_version'"
        for (table,) in connection.execute(kept).fetchall():
            columns = ", ".join(row[1] for row in connection.execute(f"PRAGMA main.table_info({table})"))
            connection.execute(f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM now.{table}")
        connection.commit()


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("DELETE FROM yield_runs WHERE run_number = 3", "run 3: its row for yield is missing"),
        ("UPDATE yield_runs SET verdict = 'undecided' WHERE run_number = 3", "run 3: its row for yield is missing or says otherwise"),
        ("UPDATE yield_kinds SET lot = 'ML-1999' WHERE id = 1", "its row for yield is missing or says otherwise"),
        ("UPDATE yield_runs SET first = NOT first WHERE run_number IN (SELECT min(run_number) FROM yield_runs WHERE newest)", "expected"),
        ("UPDATE yield_runs SET final_passed = NOT final_passed WHERE first", "passed at last"),
        ("UPDATE yield_runs SET newest = true WHERE verdict = 'invalid'", "decides nothing, yet counts"),
        ("UPDATE yield_runs SET failed_groups = 'main y+,main y-' WHERE verdict = 'fail'", "groups failed or left open are"),
        ("UPDATE yield_runs SET failed_groups = 'main y+' WHERE verdict = 'pass'", "did not fail, yet has groups that did"),
        ("UPDATE yield_figures SET total = total + 1 WHERE figure = 'peak'", "peak: sums are kept as"),
        ("DELETE FROM yield_figures WHERE figure = 'rest'", "rest: sums are kept as"),
    ],
)
def test_what_was_changed_by_another_hand_is_told(url: str, new_store: Callable[..., SqlStore], harm: str, words: str) -> None:
    store, runs = new_store(url), history(2, runs=60)
    fill_one_by_one(store, runs, 2)
    assert problems(store) == ()
    store.database.write(lambda session, _again: session.execute(text(harm)))
    assert any(words in problem for problem in problems(store))
