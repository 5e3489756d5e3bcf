"""What is asked of a large database, each question beside a plain way to put it.

The plain statements read the runs from end to end: SQLite is told NOT INDEXED, PostgreSQL has its index scans switched off.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Any, Final

import pandas
from sqlalchemy import Connection, func, select, text

from db.base import to_us
from db.models import Run, Unit
from db.models_yield import YieldRun
from db.queries import Queries
from db.queries.yields import YieldQueries
from db.queries.yields_slots import day_begins, zone_of
from db.rows import Cursor, RunFilter
from station.ports.yields import Rank
from station.service.yields import make_report
from station.shifts import Shifts
from station.yields import Asked, Split
from tests.bench.size_runs import END
from tests.db.making import STATION

ZONE: Final = "Europe/Berlin"
SHIFTS: Final = Shifts(ZONE, (time(6), time(14), time(22)))
TODAY: Final = date(2026, 11, 25)
MONTH: Final = Asked(first_day=TODAY - timedelta(days=29), last_day=TODAY, split=Split.DAY)
ALL_TIME: Final = Asked(split=Split.DAY)
DAY_US: Final = 86_400_000_000
HOUR_US: Final = 3_600_000_000

FIRST_PASS: Final = """
SELECT (started_at + {offset}) / {day} AS day, count(*), sum(CASE WHEN verdict = 'pass' THEN 1 ELSE 0 END)
FROM (SELECT started_at, verdict, row_number() OVER (PARTITION BY unit_key ORDER BY started_at, number) AS turn
      FROM runs {hint} WHERE verdict IN ('pass', 'fail') AND NOT emulated) AS decided
