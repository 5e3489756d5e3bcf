"""Runs: the list with its filters, and one run with everything it rests on."""

from datetime import date, datetime, time, timedelta
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, BeforeValidator

from api.http import links
from api.http.depends import TheQueries, TheSettings
from api.http.flicks import specification_of
from api.http.routes.runs import Number
from api.pages.limits import axis_rows, group_rows
from api.pages.render import page
from api.pages.words import REASONS, reasons_shown
from db.rows import Cursor, RunFilter
from station.judge.words import WAY_ON

router = APIRouter()
RUNS_PER_PAGE = 50


def _none_if_empty(value: object) -> object:
    return None if value == "" else value


Day = Annotated[date | None, BeforeValidator(_none_if_empty)]
Outcome = Annotated[Literal["pass", "fail", "undecided", "invalid", "open"] | None, BeforeValidator(_none_if_empty)]


class AskedRuns(BaseModel):
    """The filter form; empty fields ask for all. Days are days of the station's zone, both included."""

    serial: str = ""
    verdict: Outcome = None
    reason: str = ""
    product: str = ""
    lot: str = ""
    rig: str = ""
    since: Day = None
    until: Day = None
    after: str | None = None

    def as_filter(self, zone: ZoneInfo) -> RunFilter:
        """The same as a question to the database."""
        return RunFilter(
            since=None if self.since is None else midnight(self.since, zone),
            until=None if self.until is None else midnight(self.until + timedelta(days=1), zone),
            product=self.product or None,
            lot=self.lot or None,
            rig=self.rig or None,
            verdict=self.verdict,
            reason=self.reason or None,
            serial_prefix=self.serial.strip().upper() or None,
        )


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """Where a day of the zone begins."""
    return datetime.combine(day, time(), zone)


@router.get("/runs")
def runs_page(request: Request, asked: Annotated[AskedRuns, Query()], queries: TheQueries, settings: TheSettings) -> Response:
    """Runs, newest first."""
    after = None if asked.after is None else Cursor.decode(asked.after)
    found = queries.runs(asked.as_filter(settings.zone_info), after, RUNS_PER_PAGE)
    shown = {name: "" if value is None else str(value) for name, value in asked.model_dump().items()}
    following = links.following(request, found.next)
    return page(request, "runs.html", runs=found.items, asked=shown, following=following, reason_codes=sorted(REASONS))


@router.get("/runs/{number}")
def run_page(number: Number, request: Request, queries: TheQueries) -> Response:
    """Verdict and reasons, each figure against its limit, flicks, decision, evidence."""
    detail = queries.run(number)
    specification = specification_of(queries, detail.run.specification)
    sticks = [(stick, group_rows(stick, specification), axis_rows(stick, specification)) for stick in detail.sticks.values()]
    shown: dict[str, Any] = {
        "detail": detail,
        "specification": specification,
        "sticks": sticks,
        "reasons": reasons_shown(detail.run.reasons),
    }
    return page(request, "run.html", **shown, way_on=WAY_ON)
