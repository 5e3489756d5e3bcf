"""What the adviser still has to do, and what it must know of a run."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select, union

from db.models import Run, Specification, TraceBlock, Unit
from db.models_rework import FollowedRun, LedgerEntry, ReworkOrder, ReworkPart, ReworkTry, SourceEstimate
from station.errors import NotFound
from station.records import Fitted, UnitIdentity, Verdict
from station.rework import Computed, Job, LotKey, LotNews, Part, RunFacts, acting_parts


def unfollowed(connection: Connection, station: str) -> Sequence[int]:
    """Closed runs of a station whose meaning is not settled: failed ones, and later ones of units with an order that is not ended."""
    new = ~select(FollowedRun.run_number).where(FollowedRun.run_number == Run.number).correlate(Run).exists()
    failed = select(Run.number).where(Run.station == station, Run.verdict == Verdict.FAIL.value, new)
    later = (
        select(Run.number)
        .join(ReworkOrder, ReworkOrder.unit_key == Run.unit_key)
        .where(ReworkOrder.closed_at.is_(None), Run.number > ReworkOrder.failing_run, Run.verdict.is_not(None), Run.station == station, new)
    )
    both = union(failed, later).subquery()
    return list(connection.scalars(select(both.c.number).order_by(both.c.number)))


def in_rework(connection: Connection, number: int) -> bool:
    """Whether the unit of a run has an order that is not ended: its retest can be checked only by its trace."""
    query = select(ReworkOrder.id).join(Run, Run.unit_key == ReworkOrder.unit_key)
    return connection.execute(query.where(Run.number == number, ReworkOrder.closed_at.is_(None)).limit(1)).first() is not None


def jobs(connection: Connection, station: str) -> Sequence[Job]:
    """Checks of retests first, oldest first, then advice: what a check teaches is used by the next advice."""
    return [*_checks(connection, station), *_advices(connection, station)]


def _checks(connection: Connection, station: str) -> list[Job]:
    query = (
        select(ReworkTry.__table__, ReworkOrder.tries_max)
        .join(ReworkOrder, ReworkOrder.id == ReworkTry.order_key)
        .join(Run, Run.number == ReworkTry.retest_run)
        .where(ReworkTry.retest_check == Computed.PENDING.value, Run.station == station)
        .order_by(ReworkTry.retest_run)
    )
    return [
        Job("check", row.order_key, row.number, row.retest_run, row.advice_run, parts_of_try(connection, row.order_key, row.number))
        for row in connection.execute(query).all()
    ]


def _advices(connection: Connection, station: str) -> list[Job]:
    query = (
        select(ReworkTry.order_key, ReworkTry.number, ReworkTry.advice_run)
        .join(Run, Run.number == ReworkTry.advice_run)
        .where(ReworkTry.advice == Computed.PENDING.value, Run.station == station)
        .order_by(ReworkTry.advice_run)
    )
    return [Job("advice", row.order_key, row.number, row.advice_run) for row in connection.execute(query).all()]


def parts_of_try(connection: Connection, order: int, number: int) -> tuple[Part, ...]:
    """Parts recorded in a try."""
    query = select(ReworkPart.__table__).filter_by(order_key=order, try_number=number).order_by(ReworkPart.stick, ReworkPart.axis)
    return tuple(Part(row.stick, row.axis, row.farads, row.text) for row in connection.execute(query))


def lots_to_learn(connection: Connection) -> Sequence[LotNews]:
    """Lots, and products, whose ledger has entries that no estimate knows. A lot without a name is nobody's lot."""
    seen = _learnt(connection)
    lots = (LedgerEntry.product, LedgerEntry.lot, LedgerEntry.emulated)
    newest = select(*lots, func.max(LedgerEntry.id).label("entry"), func.max(LedgerEntry.run_number).label("run")).group_by(*lots)
    found: dict[LotKey, LotNews] = {}
    for row in connection.execute(newest):
        for lot in (row.lot, None) if row.lot else (None,):
            key = LotKey(row.product, lot, row.emulated)
            before = found.get(key, LotNews(key, 0, 0))
            found[key] = LotNews(key, max(row.entry, before.entry), max(row.run, before.run))
    return [news for key, news in found.items() if news.entry > seen.get(key, 0)]


def _learnt(connection: Connection) -> dict[LotKey, int]:
    """Newest entry that the estimates of each lot and product know."""
    table = SourceEstimate
    lots = (table.product, table.scope, table.lot, table.emulated)
    rows = connection.execute(select(*lots, func.max(table.last_entry).label("entry")).group_by(*lots))
    return {LotKey(row.product, lot_of(row.scope, row.lot), row.emulated): row.entry for row in rows}


def scoped(key: LotKey) -> dict[str, Any]:
    """Columns that tell a lot from a product."""
    scope = "product" if key.lot is None else "lot"
    return {"product": key.product, "scope": scope, "lot": key.lot or "", "emulated": key.emulated}


def lot_of(scope: str, lot: str) -> str | None:
    """The lot of a row, None for a whole product's."""
    return None if scope == "product" else lot


def facts_of_run(connection: Connection, number: int) -> RunFacts:
    """Raises NotFound for a run that does not exist or goes on."""
    columns = (Run.product, Run.lot, Run.emulated, Run.verdict, Run.reasons, Run.fitted, Unit.serial, Specification.text)
    query = select(*columns).join(Unit, Unit.id == Run.unit_key).join(Specification, Specification.id == Run.specification_key)
    row = connection.execute(query.where(Run.number == number, Run.verdict.is_not(None))).one_or_none()
    if row is None:
        raise NotFound(f"run {number} does not exist or has not ended")
    fitted = {stick: Fitted(parts["x_f"], parts["y_f"]) for stick, parts in row.fitted.items()}
    findings = connection.execute(select(ReworkTry.findings).where(ReworkTry.retest_run == number)).scalars().first()
    kept = select(TraceBlock.stick).where(TraceBlock.run_number == number).distinct().order_by(TraceBlock.stick)
    return RunFacts(
        number=number,
        unit=UnitIdentity(row.serial, row.product, row.lot),
        emulated=row.emulated,
        verdict=Verdict(row.verdict),
        reasons=tuple(row.reasons),
        specification=row.text,
        fitted=fitted,
        acting=acting_parts(fitted, findings or {}),
        traces=tuple(connection.scalars(kept)),
    )


def lot_runs(connection: Connection, product: str, lot: str, most: int) -> Sequence[int]:
    """Newest run of each unit of a stick lot that was decided and whose trace is kept, newest first."""
    kept = select(TraceBlock.run_number).where(TraceBlock.run_number == Run.number).correlate(Run).exists()
    newest = select(func.max(Run.number).label("number")).where(*_decided(product, lot), kept).group_by(Run.unit_key)
    some = newest.subquery()
    return list(connection.scalars(select(some.c.number).order_by(some.c.number.desc()).limit(most)))


def units_of_lot(connection: Connection, product: str, lot: str) -> int:
    """How many different units of a stick lot were decided."""
    return connection.execute(select(func.count(Run.unit_key.distinct())).where(*_decided(product, lot))).scalar_one()


def _decided(product: str, lot: str) -> tuple[ColumnElement[bool], ...]:
    return (Run.product == product, Run.lot == lot, Run.verdict.in_([Verdict.PASS.value, Verdict.FAIL.value]))
