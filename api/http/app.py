"""The web application: built once by the composition root from what it is handed; builds nothing else and decides nothing."""

import threading
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any

from anyio.to_thread import current_default_thread_limiter
from fastapi import FastAPI
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from api.http import etags, problems
from api.http.access import Access
from api.http.audit import AccessBook, Audited, Trail
from api.http.document import with_problems
from api.http.exports import ExportPlaces
from api.http.gate import Gate
from api.http.headers import GuardingHeaders, HostGate, PlainErrors
from api.http.idempotency import Keyed
from api.http.metrics import StationMetrics, Timing
from api.http.routes import (
    advice,
    audit,
    events,
    exports,
    monitors,
    probes,
    proof_charts,
    proof_kept,
    proof_procedures,
    rework,
    rigs,
    runs,
    specifications,
    units,
    yields,
)
from api.http.settings import WebSettings
from api.http.streams import EventStreams
from api.pages.assets import CHART_SCRIPTS, STATIC
from api.pages.render import problem_as_page
from api.pages.router import router as pages
from db.queries import Queries
from station.ports.desk import Desk
from station.ports.proof import ProofDesk
from station.ports.rework import ReworkDesk

API_VERSION = "1"
HANDLERS_MAX = 12  # at once, in threads: a few more than the database has readers; the rigs' workers keep their turn
DESCRIPTION = (
    "End-of-line test of analog thumbsticks. Times are RFC 3339 in UTC, units stand in names (_s, _v, _f, _counts), "
    "a figure that is not known is null, errors are problem documents (RFC 9457)."
)


class StationApp(FastAPI):
    """FastAPI that answers every error as a problem, also those of its own outermost layers, and says so in its OpenAPI document."""

    def build_middleware_stack(self) -> ASGIApp:
        """The framework's stack inside the headers that every answer carries."""
        return GuardingHeaders(PlainErrors(super().build_middleware_stack()))

    def openapi(self) -> dict[str, Any]:
        """The document, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = with_problems(super().openapi())
        return self.openapi_schema


def build_app(
    desk: Desk,
    queries: Queries,
    access: Access,
    settings: WebSettings,
    orders: ReworkDesk | None = None,
    proof: ProofDesk | None = None,
    book: AccessBook | None = None,
) -> FastAPI:
    """The application. `app.state.streams.end` ends all event streams; call it first at shutdown (see api.http.server).

    orders: where rework is recorded; without it the rework routes only read. proof: likewise of proving the rigs.
    book: where it is written down who did what; without it nothing is, and keys of requests are not looked at.
    """
    streams = EventStreams(desk, settings.streams_max)
    metrics = StationMetrics(desk, streams)
    app = StationApp(
        title="Restpoint",
        description=DESCRIPTION,
        version=API_VERSION,
        docs_url=None,
        redoc_url=None,
        max_body_size=settings.body_max_bytes,
        telemetry={"tracing": False, "metrics": False, "logs": False},
        lifespan=_lifespan(desk, streams, metrics.count_runs),
        responses={"default": {"model": problems.Problem, "description": "A problem (RFC 9457)."}},
    )
    app.state.desk, app.state.queries, app.state.access, app.state.settings = desk, queries, access, settings
    app.state.streams, app.state.metrics = streams, metrics
    app.state.rework, app.state.proof = orders, proof
    app.state.notes = dict  # what readiness says beside its checks; whoever composes a line puts more here
    app.state.editing = threading.Lock()
    app.state.exports = ExportPlaces(settings.exports_max)
    problems.install(app, problem_as_page)
    etags.install(app)
    proving = (proof_procedures, proof_kept, proof_charts)
    kept = (yields, exports, runs, units, rework, advice, specifications, monitors, audit)
    for part in (rigs, *proving, *kept, events, probes):
        app.include_router(part.router)
    app.include_router(pages)
    app.mount("/static/charts", StaticFiles(directory=CHART_SCRIPTS))
    app.mount("/static", StaticFiles(directory=STATIC))
    # The last added is the outermost.
    trail = Trail(book)
    app.add_middleware(Audited, trail=trail, most=settings.body_max_bytes)
    app.add_middleware(Keyed, book=book, most=settings.body_max_bytes)
    app.add_middleware(Gate, access=access, refused=trail.refused)
    app.add_middleware(HostGate, hosts=settings.allowed_hosts)
    app.add_middleware(Timing, metrics=metrics)
    return app


def _lifespan(desk: Desk, streams: EventStreams, count_runs: Callable[[], None]) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        current_default_thread_limiter().total_tokens = HANDLERS_MAX
        unwatch = desk.watch(count_runs)
        streams.begin()
        try:
            yield
        finally:
            streams.end()
            unwatch()

    return lifespan
