"""The book of proofs over a SQL database: procedures step by step, and what comes of them. Every verb is one transaction."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.orm import Session

from db import outbox
from db.engine import Database
from db.models import Run
from db.models_proof import (
    CalibrationRecord,
    ProcedureRecord,
    ProcedureStep,
    ReferenceCheckRecord,
    ReferenceDeviation,
    ReferenceUnitRecord,
    StudyRecord,
)
from db.proof_charts import ChartBook
from db.proof_rows import (
    Row,
    calibration_of,
    calibration_row,
    check_of,
    check_row,
    deviation_rows,
    opening_row,
    procedure_of,
    step_of,
    step_row,
    study_of,
    study_row,
    unit_of,
    unit_row,
)
from station.errors import Busy, NotFound, NotReady, UsageError
from station.proof import (
    Calibration,
    Kind,
    Opening,
    Outcome,
    Procedure,
    ReferenceCheck,
    ReferenceUnit,
    Standing,
    StepResult,
    Study,
)

T = TypeVar("T")
Table = type[CalibrationRecord] | type[ReferenceUnitRecord] | type[ReferenceCheckRecord] | type[StudyRecord]
READERS: dict[Kind, tuple[Table, Callable[[Any], Outcome]]] = {
    Kind.CALIBRATION: (CalibrationRecord, calibration_of),
    Kind.REFERENCE_VALUES: (ReferenceUnitRecord, unit_of),
    Kind.REFERENCE_CHECK: (ReferenceCheckRecord, check_of),
    Kind.GAUGE_STUDY: (StudyRecord, study_of),
    Kind.TYPE_1_STUDY: (StudyRecord, study_of),
}


class ProofStore(ChartBook):
    """Implements station.ports.proof.ProofBook for one station, over the same database as its results. Safe to use from any thread.

    Numbers of calibrations count up over the whole database, so that a run's calibration is the same to every station on it.
    """

    def __init__(self, database: Database, station: str) -> None:
        super().__init__(database, station)

    # --- procedures

    def begin_procedure(self, opening: Opening) -> int:
        """See the port. Raises UsageError for another station's."""
        self._require_mine(opening.station)
        row = opening_row(opening)

        def work(session: Session, again: bool) -> int:
            query = select(ProcedureRecord).filter_by(station=self.station, rig=opening.rig, standing=Standing.OPEN.value)
            standing = session.scalar(query)
            if standing is None:
                return session.execute(insert(ProcedureRecord).values(row).returning(ProcedureRecord.id)).scalar_one()
            if again and (standing.kind, standing.opened_by, standing.opened_at) == (opening.kind, opening.by, opening.at):
                return standing.id  # the first try was committed although its answer got lost
            raise Busy(f"procedure {standing.id} ({standing.kind}) of rig {opening.rig} is open: finish or abandon it first")

        return self.database.write(work)

    def keep_step(self, number: int, result: StepResult) -> None:
        """See the port."""
        row = step_row(number, result)

        def work(session: Session, again: bool) -> None:
            record = _locked(session, number)
            query = select(ProcedureStep).filter_by(procedure_key=number, position=result.position)
            newest = session.scalar(query.order_by(ProcedureStep.attempt.desc()).limit(1))
            if again and newest is not None and (newest.kept_at, newest.sha256) == (result.at, row["sha256"]):
                return
            _require_open(record)
            session.execute(insert(ProcedureStep).values(**row, attempt=newest.attempt + 1 if newest else 1))

        self.database.write(work)

    def end_procedure(self, number: int, cause: str, at: datetime) -> None:
        """See the port."""

        def work(session: Session, again: bool) -> None:
            record = _locked(session, number)
            if again and (record.standing, record.cause, record.ended_at) == (Standing.ABANDONED, cause, at):
                return
            _require_open(record)
            record.standing, record.cause, record.ended_at = Standing.ABANDONED.value, cause, at
            outbox.put(session, outbox.Kind.PROCEDURE, number, at)

        self.database.write(work)

    def conclude(self, number: int, outcome: Outcome, at: datetime) -> Outcome:
        """See the port. Raises UsageError for an outcome of another station or of another kind than the procedure."""
        if not isinstance(outcome, ReferenceUnit):
            self._require_mine(outcome.station)
        kind, row = self._outcome_row(number, outcome)
        table, _ = READERS[kind]

        def work(session: Session, again: bool) -> int:
            record = _locked(session, number)
            if again and (record.standing, record.ended_at) == (Standing.DONE, at):
                return record.outcome or 0
            _require_open(record)
            if record.kind != kind:
                raise UsageError(f"outcome of procedure {number} is a {kind}; expected a {record.kind}")
            kept: int = session.execute(insert(table).values(row).returning(table.id)).scalar_one()
            if isinstance(outcome, ReferenceCheck) and outcome.deviations:
                session.execute(insert(ReferenceDeviation), deviation_rows(kept, outcome))
            record.standing, record.ended_at, record.outcome = Standing.DONE.value, at, kept
            outbox.put(session, outbox.Kind.PROCEDURE, number, at)
            return kept

        return _numbered(outcome, number, self.database.write(work))

    def procedure(self, number: int) -> Procedure:
        """See the port. Raises StoreError naming it when a step is damaged."""
        with self.database.read() as connection:
            return procedure_in(connection, number)

    def open_procedure(self, rig: str) -> Procedure | None:
        """See the port."""
        query = select(ProcedureRecord.id).filter_by(station=self.station, rig=rig, standing=Standing.OPEN.value)
        with self.database.read() as connection:
            number = connection.execute(query).scalar_one_or_none()
            return None if number is None else procedure_in(connection, number)

    def outcome(self, number: int) -> Outcome:
        """What came of a procedure. Raises NotFound when there is none, or nothing came of it; StoreError when it is damaged."""
        with self.database.read() as connection:
            record = record_in(connection, number)
            if record.outcome is None:
                raise NotFound(f"procedure {number} is {record.standing}: nothing came of it")
            table, read = READERS[Kind(record.kind)]
            return read(connection.execute(select(table.__table__).where(table.id == record.outcome)).one())

    # --- what came of them

    def calibration_in_force(self, rig_id: str, emulated: bool) -> Calibration | None:
        """See the port. Raises StoreError naming it when it is damaged."""
        return self._newest(CalibrationRecord, calibration_of, rig_id=rig_id, emulated=emulated, accepted=True)

    def calibration(self, number: int) -> Calibration:
        """See the port. Of any station."""
        with self.database.read() as connection:
            row = connection.execute(select(CalibrationRecord.__table__).where(CalibrationRecord.id == number)).one_or_none()
        if row is None:
            raise NotFound(f"calibration {number} does not exist")
        return calibration_of(row)

    def flicks_since(self, calibration: str) -> int:
        """See the port. Runs of which the flicks are not known count as none."""
        with self.database.read() as connection:
            return connection.execute(select(func.sum(Run.flicks)).where(Run.calibration == calibration)).scalar_one() or 0

    def reference_units(self, rig_id: str, emulated: bool) -> Sequence[ReferenceUnit]:
        """See the port."""
        table = ReferenceUnitRecord
        newest = select(func.max(table.id)).filter_by(station=self.station, rig_id=rig_id, emulated=emulated).group_by(table.serial)
        with self.database.read() as connection:
            rows = connection.execute(select(table.__table__).where(table.id.in_(newest)).order_by(table.serial))
            return [unit_of(row) for row in rows]

    def last_check(self, rig_id: str, emulated: bool) -> ReferenceCheck | None:
        """See the port."""
        return self._newest(ReferenceCheckRecord, check_of, rig_id=rig_id, emulated=emulated)

    def study_in_force(self, kind: Kind, product: str, emulated: bool) -> Study | None:
        """See the port. Raises StoreError naming it when it is damaged."""
        return self._newest(StudyRecord, study_of, kind=kind.value, product=product, emulated=emulated, accepted=True)

    def studies(self, product: str, emulated: bool) -> Sequence[Study]:
        """See the port."""
        query = select(StudyRecord.__table__).filter_by(station=self.station, product=product, emulated=emulated)
        with self.database.read() as connection:
            return [study_of(row) for row in connection.execute(query.order_by(StudyRecord.id.desc()))]

    # --- inside

    def _newest(self, table: Table, read: Callable[[Any], T], **which: Any) -> T | None:
        query = select(table.__table__).filter_by(station=self.station, **which).order_by(table.id.desc()).limit(1)
        with self.database.read() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else read(row)

    def _outcome_row(self, number: int, outcome: Outcome) -> tuple[Kind, Row]:
        if isinstance(outcome, Calibration):
            return Kind.CALIBRATION, calibration_row(number, outcome)
        if isinstance(outcome, ReferenceUnit):
            return Kind.REFERENCE_VALUES, unit_row(number, self.station, outcome)
        if isinstance(outcome, ReferenceCheck):
            return Kind.REFERENCE_CHECK, check_row(number, outcome)
        return outcome.kind, study_row(number, outcome)

    def _require_mine(self, station: str) -> None:
        if station != self.station:
            raise UsageError(f"record names station {station!r}; this store is of station {self.station!r}")


