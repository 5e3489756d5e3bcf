"""Control charts of rigs and products: which there are, one with its points, freezing limits, noting causes."""

from typing import Annotated, Any

from fastapi import APIRouter, Query

from api.http.bodies_proof import ChartList, ChartName, Freezing, Noting
from api.http.depends import TheDesk, ThePrincipal
from api.http.proof import TheChart, TheEngineer, TheProof, chart_of

POINTS, POINTS_MAX = 100, 2000  # one screen of a chart; a year of shifts

router = APIRouter(prefix="/v1/charts", tags=["proof"])

Rig = Annotated[str, Query(max_length=60, description="charts of this rig; left out: those of products, at all rigs")]
Newest = Annotated[int, Query(ge=1, le=POINTS_MAX, description="how many points, counted from the newest")]


@router.get("")
def list_charts(proof: TheProof, desk: TheDesk, rig: Rig = "") -> ChartList:
    """Charts that have a point."""
    return ChartList(charts=[ChartName.of(key) for key in proof.charts(desk.rig(rig).name if rig else "")])


@router.get("/points")
def chart_points(chart: TheChart, proof: TheProof, newest: Newest = POINTS) -> dict[str, Any]:
    """One chart: points oldest first, centre and limits, signals with the rule that fired and the points it rests on, notes."""
    return dict(proof.chart(chart, newest))


@router.post("/limits", status_code=201)
def freeze(freezing: Freezing, proof: TheProof, engineer: TheEngineer) -> dict[str, Any]:
    """Freeze a chart's limits from a stretch of its points, and say which run rules are looked for. Needs the role engineer."""
    operator = freezing.operator or engineer.name
    return dict(proof.freeze(chart_of(freezing.key), freezing.first, freezing.last, freezing.rules, operator))


@router.post("/notes", status_code=201)
def note(noting: Noting, proof: TheProof, principal: ThePrincipal) -> dict[str, Any]:
    """Note what was found and done about a point; answers the chart."""
    chart = chart_of(noting.key)
    proof.note(chart, noting.point, noting.cause, noting.action, noting.operator or principal.name)
    return dict(proof.chart(chart))
