"""What is kept of proving in a database of this machine, in the very shape the API gives it. Nothing here moves a rig."""

from functools import cached_property
from types import TracebackType
from typing import Any, Final, NoReturn, Self

from pydantic import BaseModel

from api.cli.output import plain
from api.cli.records import Document, Question
from api.clock import SystemClock
from api.http.bodies_proof import ChartName, ProcedureRowBody
from api.http.bodies_proof_kept import (
    CalibrationDetailBody,
    CalibrationRowBody,
    CheckBody,
    ReferenceUnitBody,
    StudyBody,
    StudyDetailBody,
)
from api.http.proof import chart_of
from db.migrate import require_current
from db.proof import ProofStore
from db.queries import Queries
from db.queries.proof import ProofQueries
from db.rows import Page
from db.rows_proof import ProcedureFilter, ProofFilter
from station.errors import NotFound, NotReady, UsageError
from station.records import Fitted
from station.service.proving.conductor import Proving
from station.service.proving.desk import StationProof

ZONE: Final = "UTC"  # of printed times: a database does not say where its station stands


class LocalProof:
    """Implements api.cli.proof_places.Proofs. Raises SchemaMismatch, StoreUnavailable for a database we cannot use."""

    def __init__(self, url: str) -> None:
        require_current(url)
        self.queries = Queries(url)
        self.kept = ProofQueries(self.queries.database)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.queries.close()

    # --- what is kept

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        if what == "procedures":
            procedures = self.kept.procedures(ProcedureFilter(rig=question["rig"]), after, limit)
            return [_document(ProcedureRowBody.of(row)) for row in procedures.items], procedures.next
        which = _filter(question)
        if what == "calibrations":
            found = self.kept.calibrations(which, after, limit)
            return [_document(CalibrationRowBody.of(row, flicks=row.flicks)) for row in found.items], found.next
        if what == "checks":
            checks = self.kept.checks(which, after, limit)
            return [_document(CheckBody.of(row)) for row in checks.items], checks.next
        return _valid(StudyBody, self.kept.studies(which, after, limit))

    def units(self, question: Question, limit: int) -> list[Document]:
        return _valid(ReferenceUnitBody, self.kept.reference_units(_filter(question), None, limit))[0]

    def calibration(self, number: int) -> Document:
        one = self.kept.calibration(number)
        return _document(CalibrationDetailBody.of(one, document=one.document))

    def certificate(self, number: int) -> bytes:
        from api.reports.certificate import certificate_pdf

        return certificate_pdf(self.kept.calibration(number), ZONE)

    def study(self, number: int) -> Document:
        return _document(StudyDetailBody.model_validate(self.kept.study(number)))

    # --- charts

    def charts(self, rig: str) -> list[Document]:
        if rig and rig not in {row.name for row in self.queries.rigs()}:
            raise NotFound(f"rig is {rig!r}; expected one that has run here")
        return [_document(ChartName.of(key)) for key in self._desk.charts(rig)]

    def chart(self, key: str, newest: int) -> Document:
        return dict(plain(self._desk.chart(chart_of(key), newest)))

    def freeze(self, key: str, first: str, last: str, rules: list[str], operator: str) -> Document:
        return dict(plain(self._desk.freeze(chart_of(key), first, last, rules, operator)))

    def note(self, key: str, point: str, cause: str, action: str, operator: str) -> Document:
        chart = chart_of(key)
        self._desk.note(chart, point, cause, action, operator)
        return dict(plain(self._desk.chart(chart)))

    @cached_property
    def _desk(self) -> StationProof:
        """The desk over this database, without rigs and procedures."""
        station = self._station()
        around = Proving(station, ProofStore(self.queries.database, station), SystemClock(), {}, lambda product: None, _nothing_fitted)
        return StationProof(around, _no_rig, ())

    def _station(self) -> str:
        """The station whose charts these are. Raises UsageError when the database holds several."""
        stations = sorted({row.station for row in self.queries.rigs()})
        if len(stations) > 1:
            raise UsageError(
                f"the database holds the stations {', '.join(stations)}; expected --server, so that one is asked for its charts"
            )
        return stations[0] if stations else ""


def _filter(question: Question) -> ProofFilter:
    def said(key: str) -> bool | None:
        return None if key not in question else question[key] == "true"

    return ProofFilter(rig=question.get("rig"), product=question.get("product"), emulated=said("emulated"), accepted=said("accepted"))


def _valid(body: type[BaseModel], page: Page[Any]) -> tuple[list[Document], str | None]:
    return [_document(body.model_validate(row)) for row in page.items], page.next


def _document(body: BaseModel) -> Document:
    return dict(plain(body.model_dump(mode="json")))


def _nothing_fitted(_serial: str) -> dict[str, Fitted]:
    """Nothing is measured here."""
    return {}


def _no_rig(name: str) -> NoReturn:
    raise NotReady(f"rig {name} cannot be asked through its database; expected --server")
