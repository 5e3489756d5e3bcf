"""Points of charts, the newest ones, by index: what they cost does not grow with what was tested before. One query per kind of chart.

reference: measured less reference value of one figure of one check. release-speed, noise, latency, jitter: one figure of one run.
peak: mean peaks of one group of 5 units in a row of a lot. failed: failed ones of 50 units in a row of a product. A unit stands there by
its first decided run, in the order of closing: later ones are after rework, or for looking closer. What is not complete is no point yet.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, case, false, func, select
from sqlalchemy.orm import aliased

from db.models import GroupResult
from db.models_charts import FirstRun, UnitCount
from db.models_proof import ReferenceCheckRecord, ReferenceDeviation, RunHealth
from db.proof_places import LOT, PRODUCT
from db.proof_rows import number_of
from db.proof_sides import REFERENCE, Side, checked_machine, machine_keys, product_emulated, run_machine
from station.errors import UsageError
from station.proof import HEALTH, ChartKey, ChartPoint, HealthRow

PEAK, FAILED = "peak", "failed"
PEAK_UNITS: Final = 5  # of one point. As in the table of charts, station.prove.chart_table
FAILED_UNITS: Final = 50
"""Units of one point. Chosen: with 2 % failed a point counts one failed unit on average, and there are several points a shift."""

HEALTH_OF: Final[Mapping[tuple[str, str], str]] = {
    ("release-speed", ""): "release_speed_share_s",
    ("noise", "x"): "noise_x_counts",
    ("noise", "y"): "noise_y_counts",
    ("latency", ""): "push_latency_s",
    ("jitter", ""): "push_jitter_s",
}
"""Columns of run_health by chart and figure, in the order in which charts are listed."""


def points(connection: Connection, station: str, chart: ChartKey, newest: int) -> Sequence[ChartPoint]:
    """Oldest first. Raises UsageError for a chart that does not exist, or fewer than one point."""
    if newest < 1:
        raise UsageError(f"number of points is {newest}; expected 1 or more")
    if chart.what == REFERENCE:
        return _reference(connection, station, chart, newest)
    if chart.what == PEAK:
        return _peaks(connection, station, chart, newest)
    if chart.what == FAILED:
        return _failed(connection, station, chart.product, newest)
    column = HEALTH_OF.get((chart.what, chart.figure))
    if column is None:
        known = ", ".join(" ".join(pair).strip() for pair in HEALTH_OF)
        raise UsageError(f"chart is {chart.what!r}, figure {chart.figure!r}; expected {REFERENCE}, {PEAK}, {FAILED} or one of {known}")
    return _of_runs(connection, station, chart.rig, column, newest)


def health(connection: Connection, station: str, side: Side, newest: int) -> list[HealthRow]:
    """Of a machine's closed runs that were not invalid, oldest first, whatever its name here was."""
    rows: list[Any] = []
    for key in machine_keys(connection, station, side):
        query = select(RunHealth.__table__).where(RunHealth.rig_key == key, RunHealth.invalid == false())
        rows += connection.execute(query.order_by(RunHealth.started_at.desc(), RunHealth.run_number.desc()).limit(newest)).all()
    rows.sort(key=lambda row: (row.started_at, row.run_number))
    return [HealthRow(row.run_number, row.started_at, {name: number_of(getattr(row, name)) for name in HEALTH}) for row in rows[-newest:]]


# --- points


def _of_runs(connection: Connection, station: str, rig: str, column: str, newest: int) -> list[ChartPoint]:
    side = run_machine(connection, station, rig)
    value = getattr(RunHealth, column)
    query = select(RunHealth.run_number, RunHealth.started_at, value.label("value")).where(
        RunHealth.rig_key.in_(machine_keys(connection, station, side, rig)), RunHealth.invalid == false(), value.is_not(None)
    )
    rows = connection.execute(query.order_by(RunHealth.started_at.desc(), RunHealth.run_number.desc()).limit(newest)).all()
    return [ChartPoint(str(row.run_number), row.started_at, (row.value,)) for row in reversed(rows)]


