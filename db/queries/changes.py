"""Marks of what an answer rests on: equal marks mean that nothing it says has changed, and none takes longer in a larger database.

Runs are numbered upwards and never changed once closed, so that the newest number and the runs still open tell which are closed; orders
likewise, and one that has ended stays so. In a line of stations, where numbers of several stations interleave, it is told by when each
station was last heard.
"""

from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, func, select

from db.base import EPOCH, to_us
from db.engine import Database
from db.models import FittedPart, Run, Specification, TraceBlock, Unit
from db.models_line import LineStation
from db.models_rework import Advice, ReworkOrder
from station.errors import NotFound
from station.rework import ACTIVE

Mark = tuple[Any, ...]
NEWEST: Final = 256
"""Rows that are looked through for the newest end. Chosen: more than run at a time in any line."""


class ChangeQueries:
    """Safe to use from any thread. Every method raises StoreUnavailable."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def everything(self) -> Mark:
        """Of lists of runs, units and failed units, and of yield."""
        with self.database.read() as connection:
            first, last = (connection.execute(select(end(Run.number))).scalar_one() for end in (func.min, func.max))
            still_open = connection.execute(select(Run.number).where(Run.verdict.is_(None)).order_by(Run.number)).scalars().all()
            return (first, last, *still_open, *_orders(connection), *_heard(connection))

    def run(self, number: int) -> Mark | None:
        """Of everything that is kept of a closed run; None while it goes on. Raises NotFound."""
        columns = (func.count(), func.coalesce(func.sum(TraceBlock.samples), 0))
        with self.database.read() as connection:
            row = connection.execute(select(Run.verdict, Run.ended_at).where(Run.number == number)).one_or_none()
            if row is None:
                raise NotFound(f"run {number} does not exist")
            if row.ended_at is None:
                return None
            blocks, samples = connection.execute(select(*columns).where(TraceBlock.run_number == number)).one()
            return number, row.verdict, to_us(row.ended_at), blocks, int(samples)

    def unit(self, serial: str) -> Mark:
        """Of a unit's whole history. Raises NotFound."""
        with self.database.read() as connection:
            unit = connection.execute(select(Unit.__table__).where(Unit.serial == serial)).one_or_none()
            if unit is None:
                raise NotFound(f"unit {serial!r} is not known here")
            mine = select(Run.number).where(Run.unit_key == unit.id)
            parts = select(func.count(), func.max(FittedPart.id)).where(FittedPart.unit_key == unit.id)
            orders = select(ReworkOrder.id, ReworkOrder.state, ReworkOrder.tries, ReworkOrder.note, ReworkOrder.changed_at)
            asked = (
                select(func.count(), func.max(Run.number), func.count(Run.verdict)).where(Run.unit_key == unit.id),
                parts,
                orders.where(ReworkOrder.serial == serial).order_by(ReworkOrder.id),
                select(func.count(), func.max(Advice.made_at)).where(Advice.run_number.in_(mine)),
                select(func.count(), func.sum(TraceBlock.samples)).where(TraceBlock.run_number.in_(mine)),
            )
            found = [tuple(row) for query in asked for row in connection.execute(query)]
            return (*unit, *found)

    def newest(self) -> datetime:
        """When what is kept last changed: the newest end of a run or change of an order, as far as the newest of each tell."""
        ends = select(Run.ended_at).where(Run.ended_at.is_not(None)).order_by(Run.started_at.desc(), Run.number.desc()).limit(NEWEST)
        orders = select(ReworkOrder.changed_at).order_by(ReworkOrder.id.desc()).limit(NEWEST)
        worked_on = select(func.max(ReworkOrder.changed_at)).where(ReworkOrder.state.in_([state.value for state in ACTIVE]))
        kept = select(Specification.created_at).order_by(Specification.id.desc()).limit(1)
        with self.database.read() as connection:
            found = [at for query in (ends, orders, worked_on) for at in connection.execute(query).scalars() if at is not None]
            return max(found or list(connection.execute(kept).scalars()) or [EPOCH])


def _orders(connection: Connection) -> list[Mark]:
    """The newest order, and what is being worked on."""
    order = ReworkOrder
    query = select(order.state, func.count(), func.sum(order.id), func.sum(order.tries), func.max(order.changed_at))
    query = query.where(order.state.in_([state.value for state in ACTIVE])).group_by(order.state).order_by(order.state)
    return [(connection.execute(select(func.max(order.id))).scalar_one(),), *(tuple(row) for row in connection.execute(query))]


def _heard(connection: Connection) -> list[Mark]:
    query = select(LineStation.id, LineStation.heard_at).order_by(LineStation.id)
    return [(place, to_us(at)) for place, at in connection.execute(query)]
