"""Units: search by serial number, and one unit's history."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.http import links
from api.http.depends import TheQueries
from api.pages.render import page

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
def unit_page(serial: str, request: Request, queries: TheQueries) -> Response:
    """One unit: what it is, what is fitted, all its runs."""
    return page(request, "unit.html", detail=queries.unit(serial))
