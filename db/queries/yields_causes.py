"""Reasons of failed runs, counted; starts from the failed runs, few among many, and looks up their reasons by key."""

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, func, literal, select

from db.models import RunReason
from db.models_yield import YieldKind, YieldRun
from db.queries.yields_scope import Scope
from station.ports.yields import CauseTally, Rank
from station.quantities import AXES
from station.records import Verdict

EMPTY: Final = literal("")
AXIS: Final = func.substr(RunReason.part, 1, 1)
DIRECTION: Final = func.substr(RunReason.part, 2, 1)
TOLD_BY: Final[dict[Rank, tuple[Any, Any, Any]]] = {
    Rank.REASON: (RunReason.code, EMPTY, EMPTY),
    Rank.PLACE: (RunReason.code, RunReason.part, EMPTY),
    Rank.AXIS: (EMPTY, AXIS, EMPTY),
    Rank.DIRECTION: (EMPTY, DIRECTION, EMPTY),
    Rank.LOT: (EMPTY, EMPTY, YieldKind.lot),
    Rank.PLACE_AND_LOT: (RunReason.code, RunReason.part, YieldKind.lot),
}
"""Code, part and lot of a cause. A run counts once for a cause, however often it names it."""


def causes(connection: Connection, scope: Scope, rank: Rank) -> Sequence[CauseTally]:
    """In no order."""
    told = [column.label(name) for name, column in zip(("code", "part", "lot"), TOLD_BY[rank], strict=True)]
    run = YieldRun
    query = select(*told, func.count(run.run_number.distinct()), func.count(run.unit_key.distinct()))
    query = query.select_from(run).join(RunReason, RunReason.run_number == run.run_number)
    if rank in (Rank.LOT, Rank.PLACE_AND_LOT):
        query = query.join(YieldKind, YieldKind.id == run.kind_key)
    query = query.where(*scope.conditions(), run.verdict == Verdict.FAIL.value, *_having(rank))
    by = [column for column in TOLD_BY[rank] if column is not EMPTY]
    rows = connection.execute(query.group_by(*by))
    return [CauseTally(row[0], row[1], row[2], row[3], row[4]) for row in rows]


def _having(rank: Rank) -> list[ColumnElement[bool]]:
    if rank is Rank.AXIS:
        return [AXIS.in_(AXES)]
    return [DIRECTION.in_(("+", "-"))] if rank is Rank.DIRECTION else []
