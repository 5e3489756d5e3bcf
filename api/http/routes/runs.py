"""Runs: lists by filter and key, one run with all it rests on, its flicks, its trace."""

from typing import Annotated, Literal

import numpy as np
from fastapi import APIRouter, Header, Path, Query, Request, Response
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.http import flicks, links, traces
from api.http.bodies import CommandedBody, FlicksBody, OverlayBody, RunBody, RunDetailBody, RunPage, TraceBody
from api.http.depends import TheQueries
from api.http.etags import Tags, TheTags
from api.http.exports import streamed
from api.http.formats import Form, described, wanted
from api.http.papers import trace_csv, trace_raw
from db.queries import PAGE_MAX
from db.rows import Cursor, RunFilter
from station.records import Recording

router = APIRouter(prefix="/v1/runs", tags=["runs"])

Number = Annotated[int, Path(ge=1, le=2**32 - 1)]
Stick = Annotated[str, Query(max_length=40, description="a stick of the unit; `main` where there is only one")]
TRACE_POINTS_MAX = 5000
OVERLAY_MOST = 100
SPAN_MAX_S = 86_400.0  # no run lasts a day
TRACE_FORMS = (Form.JSON, Form.CSV, Form.RAW)


class WhichRuns(BaseModel):
    """Filters of a list of runs; all that are given must hold."""

    model_config = ConfigDict(extra="forbid")

    since: AwareDatetime | None = Field(None, description="started at this time or later (RFC 3339)")
    until: AwareDatetime | None = Field(None, description="started before this time (RFC 3339)")
    station: str | None = None
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


@router.get("", responses=described())
def list_runs(which: Annotated[WhichRuns, Query()], queries: TheQueries, tags: TheTags, request: Request, response: Response) -> RunPage:
    """Runs, newest first."""
    tags.heed(tags.changes.everything())
    page = queries.runs(which.as_filter(), which.cursor(), which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return RunPage(runs=[RunBody.model_validate(row) for row in page.items], next=address)


@router.get("/{number}", responses=described())
def one_run(number: Number, queries: TheQueries, tags: TheTags) -> RunDetailBody:
    """One run with everything it rests on."""
    heed_run(tags, number)
    return RunDetailBody.model_validate(queries.run(number))


@router.get("/{number}/flicks", responses=described())
def run_flicks(number: Number, queries: TheQueries, tags: TheTags, stick: Stick = "main") -> FlicksBody:
    """Figures of every flick of a stick."""
    heed_run(tags, number)
    return flicks.flicks_body(number, stick, queries.flicks(number, stick))


@router.get("/{number}/overlay", responses=described())
def run_overlay(
    number: Number,
    queries: TheQueries,
    tags: TheTags,
    stick: Stick = "main",
    most: Annotated[int, Query(ge=1, le=OVERLAY_MOST, description="flicks drawn per group")] = 30,
    before_s: Annotated[float, Query(ge=0, le=0.1)] = 0.01,
    after_s: Annotated[float, Query(gt=0, le=0.3)] = 0.09,
) -> OverlayBody:
    """The flicks of each group laid over each other at their release, with the neutral zone."""
    heed_run(tags, number)
    return flicks.overlay_body(queries, number, stick, most, (before_s, after_s))


@router.get("/{number}/trace", response_model=TraceBody, responses=described(*TRACE_FORMS[1:]))
def run_trace(
    number: Number,
    queries: TheQueries,
    tags: TheTags,
    stick: Stick = "main",
    format: Annotated[Literal["json", "csv", "raw"] | None, Query(description="wins over Accept")] = None,
    points: Annotated[int, Query(ge=1, le=TRACE_POINTS_MAX, description="of JSON: stretches, one a pixel of the drawing's width")] = 800,
    from_s: Annotated[float | None, Query(ge=0, le=SPAN_MAX_S, allow_inf_nan=False)] = None,
    to_s: Annotated[float | None, Query(ge=0, le=SPAN_MAX_S, allow_inf_nan=False)] = None,
    accept: Annotated[str, Header()] = "*/*",
) -> Response:
    """The samples: JSON as an envelope for drawing, all of them as CSV that `restpoint score` reads, or raw.

    Raw: codes of the sampler, x and y in turn, unsigned 16 bits, low byte first. Headers say rate, scale (volts a code), supply, time of
    the first sample, and the SHA-256 of the bytes (Repr-Digest, RFC 9530).
    """
    form = wanted(accept, None if format is None else Form(format), TRACE_FORMS)
    headers = heed_run(tags, number, form) or {"Vary": "Accept"}
    recording = queries.recording(number, stick)
    if form is Form.CSV:
        return streamed(trace_csv(recording, number, stick), headers)
    if form is Form.RAW:
        return streamed(trace_raw(recording, number, stick), headers)
    first = 0 if from_s is None else traces.sample_at(recording, from_s)
    last = len(recording.x_v) if to_s is None else traces.sample_at(recording, to_s)
    return JSONResponse(_trace(recording, number, stick, first, last, points).model_dump(mode="json"), headers=headers)


def heed_run(tags: Tags, number: int, form: Form = Form.JSON) -> dict[str, str]:
    """Headers of an answer about a run; none while it goes on. Raises Unchanged, NotFound."""
    mark = tags.changes.run(number)
    return {} if mark is None else tags.heed(mark, form)


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
