"""Questions about rework: the work list, one order, advice as kept, the ledger, what it taught, and what the adviser still has to do."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, select

from db.blocks import Packed, unpack_json
from db.engine import Database
from db.models import Run, Specification, Unit
from db.models_rework import Advice, LedgerEntry, ReworkOrder, ReworkPart, ReworkTry, SourceEstimate
from db.queries import PAGE_MAX, traces
from db.queries.rework_due import facts_of_run, lot_of, lot_runs, scoped, units_of_lot
from db.queries.runs import check_limit, prefixed
from db.rows import Page
from db.rows_rework import LedgerFilter, LedgerRow, OrderDetail, OrderFilter, OrderRow, StoredAdvice, TryRow
from station.errors import NotFound, UsageError
from station.records import Recording, UnitIdentity
from station.rework import ACTIVE, EstimateRow, LotKey, Part, PartRecord, RunFacts, State

ACTIVE_NAME, ALL_NAME = "active", "all"


class ReworkQueries:
    """Read side of the rework loop. Safe to use from any thread. Every method raises StoreUnavailable."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def orders(self, which: OrderFilter | None = None, after: str | None = None, limit: int = 50) -> Page[OrderRow]:
        """What waits longest first while it is worked on, ended ones newest first. Raises UsageError for a state, limit or cursor."""
        with self.database.read() as connection:
            return _orders(connection, which or OrderFilter(), after, limit)

    def order(self, number: int) -> OrderDetail:
        """Raises NotFound."""
        with self.database.read() as connection:
            row = connection.execute(_listing().where(ReworkOrder.id == number)).one_or_none()
            if row is None:
                raise NotFound(f"rework order {number} does not exist")
            return OrderDetail(_order_row(row), _tries(connection, number))

    def orders_of(self, serial: str) -> Sequence[OrderRow]:
        """All orders of a unit, newest first."""
        with self.database.read() as connection:
            rows = connection.execute(_listing().where(ReworkOrder.serial == serial).order_by(ReworkOrder.id.desc()))
            return [_order_row(row) for row in rows]

    def advice(self, number: int) -> StoredAdvice | None:
        """Advice of a run as kept, None when none was. Raises StoreError naming the run when it is damaged."""
        with self.database.read() as connection:
            return _advice(connection, Advice.run_number == number)

    def newest_advice(self, serial: str) -> StoredAdvice:
        """Raises NotFound when no advice was ever made for this unit."""
        with self.database.read() as connection:
            newest = select(Advice.run_number).join(Run, Run.number == Advice.run_number).join(Unit, Unit.id == Run.unit_key)
            number = connection.execute(newest.where(Unit.serial == serial).order_by(Advice.run_number.desc()).limit(1)).scalar()
            found = None if number is None else _advice(connection, Advice.run_number == number)
        if found is None:
            raise NotFound(f"unit {serial!r}: no advice was made; it is made when the unit fails")
        return found

    def ledger(self, which: LedgerFilter | None = None, after: str | None = None, limit: int = 50) -> Page[LedgerRow]:
        """Newest first. Raises UsageError for a limit or cursor."""
        check_limit(limit, PAGE_MAX)
        query = select(LedgerEntry.__table__, ReworkOrder.serial).join(ReworkOrder, ReworkOrder.id == LedgerEntry.order_key)
        query = query.where(*_ledger_conditions(which or LedgerFilter())).order_by(LedgerEntry.id.desc()).limit(limit + 1)
        if after is not None:
            query = query.where(LedgerEntry.id < cursor_of(after))
        with self.database.read() as connection:
            rows = connection.execute(query).all()
        items = tuple(_ledger_row(row) for row in rows[:limit])
        return Page(items, str(items[-1].entry) if len(rows) > limit else None)

    def estimates(self, product: str | None = None, lot: str | None = None) -> Sequence[EstimateRow]:
        """All versions, by product and lot, newest first."""
        table = SourceEstimate
        query = select(table.__table__).order_by(table.product, table.scope, table.lot, table.emulated, table.version.desc())
        chosen = ((table.product, product), (table.lot, lot))
        with self.database.read() as connection:
            rows = connection.execute(query.where(*(column == text for column, text in chosen if text is not None)))
            return [_estimate_row(row) for row in rows]

    def estimate(self, key: LotKey) -> EstimateRow | None:
        """The newest version for a lot, None when its ledger is empty."""
        table = SourceEstimate
        query = select(table.__table__).filter_by(**scoped(key))
        with self.database.read() as connection:
            row = connection.execute(query.order_by(table.version.desc()).limit(1)).one_or_none()
        return None if row is None else _estimate_row(row)

    def facts(self, number: int) -> RunFacts:
        """Of a closed run. Raises NotFound, also for one that goes on."""
        with self.database.read() as connection:
            return facts_of_run(connection, number)

    def recording(self, number: int, stick: str) -> Recording:
        """Raises NotFound when no trace was kept; StoreError naming the run when it is damaged."""
        with self.database.read() as connection:
            rows = traces.rows(connection, number, stick)
        return traces.recording(rows, number, stick)

    def newest_specification(self, product: str) -> str:
        """TOML text of the revision of a product that was kept last. Raises NotFound."""
        query = select(Specification.text).where(Specification.name == product).order_by(Specification.id.desc()).limit(1)
        with self.database.read() as connection:
            text = connection.execute(query).scalar_one_or_none()
        if text is None:
            raise NotFound(f"product {product!r} has no specification here")
        return text

    def units_of_lot(self, product: str, lot: str) -> int:
        """How many different units of a stick lot were decided."""
        with self.database.read() as connection:
            return units_of_lot(connection, product, lot)

    def runs_of_lot(self, product: str, lot: str, most: int) -> Sequence[int]:
        """Newest run of each unit of a stick lot that was decided and whose trace is kept, newest first."""
        with self.database.read() as connection:
            return lot_runs(connection, product, lot, most)


