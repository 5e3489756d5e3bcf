"""The newest run of a unit, for whoever is about to test it again."""

from sqlalchemy import Connection, select

from db.models import GroupResult, Run, Unit
from station.records import LastRun, Verdict


def last_run_of(connection: Connection, serial: str) -> LastRun | None:
    """None when the unit was never tested."""
    which = select(Run.number, Run.verdict, Run.reasons, Run.ended_at).join(Unit, Unit.id == Run.unit_key).where(Unit.serial == serial)
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
    )
