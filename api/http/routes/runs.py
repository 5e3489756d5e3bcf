"""Runs: lists by filter and key, one run with all it rests on, its flicks, its trace."""

from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Header, Path, Query, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.http import flicks, links, traces
from api.http.bodies import CommandedBody, FlicksBody, OverlayBody, RunBody, RunDetailBody, RunPage, TraceBody
from api.http.depends import TheQueries
from api.http.problems import NotAcceptable
from db.queries import PAGE_MAX
from db.rows import Cursor, RunFilter
from station.records import Recording

router = APIRouter(prefix="/v1/runs", tags=["runs"])

Number = Annotated[int, Path(ge=1, le=2**32 - 1)]
Stick = Annotated[str, Query(max_length=40, description="a stick of the unit; `main` where there is only one")]
TRACE_POINTS_MAX = 5000
OVERLAY_MOST = 100


class WhichRuns(BaseModel):
    """Filters of a list of runs; all that are given must hold."""

    model_config = ConfigDict(extra="forbid")

    since: AwareDatetime | None = Field(None, description="started at this time or later (RFC 3339)")
    until: AwareDatetime | None = Field(None, description="started before this time (RFC 3339)")
    product: str | None = None
    lot: str | None = None
    rig: str | None = None
    verdict: Literal["pass", "fail", "undecided", "invalid", "open"] | None = None
    reason: str | None = Field(None, description="`code`, or `code:group`, or `code:axis`")
    serial: str | None = Field(None, description="beginning of the serial number")
    emulated: bool | None = None
    after: str | None = Field(None, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)

    def as_filter(self) -> RunFilter:
        """The same as a question to the database."""
        values = self.model_dump(exclude={"after", "limit", "serial"})
        return RunFilter(**values, serial_prefix=self.serial)

    def cursor(self) -> Cursor | None:
        """Raises UsageError for a cursor that was not given out."""
        return None if self.after is None else Cursor.decode(self.after)


@router.get("")
def list_runs(which: Annotated[WhichRuns, Query()], queries: TheQueries, request: Request, response: Response) -> RunPage:
    """Runs, newest first."""
    page = queries.runs(which.as_filter(), which.cursor(), which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return RunPage(runs=[RunBody.model_validate(row) for row in page.items], next=address)


@router.get("/{number}")
def one_run(number: Number, queries: TheQueries) -> RunDetailBody:
    """One run with everything it rests on."""
    return RunDetailBody.model_validate(queries.run(number))


@router.get("/{number}/flicks")
def run_flicks(number: Number, queries: TheQueries, stick: Stick = "main") -> FlicksBody:
    """Figures of every flick of a stick."""
    return flicks.flicks_body(number, stick, queries.flicks(number, stick))


@router.get("/{number}/overlay")
def run_overlay(
    number: Number,
    queries: TheQueries,
    stick: Stick = "main",
    most: Annotated[int, Query(ge=1, le=OVERLAY_MOST, description="flicks drawn per group")] = 30,
    before_s: Annotated[float, Query(ge=0, le=0.1)] = 0.01,
    after_s: Annotated[float, Query(gt=0, le=0.3)] = 0.09,
) -> OverlayBody:
    """The flicks of each group laid over each other at their release, with the neutral zone."""
    return flicks.overlay_body(queries, number, stick, most, (before_s, after_s))


@router.get("/{number}/trace", response_model=TraceBody, responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}})
def run_trace(
    number: Number,
    queries: TheQueries,
    stick: Stick = "main",
    format: Annotated[Literal["json", "csv"] | None, Query(description="wins over Accept")] = None,
    points: Annotated[int, Query(ge=1, le=TRACE_POINTS_MAX)] = 800,
    from_s: Annotated[float | None, Query(ge=0, allow_inf_nan=False)] = None,
    to_s: Annotated[float | None, Query(ge=0, allow_inf_nan=False)] = None,
    accept: Annotated[str, Header()] = "*/*",
) -> Response:
    """The samples: JSON as an envelope for drawing, or all of them as CSV that `restpoint score` reads."""
    recording = queries.recording(number, stick)
    if (format or _format_of(accept)) == "csv":
        return _csv(recording, number, stick)
    first = 0 if from_s is None else traces.sample_at(recording, from_s)
    last = len(recording.x_v) if to_s is None else traces.sample_at(recording, to_s)
    return JSONResponse(_trace(recording, number, stick, first, last, points).model_dump(mode="json"), headers={"Vary": "Accept"})


def _format_of(accept: str) -> str:
    kinds = [one.partition(";")[0].strip().lower() for one in accept.split(",")]
    for kind in kinds:
        if kind in {"application/json", "application/*", "*/*", ""}:
            return "json"
        if kind in {"text/csv", "text/*"}:
            return "csv"
    raise NotAcceptable(f"Accept is {accept!r}; expected application/json or text/csv")


def _csv(recording: Recording, number: int, stick: str) -> Response:
    about: dict[str, Any] = {"run": number, "stick": stick, "rate_hz": recording.rate_hz, "supply_v": recording.supply_v}
    headers = {"Content-Disposition": f'attachment; filename="run-{number}-{stick}.csv"', "Vary": "Accept"}
    return StreamingResponse(traces.csv_lines(recording, about), media_type="text/csv; charset=utf-8; header=present", headers=headers)


def _trace(recording: Recording, number: int, stick: str, first: int, last: int, points: int) -> TraceBody:
    shape = traces.envelope(recording, first, last, points)
    columns = {name: np.round(getattr(shape, name), 7).tolist() for name in ("t_s", "x_min_v", "x_max_v", "y_min_v", "y_max_v")}
    start_s, rate = recording.t_first_s, recording.rate_hz
    commanded = [CommandedBody(group=one.group, t_s=start_s + one.first_sample / rate) for one in recording.commanded or ()]
    return TraceBody(
        run=number,
        stick=stick,
        rate_hz=rate,
        samples=len(recording.x_v),
        supply_v=recording.supply_v,
        quantum_v=recording.quantum_v,
        from_s=start_s + first / rate,
        to_s=start_s + max(first, last) / rate,
        commanded=commanded,
        distrust=list(recording.distrust),
        **columns,
    )