def advice_about(number: int, stick: str) -> dict[str, Any]:
    """What the digest of a kept advice covers beside its bytes."""
    return {"kind": "advice", "run": number, "stick": stick}


def cursor_of(after: str) -> int:
    """Raises UsageError for what no page gave out."""
    if not (after.isascii() and after.isdecimal() and len(after) <= 18):
        raise UsageError(f"page cursor is {after!r}; expected one as given with the page before")
    return int(after)


def _orders(connection: Connection, which: OrderFilter, after: str | None, limit: int) -> Page[OrderRow]:
    check_limit(limit, PAGE_MAX)
    oldest_first = which.state in (ACTIVE_NAME, *ACTIVE)
    query = _listing().where(*_conditions(which)).order_by(ReworkOrder.id if oldest_first else ReworkOrder.id.desc())
    if after is not None:
        beyond = cursor_of(after)
        query = query.where(ReworkOrder.id > beyond if oldest_first else ReworkOrder.id < beyond)
    rows = connection.execute(query.limit(limit + 1)).all()
    items = tuple(_order_row(row) for row in rows[:limit])
    return Page(items, str(items[-1].order) if len(rows) > limit else None)


def _listing() -> Select[*tuple[Any, ...]]:
    """Columns of OrderRow with the tables they come from."""
    table = ReworkOrder
    newest = and_(ReworkTry.order_key == table.id, ReworkTry.number == table.tries)
    return (
        select(
            table.__table__,
            ReworkTry.advice,
            ReworkTry.advice_run,
            ReworkTry.retest_check,
            Run.reasons,
            Specification.name.label("specification"),
            Specification.revision,
        )
        .join(ReworkTry, newest)
        .join(Run, Run.number == table.failing_run)
        .join(Specification, Specification.id == table.specification_key)
    )


def _conditions(which: OrderFilter) -> list[ColumnElement[bool]]:
    table = ReworkOrder
    if which.state not in (ACTIVE_NAME, ALL_NAME, *State):
        raise UsageError(f"state is {which.state!r}; expected one of {ACTIVE_NAME}, {', '.join(State)} or {ALL_NAME}")
    found: list[ColumnElement[bool]] = []
    if which.state == ACTIVE_NAME:
        found.append(table.state.in_([state.value for state in ACTIVE]))
    elif which.state != ALL_NAME:
        found.append(table.state == which.state)
    found += [column == text for column, text in ((table.product, which.product), (table.lot, which.lot)) if text is not None]
    if which.serial_prefix:
        found.append(prefixed(table.serial, which.serial_prefix))
    return found


