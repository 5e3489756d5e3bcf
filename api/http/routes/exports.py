"""Failed units as pages and as whole lists, and what is handed out about one unit."""

from typing import Annotated

from fastapi import APIRouter, Header, Query, Request, Response
from pydantic import Field

from api.http import links
from api.http.bodies_yields import FailedPage, UnitHistoryBody
from api.http.depends import TheQueries, TheSettings
from api.http.etags import TheTags
from api.http.exports import ROWS, AnExportPlace, whole
from api.http.formats import Form, described, wanted
from api.http.papers import FailedList, failed_paper, history_paper, unit_paper
from api.http.unit_history import UnitFile
from api.http.yields import EXPORT_ROWS_MAX, NAME_MAX, AskedFailed, AskedFailedFile, TheReports
from db.queries import PAGE_MAX
from db.rows import Cursor

router = APIRouter(prefix="/v1", tags=["exports"])

LISTS = (Form.CSV, Form.XLSX, Form.JSON, Form.LINES)


class AskedFailedPage(AskedFailed):
    after: str | None = Field(None, max_length=NAME_MAX, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)


class AskedFailedList(AskedFailedFile):
    format: Form | None = Field(None, description="csv, xlsx, json or jsonl; wins over Accept")


@router.get("/failed-units", responses=described())
def list_failed(
    which: Annotated[AskedFailedPage, Query()], reports: TheReports, tags: TheTags, request: Request, response: Response
) -> FailedPage:
    """Units whose newest decided run failed, newest first."""
    tags.heed(reports.changes.everything())
    after = None if which.after is None else Cursor.decode(which.after)
    page = reports.failed(which.asked(), which.which(), after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return FailedPage.of(page.items, address)


@router.get("/failed-units/export", response_class=Response, responses=described(*LISTS))
def export_failed(
    which: Annotated[AskedFailedList, Query()],
    reports: TheReports,
    tags: TheTags,
    place: AnExportPlace,
    accept: Annotated[str, Header()] = "*/*",
) -> Response:
    """The whole list as CSV, XLSX, JSON or JSON lines, piece by piece.

    `Restpoint-Rows` says how many rows there are; one answer has at most 200,000 of them. A list that was cut off, or is longer, goes on
    with `after=RUN` of its last whole row; CSV then comes without its header, so that the parts laid together are the list.
    """
    form = wanted(accept, which.format, LISTS)
    headers = tags.heed(reports.changes.everything(), form)
    asked, filters = which.asked(), which.which()
    after = reports.exports.cursor_of(which.after) if which.after else None
    count = reports.exports.count_failed(asked, reports.zone, filters, after)
    rows = reports.failed_rows(asked, filters, after, EXPORT_ROWS_MAX)
    listed = FailedList(rows, which.about(), reports.changes.newest(), resumed=which.after > 0)
    return place.streamed(failed_paper(listed, form, which.dialect), {**headers, ROWS: str(count)})


@router.get("/units/{serial}/history", response_model=UnitHistoryBody, responses=described())
def unit_history(serial: str, queries: TheQueries, tags: TheTags) -> Response:
    """Everything that is known of a unit in one answer: runs, parts, rework orders, the newest advice, where its traces are."""
    headers = tags.heed(tags.changes.unit(serial))
    return whole(history_paper(UnitFile(queries).history(serial)), headers)


@router.get("/units/{serial}/report", response_class=Response, responses=described(Form.PDF))
def unit_report(serial: str, queries: TheQueries, settings: TheSettings, tags: TheTags) -> Response:
    """A unit on paper: its newest run with traces, advice, calibration, and its runs."""
    headers = tags.heed(tags.changes.unit(serial), Form.PDF)
    return whole(unit_paper(UnitFile(queries).report(serial, settings.station, settings.zone)), headers)
