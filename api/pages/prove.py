"""Proving the rigs: how each stands, one rig's record, and a procedure that a person follows."""

from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Request, Response

from api.http.depends import TheDesk, TheQueries, TheSettings
from api.http.proof import CAUTIONS, TheKept, TheProof, chart_text
from api.pages.prove_words import FIELDS, KINDS, chart_name, figure_name
from api.pages.render import page
from db.rows_proof import ProcedureFilter, ProofFilter
from station.errors import NotFound
from station.ports.proof import ProofDesk
from station.proof import Kind

router = APIRouter()

KEPT: Final = 8  # newest of each list on a rig's page
Number = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/prove")
def overview(request: Request, desk: TheDesk) -> Response:
    """Every rig: its calibration, its reference unit, what is open, what wants a person. Without rigs of its own a service says so."""
    proof: ProofDesk | None = request.app.state.proof
    names = [view.name for view in desk.rigs()] if proof else []
    standing, banners = ([proof.state(name) for name in names], _once(proof, names)) if proof else ([], [])
    return page(request, "prove.html", standing=standing, banners=banners, kinds=KINDS)


@router.get("/prove/rigs/{rig}")
def of_rig(rig: str, request: Request, desk: TheDesk, proof: TheProof, kept: TheKept, queries: TheQueries) -> Response:
    """One rig's record, and where procedures are begun."""
    view = desk.rig(rig)
    mine = ProofFilter(rig=rig, emulated=view.emulated)
    products = sorted({row.name for row in queries.specifications()})
    shown: dict[str, Any] = {
        "rig": view,
        "standing": proof.state(rig),
        "calibrations": kept.calibrations(mine, None, KEPT).items,
        "units": kept.reference_units(ProofFilter(emulated=view.emulated), None, KEPT).items,
        "checks": kept.checks(mine, None, KEPT).items,
        "studies": kept.studies(mine, None, KEPT).items,
        "procedures": kept.procedures(ProcedureFilter(rig=rig), None, KEPT).items,
        "charts": [(chart_text(key), chart_name(key)) for key in (*proof.charts(rig), *proof.charts(""))],
        "wear": proof.wear(rig),
        "budgets": [found for name in products if (found := _budget(proof, rig, name)) is not None],
        "products": products,
        "kinds": KINDS,
        "fields": FIELDS,
        "figure_name": figure_name,
    }
    return page(request, "prove_rig.html", **shown)


@router.get("/prove/procedures/{number}")
def procedure(number: Number, request: Request, proof: TheProof, settings: TheSettings) -> Response:
    """A procedure, step by step."""
    view = proof.procedure(number)
    opening = view.procedure.opening
    shown: dict[str, Any] = {
        "view": view,
        "opening": opening,
        "kind": KINDS[opening.kind],
        "cautions": (*CAUTIONS, *settings.cautions),
        "outcome": outcome_address(view.outcome),
        "plan": {
            key: value for key, value in opening.plan.items() if isinstance(value, str | int | float) or key in ("parts", "operators")
        },
    }
    return page(request, "prove_procedure.html", **shown)


def outcome_address(outcome: Any) -> str:
    """Where what came of a procedure is shown; "" while nothing came of it."""
    places = {
        Kind.CALIBRATION: "/prove/calibrations/{}",
        Kind.REFERENCE_CHECK: "/prove/checks/{}",
        Kind.GAUGE_STUDY: "/prove/studies/{}",
        Kind.TYPE_1_STUDY: "/prove/studies/{}",
    }
    place = places.get(outcome.get("kind", ""), "")
    return place.format(outcome["number"]) if place else ""


def _once(proof: ProofDesk, names: list[str]) -> list[str]:
    """Banners that no rig's own panel says already."""
    said = {line for name in names for line in (*proof.state(name).blocks, *proof.state(name).warns)}
    return [line for line in proof.banners() if line not in said]


def _budget(proof: ProofDesk, rig: str, product: str) -> tuple[str, Any] | None:
    try:
        return product, proof.budget(rig, product)
    except NotFound:
        return None