WHERE turn = 1 AND started_at >= {since} GROUP BY 1
"""
"""First-pass yield by day and nothing else, with a fixed offset for the zone: less than the report says."""


@dataclass(frozen=True, slots=True)
class Question:
    """plain, pandas: the baselines, None where there is none."""

    name: str
    ours: Callable[[], object]
    plain: Callable[[], object] | None = None
    pandas: Callable[[], object] | None = None


class Asking:
    """A database to ask, and places in it far from the newest run."""

    def __init__(self, queries: Queries, yields: YieldQueries) -> None:
        self.queries, self.yields = queries, yields
        self.server = queries.database.file is None
        self.hint = "" if self.server else "NOT INDEXED"
        with queries.database.read() as connection:
            self.runs = connection.execute(select(func.max(Run.number))).scalar_one()
            self.deep_run = self._cursor(connection, self.runs // 10)
            self.deep_failed = self._failed(connection)
            often = (
                select(YieldRun.unit_key)
                .where(~YieldRun.first, YieldRun.run_number > self.runs // 2)
                .order_by(YieldRun.run_number)
                .limit(1)
            )
            self.serial = connection.execute(select(Unit.serial).where(Unit.id.in_(often))).scalar_one()
        self.midnight = day_begins(TODAY, zone_of(ZONE))

    def plainly(self, statement: str) -> list[Any]:
        """Rows of a statement that may use no index."""
        with self.queries.database.read() as connection:
            if self.server:
                for way in ("indexscan", "indexonlyscan", "bitmapscan"):
                    connection.execute(text(f"SET LOCAL enable_{way} = off"))
            return list(connection.execute(text(statement)))

    def frame(self, statement: str) -> pandas.DataFrame:
        with self.queries.database.read() as connection:
            return pandas.read_sql_query(text(statement), connection)

    def _cursor(self, connection: Connection, number: int) -> Cursor:
        row = connection.execute(select(Run.started_at, Run.number).where(Run.number == number)).one()
        return Cursor(row.started_at, row.number)

    def _failed(self, connection: Connection) -> Cursor:
        """Before the oldest tenth of the failed units."""
        standing = select(YieldRun.run_number).where(~YieldRun.emulated, YieldRun.newest, YieldRun.verdict == "fail")
        count = connection.execute(select(func.count()).select_from(standing.subquery())).scalar_one()
        tenth = standing.order_by(YieldRun.started_at).offset(count // 10).limit(1)
        return self._cursor(connection, connection.execute(tenth).scalar_one())


def questions(at: Asking) -> Iterator[Question]:
    """In the order of the table."""
    hint, since = at.hint, to_us(at.midnight)
    yield Question(
        "dashboard, counts of today",
        lambda: at.queries.counts_since(at.midnight),
        lambda: at.plainly(f"SELECT verdict, emulated, count(*) FROM runs {hint} WHERE started_at >= {since} GROUP BY verdict, emulated"),
    )
    yield from _lists(at)
    yield from _reports(at)
    yield from _failed(at)


def _lists(at: Asking) -> Iterator[Question]:
    rows = f"SELECT number, started_at, verdict, reasons FROM runs {at.hint} ORDER BY started_at DESC, number DESC LIMIT 50"
    yield Question("runs, first page", at.queries.runs, lambda: at.plainly(rows))
    yield Question(
        "runs, page far down",
        lambda: at.queries.runs(after=at.deep_run),
        lambda: at.plainly(f"{rows} OFFSET {at.runs * 9 // 10}"),
    )
    which = RunFilter(verdict="fail", emulated=False)
    yield Question("failed runs, first page", lambda: at.queries.runs(which))
    unit = f"(SELECT id FROM units {at.hint} WHERE serial = '{at.serial}')"
    yield Question(
        "unit with its whole history",
        lambda: at.queries.unit(at.serial),
        lambda: at.plainly(f"SELECT number, verdict FROM runs {at.hint} WHERE unit_key = {unit}"),
    )


def _reports(at: Asking) -> Iterator[Question]:
    begin = to_us(day_begins(TODAY - timedelta(days=29), zone_of(ZONE)))
    yield Question(
        "yield of 30 days by day",
        lambda: make_report(at.yields, MONTH, SHIFTS, STATION, END),
        lambda: at.plainly(FIRST_PASS.format(offset=HOUR_US, day=DAY_US, since=begin, hint=at.hint)),
        lambda: _pandas_yield(at, begin),
    )
    yield Question(
        "yield of all time by day",
        lambda: make_report(at.yields, ALL_TIME, SHIFTS, STATION, END),
        lambda: at.plainly(FIRST_PASS.format(offset=HOUR_US, day=DAY_US, since=0, hint=at.hint)),
        lambda: _pandas_yield(at, 0),
    )
    yield Question("yield of all time by lot", lambda: make_report(at.yields, Asked(split=Split.LOT), SHIFTS, STATION, END))
    yield Question(
        "yield of all time of one lot by shift",
        lambda: make_report(at.yields, Asked(lot="ML-2646", split=Split.SHIFT), SHIFTS, STATION, END),
    )
    failed = f"SELECT number FROM runs {at.hint} WHERE verdict = 'fail' AND NOT emulated AND started_at >= {begin}"
    plain = f"SELECT code, part, count(DISTINCT run_number) FROM run_reasons WHERE run_number IN ({failed}) GROUP BY code, part"
    yield Question("causes of 30 days", lambda: at.yields.causes(MONTH, ZONE, Rank.PLACE), lambda: at.plainly(plain))


def _failed(at: Asking) -> Iterator[Question]:
    turn = "row_number() OVER (PARTITION BY unit_key ORDER BY started_at DESC, number DESC) AS turn"
    decided = f"SELECT number, verdict, started_at, {turn} FROM runs {at.hint} WHERE verdict IN ('pass', 'fail') AND NOT emulated"
    newest = f"SELECT number FROM ({decided}) AS decided WHERE turn = 1 AND verdict = 'fail'"
    standing = f"{newest} ORDER BY started_at DESC, number DESC LIMIT 50"
    asked = Asked()
    yield Question("failed units, first page", lambda: at.yields.failed_units(asked, ZONE), lambda: at.plainly(standing))
    yield Question("failed units, page far down", lambda: at.yields.failed_units(asked, ZONE, after=at.deep_failed))


def _pandas_yield(at: Asking, begin: int) -> object:
    """Read the columns, then first-pass yield by local day, as somebody would in a notebook."""
    frame = at.frame("SELECT number, unit_key, emulated, started_at, verdict FROM runs")
    frame = frame[frame.verdict.isin(["pass", "fail"]) & (frame.emulated == 0)].sort_values(["started_at", "number"])
    first = frame.drop_duplicates("unit_key")
    first = first[first.started_at >= begin]
    days = pandas.to_datetime(first.started_at, unit="us", utc=True).dt.tz_convert(ZONE).dt.date
    return first.groupby(days).verdict.agg(lambda some: (some == "pass").mean())
