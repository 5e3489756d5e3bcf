"""Lists of runs, by key and never by offset: the thousandth page costs what the first one does."""

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, literal, select, tuple_

from db.base import UtcTime
from db.models import Rig, Run, RunReason, Specification, Unit
from db.rows import Cursor, Page, RunFilter, RunRow
from station.errors import UsageError
from station.records import UnitIdentity, Verdict

OPEN = "open"
LAST_CHARACTER = "\U0010ffff"

FEW_UNITS = 30_000
"""Up to here a prefix is answered from its units. Chosen: looking up the runs of so many takes 40 ms (measured at a million runs)."""

Keys = Select[datetime, int]


def page(connection: Connection, which: RunFilter, after: Cursor | None, limit: int, most: int) -> Page[RunRow]:
    """One page, newest first, in the order (started_at, number): first its keys, then its rows."""
    check_limit(limit, most)
    keys = _keys(which).where(*_conditions(connection, which)).limit(limit + 1)
    numbers = [number for _, number in connection.execute(_beyond(keys, after))]
    rows = connection.execute(listing().where(Run.number.in_(numbers[:limit]))).all()
    items = tuple(sorted((run_row(row) for row in rows), key=lambda item: (item.started_at, item.number), reverse=True))
    more = len(numbers) > limit
    return Page(items, Cursor(items[-1].started_at, items[-1].number).encode() if more else None)


def listing() -> Select[*tuple[Any, ...]]:
    """Columns of RunRow with the tables they come from."""
    return (
        select(
            Run.number,
            Run.station,
            Run.product,
            Run.lot,
            Run.operator,
            Run.emulated,
            Run.started_at,
            Run.ended_at,
            Run.verdict,
            Run.reasons,
            Unit.serial,
            Run.rig,
            Rig.rig_id,
            Specification.name.label("specification"),
            Specification.revision,
        )
        .join(Unit, Unit.id == Run.unit_key)
        .join(Rig, Rig.id == Run.rig_key)
        .join(Specification, Specification.id == Run.specification_key)
    )


def run_row(row: Any) -> RunRow:
    """A row of `listing` as told to others."""
    return RunRow(
        number=row.number,
        station=row.station,
        rig=row.rig,
        rig_id=row.rig_id,
        unit=UnitIdentity(row.serial, row.product, row.lot),
        specification=f"{row.specification} {row.revision}",
        operator=row.operator,
        emulated=row.emulated,
        started_at=row.started_at,
        ended_at=row.ended_at,
        verdict=row.verdict,
        reasons=tuple(row.reasons),
    )


def prefixed(column: Any, prefix: str) -> ColumnElement[bool]:
    """Whether a bytewise ordered text begins so, as a range of its index."""
    return and_(column >= prefix, column <= prefix + LAST_CHARACTER)


def check_limit(limit: int, most: int) -> None:
    if not 1 <= limit <= most:
        raise UsageError(f"limit is {limit}; expected 1 to {most}")


def _keys(which: RunFilter) -> Keys:
    """Keys of runs in order, led by the reason where one is asked for: the few among many. A run has one row per group of a reason."""
    if which.reason is None:
        return select(Run.started_at, Run.number).order_by(Run.started_at.desc(), Run.number.desc())
    code, colon, part = which.reason.partition(":")
    at, number = RunReason.started_at, RunReason.run_number
    keys = select(at, number).distinct().join(Run, Run.number == number).where(RunReason.code == code)
    return (keys.where(RunReason.part == part) if colon else keys).order_by(at.desc(), number.desc())


def _beyond(keys: Keys, after: Cursor | None) -> Keys:
    if after is None:
        return keys
    return keys.where(tuple_(*keys.selected_columns) < tuple_(literal(after.started_at, UtcTime()), literal(after.number)))


def _conditions(connection: Connection, which: RunFilter) -> list[ColumnElement[bool]]:
    at = Run.started_at if which.reason is None else RunReason.started_at
    columns = ((Run.station, which.station), (Run.product, which.product), (Run.lot, which.lot), (Run.rig, which.rig))
    found: list[ColumnElement[bool]] = [column == text for column, text in columns if text is not None]
    if which.since is not None:
        found.append(at >= which.since)
    if which.until is not None:
        found.append(at < which.until)
    if which.emulated is not None:
        found.append(Run.emulated == which.emulated)
    if which.verdict is not None:
        found.append(_has_verdict(which.verdict))
    if which.serial_prefix:
        found.append(_has_serial(connection, which.serial_prefix))
    return found


def _has_verdict(verdict: str) -> ColumnElement[bool]:
    if verdict == OPEN:
        return Run.verdict.is_(None)
    if verdict not in list(Verdict):
        raise UsageError(f"verdict is {verdict!r}; expected one of {', '.join(Verdict)} or {OPEN}")
    return Run.verdict == verdict


def _has_serial(connection: Connection, prefix: str) -> ColumnElement[bool]:
    """Few units: look up their runs and sort them. Many: walk the runs in order, the page is full soon."""
    units = select(Unit.id).where(prefixed(Unit.serial, prefix))
    some = units.limit(FEW_UNITS + 1).subquery()
    count = connection.execute(select(func.count()).select_from(some)).scalar_one()
    if count <= FEW_UNITS:
        return Run.unit_key.in_(units)
    return units.where(Unit.id == Run.unit_key).correlate(Run).exists()
