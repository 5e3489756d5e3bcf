"""The runs behind a figure of a yield report, newest first, by key and never by offset."""

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, literal, not_, select, tuple_

from db.base import UtcTime
from db.models import Run, RunReason
from db.models_rework import ReworkOrder
from db.models_yield import YieldRun
from db.queries.runs import check_limit, listing, run_row
from db.queries.yields_scope import Scope
from db.rows import Cursor, Page, RunRow
from db.yield_marks import DECIDED
from station.ports.yields import Behind
from station.records import Verdict
from station.rework import State

RUN: Final = YieldRun
SCRAPPED: Final = select(ReworkOrder.id).where(ReworkOrder.failing_run == RUN.run_number, ReworkOrder.state == State.SCRAPPED.value)
FAILED: Final = RUN.verdict == Verdict.FAIL.value
CONDITIONS: Final[Mapping[Behind, tuple[Any, ...]]] = {
    Behind.RUNS: (),
    Behind.DECIDED: (RUN.verdict.in_(DECIDED),),
    Behind.UNDECIDED: (RUN.verdict == Verdict.UNDECIDED.value,),
    Behind.INVALID: (RUN.verdict == Verdict.INVALID.value,),
    Behind.FAILED: (FAILED,),
    Behind.UNITS: (RUN.first,),
    Behind.FIRST_PASSED: (RUN.first, RUN.verdict == Verdict.PASS.value),
    Behind.FIRST_FAILED: (FAILED, RUN.first),
    Behind.FINAL_PASSED: (RUN.final_passed,),
    Behind.FINAL_FAILED: (RUN.first, not_(RUN.final_passed)),
    Behind.RETESTS: (RUN.verdict.in_(DECIDED), not_(RUN.first)),
    Behind.SCRAPPED: (FAILED, SCRAPPED.correlate(RUN).exists()),
}


def behind(connection: Connection, scope: Scope, figure: Behind, reason: str, after: Cursor | None, limit: int, most: int) -> Page[RunRow]:
    """One page. reason: code or code:part that the runs name, "" for any. Raises UsageError for a limit outside 1 .. most."""
    check_limit(limit, most)
    conditions = [*scope.conditions(), *CONDITIONS[figure], *named(reason)]
    keys = page_of_keys(connection, conditions, after, limit)
    found = {number: row for row in connection.execute(listing().where(Run.number.in_(keys[:limit]))) for number in (row.number,)}
    items = tuple(run_row(found[number]) for number in keys[:limit])
    return Page(items, next_of(items, len(keys) > limit))


def named(reason: str) -> list[ColumnElement[bool]]:
    """Whether a run names a reason; any run when it is ""."""
    if not reason:
        return []
    code, colon, part = reason.partition(":")
    named = and_(RunReason.run_number == RUN.run_number, RunReason.code == code, *((RunReason.part == part,) if colon else ()))
    return [select(RunReason.position).where(named).correlate(RUN).exists()]


def page_of_keys(connection: Connection, conditions: list[Any], after: Cursor | None, limit: int) -> list[int]:
    """Numbers of the runs of a page and of one more, newest first."""
    query = select(RUN.run_number).where(*conditions).order_by(RUN.started_at.desc(), RUN.run_number.desc()).limit(limit + 1)
    if after is not None:
        query = query.where(beyond(after))
    return list(connection.scalars(query))


def beyond(after: Cursor) -> ColumnElement[bool]:
    """Whether a run comes behind a place in the list."""
    return tuple_(RUN.started_at, RUN.run_number) < tuple_(literal(after.started_at, UtcTime()), literal(after.number))


def next_of(items: tuple[RunRow, ...], more: bool) -> str | None:
    """Where the next page goes on."""
    return Cursor(items[-1].started_at, items[-1].number).encode() if more else None
