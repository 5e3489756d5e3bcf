"""What is where at a glance: today's counts, rigs, specifications."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, func, select

from db.models import Rig, Run, RunReason, Specification
from db.queries.runs import OPEN
from db.rows import Counts, CountsSince, RigRow, SpecificationRow
from station.errors import NotFound


def since(connection: Connection, at: datetime) -> CountsSince:
    """Counts of the runs that started at `at` or later."""
    real, emulated = (_counts(connection, at, kind) for kind in (False, True))
    return CountsSince(at, real, emulated, reasons=_reasons(connection, at, False), emulated_reasons=_reasons(connection, at, True))


def _counts(connection: Connection, at: datetime, emulated: bool) -> Counts:
    chosen = (Run.emulated == emulated, Run.started_at >= at)
    by_verdict = connection.execute(select(Run.verdict, func.count()).where(*chosen).group_by(Run.verdict)).all()
    units = connection.execute(select(func.count(Run.unit_key.distinct())).where(*chosen)).scalar_one()
    return Counts({verdict or OPEN: count for verdict, count in by_verdict}, units)


def _reasons(connection: Connection, at: datetime, emulated: bool) -> tuple[tuple[str, int], ...]:
    """Starts from the runs of the time span, few among many, and looks up their reasons by key."""
    chosen = select(Run.number).where(Run.emulated == emulated, Run.started_at >= at)
    runs = func.count(RunReason.run_number.distinct())
    query = select(RunReason.code, RunReason.part, runs).where(RunReason.run_number.in_(chosen)).group_by(RunReason.code, RunReason.part)
    found = connection.execute(query.order_by(runs.desc(), RunReason.code, RunReason.part))
    return tuple((f"{code}:{part}" if part else code, count) for code, part, count in found)


def rigs(connection: Connection) -> Sequence[RigRow]:
    """All rigs, by station and name."""
    query = select(Rig.__table__).order_by(Rig.station, Rig.name, Rig.id)
    return [
        RigRow(row.station, row.name, row.rig_id, row.emulated, row.firmware, row.last_seen_at, row.last_run)
        for row in connection.execute(query)
    ]


def specifications(connection: Connection) -> Sequence[SpecificationRow]:
    """All revisions, by name, newest first."""
    query = select(Specification.__table__).order_by(Specification.name, Specification.created_at.desc(), Specification.id.desc())
    return [SpecificationRow(row.name, row.revision, row.digest, row.created_at) for row in connection.execute(query)]


def specification_text(connection: Connection, name: str, revision: str) -> str:
    """Raises NotFound."""
    query = select(Specification.text).where(Specification.name == name, Specification.revision == revision)
    text = connection.execute(query).scalar_one_or_none()
    if text is None:
        raise NotFound(f"specification {name!r} revision {revision!r} is not in the database")
    return text
