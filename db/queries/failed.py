"""Failed units: those whose newest decided run failed, newest first, by key and never by offset."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select

from db.models import Run, Specification, Unit
from db.models_rework import ReworkOrder
from db.models_yield import YieldRun
from db.queries.runs import check_limit, prefixed
from db.queries.yields_behind import beyond, named, page_of_keys
from db.queries.yields_scope import Scope
from db.rows import Cursor, Page
from station.records import Verdict
from station.yields import FailedUnit


@dataclass(frozen=True, slots=True)
class FailedFilter:
    """Which of them, beside what a report is asked. reason: code or code:part, "" for any. serial_prefix: "" for any."""

    reason: str = ""
    serial_prefix: str = ""


def page(connection: Connection, scope: Scope, which: FailedFilter, after: Cursor | None, limit: int, most: int) -> Page[FailedUnit]:
    """One page; time, rig and the like are those of the newest decided run. Raises UsageError for a limit outside 1 .. most."""
    check_limit(limit, most)
    conditions = standing(scope, which)
    keys = page_of_keys(connection, conditions, after, limit)
    rows = _rows(connection, keys[:limit])
    orders = _orders(connection, [row.serial for row in rows])
    items = tuple(_failed(row, *orders.get(row.serial, (0, ""))) for row in rows)
    return Page(items, Cursor(rows[-1].started_at, rows[-1].number).encode() if len(keys) > limit else None)


def standing(scope: Scope, which: FailedFilter, after: Cursor | None = None) -> list[Any]:
    """Conditions on yield_runs: newest decided runs that failed, all of them or those behind a place in the list."""
    run = YieldRun
    conditions: list[Any] = [*scope.conditions(), run.newest, run.verdict == Verdict.FAIL.value, *named(which.reason)]
    if which.serial_prefix:
        serial = select(Unit.id).where(Unit.id == run.unit_key, prefixed(Unit.serial, which.serial_prefix))
        conditions.append(serial.correlate(run).exists())
    return conditions if after is None else [*conditions, beyond(after)]


def _rows(connection: Connection, numbers: Sequence[int]) -> list[Any]:
    columns = (Run.number, Run.product, Run.lot, Run.started_at, Run.ended_at, Run.station, Run.rig, Run.reasons, Unit.serial)
    query = select(*columns, Specification.name.label("specification"), Specification.revision)
    query = query.join(Unit, Unit.id == Run.unit_key).join(Specification, Specification.id == Run.specification_key)
    found = {row.number: row for row in connection.execute(query.where(Run.number.in_(numbers)))}
    return [found[number] for number in numbers]


def _orders(connection: Connection, serials: Sequence[str]) -> dict[str, tuple[int, str]]:
    """Newest rework order of each unit and its state."""
    newest = select(func.max(ReworkOrder.id)).where(ReworkOrder.serial.in_(serials)).group_by(ReworkOrder.serial)
    query = select(ReworkOrder.serial, ReworkOrder.id, ReworkOrder.state).where(ReworkOrder.id.in_(newest))
    return {serial: (number, state) for serial, number, state in connection.execute(query)}


def _failed(row: Any, order: int, state: str) -> FailedUnit:
    return FailedUnit(
        serial=row.serial,
        product=row.product,
        lot=row.lot,
        run=row.number,
        ended_at=row.ended_at,
        station=row.station,
        rig=row.rig,
        specification=f"{row.specification} {row.revision}",
        reasons=tuple(row.reasons),
        order=order,
        order_state=state,
    )
