"""Units and their history."""

from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.orm import aliased

from db.models import Run, Unit
from db.parts import fitted_now, parts_of
from db.queries.runs import check_limit, listing, prefixed, run_row
from db.rows import Page, UnitDetail, UnitRow
from station.errors import NotFound
from station.records import UnitIdentity


def page(connection: Connection, prefix: str, after: str | None, limit: int, most: int) -> Page[UnitRow]:
    """One page by serial number."""
    check_limit(limit, most)
    query = select(Unit).order_by(Unit.serial).limit(limit + 1)
    if prefix:
        query = query.where(prefixed(Unit.serial, prefix))
    if after is not None:
        query = query.where(Unit.serial > after)
    some = query.subquery()
    newest = _newest_run(some.c.id)
    other = aliased(Run)
    count = select(func.count()).select_from(other).where(other.unit_key == some.c.id).scalar_subquery()
    columns = (some, count.label("runs"), Run.number, Run.verdict, Run.started_at)
    rows = connection.execute(select(*columns).outerjoin(Run, Run.number == newest).order_by(some.c.serial)).all()
    items = tuple(_row(row) for row in rows[:limit])
    return Page(items, items[-1].unit.serial if len(rows) > limit else None)


def unit(connection: Connection, serial: str) -> UnitDetail:
    """Raises NotFound."""
    row = connection.execute(select(Unit.__table__).where(Unit.serial == serial)).one_or_none()
    if row is None:
        raise NotFound(f"unit {serial!r} is not known here")
    history = listing().where(Run.unit_key == row.id).order_by(Run.started_at.desc(), Run.number.desc())
    parts = parts_of(connection, row.id)
    return UnitDetail(
        unit=UnitIdentity(row.serial, row.product, row.lot),
        first_seen_at=row.first_seen_at,
        runs=tuple(run_row(one) for one in connection.execute(history)),
        fitted=fitted_now(parts),
        parts=parts,
    )


def _newest_run(unit_key: Any) -> Any:
    run = aliased(Run)
    return select(run.number).where(run.unit_key == unit_key).order_by(run.started_at.desc(), run.number.desc()).limit(1).scalar_subquery()


def _row(row: Any) -> UnitRow:
    return UnitRow(
        unit=UnitIdentity(row.serial, row.product, row.lot),
        first_seen_at=row.first_seen_at,
        runs=row.runs,
        last_run=row.number,
        last_verdict=row.verdict,
        last_started_at=row.started_at,
    )
