"""The newest run of a unit, for whoever is about to test it again."""

from sqlalchemy import Connection, select

from db.models import GroupResult, Run, Specification, Unit
from station.records import Fitted, LastRun, Verdict


def last_run_of(connection: Connection, serial: str) -> LastRun | None:
    """None when the unit was never tested."""
    columns = (Run.number, Run.verdict, Run.reasons, Run.ended_at, Run.fitted, Run.evidence, Specification.digest)
    which = select(*columns).join(Unit, Unit.id == Run.unit_key).join(Specification, Specification.id == Run.specification_key)
    which = which.where(Unit.serial == serial)
    row = connection.execute(which.order_by(Run.started_at.desc(), Run.number.desc()).limit(1)).one_or_none()
    if row is None:
        return None
    groups = select(GroupResult.stick, GroupResult.group_name).where(GroupResult.run_number == row.number)
    undecided = connection.execute(
        groups.where(GroupResult.verdict == Verdict.UNDECIDED.value).order_by(GroupResult.stick, GroupResult.group_name)
    )
    return LastRun(
        number=row.number,
        verdict=None if row.verdict is None else Verdict(row.verdict),
        reasons=tuple(row.reasons),
        undecided_groups=tuple(f"{stick} {group}" for stick, group in undecided),
        ended_at=row.ended_at,
        specification_digest=row.digest,
        fitted={stick: Fitted(parts["x_f"], parts["y_f"]) for stick, parts in row.fitted.items()},
        continues=int(row.evidence.get("continues", 0)),
    )
