"""The yield report as workbook and as CSV."""

from collections.abc import Iterator
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING

from api.reports.asked import about
from api.reports.definitions import YIELD
from api.reports.delimited import Dialect, csv_bytes
from api.reports.tables import CAPABILITY, CAUSES, yield_columns
from api.reports.workbook import Styles, add_table, add_words, workbook
from station.yields import YieldReport

if TYPE_CHECKING:
    from xlsxwriter import Workbook


class Part(StrEnum):
    """Of a report: a CSV file holds one table."""

    YIELD = "yield"
    CAUSES = "causes"
    CAPABILITY = "capability"


def yield_csv(report: YieldReport, part: Part = Part.YIELD, dialect: Dialect = Dialect.STANDARD) -> Iterator[bytes]:
    """One table of the report in pieces; the yield table begins with the total."""
    if part is Part.CAUSES:
        return csv_bytes(CAUSES, report.causes, dialect)
    if part is Part.CAPABILITY:
        return csv_bytes(CAPABILITY, report.capability, dialect)
    return csv_bytes(yield_columns(report), chain((report.total,), report.rows), dialect)


def yield_xlsx(report: YieldReport) -> Iterator[bytes]:
    """Sheets Yield (the total first), Causes, Capability, Definitions; in pieces."""

    def fill(book: "Workbook", styles: Styles) -> None:
        add_table(book, styles, "Yield", yield_columns(report), chain((report.total,), report.rows))
        add_table(book, styles, "Causes", CAUSES, report.causes)
        add_table(book, styles, "Capability", CAPABILITY, report.capability)
        add_words(book, styles, "Definitions", [*about(report), *_rework(report), *YIELD])

    return workbook(report.made_at, f"Yield of {report.station}", fill)


def _rework(report: YieldReport) -> list[tuple[str, str]]:
    loop = report.rework
    stands = f"{loop.begun} begun: {loop.active} active, {loop.closed} closed, {loop.scrapped} scrapped, {loop.withdrawn} withdrawn"
    tries = ", ".join(f"{count} after {number}" for number, count in sorted(loop.tries.items()))
    return [("rework orders", stands), ("closed, by tries", tries or "none")]
