"""Capacitors fitted in a unit: their history, and what it means now."""

from sqlalchemy import Connection, select

from db.models import FittedPart
from db.rows import FittedRow
from station.records import Fitted


def parts_of(connection: Connection, unit_key: int) -> tuple[FittedRow, ...]:
    """Everything that was ever fitted in a unit, oldest first."""
    query = select(FittedPart.__table__).where(FittedPart.unit_key == unit_key).order_by(FittedPart.fitted_at, FittedPart.id)
    return tuple(FittedRow(row.stick, row.axis, row.farads, row.fitted_by, row.fitted_at) for row in connection.execute(query))


def fitted_now(parts: tuple[FittedRow, ...]) -> dict[str, Fitted]:
    """What is fitted after all of `parts`, oldest first, by stick: the newest on each axis."""
    newest = {(part.stick, part.axis): part.farads for part in parts}
    sticks = dict.fromkeys(part.stick for part in parts)
    return {stick: Fitted(newest.get((stick, "x"), 0.0), newest.get((stick, "y"), 0.0)) for stick in sticks}
