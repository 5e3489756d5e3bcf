"""Which rows of a report find room on one page: of a division by time the newest, of any other those with the most units."""

from collections.abc import Sequence
from typing import Final

from station.yields import Split, YieldReport, YieldRow

BY_TIME: Final = (Split.DAY, Split.SHIFT)


def by_time(report: YieldReport) -> bool:
    """Whether rows follow each other in time."""
    return report.asked.split in BY_TIME


def chosen(report: YieldReport, most: int) -> Sequence[YieldRow]:
    """At most so many rows, the most important first."""
    if by_time(report):
        return sorted(report.rows, key=lambda row: row.label, reverse=True)[:most]
    return sorted(report.rows, key=lambda row: (-row.units, row.label))[:most]


def choice_words(report: YieldReport, shown: int) -> str:
    """How many of how many rows are shown, and which; "" when all are."""
    if shown >= len(report.rows):
        return ""
    which = "newest" if by_time(report) else "rows with the most units"
    return f"the {shown:,} {which} of {len(report.rows):,}"
