"""Places of units in a row: the first decided run of each unit is numbered within its product and its lot when it closes."""

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from db.models import Run
from db.models_charts import FirstRun, UnitCount
from station.records import RunClosing, Verdict

PRODUCT, LOT = "product", "lot"
DECIDED = (Verdict.PASS, Verdict.FAIL)


def take_places(session: Session, run: Run, closing: RunClosing) -> None:
    """Number a run that closes, if it is the first of its unit to be decided; real and emulated ones are counted apart."""
    if closing.verdict not in DECIDED or _seen(session, run):
        return
    first = {
        "run_number": run.number,
        "unit_key": run.unit_key,
        "station": run.station,
        "product": run.product,
        "lot": run.lot,
        "emulated": run.emulated,
        "failed": closing.verdict is Verdict.FAIL,
        "continues": int(closing.evidence.get("continues", 0)),
        "ended_at": closing.ended_at,
        "place_in_product": _next(session, run, PRODUCT, ""),
        "place_in_lot": _next(session, run, LOT, run.lot),
    }
    session.execute(insert(FirstRun).values(first))


def _seen(session: Session, run: Run) -> bool:
    return session.scalar(select(FirstRun.run_number).filter_by(unit_key=run.unit_key, emulated=run.emulated)) is not None


def _next(session: Session, run: Run, scope: str, lot: str) -> int:
    """The next free place. The row counted up stays locked until the transaction ends, so that no two runs get the same."""
    which = {"station": run.station, "product": run.product, "scope": scope, "lot": lot, "emulated": run.emulated}
    counted = update(UnitCount).filter_by(**which).values(units=UnitCount.units + 1).returning(UnitCount.units)
    place = session.execute(counted, execution_options={"synchronize_session": False}).scalar_one_or_none()
    if place is None:
        session.execute(insert(UnitCount).values(**which, units=1))
        return 1
    return place
