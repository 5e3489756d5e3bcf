"""Advice on units and runs, and the picture that says where a part goes."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from api.http.bodies import UnitName
from api.http.bodies_rework import AdviceBody
from api.http.rework import TheOrders, TheRework
from db.rows_rework import StoredAdvice

router = APIRouter(prefix="/v1", tags=["rework"])

Number = Annotated[int, Path(ge=1, le=2**32 - 1)]


@router.get("/runs/{number}/advice")
def run_advice(number: Number, orders: TheOrders, desk: TheRework) -> AdviceBody:
    """What every part in stock would do to the flicks of a run: as kept when it was made, else computed now from its trace."""
    kept = orders.advice(number)
    if kept is not None:
        return _body(kept)
    facts, documents = desk.advise(number)
    return AdviceBody(run=number, unit=UnitName.model_validate(facts.unit), made_at=None, sticks=documents)


@router.get("/units/{serial}/advice")
def unit_advice(serial: str, orders: TheOrders) -> AdviceBody:
    """The newest advice made for a unit."""
    return _body(orders.newest_advice(serial))


@router.get("/lots/{lot}/advice")
def lot_advice(lot: str, product: Annotated[str, Query(min_length=1, max_length=40)], desk: TheRework) -> dict[str, Any]:
    """Which single part would make the largest share of a stick lot pass, and what it costs in lag. What it must compute it keeps."""
    return dict(desk.lot_advice(product, lot))


@router.get(
    "/products/{product}/pad-map", response_class=Response, responses={200: {"content": {"image/svg+xml": {"schema": {"type": "string"}}}}}
)
def pad_map(product: str, desk: TheRework) -> Response:
    """Where a part goes on a product, drawn."""
    return Response(desk.pad_map(product).svg, media_type="image/svg+xml")


def _body(kept: StoredAdvice) -> AdviceBody:
    return AdviceBody(run=kept.run, unit=UnitName.model_validate(kept.unit), made_at=kept.made_at, sticks=kept.sticks)