def record_in(connection: Connection, number: int) -> Any:
    """Raises NotFound."""
    row = connection.execute(select(ProcedureRecord.__table__).where(ProcedureRecord.id == number)).one_or_none()
    if row is None:
        raise NotFound(f"procedure {number} does not exist")
    return row


def procedure_in(connection: Connection, number: int) -> Procedure:
    """With the newest result of each position. Raises NotFound; StoreError naming it when a step is damaged."""
    record, table = record_in(connection, number), ProcedureStep
    newest = select(table.position, func.max(table.attempt).label("attempt")).where(table.procedure_key == number).group_by(table.position)
    chosen = newest.subquery()
    same = (table.position == chosen.c.position) & (table.attempt == chosen.c.attempt)
    rows = connection.execute(select(table.__table__).join(chosen, same).where(table.procedure_key == number).order_by(table.position))
    return procedure_of(record, tuple(step_of(row) for row in rows))


def _locked(session: Session, number: int) -> ProcedureRecord:
    record = session.get(ProcedureRecord, number, with_for_update=True)
    if record is None:
        raise NotFound(f"procedure {number} does not exist")
    return record


def _require_open(record: ProcedureRecord) -> None:
    if record.standing != Standing.OPEN:
        raise NotReady(f"procedure {record.id} ({record.kind}) has ended: it is {record.standing}", procedure=record.id)


def _numbered(outcome: Outcome, procedure: int, number: int) -> Outcome:
    if isinstance(outcome, ReferenceUnit):
        return replace(outcome, procedure=procedure)
    return replace(outcome, procedure=procedure, number=number)
