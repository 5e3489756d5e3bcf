"""The audit trail, for admins."""

from typing import Annotated, Self

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import links
from api.http.depends import TheQueries
from api.http.instants import Instant
from db.audit import KeptEntry, entries
from db.queries import PAGE_MAX

router = APIRouter(prefix="/v1/audit", tags=["audit"])


class AuditBody(BaseModel):
    """Something that was done or refused. before, after: SHA-256 of what it changed, as JSON, "" where nothing was looked at.

    left_out: refusals just before that were not kept. asked: the request's body as far as it is kept.
    """

    model_config = ConfigDict(from_attributes=True)

    number: int
    station: str
    at: Instant
    who: str
    role: str
    address: str
    what: str
    status: int
    asked: str
    before: str
    after: str
    left_out: int

    @classmethod
    def of(cls, kept: KeptEntry) -> Self:
        """Body of an entry."""
        values = {name: getattr(kept.entry, name) for name in kept.entry.__dataclass_fields__}
        return cls(number=kept.number, station=kept.station, **values)


class AuditPage(BaseModel):
    entries: list[AuditBody]
    next: str | None = Field(description="address of the next page, null on the last")


@router.get("")
def list_entries(
    queries: TheQueries,
    request: Request,
    response: Response,
    after: Annotated[int | None, Query(ge=1, le=2**53, description="where the page before ended")] = None,
    limit: Annotated[int, Query(ge=1, le=PAGE_MAX)] = 50,
) -> AuditPage:
    """Who did what, and what was refused, newest first. Needs the role admin."""
    found = entries(queries.database, after, limit + 1)
    address = links.following(request, str(found[limit - 1].number) if len(found) > limit else None)
    links.announce(response, address)
    return AuditPage(entries=[AuditBody.of(one) for one in found[:limit]], next=address)
