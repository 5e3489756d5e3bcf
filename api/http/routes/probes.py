"""Probes for whoever keeps the service running. None can move anything."""

from typing import Annotated, cast

from fastapi import APIRouter, Header, Request, Response
from pydantic import BaseModel, Field

from api.http.depends import TheDesk, TheQueries
from api.http.metrics import StationMetrics
from station.errors import StoreError

router = APIRouter(tags=["probes"])


class Health(BaseModel):
    status: str = Field(examples=["ok"])


class Readiness(BaseModel):
    """`checks` by name: empty where good, else one sentence. `notes` likewise of what keeps nobody from testing, such as a line behind."""

    status: str = Field(description="ready or not-ready")
    checks: dict[str, str]
    notes: dict[str, str] = {}


@router.get("/healthz")
async def healthz() -> Health:
    """200 while the process turns."""
    return Health(status="ok")


@router.get("/readyz", responses={503: {"model": Readiness, "description": "At least one check is not good."}})
def readyz(desk: TheDesk, queries: TheQueries, request: Request, response: Response) -> Readiness:
    """200 when the database and the rigs can take a unit."""
    checks = {"database": _database(queries), **desk.ready()}
    good = not any(checks.values())
    response.status_code = 200 if good else 503
    return Readiness(status="ready" if good else "not-ready", checks=checks, notes=request.app.state.notes())


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(request: Request, accept: Annotated[str, Header()] = "") -> Response:
    """Prometheus text, or OpenMetrics when asked for by Accept."""
    body, content_type = cast(StationMetrics, request.app.state.metrics).text(accept)
    return Response(body, media_type=content_type)


def _database(queries: TheQueries) -> str:
    try:
        queries.rigs()
    except StoreError as problem:
        return problem.message
    return ""
