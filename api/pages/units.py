"""Units: search by serial number, and one unit's history."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.http import links
from api.http.depends import TheQueries
from api.http.rework import TheOrders
from api.pages.advice import newest_advice
from api.pages.render import page
from api.pages.work_list import STATE_WORDS

router = APIRouter()
UNITS_PER_PAGE = 50


@router.get("/units")
def units_page(
    request: Request,
    queries: TheQueries,
    serial: Annotated[str, Query(max_length=64)] = "",
    after: Annotated[str | None, Query(max_length=120)] = None,
) -> Response:
    """Units by serial number, those that begin with what was asked for."""
    wanted = serial.strip().upper()
    found = queries.units(wanted, after, UNITS_PER_PAGE)
    return page(request, "units.html", units=found.items, serial=wanted, following=links.following(request, found.next))


@router.get("/units/{serial}")
def unit_page(serial: str, request: Request, queries: TheQueries, orders: TheOrders) -> Response:
    """One unit: what it is, what is fitted, its way through rework, the newest advice, all its runs."""
    detail = queries.unit(serial)
    advice = newest_advice(queries, orders, detail.unit.serial)
    mine = orders.orders_of(detail.unit.serial)
    return page(request, "unit.html", detail=detail, advice=advice, orders=mine, state_words=STATE_WORDS)
