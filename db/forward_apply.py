"""Rows of a station put into the tables of the line, inside a transaction that somebody else has begun."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from sqlalchemy import delete, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from db.forward_names import rig_key, specification_key, unit_key
from db.forward_records import PARTS, Record, Table
from db.line_numbers import NUMBERS_MAX, Row, Rows, line_number, own_number, to_line
from db.models import FittedPart, Run
from db.models_charts import UnitCount
from db.models_proof import ReferenceDeviation
from db.outbox import Kind
from db.proof_places import LOT, PRODUCT
from db.yield_keeping import keep_yield_of
from station.errors import StoreError, UsageError

RUNS_NAMED: Final[Mapping[str, tuple[str, ...]]] = {
    "rework_orders": ("failing_run",),
    "rework_tries": ("advice_run", "retest_run"),
    "ledger": ("run_number",),
    "advices": ("run_number",),
}
"""Columns that name a run which must be on the line already."""


def take(session: Session, place: int, record: Record, again: bool) -> None:
    """Put a record of the station in a place on the line; again: in the place of what it was before. Raises StoreError."""
    try:
        rows = to_line(record.rows, place)
    except UsageError as problem:
        raise StoreError(problem.message, refused=True) from problem
    _require_runs(session, rows)
    keys = _keys(session, record, rows)
    if again or record.kind is Kind.UNIT:
        _forget(session, place, record, keys)
    for table in _tables(record.kind):
        some = rows.get(table.__tablename__)
        if some:
            columns = table.__table__.columns
            session.execute(insert(table), [{**row, **{name: key for name, key in keys.items() if name in columns}} for row in some])
    if record.kind is Kind.RUN:
        _count_places(session, rows["first_runs"])
        keep_yield_of(session, rows["runs"][0]["number"])


def _tables(kind: Kind) -> list[Table]:
    return [*PARTS[kind], *([ReferenceDeviation] if kind is Kind.PROCEDURE else [])]


def _keys(session: Session, record: Record, rows: Rows) -> dict[str, int]:
    """Keys that the unit, the rig and the specification have on the line."""
    run = rows["runs"][0] if record.kind is Kind.RUN else None
    find: dict[str, tuple[str, Callable[[Row], int]]] = {
        "specifications": ("specification_key", lambda row: specification_key(session, row)),
        "units": ("unit_key", lambda row: unit_key(session, row, run)),
    }
    if run is not None:
        find["rigs"] = ("rig_key", lambda row: rig_key(session, row, run))
    return {name: key(record.named[table]) for table, (name, key) in find.items() if table in record.named}


def _forget(session: Session, place: int, record: Record, keys: Mapping[str, int]) -> None:
    """What the line has of a thing that comes again, changed."""
    if record.kind is Kind.UNIT:
        own = FittedPart.id.between(place * NUMBERS_MAX, (place + 1) * NUMBERS_MAX - 1)
        session.execute(delete(FittedPart).where(FittedPart.unit_key == keys["unit_key"], own))
        return
    for table, column in reversed(list(PARTS[record.kind].items())):
        session.execute(delete(table).where(getattr(table, column) == line_number(place, record.number)))


def _require_runs(session: Session, rows: Rows) -> None:
    named = {row[column] for table, columns in RUNS_NAMED.items() for row in rows.get(table, ()) for column in columns}
    numbers: set[int] = {number for number in named if number is not None}
    missing = numbers - set(session.scalars(select(Run.number).where(Run.number.in_(numbers)))) if numbers else set()
    if missing:
        own = ", ".join(str(own_number(number)[1]) for number in sorted(missing))
        raise StoreError(f"run {own} of this station, which it names, is not on the line: it waits until that is", refused=True)


def _count_places(session: Session, first_runs: Iterable[Row]) -> None:
    """How many places are taken, as the station counts them."""
    for row in first_runs:
        for scope, lot, taken in ((PRODUCT, "", row["place_in_product"]), (LOT, row["lot"], row["place_in_lot"])):
            which = {"station": row["station"], "product": row["product"], "scope": scope, "lot": lot, "emulated": row["emulated"]}
            new = _insert(session)(UnitCount).values(**which, units=taken)
            more = {"set_": {"units": new.excluded.units}, "where": UnitCount.units < new.excluded.units}
            session.execute(new.on_conflict_do_update(index_elements=list(which), **more))


def _insert(session: Session) -> Any:
    return postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
