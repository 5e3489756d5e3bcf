"""Questions about proving: lists of procedures, of what came of them, of signals and notes. Newest first, by key and never by offset."""

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, exists, func, select

from db.engine import Database
from db.models import Run
from db.models_charts import Chart, ChartNote, ChartSignal
from db.models_proof import (
    CalibrationRecord,
    ProcedureRecord,
    ProcedureStep,
    ReferenceCheckRecord,
    ReferenceUnitRecord,
    StudyRecord,
)
from db.proof_rows import calibration_of, check_of, number_of, step_of, study_of, unit_of
from db.queries import PAGE_MAX
from db.queries.rework import cursor_of
from db.queries.runs import check_limit
from db.rows import Page
from db.rows_proof import CalibrationRow, NoteRow, ProcedureFilter, ProcedureRow, ProofFilter, SignalRow, StepRow, StudyRow
from station.errors import NotFound
from station.proof import (
    Calibration,
    ChartKey,
    Kind,
    Note,
    ReferenceCheck,
    ReferenceUnit,
    Signal,
    Standing,
    Study,
    calibration_name,
)

T = TypeVar("T")
DOCUMENT = ("codec", "document", "sha256")


class ProofQueries:
    """Read side of proving. Safe to use from any thread. All raise StoreUnavailable, and lists UsageError for a limit or cursor."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def procedures(self, which: ProcedureFilter | None = None, after: str | None = None, limit: int = 50) -> Page[ProcedureRow]:
        """Newest first."""
        asked, table = which or ProcedureFilter(), ProcedureRecord
        done = select(func.count(ProcedureStep.position.distinct())).where(ProcedureStep.procedure_key == table.id).scalar_subquery()
        conditions = _equal(
            (table.station, asked.station), (table.rig, asked.rig), (table.kind, asked.kind), (table.standing, asked.standing)
        )
        query = select(table.__table__, done.label("steps_done")).where(*conditions)
        return self._page(query, table.id, after, limit, _procedure_row)

    def attempts(self, number: int) -> Sequence[StepRow]:
        """Every try of every step of a procedure. Raises NotFound; StoreError naming it when one is damaged."""
        query = select(ProcedureStep.__table__).where(ProcedureStep.procedure_key == number)
        with self.database.read() as connection:
            if connection.execute(select(ProcedureRecord.id).where(ProcedureRecord.id == number)).one_or_none() is None:
                raise NotFound(f"procedure {number} does not exist")
            rows = connection.execute(query.order_by(ProcedureStep.position, ProcedureStep.attempt)).all()
        return [_step_row(row) for row in rows]

    def calibrations(self, which: ProofFilter | None = None, after: str | None = None, limit: int = 50) -> Page[CalibrationRow]:
        """Newest first, without their documents."""
        asked, table = which or ProofFilter(), CalibrationRecord
        conditions = _equal(
            (table.station, asked.station), (table.rig, asked.rig), (table.emulated, asked.emulated), (table.accepted, asked.accepted)
        )
        query = select(*_light(table)).where(*conditions)
        page = self._page(query, table.id, after, limit, lambda row: row)
        flicks = self._flicks([calibration_name(row.id) for row in page.items])
        return Page(tuple(_calibration_row(row, flicks.get(calibration_name(row.id), 0)) for row in page.items), page.next)

    def calibration(self, number: int) -> Calibration:
        """With its document. Raises NotFound; StoreError naming it when it is damaged."""
        return self._one(CalibrationRecord, number, "calibration", calibration_of)

    def reference_units(self, which: ProofFilter | None = None, after: str | None = None, limit: int = 50) -> Page[ReferenceUnit]:
        """All values ever found, newest first. A unit has no rig's name: that part of the filter is left aside."""
        asked, table = which or ProofFilter(), ReferenceUnitRecord
        conditions = _equal((table.station, asked.station), (table.product, asked.product), (table.emulated, asked.emulated))
        return self._page(select(table.__table__).where(*conditions), table.id, after, limit, unit_of)

    def checks(self, which: ProofFilter | None = None, after: str | None = None, limit: int = 50) -> Page[ReferenceCheck]:
        """Newest first; accepted: within its limits."""
        asked, table = which or ProofFilter(), ReferenceCheckRecord
        conditions = _equal(
            (table.station, asked.station),
            (table.rig, asked.rig),
            (table.product, asked.product),
            (table.emulated, asked.emulated),
            (table.within, asked.accepted),
        )
        return self._page(select(table.__table__).where(*conditions), table.id, after, limit, check_of)

    def check(self, number: int) -> ReferenceCheck:
        """Raises NotFound."""
        return self._one(ReferenceCheckRecord, number, "check", check_of)

    def studies(self, which: ProofFilter | None = None, after: str | None = None, limit: int = 50) -> Page[StudyRow]:
        """Newest first, without their documents."""
        asked, table = which or ProofFilter(), StudyRecord
        conditions = _equal(
            (table.station, asked.station),
            (table.rig, asked.rig),
            (table.product, asked.product),
            (table.emulated, asked.emulated),
            (table.accepted, asked.accepted),
        )
        return self._page(select(*_light(table)).where(*conditions), table.id, after, limit, _study_row)

    def study(self, number: int) -> Study:
        """With its document. Raises NotFound; StoreError naming it when it is damaged."""
        return self._one(StudyRecord, number, "study", study_of)

    def signals(self, station: str | None = None, without_note: bool = True, after: str | None = None, limit: int = 50) -> Page[SignalRow]:
        """Newest first; without_note: those alone at whose point nobody has noted anything yet."""
        noted = exists().where(ChartNote.chart_key == ChartSignal.chart_key, ChartNote.point == ChartSignal.point)
        query = _with_chart(ChartSignal).where(*_equal((Chart.station, station)))
        return self._page(query.where(~noted) if without_note else query, ChartSignal.id, after, limit, _signal_row)

    def notes(self, station: str | None = None, after: str | None = None, limit: int = 50) -> Page[NoteRow]:
        """Newest first."""
        return self._page(_with_chart(ChartNote).where(*_equal((Chart.station, station))), ChartNote.id, after, limit, _note_row)

    # --- inside

    def _page(self, query: Select[Any], key: Any, after: str | None, limit: int, read: Callable[[Any], T]) -> Page[T]:
        check_limit(limit, PAGE_MAX)
        if after is not None:
            query = query.where(key < cursor_of(after))
        with self.database.read() as connection:
            rows = connection.execute(query.order_by(key.desc()).limit(limit + 1)).all()
        return Page(tuple(read(row) for row in rows[:limit]), str(rows[limit - 1].id) if len(rows) > limit else None)

    def _one(self, table: Any, number: int, name: str, read: Callable[[Any], T]) -> T:
        with self.database.read() as connection:
            row = connection.execute(select(table.__table__).where(table.id == number)).one_or_none()
        if row is None:
            raise NotFound(f"{name} {number} does not exist")
        return read(row)

    def _flicks(self, names: Sequence[str]) -> dict[str, int]:
        query = select(Run.calibration, func.sum(Run.flicks)).where(Run.calibration.in_(names)).group_by(Run.calibration)
        with self.database.read() as connection:
            return {name: int(flicks or 0) for name, flicks in connection.execute(query)}


