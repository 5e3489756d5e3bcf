"""Units and their history."""

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.http import links
from api.http.bodies import UnitBody, UnitDetailBody, UnitPage
from api.http.depends import TheQueries
from api.http.etags import TheTags
from api.http.formats import described
from db.queries import PAGE_MAX

router = APIRouter(prefix="/v1/units", tags=["units"])


@router.get("", responses=described())
def list_units(
    queries: TheQueries,
    tags: TheTags,
    request: Request,
    response: Response,
    serial: Annotated[str, Query(max_length=64, description="beginning of the serial number")] = "",
    after: Annotated[str | None, Query(max_length=120, description="where the page before ended")] = None,
    limit: Annotated[int, Query(ge=1, le=PAGE_MAX)] = 50,
) -> UnitPage:
    """Units by serial number."""
    tags.heed(tags.changes.everything())
    page = queries.units(serial, after, limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return UnitPage(units=[UnitBody.model_validate(row) for row in page.items], next=address)


@router.get("/{serial}", responses=described())
def one_unit(serial: str, queries: TheQueries, tags: TheTags) -> UnitDetailBody:
    """One unit with all its runs and the parts fitted."""
    tags.heed(tags.changes.unit(serial))
    return UnitDetailBody.model_validate(queries.unit(serial))
