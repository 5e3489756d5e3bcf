"""Mean and spread of figures per product and lot: sums kept by whole UTC days, and what lies before and after those from the runs."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, func, select

from db.base import from_us, to_us
from db.models import GroupResult, StickResult
from db.models_yield import YieldFigure, YieldRun
from db.queries.yields_scope import Kind, Scope
from db.yield_marks import DAY_US, GROUP_COLUMNS, REST_COLUMNS
from station.ports.yields import Figure, FigureTally
from station.specification import Specification, parse_specification

NO_SPREAD = 1e-12
"""Of the sum of squares; less is what rounding leaves of equal values. Derived: 53 bits and a mean a few hundred deviations from zero."""

Sums = tuple[int, int, float, float]
"""Units, values, their sum and the sum of their squares."""

Key = tuple[int, Figure]
"""A kind of runs and a figure."""


def figures(connection: Connection, scope: Scope) -> tuple[FigureTally, ...]:
    """Per product, all lots together first, then each lot with a name."""
    sums = _sums(connection, scope)
    newest = _newest_specifications(scope.kinds[key] for key, _ in sums)
    found: dict[tuple[str, str, Figure], list[Sums]] = defaultdict(list)
    for (key, figure), some in sums.items():
        kind = scope.kinds[key]
        if kind.specification_key == newest[kind.product].specification_key:
            for lot in {"", kind.lot}:
                found[kind.product, lot, figure].append(some)
    order = list(Figure)
    places = sorted(found, key=lambda place: (place[0], place[1], order.index(place[2])))
    specifications = {product: parse_specification(kind.text) for product, kind in newest.items()}
    return tuple(_tally(place, found[place], specifications[place[0]]) for place in places)


def limits_of(specification: Specification, figure: Figure) -> tuple[float | None, float | None]:
    """Lower and upper limit of a figure."""
    stick, limits = specification.stick, specification.limits
    if figure is Figure.PEAK:
        return None, specification.host.neutral_zone_counts
    if figure is Figure.RETURN:
        return None, limits.return_s
    nominal, error = (
        (stick.reach_counts, limits.reach_error_counts) if figure is Figure.REACH else (stick.rest_counts, limits.rest_error_counts)
    )
    return nominal - error, nominal + error


def _tally(place: tuple[str, str, Figure], parts: Sequence[Sums], specification: Specification) -> FigureTally:
    units, count = sum(part[0] for part in parts), sum(part[1] for part in parts)
    total, squares = math.fsum(part[2] for part in parts), math.fsum(part[3] for part in parts)
    mean = total / count
    spread = squares - count * mean**2
    variance = spread / (count - 1) if count > 1 and spread > NO_SPREAD * squares else 0.0
    lower, upper = limits_of(specification, place[2])
    return FigureTally(*place, units=units, values=count, mean=mean, sd=math.sqrt(variance), lower=lower, upper=upper)


def _newest_specifications(kinds: Iterable[Kind]) -> dict[str, Kind]:
    """Of each product a kind under the revision that was kept last."""
    found: dict[str, Kind] = {}
    for kind in kinds:
        known = found.get(kind.product)
        if known is None or kind.specification_key > known.specification_key:
            found[kind.product] = kind
    return found


def _sums(connection: Connection, scope: Scope) -> dict[Key, Sums]:
    found: dict[Key, Sums] = {}
    first_day, last_day, edges = _whole_days(scope.begin, scope.end)
    rows = _kept(connection, scope, first_day, last_day)
    for begin, end in edges:
        rows += _from_runs(connection, scope, begin, end)
    for key, name, *sums in rows:
        place = (int(key), Figure(name))
        before = found.get(place, (0, 0, 0.0, 0.0))
        found[place] = (before[0] + sums[0], before[1] + sums[1], before[2] + sums[2], before[3] + sums[3])
    return {place: sums for place, sums in found.items() if sums[1] > 0 and place[0] in scope.kinds}


def _whole_days(begin: datetime | None, end: datetime | None) -> tuple[int | None, int | None, list[tuple[datetime, datetime]]]:
    """UTC days wholly within begin <= instant < end as first <= day < last, and what is left of the range before and after them."""
    first = None if begin is None else -(-to_us(begin) // DAY_US)
    last = None if end is None else to_us(end) // DAY_US
    if begin is not None and end is not None and first is not None and last is not None and first >= last:
        return 0, 0, [(begin, end)]
    edges = []
    if begin is not None and first is not None:
        edges.append((begin, from_us(first * DAY_US)))
    if end is not None and last is not None:
        edges.append((from_us(last * DAY_US), end))
    return first, last, [(one, other) for one, other in edges if other - one > timedelta(0)]


def _kept(connection: Connection, scope: Scope, first: int | None, last: int | None) -> list[Any]:
    table = YieldFigure
    sums = (func.sum(table.units), func.sum(table.count), func.sum(table.total), func.sum(table.squares))
    query = select(table.kind_key, table.figure, *sums).group_by(table.kind_key, table.figure)
    if first is not None:
        query = query.where(table.day >= first)
    if last is not None:
        query = query.where(table.day < last)
    return [(key, name, int(n), int(m), s, q) for key, name, n, m, s, q in connection.execute(query)]


def _from_runs(connection: Connection, scope: Scope, begin: datetime, end: datetime) -> list[Any]:
    found: list[Any] = []
    for figure, column in GROUP_COLUMNS.items():
        found += _of_column(connection, scope, (begin, end), GroupResult, figure, (column,))
    return found + _of_column(connection, scope, (begin, end), StickResult, Figure.REST, REST_COLUMNS)


def _of_column(
    connection: Connection, scope: Scope, time: tuple[datetime, datetime], table: Any, figure: Figure, columns: Sequence[str]
) -> list[Any]:
    """Sums over the first decided runs of a time, by kind. A run whose columns are all null has no value."""
    run, values = YieldRun, [getattr(table, column) for column in columns]
    known = sum((func.count(value) for value in values[1:]), func.count(values[0]))
    total = sum((func.coalesce(func.sum(value), 0.0) for value in values[1:]), func.coalesce(func.sum(values[0]), 0.0))
    squares = sum(
        (func.coalesce(func.sum(value * value), 0.0) for value in values[1:]), func.coalesce(func.sum(values[0] * values[0]), 0.0)
    )
    some = values[0].is_not(None)
    for value in values[1:]:
        some = some | value.is_not(None)
    query = select(run.kind_key, func.count(run.run_number.distinct()), known, total, squares).join(
        table, table.run_number == run.run_number
    )
    query = query.where(*scope.conditions(), run.started_at >= time[0], run.started_at < time[1], run.first, some)
    return [(key, figure.value, *sums) for key, *sums in connection.execute(query.group_by(run.kind_key))]
