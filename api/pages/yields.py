"""Yield: a report on the screen, and the runs behind each of its figures."""

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import Field, ValidationError

from api.http import links
from api.http.depends import TheDesk
from api.http.yields import NAME_MAX, AskedSplit, TheReports
from api.pages.render import page
from db.queries.failed import FailedFilter
from db.rows import Cursor
from station.ports.yields import Behind
from station.service.yield_links import query_of
from station.yields import Share, Split

router = APIRouter()

RUNS_PER_PAGE = 40
FAILED_SHOWN = 20
WORDS = {
    Behind.UNITS: "First decided run of each unit",
    Behind.FIRST_PASSED: "Units that passed at their first decided run",
    Behind.FIRST_FAILED: "Units that failed at their first decided run",
    Behind.FINAL_PASSED: "Units whose newest decided run passed",
    Behind.FINAL_FAILED: "Units whose newest decided run failed",
    Behind.RUNS: "Runs",
    Behind.DECIDED: "Decided runs",
    Behind.UNDECIDED: "Undecided runs",
    Behind.INVALID: "Invalid runs",
    Behind.RETESTS: "Retests",
    Behind.SCRAPPED: "Scrapped units",
    Behind.FAILED: "Failed runs",
}


class AskedRunsBehind(AskedSplit):
    figure: Behind = Behind.RUNS
    label: str = Field("", max_length=NAME_MAX)
    reason: str = Field("", max_length=NAME_MAX)
    after: str | None = Field(None, max_length=NAME_MAX)


def _asked(request: Request) -> AskedSplit:
    """As the form of the page has it: an empty field asks for all. Raises RequestValidationError."""
    try:
        return AskedSplit.model_validate({name: text for name, text in request.query_params.items() if text})
    except ValidationError as problem:
        raise RequestValidationError(problem.errors()) from problem


@router.get("/yield")
def report(which: Annotated[AskedSplit, Depends(_asked)], request: Request, reports: TheReports, desk: TheDesk) -> Response:
    """First-pass, final and rolled yield with their intervals, causes, capability, rework, failed units."""
    rigs = desk.rigs()
    only_emulated = bool(rigs) and all(rig.emulated for rig in rigs)
    emulated = which.emulated or ("emulated" not in which.model_fields_set and only_emulated)
    asked = which.model_copy(update={"emulated": emulated}).asked(which.split)
    found = reports.report(asked)
    query = urlencode({**query_of(asked), "split": asked.split.value})
    shown: dict[str, Any] = {
        "report": found,
        "asked": asked,
        "splits": list(Split),
        "query": query,
        "failed": reports.failed(asked, FailedFilter("", ""), None, FAILED_SHOWN).items,
        "bar": bar,
        "most": max((cause.runs for cause in found.causes), default=1),
    }
    return page(request, "yield.html", **shown)


@router.get("/yield/runs")
def runs_behind(which: Annotated[AskedRunsBehind, Query()], request: Request, reports: TheReports) -> Response:
    """The runs behind a figure."""
    after = None if which.after is None else Cursor.decode(which.after)
    found = reports.behind(which.asked(which.split), which.figure, which.label, which.reason, after, RUNS_PER_PAGE)
    parts = (WORDS[which.figure], f"of {which.label}" if which.label else "", f"for {which.reason}" if which.reason else "")
    title = " ".join(filter(None, parts))
    return page(request, "yield_runs.html", title=title, runs=found.items, following=links.following(request, found.next))


def bar(share: Share) -> tuple[float, float, float] | None:
    """Value, low and high of a share in per cent, None when nothing was decided."""
    if share.value is None or share.low is None or share.high is None:
        return None
    return 100.0 * share.value, 100.0 * share.low, 100.0 * share.high
