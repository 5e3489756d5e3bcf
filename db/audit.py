"""The audit trail: who did what, when, from where; every entry sealed into the station's chain as it is written."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from db import chain
from db.engine import Database
from db.models_audit import AuditRow


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One thing that was done or refused; see db.models_audit.AuditRow."""

    at: datetime
    who: str
    role: str
    address: str
    what: str
    status: int
    asked: str = ""
    before: str = ""
    after: str = ""
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class KeptEntry:
    """An entry as it is kept."""

    number: int
    station: str
    entry: AuditEntry


class AuditStore:
    """The trail of one station. Safe to use from any thread."""

    def __init__(self, database: Database, station: str) -> None:
        self._database = database
        self._station = station

    def write(self, entry: AuditEntry) -> int:
        """Keep an entry; its number. Raises StoreError."""

        def work(session: Session, again: bool) -> int:
            row = {"station": self._station, **asdict(entry)}
            if again:
                kept = session.scalar(select(AuditRow.number).filter_by(**row).order_by(AuditRow.number.desc()).limit(1))
                if kept is not None:
                    return kept  # the first try was committed although its answer got lost
            number = session.execute(insert(AuditRow).values(row).returning(AuditRow.number)).scalar_one()
            chain.seal_entry(session, self._station, number, row)
            return number

        return self._database.write(work)


def entries(database: Database, before: int | None, limit: int) -> Sequence[KeptEntry]:
    """Entries, newest first; before: only those with a smaller number. Raises StoreError."""
    query = select(AuditRow.__table__).order_by(AuditRow.number.desc()).limit(limit)
    if before is not None:
        query = query.where(AuditRow.number < before)
    with database.read() as connection:
        rows = [dict(row) for row in connection.execute(query).mappings()]
    return [KeptEntry(row.pop("number"), row.pop("station"), AuditEntry(**row)) for row in rows]
