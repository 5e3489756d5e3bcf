"""Whether the tables of yield say what the runs say: everything reckoned anew from runs, groups and sticks, and compared."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from sqlalchemy import BigInteger, Connection, String, and_, func, literal, or_, select, type_coerce, union_all

from db.models import GroupResult, Run, RunReason, StickResult
from db.models_yield import YieldFigure, YieldKind, YieldRun
from db.yield_keeping import KIND, marks_of
from db.yield_marks import DAY_US, DECIDED, GROUP_COLUMNS, REST_COLUMNS, together
from station.ports.yields import Figure
from station.records import Verdict

CHUNK: Final = 5_000
RELATIVE: Final = 1e-9
"""Sums are added up run by run, here in another order. Derived: a million additions in 53 bits err by less."""

MOST: Final = 20
"""Problems told of each sort; the first ones show what is wrong."""


def yield_problems(connection: Connection) -> tuple[str, ...]:
    """One plain sentence each, empty when all agrees. Reads everything once."""
    return (*_rows(connection), *_flags(connection), *_marks(connection), *_figures(connection))


def _rows(connection: Connection) -> list[str]:
    """Every closed run has its row, and a row says of its run what the run says of itself."""
    same = [getattr(YieldRun, name) == getattr(Run, name) for name in ("emulated", "started_at", "unit_key", "verdict")]
    same += [getattr(YieldKind, name) == getattr(Run, name) for name in KIND]
    query = (
        select(Run.number).outerjoin(YieldRun, YieldRun.run_number == Run.number).outerjoin(YieldKind, YieldKind.id == YieldRun.kind_key)
    )
    closed = Run.verdict.is_not(None)
    wrong = or_(and_(closed, or_(YieldRun.run_number.is_(None), ~and_(*same))), and_(~closed, YieldRun.run_number.is_not(None)))
    numbers = connection.scalars(query.where(wrong).order_by(Run.number).limit(MOST))
    return [f"run {number}: its row for yield is missing or says otherwise" for number in numbers]


def _flags(connection: Connection) -> list[str]:
    """First and newest decided runs, and what the first says of the newest."""
    unit, newest_first = (YieldRun.unit_key, YieldRun.emulated), (YieldRun.started_at.desc(), YieldRun.run_number.desc())

    def turn(*order: Any) -> Any:
        return func.row_number().over(partition_by=unit, order_by=order)

    def at_last(column: Any) -> Any:
        return func.first_value(column).over(partition_by=unit, order_by=newest_first)

    told = (YieldRun.run_number, YieldRun.first, YieldRun.newest, YieldRun.final_passed, YieldRun.final_groups)
    turns = (turn(YieldRun.started_at, YieldRun.run_number), turn(*newest_first))
    last = (at_last(YieldRun.verdict), at_last(YieldRun.failed_groups), at_last(YieldRun.open_groups))
    found: list[str] = []
    for row in connection.execute(select(*told, *turns, *last).where(YieldRun.verdict.in_(DECIDED))):
        number, *kept, forward, backward, verdict, failed, opened = row
        first = forward == 1
        wanted = [first, backward == 1, first and verdict == Verdict.PASS, together(failed, opened) if first else ""]
        if kept != wanted and len(found) < MOST:
            found.append(f"run {number}: first, newest, passed at last and groups not passed are kept as {kept}; expected {wanted}")
    flagged = or_(YieldRun.first, YieldRun.newest, YieldRun.final_passed, YieldRun.final_groups != "")
    others = connection.scalars(select(YieldRun.run_number).where(YieldRun.verdict.not_in(DECIDED), flagged).limit(MOST))
    return found + [f"run {number}: decides nothing, yet counts as its unit's first or newest" for number in others]


def _marks(connection: Connection) -> list[str]:
    """Groups that failed runs failed or left open."""
    found: list[str] = []
    for rows in _failed_runs(connection):
        low, high = rows[0]["number"], rows[-1]["number"]
        groups = _by_run(
            connection, select(GroupResult.run_number, GroupResult.stick, GroupResult.group_name, GroupResult.verdict), low, high
        )
        reasons = _by_run(connection, select(RunReason.run_number, RunReason.stick, RunReason.part), low, high)
        sticks = _by_run(connection, select(StickResult.run_number, StickResult.stick), low, high)
        for row in rows:
            number = row["number"]
            wanted = marks_of(row, groups.get(number, []), reasons.get(number, []), [one["stick"] for one in sticks.get(number, [])])
            if wanted != (row["failed_groups"], row["open_groups"]):
                found.append(
                    f"run {number}: groups failed or left open are {wanted}, kept are {row['failed_groups']}, {row['open_groups']}"
                )
    silent = select(YieldRun.run_number).where(YieldRun.verdict != Verdict.FAIL.value, YieldRun.failed_groups + YieldRun.open_groups != "")
    found += [f"run {number}: did not fail, yet has groups that did" for number in connection.scalars(silent.limit(MOST))]
    return found[:MOST]


def _figures(connection: Connection) -> list[str]:
    """Sums of every day, kind and figure."""
    kept = {(row.day, row.kind_key, row.figure): tuple(row)[3:] for row in connection.execute(select(YieldFigure.__table__))}
    wanted = {(row.day, row.kind_key, row.figure): tuple(row)[3:] for row in connection.execute(_reckoned())}
    nothing = (0, 0, 0.0, 0.0)
    found = []
    for key in sorted(kept.keys() | wanted.keys()):
        one, other = kept.get(key, nothing), wanted.get(key, nothing)
        if not all(math.isclose(a, b, rel_tol=RELATIVE, abs_tol=RELATIVE) for a, b in zip(one, other, strict=True)):
            found.append(f"day {key[0]}, kind {key[1]}, {key[2]}: sums are kept as {one}; expected {other}")
    return found[:MOST]


def _reckoned() -> Any:
    parts = [_values(GroupResult, figure, column) for figure, column in GROUP_COLUMNS.items()]
    parts += [_values(StickResult, Figure.REST, column) for column in REST_COLUMNS]
    every = union_all(*parts).subquery()
    day = (type_coerce(YieldRun.started_at, BigInteger) // DAY_US).label("day")
    value = every.c.value
    sums = (func.count(every.c.run_number.distinct()), func.count(), func.sum(value), func.sum(value * value))
    query = select(day, YieldRun.kind_key, every.c.figure, *sums).join(every, every.c.run_number == YieldRun.run_number)
    return query.where(YieldRun.first, value.is_not(None)).group_by(day, YieldRun.kind_key, every.c.figure)


def _values(table: Any, figure: Figure, column: str) -> Any:
    return select(table.run_number, literal(figure.value, String).label("figure"), getattr(table, column).label("value"))


def _failed_runs(connection: Connection) -> Iterator[Sequence[Any]]:
    """In order of their numbers, some at a time."""
    query = select(Run.number, Run.verdict, Run.evidence, YieldRun.failed_groups, YieldRun.open_groups)
    query = query.join(YieldRun, YieldRun.run_number == Run.number).where(Run.verdict == Verdict.FAIL.value).order_by(Run.number)
    after = 0
    while rows := connection.execute(query.where(Run.number > after).limit(CHUNK)).mappings().all():
        yield rows
        after = rows[-1]["number"]


def _by_run(connection: Connection, query: Any, low: int, high: int) -> dict[int, list[Any]]:
    number = query.selected_columns[0]
    found: dict[int, list[Any]] = {}
    for row in connection.execute(query.where(number.between(low, high))).mappings():
        found.setdefault(row["run_number"], []).append(row)
    return found
