"""Which charts there are: those of a rig, those of products, those on which a run is a point."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, exists, false, or_, select

from db.models import GroupResult, Rig, Run
from db.models_charts import FirstRun, UnitCount
from db.models_proof import ReferenceCheckRecord, ReferenceDeviation, RunHealth
from db.proof_places import LOT, PRODUCT
from db.proof_points import FAILED, FAILED_UNITS, HEALTH_OF, PEAK, PEAK_UNITS
from db.proof_sides import REFERENCE, Side, checked_machine, machine_keys, product_emulated, run_machine
from station.proof import ChartKey
from station.quantities import GROUPS

RECENT_CHECKS: Final = 50  # newest checks of a machine, whose figures are listed as charts. Chosen: two weeks of shifts

Group = tuple[str, str]  # stick and group


def keys(connection: Connection, station: str, rig: str) -> list[ChartKey]:
    """Charts that have a point: of a rig by its name, or of all products when it is ""."""
    if rig:
        return [*_of_checks(connection, station, rig), *_of_runs(connection, station, rig)]
    return _of_products(connection, station)


def charts_of_run(connection: Connection, station: str, number: int) -> list[ChartKey]:
    """The charts on which a closed run is, or adds to, a point; those of its rig first."""
    query = select(Run.rig, Run.product, Run.lot, Run.emulated, Rig.rig_id).join(Rig, Rig.id == Run.rig_key)
    run = connection.execute(query.where(Run.number == number, Run.station == station, Run.verdict.is_not(None))).one_or_none()
    if run is None:
        return []
    return [*_rig_charts(connection, station, number, run), *_product_charts(connection, station, number, run)]


def _rig_charts(connection: Connection, station: str, number: int, run: Any) -> list[ChartKey]:
    if run_machine(connection, station, run.rig) != Side(run.rig_id, run.emulated):
        return []
    query = select(RunHealth.__table__).where(RunHealth.run_number == number, RunHealth.invalid == false())
    known = connection.execute(query).one_or_none()
    if known is None:
        return []
    return [_key(run.rig, pair) for pair, column in HEALTH_OF.items() if getattr(known, column) is not None]


def _product_charts(connection: Connection, station: str, number: int, run: Any) -> list[ChartKey]:
    first = connection.execute(select(FirstRun.run_number, FirstRun.continues).where(FirstRun.run_number == number)).one_or_none()
    if first is None or product_emulated(connection, station, run.product) != run.emulated:
        return []
    known = select(GroupResult.stick, GroupResult.group_name).where(
        GroupResult.run_number.in_([first.run_number, first.continues]), GroupResult.peak_mean_counts.is_not(None)
    )
    found = {(row.stick, row.group_name) for row in connection.execute(known)}
    return [ChartKey(FAILED, product=run.product), *_peak_keys(run.product, run.lot, found)]


def _of_checks(connection: Connection, station: str, rig: str) -> list[ChartKey]:
    check, one = ReferenceCheckRecord, ReferenceDeviation
    side = checked_machine(connection, station, rig)
    recent = select(check.id, check.product).filter_by(station=station, rig_id=side.rig_id, emulated=side.emulated, rig=rig)
    some = recent.order_by(check.id.desc()).limit(RECENT_CHECKS).subquery()
    query = select(some.c.product, one.stick, one.place, one.figure).join(one, one.check_key == some.c.id)
    rows = connection.execute(query.where(one.measured.is_not(None)).distinct()).all()
    ordered = sorted(rows, key=lambda row: (row.product, row.stick, *_order(row.place), row.figure))
    return [ChartKey(REFERENCE, rig=rig, product=row.product, figure=f"{row.stick} {row.place} {row.figure}") for row in ordered]


def _of_runs(connection: Connection, station: str, rig: str) -> list[ChartKey]:
    machine = machine_keys(connection, station, run_machine(connection, station, rig), rig)
    mine = (RunHealth.rig_key.in_(machine), RunHealth.invalid == false())
    known = [exists().where(*mine, getattr(RunHealth, column).is_not(None)).label(column) for column in HEALTH_OF.values()]
    row = connection.execute(select(*known)).one()
    return [_key(rig, pair) for pair, column in HEALTH_OF.items() if getattr(row, column)]


def _of_products(connection: Connection, station: str) -> list[ChartKey]:
    counted = select(UnitCount.product, UnitCount.scope, UnitCount.lot, UnitCount.emulated).where(UnitCount.station == station)
    enough = or_(UnitCount.units >= FAILED_UNITS, (UnitCount.scope == LOT) & (UnitCount.units >= PEAK_UNITS))
    rows = connection.execute(counted.where(enough).order_by(UnitCount.product, UnitCount.lot)).all()
    sides = {product: product_emulated(connection, station, product) for product in {row.product for row in rows}}
    shown = [row for row in rows if row.emulated == sides[row.product]]
    failed = [ChartKey(FAILED, product=row.product) for row in shown if row.scope == PRODUCT]
    figures = _figures_of_lots(connection, station)
    peaks = [
        key
        for row in shown
        if row.scope == LOT
        for key in _peak_keys(row.product, row.lot, figures.get((row.product, row.lot, row.emulated), set()))
    ]
    return [*failed, *peaks]


def _figures_of_lots(connection: Connection, station: str) -> dict[tuple[str, str, bool], set[Group]]:
    """Groups with a mean peak among the newest units of each lot."""
    count, first, found = UnitCount, FirstRun, GroupResult
    lots = (
        select(count.product, count.lot, count.emulated, found.stick, found.group_name)
        .where(count.station == station, count.scope == LOT, count.units >= PEAK_UNITS)
        .join(
            first,
            (first.station == count.station)
            & (first.product == count.product)
            & (first.lot == count.lot)
            & (first.emulated == count.emulated)
            & (first.place_in_lot > count.units - PEAK_UNITS),
        )
        .join(found, found.run_number.in_([first.run_number, first.continues]))
        .where(found.peak_mean_counts.is_not(None))
        .distinct()
    )
    groups: dict[tuple[str, str, bool], set[Group]] = {}
    for row in connection.execute(lots):
        groups.setdefault((row.product, row.lot, row.emulated), set()).add((row.stick, row.group_name))
    return groups


def _peak_keys(product: str, lot: str, groups: Iterable[Group]) -> list[ChartKey]:
    """The stick is named where a unit has more than one."""
    ordered = sorted(groups, key=lambda one: (one[0], _order(one[1])))
    one_stick = len({stick for stick, _ in ordered}) == 1
    return [ChartKey(PEAK, product=product, lot=lot, figure=group if one_stick else f"{stick} {group}") for stick, group in ordered]


def _order(place: str) -> tuple[int, str]:
    """Groups in the order of the house, then axes."""
    known: Sequence[str] = GROUPS
    return (known.index(place) if place in known else len(known), place)


def _key(rig: str, pair: tuple[str, str]) -> ChartKey:
    what, figure = pair
    return ChartKey(what, rig=rig, figure=figure)
