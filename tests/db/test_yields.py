"""Every figure of yield against the slow reference, over histories made from a seed, closed out of order, on either database."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import Any

import pytest
from sqlalchemy import select

from db.migrate import create_or_require
from db.models_rework import ReworkOrder
from db.queries.failed import FailedFilter
from db.queries.yields import YieldQueries
from db.rows import Cursor
from db.store import SqlStore
from db.yield_check import yield_problems
from station.errors import UsageError
from station.ports.yields import Behind, Rank, Tally
from station.yields import Asked, Split
from tests.db.conftest import KINDS, server_database
from tests.db.making import STATION
from tests.db.making_yields import AUTUMN, SPRING, fill_one_by_one, history, rework
from tests.db.yields_reference import Case, Plain, Reference

ZONE, SHIFTS = "Europe/Berlin", (time(22, 0), time(2, 0), time(6, 0), time(14, 0))
SEASONS = {"autumn": (AUTUMN, 7), "spring": (SPRING, 11)}
FILTERS: dict[str, dict[str, Any]] = {
    "all": {},
    "days": {"first_day": date(2026, 10, 25), "last_day": date(2026, 10, 26)},
    "one day": {"first_day": date(2026, 3, 29), "last_day": date(2026, 3, 29)},
    "from a day": {"first_day": date(2026, 10, 25)},
    "to a day": {"last_day": date(2026, 3, 29)},
    "product": {"product": "plover-1"},
    "specification": {"specification": "dunlin-2 B"},
    "lot and rig": {"lot": "ML-2607", "rig": "rig-1"},
    "operator": {"operator": "b. sedge"},
    "station": {"station": "mossgate-1"},
    "emulated": {"emulated": True},
    "nobody": {"product": "wren-9"},
}
RANKS: dict[Rank, Callable[[str, str, str], tuple[str, str, str] | None]] = {
    Rank.REASON: lambda code, part, lot: (code, "", ""),
    Rank.PLACE: lambda code, part, lot: (code, part, ""),
    Rank.AXIS: lambda code, part, lot: ("", part[:1], "") if part else None,
    Rank.DIRECTION: lambda code, part, lot: ("", part[1:], "") if part[1:] else None,
    Rank.LOT: lambda code, part, lot: ("", "", lot),
    Rank.PLACE_AND_LOT: lambda code, part, lot: (code, part, lot),
}


@dataclass(frozen=True, slots=True)
class Made:
    store: SqlStore
    queries: YieldQueries
    reference: Reference


@pytest.fixture(scope="module", params=[(kind, season) for kind in KINDS for season in SEASONS], ids="-".join)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    """Read by every test and changed by none."""
    kind, season = request.param
    with database(kind, tmp_path_factory) as url:
        store = SqlStore(url, STATION)
        try:
            yield make(store, *SEASONS[season])
        finally:
            store.close()


@contextmanager
def database(kind: str, folders: pytest.TempPathFactory) -> Iterator[str]:
    """Of the current revision."""
    with server_database() if kind == "postgresql" else nullcontext(f"sqlite:///{folders.mktemp('yields') / 'station.db'}") as url:
        create_or_require(url)
        yield url


def make(store: SqlStore, begin: datetime, seed: int) -> Made:
    runs = history(seed, begin)
    numbers = fill_one_by_one(store, runs, seed)
    rework(store, numbers, runs, seed)
    with store.database.read() as connection:
        states = {row[0]: row[1] for row in connection.execute(select(ReworkOrder.failing_run, ReworkOrder.state))}
    cases = [Case(number, run, states.get(number, "")) for number, run in zip(numbers, runs, strict=True)]
    return Made(store, YieldQueries(store.database), Reference(cases, ZONE, SHIFTS))


def plain(tally: Tally) -> Plain:
    steps = {step.label: (step.units, step.first_passed, step.undecided) for step in tally.steps}
    names = ("units", "first_passed", "final_passed", "runs", "decided", "undecided", "invalid", "retests", "scrapped")
    return Plain(**{name: getattr(tally, name) for name in names}, steps=steps)


def test_rows_and_totals_are_those_of_the_reference(made: Made) -> None:
    for filters in FILTERS.values():
        for split in (split for split in Split if split not in (Split.NONE, Split.GROUP)):
            asked = Asked(**filters, split=split)
            found = made.queries.tallies(asked, ZONE, SHIFTS)
            assert {row.label: plain(row) for row in found.rows} == made.reference.rows(asked), asked
            assert [row.label for row in found.rows] == sorted(row.label for row in found.rows)
            assert plain(found.total) == made.reference.plain(made.reference.chosen(asked)), asked
            counted = made.reference.chosen(replace(asked, emulated=True))
            assert found.emulated_runs == (0 if asked.emulated else len(counted))


def test_failing_patterns_add_up_to_the_steps(made: Made) -> None:
    total = made.queries.tallies(Asked(split=Split.NONE), ZONE).total
    assert len(total.steps) == 12
    for step in total.steps:
        assert sum(count for marks, count in total.failing.items() if step.label in marks) == step.units - step.first_passed
    assert made.queries.tallies(Asked(split=Split.NONE), ZONE).rows == ()


def test_groups_are_rows_of_first_runs(made: Made) -> None:
    for filters in FILTERS.values():
        asked = Asked(**filters, split=Split.GROUP)
        rows = made.queries.tallies(asked, ZONE).rows
        cases = made.reference.chosen(asked)
        assert {row.label: (row.steps[0].units, row.steps[0].final_passed) for row in rows} == made.reference.group_finals(cases)
        steps = {row.label: (row.steps[0].units, row.steps[0].first_passed, row.steps[0].undecided) for row in rows}
        assert steps == made.reference.plain(cases).steps


@pytest.mark.parametrize("rank", RANKS)
def test_causes_count_runs_and_units_once(made: Made, rank: Rank) -> None:
    for filters in FILTERS.values():
        asked = Asked(**filters)
        found = {(one.code, one.part, one.lot): (one.runs, one.units) for one in made.queries.causes(asked, ZONE, rank)}
        assert found == made.reference.causes(asked, RANKS[rank])


def test_a_report_by_lot_tells_causes_by_lot(made: Made) -> None:
    found = made.queries.tallies(Asked(split=Split.LOT), ZONE).causes
    assert found == tuple(made.queries.causes(Asked(), ZONE, Rank.PLACE_AND_LOT))
    assert {one.lot for one in found} == {"ML-2607", "ML-2609", ""}


def test_figures_are_those_of_first_runs_under_the_newest_revision(made: Made) -> None:
    newest = {"dunlin-2": "dunlin-2 B", "plover-1": "plover-1 A"}
    for name, filters in FILTERS.items():
        asked = Asked(**filters)
        expected = made.reference.figures(asked, newest)
        found = made.queries.tallies(asked, ZONE).figures
        assert {(one.product, one.lot, one.figure.value) for one in found} == set(expected), name
        for one in found:
            units, values, mean, sd = expected[one.product, one.lot, one.figure.value]
            assert (one.units, one.values) == (units, values)
            assert (one.mean, one.sd) == pytest.approx((mean, sd), rel=1e-6, abs=1e-9)
        assert {one.upper for one in found if one.product == "dunlin-2" and one.figure == "peak"} <= {24.0}


def test_rework_is_told_by_how_orders_stand(made: Made) -> None:
    asked = Asked()
    states = [case.state for case in made.reference.chosen(asked) if case.state]
    loop = made.queries.tallies(asked, ZONE).rework
    assert (loop.begun, loop.scrapped, loop.withdrawn) == (len(states), states.count("scrapped"), states.count("withdrawn"))
    assert loop.active == states.count("open")
    assert min(loop.active, loop.scrapped, loop.withdrawn) > 0
    assert made.queries.tallies(asked, ZONE).total.scrapped == loop.scrapped


@pytest.mark.parametrize("figure", Behind)
def test_runs_behind_a_figure_are_as_many_as_it_says(made: Made, figure: Behind) -> None:
    for filters in FILTERS.values():
        asked = Asked(**filters)
        assert pages(made, asked, figure, 7) == made.reference.behind(asked, figure)
    by_shift = Asked(split=Split.SHIFT)
    for row in made.queries.tallies(by_shift, ZONE, SHIFTS).rows[:3]:
        items = made.queries.behind(by_shift, ZONE, Behind.UNITS, label=row.label, shifts=SHIFTS).items
        assert len(items) == row.units


def pages(made: Made, asked: Asked, figure: Behind, limit: int) -> list[int]:
    found: list[int] = []
    after: Cursor | None = None
    while True:
        page = made.queries.behind(asked, ZONE, figure, after=after, limit=limit)
        found += [run.number for run in page.items]
        if page.next is None:
            return found
        after = Cursor.decode(page.next)


@pytest.mark.parametrize("split", [Split.DAY, Split.PRODUCT, Split.SPECIFICATION, Split.LOT, Split.RIG, Split.OPERATOR])
def test_every_row_leads_to_its_runs(made: Made, split: Split) -> None:
    asked = Asked(split=split)
    for row in made.queries.tallies(asked, ZONE).rows:
        assert len(made.queries.behind(asked, ZONE, Behind.RUNS, label=row.label, limit=500).items) == row.runs


def test_failed_units_are_those_that_failed_last(made: Made) -> None:
    serials = {case.number: case.run.opening.unit.serial for case in made.reference.cases}
    for filters in FILTERS.values():
        asked, found, after = Asked(**filters), [], None
        while True:
            page = made.queries.failed_units(asked, ZONE, after=after, limit=3)
            found += list(page.items)
            if page.next is None:
                break
            after = Cursor.decode(page.next)
        assert [one.run for one in found] == made.reference.failed(asked)
        assert [one.serial for one in found] == [serials[one.run] for one in found]
    assert {one.order_state for one in made.queries.failed_units(Asked(), ZONE, limit=500).items} >= {"open", "scrapped"}


def test_failed_units_by_reason_and_serial(made: Made) -> None:
    every = made.queries.failed_units(Asked(), ZONE, limit=500).items
    for reason in ("snapback", "off-centre:x"):
        found = made.queries.failed_units(Asked(), ZONE, FailedFilter(reason=reason), limit=500).items
        assert found == tuple(one for one in every if any(reason in (said, said.partition(":")[0]) for said in one.reasons))
    found = made.queries.failed_units(Asked(), ZONE, FailedFilter(serial_prefix="U-00"), limit=500).items
    assert found == tuple(one for one in every if one.serial.startswith("U-00"))
    assert found


def test_tables_say_what_the_runs_say(made: Made) -> None:
    with made.store.database.read() as connection:
        assert yield_problems(connection) == ()


def test_what_cannot_be_asked_is_named(made: Made) -> None:
    with pytest.raises(UsageError, match="time zone is 'Mars/Olympus'"):
        made.queries.tallies(Asked(), "Mars/Olympus")
    with pytest.raises(UsageError, match="first day 2026-11-02 is after the last day 2026-11-01"):
        made.queries.tallies(Asked(first_day=date(2026, 11, 2), last_day=date(2026, 11, 1)), ZONE)
    with pytest.raises(UsageError, match="limit is 0"):
        made.queries.failed_units(Asked(), ZONE, limit=0)
    for split, label in ((Split.DAY, "soon"), (Split.SHIFT, "2026-10-25 07:00"), (Split.GROUP, "x+"), (Split.NONE, "x")):
        with pytest.raises(UsageError, match=r"label is|split is"):
            made.queries.behind(Asked(split=split), ZONE, Behind.RUNS, label=label, shifts=SHIFTS)


def test_an_empty_database_has_no_yield(store: SqlStore) -> None:
    queries = YieldQueries(store.database)
    for split in Split:
        found = queries.tallies(Asked(split=split), ZONE, SHIFTS)
        assert (found.rows, found.causes, found.figures, found.total) == ((), (), (), Tally(""))
    assert queries.failed_units(Asked(), ZONE).items == ()
