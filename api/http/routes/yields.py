"""Yield: the report in every form, and the runs behind each of its figures."""

from typing import Annotated

from fastapi import APIRouter, Header, Query, Request, Response
from pydantic import Field

from api.http import links
from api.http.bodies import RunBody, RunPage
from api.http.bodies_yields import YieldBody
from api.http.etags import TheTags
from api.http.exports import whole
from api.http.formats import Form, described, wanted
from api.http.papers import yield_paper
from api.http.yields import NAME_MAX, AskedFile, AskedSplit, TheReports
from db.queries import PAGE_MAX
from db.rows import Cursor
from station.ports.yields import Behind

router = APIRouter(prefix="/v1/yield", tags=["yield"])

FORMS = (Form.JSON, Form.PDF, Form.XLSX, Form.CSV)


class AskedReport(AskedFile):
    format: Form | None = Field(None, description="json, pdf, xlsx or csv; wins over Accept")


class AskedBehind(AskedSplit):
    """As a link of a report has it."""

    figure: Behind = Field(Behind.RUNS, description="which runs")
    label: str = Field("", max_length=NAME_MAX, description="of the row; left out: the total")
    reason: str = Field("", max_length=NAME_MAX, description="`code`, or `code:group`, or `code:axis`, that the runs name")
    after: str | None = Field(None, max_length=NAME_MAX, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)


@router.get("", response_model=YieldBody, responses=described(*FORMS[1:]))
def yield_report(
    which: Annotated[AskedReport, Query()], reports: TheReports, tags: TheTags, accept: Annotated[str, Header()] = "*/*"
) -> Response:
    """First-pass, final and rolled yield with intervals, causes, capability, rework: as JSON, one page of PDF, XLSX or CSV."""
    form = wanted(accept, which.format, FORMS)
    headers = tags.heed(reports.changes.everything(), form)
    return whole(yield_paper(reports.report(which.asked(which.split)), form, which.part, which.dialect), headers)


@router.get("/runs", responses=described())
def runs_behind(
    which: Annotated[AskedBehind, Query()], reports: TheReports, tags: TheTags, request: Request, response: Response
) -> RunPage:
    """The runs behind a figure, newest first; the links of a report are questions to this address."""
    tags.heed(reports.changes.everything())
    after = None if which.after is None else Cursor.decode(which.after)
    page = reports.behind(which.asked(which.split), which.figure, which.label, which.reason, after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return RunPage(runs=[RunBody.model_validate(row) for row in page.items], next=address)
