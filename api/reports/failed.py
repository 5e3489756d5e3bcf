"""The list of failed units as CSV and as a workbook, streamed; documents.py has it as JSON.

A list that was cut off goes on: `resume_point` finds in what has arrived where the last whole line ends and which run it is about; the
caller cuts the file there, asks for the rows after that run, and writes on with `resumed=True`. The two parts together are, byte for
byte, the list as it would have come in one piece. A workbook cannot go on: it is made anew.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import IO, TYPE_CHECKING, Final

from api.reports.delimited import Dialect, csv_bytes
from api.reports.tables import FAILED
from api.reports.workbook import Styles, add_table, workbook
from station.yields import FailedUnit

if TYPE_CHECKING:
    from xlsxwriter import Workbook

KEY_BYTES: Final = 32  # more than a run's number and the separator behind it


@dataclass(frozen=True, slots=True)
class ResumePoint:
    """size: bytes of whole lines, header included; run: key of the last one, 0 when no row has arrived whole."""

    size: int
    run: int


def failed_csv(rows: Iterable[FailedUnit], dialect: Dialect = Dialect.STANDARD, resumed: bool = False) -> Iterator[bytes]:
    """The list in pieces. resumed: it goes on, so without a header."""
    return csv_bytes(FAILED, rows, dialect, header=not resumed)


def failed_xlsx(rows: Iterable[FailedUnit], made_at: datetime) -> Iterator[bytes]:
    """The list in pieces; rows are taken one by one and the file is made on disk."""

    def fill(book: "Workbook", styles: Styles) -> None:
        add_table(book, styles, "Failed units", FAILED, rows)

    return workbook(made_at, "Failed units", fill)


def resume_point(arrived: IO[bytes]) -> ResumePoint:
    """Where a CSV list in either dialect that was cut off goes on. A line break inside quotes ends no line."""
    point, pending, quotes, start = ResumePoint(0, 0), 0, 0, b""
    for line in arrived:
        start = start or line[:KEY_BYTES]
        pending += len(line)
        quotes += line.count(b'"')
        if quotes % 2 == 0 and line.endswith(b"\r\n"):
            point = ResumePoint(point.size + pending, _run(start))
            pending, quotes, start = 0, 0, b""
    return point


def resume_point_of_lines(arrived: IO[bytes]) -> ResumePoint:
    """The same for JSON lines."""
    point = ResumePoint(0, 0)
    for line in arrived:
        if line.endswith(b"\n"):
            point = ResumePoint(point.size + len(line), int(json.loads(line)["run"]))
    return point


def _run(start: bytes) -> int:
    digits = start.replace(b";", b",").split(b",")[0]
    return int(digits) if digits.isdigit() else 0