def _equal(*pairs: tuple[Any, Any]) -> list[ColumnElement[bool]]:
    """Conditions of what is asked for."""
    return [column == value for column, value in pairs if value is not None]


def _light(table: Any) -> list[Any]:
    """All columns but those of the document."""
    return [column for column in table.__table__.columns if column.name not in DOCUMENT]


def _with_chart(table: Any) -> Select[Any]:
    columns = (Chart.station, Chart.what, Chart.rig, Chart.product, Chart.lot, Chart.figure, Chart.rig_id, Chart.emulated)
    return select(table.__table__, *columns).join(Chart, Chart.id == table.chart_key)


def _procedure_row(row: Any) -> ProcedureRow:
    return ProcedureRow(
        number=row.id,
        station=row.station,
        rig=row.rig,
        rig_id=row.rig_id,
        emulated=row.emulated,
        kind=Kind(row.kind),
        firmware=row.firmware,
        standing=Standing(row.standing),
        by=row.opened_by,
        at=row.opened_at,
        ended_at=row.ended_at,
        cause=row.cause,
        steps_done=row.steps_done,
        outcome=row.outcome,
    )


def _step_row(row: Any) -> StepRow:
    kept = step_of(row)
    return StepRow(kept.position, row.attempt, kept.name, kept.figures, kept.by, kept.at)


def _calibration_row(row: Any, flicks: int) -> CalibrationRow:
    same = ("station", "rig", "rig_id", "emulated", "firmware", "accepted", "valid_until", "flicks_max")
    return CalibrationRow(
        number=row.id,
        procedure=row.procedure_key,
        **{name: getattr(row, name) for name in same},
        problems=tuple(row.problems),
        by=row.made_by,
        at=row.made_at,
        flicks=flicks,
    )


def _study_row(row: Any) -> StudyRow:
    same = ("station", "rig", "rig_id", "emulated", "product", "specification", "accepted")
    return StudyRow(
        number=row.id,
        procedure=row.procedure_key,
        kind=Kind(row.kind),
        **{name: getattr(row, name) for name in same},
        problems=tuple(row.problems),
        peak_u_counts=number_of(row.peak_u_counts),
        by=row.made_by,
        at=row.made_at,
    )


def _signal_row(row: Any) -> SignalRow:
    signal = Signal(_chart_of(row), row.point, row.rule, tuple(row.points), row.sentence, row.seen_at)
    return SignalRow(row.id, row.station, row.rig_id, row.emulated, signal)


def _note_row(row: Any) -> NoteRow:
    note = Note(_chart_of(row), row.point, row.cause, row.action, row.made_by, row.made_at)
    return NoteRow(row.id, row.station, row.rig_id, row.emulated, note)


def _chart_of(row: Any) -> ChartKey:
    return ChartKey(row.what, row.rig, row.product, row.lot, row.figure)
