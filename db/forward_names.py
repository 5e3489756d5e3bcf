"""Units, rigs and specifications of a line: one row for all stations that know them, found by name."""

from datetime import datetime

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from db.line_numbers import Row
from db.models import Rig, Run, Specification, Unit
from station.errors import StoreError


def unit_key(session: Session, unit: Row, run: Row | None) -> int:
    """Key of a unit. A run that began later than all that are known says what product and lot the unit is of, wherever it was made."""
    known = session.scalar(select(Unit).filter_by(serial=unit["serial"]))
    if known is None:
        new = {**unit, "product": run["product"], "lot": run["lot"] or unit["lot"]} if run else unit
        return session.execute(insert(Unit).values(new).returning(Unit.id)).scalar_one()
    known.first_seen_at = min(known.first_seen_at, unit["first_seen_at"])
    if run is not None and _is_newest(session, known.id, run["started_at"]):
        known.product, known.lot = run["product"], run["lot"] or known.lot
    session.flush()
    return known.id


def _is_newest(session: Session, key: int, started_at: datetime) -> bool:
    newest = session.scalar(select(func.max(Run.started_at)).where(Run.unit_key == key))
    return newest is None or started_at >= newest


def rig_key(session: Session, rig: Row, run: Row) -> int:
    """Key of a rig, which the run was made on. Its firmware is that of the newest run."""
    names = {name: rig[name] for name in ("station", "name", "rig_id", "emulated")}
    seen = {"firmware": run["firmware"], "last_seen_at": run["started_at"], "last_run": run["number"]}
    known = session.execute(select(Rig.id, Rig.last_seen_at).filter_by(**names)).one_or_none()
    if known is None:
        return session.execute(insert(Rig).values(**names, **seen).returning(Rig.id)).scalar_one()
    if run["started_at"] >= known.last_seen_at:
        session.execute(update(Rig).where(Rig.id == known.id).values(seen))
    return int(known.id)


def specification_key(session: Session, specification: Row) -> int:
    """Key of a revision. Raises StoreError for one that another station made with other values: they are never mixed."""
    label = {name: specification[name] for name in ("name", "revision")}
    known = session.execute(select(Specification.id, Specification.digest).filter_by(**label)).one_or_none()
    if known is None:
        return session.execute(insert(Specification).values(specification).returning(Specification.id)).scalar_one()
    if known.digest != specification["digest"]:
        name = " ".join(label.values())
        raise StoreError(
            f"specification {name} is on the line already with other values, from another station: what rests on it waits here; "
            "expected one text for one revision: give one of the two a new revision",
            refused=True,
        )
    return int(known.id)
