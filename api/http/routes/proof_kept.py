"""What is kept of proving: procedures by rig, calibrations and their certificates, reference units and checks, studies."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import links
from api.http.bodies_proof import ProcedurePage, ProcedureRowBody
from api.http.bodies_proof_kept import (
    CalibrationDetailBody,
    CalibrationPage,
    CalibrationRowBody,
    CheckBody,
    CheckPage,
    ReferenceUnitBody,
    ReferenceUnitPage,
    StudyBody,
    StudyDetailBody,
    StudyPage,
)
from api.http.depends import TheDesk, TheSettings
from api.http.proof import TheKept
from api.reports.certificate import certificate_pdf
from db.queries import PAGE_MAX
from db.rows_proof import ProcedureFilter, ProofFilter
from station.proof import Kind, Standing

PDF = "application/pdf"

router = APIRouter(prefix="/v1", tags=["proof"])

Number = Annotated[int, Path(ge=1, le=2**53)]


class _Which(BaseModel):
    """Filters of a list; all that are given must hold."""

    model_config = ConfigDict(extra="forbid")

    after: str | None = Field(None, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)


class WhichProcedures(_Which):
    kind: Kind | None = None
    standing: Standing | None = None


class WhichCalibrations(_Which):
    rig: str | None = None
    emulated: bool | None = None
    accepted: bool | None = None

    def filter(self) -> ProofFilter:
        return ProofFilter(rig=self.rig, emulated=self.emulated, accepted=self.accepted)


class WhichUnits(_Which):
    product: str | None = None
    emulated: bool | None = None


class WhichOutcomes(WhichCalibrations):
    product: str | None = None

    def filter(self) -> ProofFilter:
        return ProofFilter(rig=self.rig, product=self.product, emulated=self.emulated, accepted=self.accepted)


@router.get("/rigs/{rig}/procedures")
def list_procedures(
    rig: str, which: Annotated[WhichProcedures, Query()], desk: TheDesk, kept: TheKept, request: Request, response: Response
) -> ProcedurePage:
    """Procedures of a rig."""
    asked = ProcedureFilter(rig=desk.rig(rig).name, kind=which.kind, standing=which.standing)
    page = kept.procedures(asked, which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return ProcedurePage(procedures=[ProcedureRowBody.of(row) for row in page.items], next=address)


@router.get("/calibrations")
def list_calibrations(which: Annotated[WhichCalibrations, Query()], kept: TheKept, request: Request, response: Response) -> CalibrationPage:
    """Calibrations, also those that were not accepted."""
    page = kept.calibrations(which.filter(), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return CalibrationPage(calibrations=[CalibrationRowBody.of(row, flicks=row.flicks) for row in page.items], next=address)


@router.get("/calibrations/{number}")
def one_calibration(number: Number, kept: TheKept) -> CalibrationDetailBody:
    """A calibration with all its figures."""
    one = kept.calibration(number)
    return CalibrationDetailBody.of(one, document=one.document)


@router.get(
    "/calibrations/{number}/certificate",
    response_class=Response,
    responses={200: {"content": {PDF: {"schema": {"type": "string", "format": "binary"}}}}},
)
def certificate(number: Number, kept: TheKept, settings: TheSettings) -> Response:
    """A calibration on paper."""
    headers = {"Content-Disposition": f'attachment; filename="calibration-{number}.pdf"'}
    return Response(certificate_pdf(kept.calibration(number), settings.zone), media_type=PDF, headers=headers)


@router.get("/reference-units")
def list_reference_units(which: Annotated[WhichUnits, Query()], kept: TheKept, request: Request, response: Response) -> ReferenceUnitPage:
    """Units of known values."""
    page = kept.reference_units(ProofFilter(product=which.product, emulated=which.emulated), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return ReferenceUnitPage(units=[ReferenceUnitBody.model_validate(row) for row in page.items], next=address)


@router.get("/reference-checks")
def list_checks(which: Annotated[WhichOutcomes, Query()], kept: TheKept, request: Request, response: Response) -> CheckPage:
    """Reference units measured; accepted: within their limits."""
    page = kept.checks(which.filter(), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return CheckPage(checks=[CheckBody.of(row) for row in page.items], next=address)


@router.get("/reference-checks/{number}")
def one_check(number: Number, kept: TheKept) -> CheckBody:
    """One check, figure by figure."""
    return CheckBody.of(kept.check(number))


@router.get("/studies")
def list_studies(which: Annotated[WhichOutcomes, Query()], kept: TheKept, request: Request, response: Response) -> StudyPage:
    """Gauge studies and type 1 studies, also those that were not accepted."""
    page = kept.studies(which.filter(), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return StudyPage(studies=[StudyBody.model_validate(row) for row in page.items], next=address)


@router.get("/studies/{number}")
def one_study(number: Number, kept: TheKept) -> StudyDetailBody:
    """A study with all its figures."""
    return StudyDetailBody.model_validate(kept.study(number))