def _order_row(row: Any) -> OrderRow:
    return OrderRow(
        order=row.id,
        station=row.station,
        unit=UnitIdentity(row.serial, row.product, row.lot),
        emulated=row.emulated,
        specification=f"{row.specification} {row.revision}",
        failing_run=row.failing_run,
        reasons=tuple(row.reasons),
        state=row.state,
        tries=row.tries,
        tries_max=row.tries_max,
        advice=row.advice,
        advice_run=row.advice_run,
        retest_check=row.retest_check,
        note=row.note,
        opened_at=row.opened_at,
        changed_at=row.changed_at,
        closed_at=row.closed_at,
        closed_by=row.closed_by,
        closing=row.closing,
    )


def _tries(connection: Connection, order: int) -> tuple[TryRow, ...]:
    parts: dict[int, list[PartRecord]] = {}
    fitted = select(ReworkPart.__table__).where(ReworkPart.order_key == order).order_by(ReworkPart.stick, ReworkPart.axis)
    for row in connection.execute(fitted):
        part = Part(row.stick, row.axis, row.farads, row.text)
        parts.setdefault(row.try_number, []).append(PartRecord(part, row.fitted_by, row.fitted_at))
    query = select(ReworkTry.__table__, Run.verdict.label("retest_verdict")).outerjoin(Run, Run.number == ReworkTry.retest_run)
    rows = connection.execute(query.where(ReworkTry.order_key == order).order_by(ReworkTry.number))
    return tuple(_try_row(row, tuple(parts.get(row.number, ()))) for row in rows)


def _try_row(row: Any, parts: tuple[PartRecord, ...]) -> TryRow:
    same = ("number", "advice_run", "advice", "advice_sentence", "advice_at", "retest_run", "retest_verdict", "retest_check")
    values = {name: getattr(row, name) for name in (*same, "check_sentence", "findings", "outcome")}
    return TryRow(**values, steps=tuple(row.steps), parts=parts)


def _advice(connection: Connection, which: ColumnElement[bool]) -> StoredAdvice | None:
    query = select(Advice.__table__, Run.product, Run.lot, Unit.serial).join(Run, Run.number == Advice.run_number)
    rows = connection.execute(query.join(Unit, Unit.id == Run.unit_key).where(which).order_by(Advice.stick)).all()
    if not rows:
        return None
    first, number = rows[0], rows[0].run_number
    sticks = {
        row.stick: unpack_json(
            Packed(row.codec, row.document, row.sha256),
            advice_about(number, row.stick),
            f"run {number}, stick {row.stick}: the kept advice",
        )
        for row in rows
    }
    return StoredAdvice(number, UnitIdentity(first.serial, first.product, first.lot), first.made_at, sticks)


def _ledger_conditions(which: LedgerFilter) -> list[ColumnElement[bool]]:
    table = LedgerEntry
    chosen = ((table.product, which.product), (table.lot, which.lot), (table.emulated, which.emulated))
    return [column == value for column, value in chosen if value is not None]


def _ledger_row(row: Any) -> LedgerRow:
    same = ("stick", "axis", "emulated", "predicted_counts", "measured_counts", "finding", "source", "document", "try_number")
    return LedgerRow(
        **{name: getattr(row, name) for name in same},
        entry=row.id,
        order=row.order_key,
        unit=UnitIdentity(row.serial, row.product, row.lot),
        retest_run=row.run_number,
        capacitance_f=row.farads,
        at=row.made_at,
    )


def _estimate_row(row: Any) -> EstimateRow:
    same = ("version", "digest", "name", "retests", "ohm", "tolerance", "used", "document", "made_at")
    return EstimateRow(LotKey(row.product, lot_of(row.scope, row.lot), row.emulated), **{name: getattr(row, name) for name in same})
