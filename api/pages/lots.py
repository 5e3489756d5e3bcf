"""The lot view: which single part would make the largest share of a stick lot pass, and what it costs in lag. Fetched after the page."""

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response

from api.http.depends import TheQueries
from api.http.rework import TheOrders, TheRework
from api.pages.render import page
from station.specification import Specification, parse_specification

router = APIRouter()

Text = Annotated[str, Query(max_length=64)]
Wanted = Annotated[str, Query(min_length=1, max_length=64)]


@router.get("/rework/lots")
def lot_page(request: Request, queries: TheQueries, orders: TheOrders, product: Text = "", lot: Text = "") -> Response:
    """The question; the answer is fetched once the page stands, for it may have to be worked out."""
    products = sorted({row.name for row in queries.specifications()})
    wanted, name = lot.strip(), product or (products[0] if len(products) == 1 else "")
    later = f"/rework/lots/answer?{urlencode({'product': name, 'lot': wanted})}" if wanted and name else ""
    known = sorted({(one.key.product, one.key.lot) for one in orders.estimates() if one.key.lot})
    return page(request, "lot.html", products=products, product=name, lot=wanted, later=later, known=known)


@router.get("/rework/lots/answer")
def lot_answer(request: Request, orders: TheOrders, desk: TheRework, product: Wanted, lot: Wanted) -> Response:
    """The answer. What must be computed for it is kept, so that it is quick the next time."""
    document = desk.lot_advice(product, lot)
    spec = parse_specification(orders.newest_specification(product))
    chart = _chart(document, spec)
    return page(request, "lot_answer.html", answer=document, product=product, lot=lot, limit_s=spec.limits.added_lag_s, chart=chart)


def _chart(document: Mapping[str, Any], spec: Specification) -> dict[str, Any]:
    """What the browser draws: shares with their intervals, and lags, against capacitance."""
    names = ("capacitance_f", "share", "share_low", "share_high", "expected_share")
    values = [{name: one[name] for name in names} | {"lag_s": one["added_lag_s"]} for one in document["values"]]
    best = document["best"]
    return {"values": values, "best_f": best["capacitance_f"] if best else None, "lag_limit_s": spec.limits.added_lag_s}
