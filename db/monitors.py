"""States of the pooled monitors, one row a specification and station; nothing is asked about what is inside."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.orm import Session

from db.models import Monitor, Run, Specification


def monitors_of(connection: Connection, station: str) -> dict[str, Mapping[str, Any]]:
    """Documents by specification label."""
    rows = connection.execute(select(Monitor.specification, Monitor.document).where(Monitor.station == station))
    return {row.specification: row.document for row in rows}


def put(session: Session, station: str, specification: str, document: Mapping[str, Any], at: datetime) -> None:
    session.merge(Monitor(station=station, specification=specification, document=dict(document), kept_at=at))


def put_after(session: Session, run: Run, document: Mapping[str, Any], at: datetime) -> None:
    """The state after a run, under the label of the run's specification."""
    name, revision = session.execute(
        select(Specification.name, Specification.revision).where(Specification.id == run.specification_key)
    ).one()
    put(session, run.station, f"{name} {revision}", document, at)
