"""Reports of yield and lists of failed units, made from the database for whichever door asks, and how they are asked for.

`made_at` of a report is when what is kept last changed, so that the same question to the same data gives the same bytes.
"""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any, Final

from fastapi import Depends
from pydantic import BaseModel, ConfigDict, Field

from api.http.depends import TheQueries, TheSettings
from api.reports.delimited import Dialect
from api.reports.documents import plain
from api.reports.yields import Part
from db.engine import Database
from db.queries import PAGE_MAX
from db.queries.changes import ChangeQueries
from db.queries.exports import ExportQueries
from db.queries.failed import FailedFilter
from db.queries.yields import YieldQueries
from db.rows import Cursor, Page, RunRow
from station.errors import UsageError
from station.ports.yields import Behind
from station.service.yields import make_report
from station.shifts import Shifts
from station.yields import Asked, FailedUnit, Split, YieldReport

EXPORT_ROWS_MAX: Final = 200_000
"""Most rows of one export. Chosen: some tens of megabytes, less than a minute; a longer list goes on by key."""
FIRST_DAY, LAST_DAY = date(1971, 1, 1), date(2199, 12, 31)  # within what every time zone can tell
NAME_MAX: Final = 120

Name = Annotated[str, Field(max_length=NAME_MAX)]
Day = Annotated[date | None, Field(ge=FIRST_DAY, le=LAST_DAY)]


class AskedRuns(BaseModel):
    """Which runs a report is about; all that are given must hold. Days are days of the station's zone, both included."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_day: Day = Field(None, alias="from", description="first day, as 2026-11-25")
    to_day: Day = Field(None, alias="to", description="last day")
    first_day: Day = Field(None, description="the same as `from`, as the links of a report have it")
    last_day: Day = Field(None, description="the same as `to`")
    product: Name = ""
    specification: Name = Field("", description="name and revision, as `dunlin-2 A`")
    lot: Name = ""
    rig: Name = ""
    operator: Name = ""
    station: Name = ""
    emulated: bool = Field(False, description="runs of emulated rigs alone; they are never mixed with real ones")

    def asked(self, split: Split = Split.NONE) -> Asked:
        """As a report is asked. Raises UsageError for days out of order or given twice."""
        first, last = _one("from", self.from_day, self.first_day), _one("to", self.to_day, self.last_day)
        if first and last and first > last:
            raise UsageError(f"from is {first} and to is {last}; expected them in order")
        same = {name: getattr(self, name) for name in ("product", "specification", "lot", "rig", "operator", "station", "emulated")}
        return Asked(first, last, split=split, **same)


class AskedSplit(AskedRuns):
    split: Split = Field(Split.DAY, description="by what the report is divided into rows")


class AskedFailed(AskedRuns):
    """Which failed units."""

    reason: Name = Field("", description="`code`, or `code:group`, or `code:axis`")
    serial: Name = Field("", description="beginning of the serial number")

    def which(self) -> FailedFilter:
        """What is asked beside the runs."""
        return FailedFilter(self.reason, self.serial)


class AskedFailedFile(AskedFailed):
    after: int = Field(0, ge=0, le=2**53, description="go on after the row of this run, without a header; 0 from the beginning")
    dialect: Dialect = Field(Dialect.STANDARD, description="of CSV: semicolon has decimal commas and a byte order mark")

    def about(self) -> dict[str, Any]:
        """What was asked, JSON-ready, as a list says it of itself."""
        return {"asked": plain(self.asked()), "reason": self.reason, "serial": self.serial, "after": self.after}


class AskedFile(AskedSplit):
    part: Part = Field(Part.YIELD, description="of CSV, which holds one table")
    dialect: Dialect = Field(Dialect.STANDARD, description="of CSV: semicolon has decimal commas and a byte order mark")


class Reports:
    """Makes reports from a database. station: who makes them. Every method raises StoreUnavailable and UsageError."""

    def __init__(self, database: Database, station: str, shifts: Shifts) -> None:
        self.station, self.shifts, self.zone = station, shifts, shifts.zone
        self.book = YieldQueries(database)
        self.changes = ChangeQueries(database)
        self.exports = ExportQueries(database)

    def report(self, asked: Asked) -> YieldReport:
        """The report of what is kept now."""
        return make_report(self.book, asked, self.shifts, self.station, self.changes.newest())

    def behind(self, asked: Asked, figure: Behind, label: str, reason: str, after: Cursor | None, limit: int) -> Page[RunRow]:
        """The runs behind a figure of the row with a label, "" of the total."""
        starts = self.shifts.starts
        return self.book.behind(asked, self.zone, figure, label=label, shifts=starts, reason=reason, after=after, limit=limit)

    def failed(self, asked: Asked, which: FailedFilter, after: Cursor | None, limit: int) -> Page[FailedUnit]:
        """One page of failed units, newest first."""
        return self.book.failed_units(asked, self.zone, which, after, limit)

    def failed_rows(self, asked: Asked, which: FailedFilter, after: Cursor | None, most: int) -> Iterator[FailedUnit]:
        """The list row by row, in short transactions of a page each: a unit tested meanwhile may leave the list, none comes twice."""
        while most > 0:
            page = self.failed(asked, which, after, min(PAGE_MAX, most))
            yield from page.items
            most -= len(page.items)
            if page.next is None:
                return
            after = Cursor.decode(page.next)


def _one(name: str, one: date | None, other: date | None) -> date | None:
    if one and other and one != other:
        raise UsageError(f"{name} is {one} and also {other}; expected one day")
    return one or other


def _reports(queries: TheQueries, settings: TheSettings) -> Reports:
    return Reports(queries.database, settings.station, Shifts(settings.zone, settings.shifts))


TheReports = Annotated[Reports, Depends(_reports)]
