"""Proving the rig: how a rig stands, procedures step by step, wear, the uncertainty budget, what wants a person."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response

from api.http.bodies_proof import (
    Abandoning,
    BannerList,
    Beginning,
    GoingOn,
    ProcedureViewBody,
    RigProofBody,
    StepResultBody,
)
from api.http.depends import ThePrincipal, TheSettings
from api.http.proof import CAUTIONS, TheProof
from api.http.settings import WebSettings
from api.http.starting import MayStart
from station.errors import NotFound
from station.ports.proof import ProcedureView

router = APIRouter(prefix="/v1", tags=["proof"])

Number = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/rigs/{rig}/proof")
def rig_proof(rig: str, proof: TheProof) -> RigProofBody:
    """How well a rig is proven: its calibration, its reference unit, what blocks a run and what will be due."""
    return RigProofBody.of(proof.state(rig))


@router.post("/rigs/{rig}/procedures", status_code=201)
def begin(
    rig: str, beginning: Beginning, proof: TheProof, principal: ThePrincipal, settings: TheSettings, response: Response
) -> ProcedureViewBody:
    """Begin a procedure; moves nothing. While it is open no run starts, and the rig's start button carries out its next step."""
    view = proof.begin(rig, beginning.kind, beginning.plan, beginning.operator or principal.name)
    response.headers["Location"] = f"/v1/procedures/{view.procedure.number}"
    return _body(view, settings)


@router.get("/rigs/{rig}/wear")
def wear(rig: str, proof: TheProof) -> dict[str, Any]:
    """Trend of every figure of the rig's health, and the forecast of when its limit will be met."""
    return dict(proof.wear(rig))


@router.get("/rigs/{rig}/budget")
def budget(rig: str, product: Annotated[str, Query(min_length=1, max_length=40)], proof: TheProof) -> dict[str, Any]:
    """Uncertainty budget of peak and added lag, from the calibration in force and the newest accepted study (JCGM 100)."""
    return dict(proof.budget(rig, product))


@router.get("/procedures/{number}")
def one_procedure(number: Number, proof: TheProof, settings: TheSettings) -> ProcedureViewBody:
    """A procedure: its steps, which comes next, what goes on, what came of it."""
    return _body(proof.procedure(number), settings)


@router.get("/procedures/{number}/steps/{position}")
def step_result(number: Number, position: Annotated[int, Path(ge=1, le=100_000)], proof: TheProof) -> StepResultBody:
    """The figures of a step that was carried out; those of its newest try."""
    for result in proof.procedure(number).procedure.results:
        if result.position == position:
            return StepResultBody.model_validate(result)
    raise NotFound(f"procedure {number}: step {position} has no result; expected one that was carried out")


@router.post("/procedures/{number}/go-on", status_code=202)
def go_on(
    number: Number, proof: TheProof, settings: TheSettings, _: MayStart, going: Annotated[GoingOn, Body(default_factory=GoingOn)]
) -> ProcedureViewBody:
    """Carry out the next step, or one that was done once more; answers at once. The finger will move where the step says so.

    Only from the station's own machine, unless its configuration says `network_start = true`.
    """
    return _body(proof.go_on(number, going.operator or _wanted(proof.procedure(number), going.position), going.position), settings)


@router.post("/procedures/{number}/abandon")
def abandon(number: Number, abandoning: Abandoning, proof: TheProof, principal: ThePrincipal, settings: TheSettings) -> ProcedureViewBody:
    """End an open procedure without an outcome. What was in force before stays so."""
    return _body(proof.abandon(number, abandoning.operator or principal.name, abandoning.cause), settings)


@router.get("/banners")
def banners(proof: TheProof) -> BannerList:
    """Sentences that want a person: signals without a note, failed references, calibrations near their end."""
    return BannerList(banners=list(proof.banners()))


def _body(view: ProcedureView, settings: WebSettings) -> ProcedureViewBody:
    return ProcedureViewBody.of(view, (*CAUTIONS, *settings.cautions))


def _wanted(view: ProcedureView, position: int) -> str:
    """Whom a step asks for; who began the procedure where it asks for nobody."""
    step = next((one for one in view.steps if one.position == position), view.next) if position else view.next
    return (step.operator if step else "") or view.procedure.opening.by