def _reference(connection: Connection, station: str, chart: ChartKey, newest: int) -> list[ChartPoint]:
    stick, place, figure = _three(chart.figure)
    side = checked_machine(connection, station, chart.rig)
    check, one = ReferenceCheckRecord, ReferenceDeviation
    query = (
        select(check.id, check.made_at, (one.measured - one.reference).label("value"))
        .join(one, one.check_key == check.id)
        .where(
            one.stick == stick,
            one.place == place,
            one.figure == figure,
            check.station == station,
            check.rig_id == side.rig_id,
            check.emulated == side.emulated,
            check.rig == chart.rig,
            check.product == chart.product,
            one.measured.is_not(None),
        )
    )
    rows = connection.execute(query.order_by(check.id.desc()).limit(newest)).all()
    return [ChartPoint(str(row.id), row.made_at, (row.value,)) for row in reversed(rows)]


def _three(figure: str) -> list[str]:
    """Such as "main x+ peak_counts". Raises UsageError."""
    words = figure.split(" ")
    if len(words) != 3:
        raise UsageError(f"figure of a reference chart is {figure!r}; expected stick, place and name, such as 'main x+ peak_counts'")
    return words


def _peaks(connection: Connection, station: str, chart: ChartKey, newest: int) -> list[ChartPoint]:
    """Samples of the complete rows of units; a unit without the figure leaves its sample smaller, and none at all is no point."""
    emulated = product_emulated(connection, station, chart.product)
    last = _counted(connection, station, chart.product, LOT, chart.lot, emulated) // PEAK_UNITS * PEAK_UNITS
    own, earlier = aliased(GroupResult), aliased(GroupResult)
    mean = func.coalesce(own.peak_mean_counts, earlier.peak_mean_counts)
    place = FirstRun.place_in_lot
    query = (
        select(place.label("place"), FirstRun.run_number, FirstRun.ended_at, mean.label("mean"))
        .outerjoin(own, and_(own.run_number == FirstRun.run_number, *_of_figure(own, chart.figure)))
        .outerjoin(earlier, and_(earlier.run_number == FirstRun.continues, *_of_figure(earlier, chart.figure)))
        .where(FirstRun.station == station, FirstRun.product == chart.product, FirstRun.lot == chart.lot, FirstRun.emulated == emulated)
        .where(place > last - newest * PEAK_UNITS, place <= last)
        .order_by(place)
    )
    return list(_samples(connection.execute(query).all()))


def _of_figure(table: type[GroupResult], figure: str) -> list[ColumnElement[bool]]:
    """Such as "x+", or "left x+" for a product with more than one stick."""
    stick, _, group = figure.rpartition(" ")
    return [table.group_name == group, *([table.stick == stick] if stick else [])]


def _samples(rows: Sequence[Any]) -> Iterator[ChartPoint]:
    for _, some in groupby(rows, key=lambda row: (row.place - 1) // PEAK_UNITS):
        units = list(some)
        sample = tuple(row.mean for row in units if row.mean is not None)
        if sample:
            yield ChartPoint(str(units[-1].run_number), units[-1].ended_at, sample)


def _failed(connection: Connection, station: str, product: str, newest: int) -> list[ChartPoint]:
    emulated = product_emulated(connection, station, product)
    last = _counted(connection, station, product, PRODUCT, "", emulated) // FAILED_UNITS * FAILED_UNITS
    place = FirstRun.place_in_product
    chosen = select(place).filter_by(station=station, product=product, emulated=emulated)
    chosen = chosen.where(place > last - newest * FAILED_UNITS, place <= last)
    row = ((place - 1) // FAILED_UNITS).label("row")
    counts = chosen.with_only_columns(row, func.sum(case((FirstRun.failed, 1), else_=0)).label("failed")).group_by(row)
    failed = {one.row: one.failed for one in connection.execute(counts)}
    ends = chosen.with_only_columns(row, FirstRun.run_number, FirstRun.ended_at).where(place % FAILED_UNITS == 0).order_by(place)
    return [
        ChartPoint(str(one.run_number), one.ended_at, (float(failed[one.row]), float(FAILED_UNITS))) for one in connection.execute(ends)
    ]


def _counted(connection: Connection, station: str, product: str, scope: str, lot: str, emulated: bool) -> int:
    query = select(UnitCount.units).filter_by(station=station, product=product, scope=scope, lot=lot, emulated=emulated)
    return connection.execute(query).scalar_one_or_none() or 0
