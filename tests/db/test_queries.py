"""Questions, held against plain Python over the same runs."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from contextlib import closing as closing_at_end
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection, event

from db.engine import Database, Role, make_engine
from db.migrate import create_or_require
from db.queries import Queries
from db.queries import runs as runs_module
from db.rows import Cursor, RunFilter, RunRow, UnitRow
from db.store import SqlStore
from station.errors import NotFound, UsageError
from station.records import Verdict
from tests.db.conftest import KINDS, server_database
from tests.db.making import SPECIFICATION, START, STATION, TEXT, closing, opening, rig, score

HOUR = timedelta(hours=1)
RUNS = 90


@pytest.fixture(scope="module", params=KINDS)
def filled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Queries]:
    """A database of either kind that no test of this module changes."""
    with ExitStack() as stack:
        folder = tmp_path_factory.mktemp("filled")
        url = f"sqlite:///{folder / 'station.db'}" if request.param == "sqlite" else stack.enter_context(server_database())
        create_or_require(url)
        with closing_at_end(SqlStore(url, STATION)) as store:
            store.keep_specification(TEXT, SPECIFICATION, START)
            fill(store)
        with closing_at_end(Queries(url)) as queries:
            yield queries


def fill(store: SqlStore) -> None:
    """Runs that share start times, products, lots, rigs, verdicts and reasons in all mixtures; the last one stays open."""
    rng = np.random.default_rng(20261125)

    def word(*words: Any) -> Any:
        return words[rng.integers(len(words))]

    for seed in range(RUNS):
        verdict = Verdict(word("pass", "fail", "fail", "undecided", "invalid"))
        reasons = {
            Verdict.FAIL: word(("snapback:x+",), ("snapback:x+", "snapback:y-"), ("sluggish:y-",)),
            Verdict.INVALID: ("rig-link",),
        }.get(verdict, ())
        number = store.open_run(
            opening(
                f"DL{word(2, 3)}-{rng.integers(40):05d}",
                START + HOUR * int(rng.integers(20)),
                product=word("dunlin-2", "dunlin-3"),
                lot=word("ML-2607", "ML-2608", "ML-2609"),
                rig_name=word("rig-1", "rig-2"),
                rig=rig(emulated=bool(rng.integers(2))),
            )
        )
        if seed < RUNS - 1:
            store.close_run(number, closing(seed, verdict, reasons=reasons, scores={"main": score(seed, verdict, reasons)}, traces={}))


def everything(queries: Queries) -> list[RunRow]:
    return list(queries.runs(limit=500).items)


def paged(queries: Queries, which: RunFilter, limit: int) -> list[RunRow]:
    found: list[RunRow] = []
    after: Cursor | None = None
    while True:
        page = queries.runs(which, after, limit)
        assert len(page.items) <= limit
        found += page.items
        if page.next is None:
            return found
        after = Cursor.decode(page.next)


CASES: dict[str, tuple[RunFilter, Callable[[RunRow], bool]]] = {
    "all": (RunFilter(), lambda run: True),
    "since": (RunFilter(since=START + 5 * HOUR), lambda run: run.started_at >= START + 5 * HOUR),
    "span": (RunFilter(since=START + 5 * HOUR, until=START + 9 * HOUR), lambda run: START + 5 * HOUR <= run.started_at < START + 9 * HOUR),
    "product": (RunFilter(product="dunlin-3"), lambda run: run.unit.product == "dunlin-3"),
    "lot": (RunFilter(lot="ML-2608"), lambda run: run.unit.lot == "ML-2608"),
    "rig": (RunFilter(rig="rig-2"), lambda run: run.rig == "rig-2"),
    "station": (RunFilter(station="mossgate-1"), lambda run: True),
    "other station": (RunFilter(station="mossgate-2"), lambda run: False),
    "verdict": (RunFilter(verdict="undecided"), lambda run: run.verdict == "undecided"),
    "open": (RunFilter(verdict="open"), lambda run: run.verdict is None),
    "real": (RunFilter(emulated=False), lambda run: not run.emulated),
    "code": (RunFilter(reason="snapback"), lambda run: any(one.startswith("snapback") for one in run.reasons)),
    "code and part": (RunFilter(reason="snapback:y-"), lambda run: "snapback:y-" in run.reasons),
    "no such reason": (RunFilter(reason="snapback:"), lambda run: False),
    "serial": (RunFilter(serial_prefix="DL2-0000"), lambda run: run.unit.serial.startswith("DL2-0000")),
    "many": (
        RunFilter(START, START + 15 * HOUR, "mossgate-1", "dunlin-2", None, "rig-1", "fail", "snapback", "DL", True),
        lambda run: (
            run.started_at < START + 15 * HOUR
            and (run.unit.product, run.rig, run.verdict, run.emulated) == ("dunlin-2", "rig-1", "fail", True)
            and run.reasons[0].startswith("snapback")
        ),
    ),
}


@pytest.mark.parametrize("few_units", [0, 30_000])
def test_filters_agree_with_plain_python(filled: Queries, monkeypatch: pytest.MonkeyPatch, few_units: int) -> None:
    monkeypatch.setattr(runs_module, "FEW_UNITS", few_units)
    runs = sorted(everything(filled), key=lambda run: (run.started_at, run.number), reverse=True)
    assert [run.number for run in everything(filled)] == [run.number for run in runs]
    assert len(runs) == RUNS
    for name, (which, holds) in CASES.items():
        expected = [run for run in runs if holds(run)]
        assert paged(filled, which, 7) == expected, name
        assert paged(filled, which, 500) == expected, name
    assert len(paged(filled, CASES["many"][0], 7)) > 0


def test_a_page_does_not_move_when_runs_are_added(store: SqlStore, queries: Queries) -> None:
    for hour in (3, 1, 1, 2, 0, 5):
        store.open_run(opening("DL2-00001", START + hour * HOUR))
    first = queries.runs(limit=2)
    assert first.next is not None
    before = queries.runs(after=Cursor.decode(first.next), limit=3)
    assert [run.started_at - START for run in before.items] == [2 * HOUR, HOUR, HOUR]
    store.open_run(opening("DL9-00001", START + 30 * HOUR))
    assert queries.runs(after=Cursor.decode(first.next), limit=3) == before
    assert queries.runs(limit=1).items[0].unit.serial == "DL9-00001"


@pytest.mark.parametrize("text", ["", "x", "MTIz", "!!!", "MS4yLjM", "é", "OTk5OTk5OTk5OTk5OTk5OTk5OTk5OTkuMQ"])
def test_a_cursor_of_another_make_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="page cursor is"):
        Cursor.decode(text)


def test_a_cursor_survives_its_text() -> None:
    cursor = Cursor(START + timedelta(microseconds=123_456), 4_294_967_295)
    assert Cursor.decode(cursor.encode()) == cursor


@pytest.mark.parametrize("limit", [0, -1, 501])
def test_limits_of_a_page(queries: Queries, limit: int) -> None:
    for ask in (queries.runs, queries.units):
        with pytest.raises(UsageError, match=f"limit is {limit}; expected 1 to 500"):
            ask(limit=limit)
    with pytest.raises(UsageError, match="verdict is 'good'; expected one of pass, fail, undecided, invalid or open"):
        queries.runs(RunFilter(verdict="good"))


def test_units_page_by_serial(filled: Queries) -> None:
    runs = everything(filled)
    serials = sorted({run.unit.serial for run in runs})
    found: list[UnitRow] = []
    after: str | None = None
    while True:
        page = filled.units(after=after, limit=9)
        found += page.items
        after = page.next
        if after is None:
            break
    assert [row.unit.serial for row in found] == serials
    for row in found:
        own = [run for run in runs if run.unit.serial == row.unit.serial]
        assert (row.runs, row.last_run, row.last_verdict) == (len(own), own[0].number, own[0].verdict)
        assert row.last_started_at == own[0].started_at
    assert [row.unit.serial for row in filled.units("DL3-0001").items] == [one for one in serials if one.startswith("DL3-0001")]


def test_serials_are_ordered_by_code_point_and_wildcards_are_text(store: SqlStore, queries: Queries) -> None:
    for serial in ("b", "B", "a_1", "ab1", "a%", "é", "a"):
        store.open_run(opening(serial))
    assert [row.unit.serial for row in queries.units().items] == ["B", "a", "a%", "a_1", "ab1", "b", "é"]
    assert [row.unit.serial for row in queries.units("a_").items] == ["a_1"]
    assert [run.unit.serial for run in queries.runs(RunFilter(serial_prefix="a%")).items] == ["a%"]


def test_a_unit_has_its_history(filled: Queries) -> None:
    runs = everything(filled)
    serial = runs[0].unit.serial
    detail = filled.unit(serial)
    assert detail.runs == tuple(run for run in runs if run.unit.serial == serial)
    assert detail.unit.serial == serial
    with pytest.raises(NotFound, match="unit 'DL2-99999' is not known here"):
        filled.unit("DL2-99999")


def test_counts_keep_emulated_runs_apart(filled: Queries) -> None:
    since = START + 4 * HOUR
    counts = filled.counts_since(since)
    for emulated, found, reasons in ((False, counts.real, counts.reasons), (True, counts.emulated, counts.emulated_reasons)):
        runs = [run for run in everything(filled) if run.emulated is emulated and run.started_at >= since]
        verdicts = [run.verdict or "open" for run in runs]
        words = [word for run in runs for word in run.reasons]
        assert found.runs == {verdict: verdicts.count(verdict) for verdict in set(verdicts)}
        assert found.units == len({run.unit.serial for run in runs})
        assert dict(reasons) == {word: words.count(word) for word in set(words)}
        assert [count for _, count in reasons] == sorted((count for _, count in reasons), reverse=True)
    assert filled.counts_since(START + 99 * HOUR).real.runs == {}


def statements(database: Database, ask: Callable[[], object]) -> list[tuple[str, tuple[object, ...]]]:
    seen: list[tuple[str, tuple[object, ...]]] = []

    def note(_connection: Connection, _cursor: object, statement: str, parameters: tuple[object, ...], *_: object) -> None:
        if statement.startswith("SELECT"):
            seen.append((statement, parameters))

    event.listen(database.reader, "before_cursor_execute", note)
    ask()
    event.remove(database.reader, "before_cursor_execute", note)
    return seen


@pytest.mark.parametrize("name", ["all", "since", "product", "lot", "rig", "verdict", "open", "real", "code"])
def test_a_list_walks_an_index_and_sorts_nothing(file_url: str, name: str) -> None:
    """Then a page costs the same at any depth and any size of the database."""
    queries = Queries(file_url)
    keys, _ = statements(queries.database, lambda: queries.runs(CASES[name][0], Cursor(START, 5)))
    engine = make_engine(queries.database.url, Role.LOOK)
    with engine.connect() as connection:
        plan = [str(row[3]) for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {keys[0]}", keys[1])]
    assert "INDEX ix_run" in plan[0], plan
    assert not [line for line in plan if "ORDER BY" in line or line.startswith("SCAN")], plan
    engine.dispose()
    queries.close()
