"""What stands in the columns of every table that is exported, for CSV and XLSX alike."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Final, Generic, TypeVar

from station.yields import CapabilityRow, Cause, FailedUnit, Share, Split, YieldReport, YieldRow

Row = TypeVar("Row")
Value = str | int | float | date | datetime | None


class Kind(StrEnum):
    """Of a column. SHARE: a part of 1, shown in per cent. MOMENT: UTC. LOCAL: a time on the station's wall, without its zone."""

    TEXT = "text"
    WHOLE = "whole"
    NUMBER = "number"
    SHARE = "share"
    DAY = "day"
    LOCAL = "local"
    MOMENT = "moment"


@dataclass(frozen=True, slots=True)
class Column(Generic[Row]):
    """name: in files for machines; title: in workbooks; of: its value in a row; width: characters."""

    name: str
    title: str
    kind: Kind
    of: Callable[[Row], Value]
    width: int = 11


def yield_columns(report: YieldReport) -> tuple[Column[YieldRow], ...]:
    """Columns of a report's table of rows. `part` tells its total from its rows, of which one may have no label."""
    total = report.total
    return (
        Column("part", "Part", Kind.TEXT, lambda row: "total" if row is total else "row", 7),
        _label(report.asked.split),
        Column("units", "Units", Kind.WHOLE, lambda row: row.units, 9),
        *_share("first_pass", "First pass", lambda row: row.first_pass),
        *_share("final", "Final", lambda row: row.final),
        Column("rolled_share", "Rolled", Kind.SHARE, lambda row: row.rolled),
        Column("rolled_low", "Rolled low", Kind.SHARE, lambda row: row.rolled_low),
        Column("rolled_high", "Rolled high", Kind.SHARE, lambda row: row.rolled_high),
        Column("runs", "Runs", Kind.WHOLE, lambda row: row.runs, 9),
        Column("decided", "Decided", Kind.WHOLE, lambda row: row.decided, 9),
        Column("undecided", "Undecided", Kind.WHOLE, lambda row: row.undecided, 10),
        Column("invalid", "Invalid", Kind.WHOLE, lambda row: row.invalid, 9),
        Column("retests", "Retests", Kind.WHOLE, lambda row: row.retests, 9),
        Column("scrapped", "Scrapped", Kind.WHOLE, lambda row: row.scrapped, 9),
    )


def _label(split: Split) -> Column[YieldRow]:
    title = "All" if split is Split.NONE else split.value.capitalize()
    if split is Split.DAY:
        return Column("label", title, Kind.DAY, lambda row: date.fromisoformat(row.label) if row.label else None, 11)
    if split is Split.SHIFT:
        return Column("label", title, Kind.LOCAL, lambda row: datetime.fromisoformat(row.label) if row.label else None, 17)
    return Column("label", title, Kind.TEXT, lambda row: row.label, 24)


def _share(name: str, title: str, of: Callable[[YieldRow], Share]) -> tuple[Column[YieldRow], ...]:
    return (
        Column(f"{name}_count", f"{title} passed", Kind.WHOLE, lambda row: of(row).count, 13),
        Column(f"{name}_of", f"{title} of", Kind.WHOLE, lambda row: of(row).of),
        Column(f"{name}_share", f"{title} yield", Kind.SHARE, lambda row: of(row).value, 13),
        Column(f"{name}_low", f"{title} low", Kind.SHARE, lambda row: of(row).low, 13),
        Column(f"{name}_high", f"{title} high", Kind.SHARE, lambda row: of(row).high, 13),
    )


CAUSES: Final[tuple[Column[Cause], ...]] = (
    Column("code", "Reason", Kind.TEXT, lambda row: row.code, 18),
    Column("part", "Group or axis", Kind.TEXT, lambda row: row.part, 13),
    Column("lot", "Lot", Kind.TEXT, lambda row: row.lot, 14),
    Column("runs", "Failed runs", Kind.WHOLE, lambda row: row.runs),
    Column("units", "Units", Kind.WHOLE, lambda row: row.units),
    Column("share", "Share", Kind.SHARE, lambda row: row.share),
    Column("cumulative", "Cumulative", Kind.SHARE, lambda row: row.cumulative),
)

CAPABILITY: Final[tuple[Column[CapabilityRow], ...]] = (
    Column("product", "Product", Kind.TEXT, lambda row: row.product, 16),
    Column("lot", "Lot", Kind.TEXT, lambda row: row.lot, 14),
    Column("figure", "Figure", Kind.TEXT, lambda row: row.figure, 20),
    Column("unit", "Unit", Kind.TEXT, lambda row: row.unit, 8),
    Column("count", "Count", Kind.WHOLE, lambda row: row.count, 9),
    Column("mean", "Mean", Kind.NUMBER, lambda row: row.mean),
    Column("sd", "SD", Kind.NUMBER, lambda row: row.sd),
    Column("lower", "Lower limit", Kind.NUMBER, lambda row: row.lower),
    Column("upper", "Upper limit", Kind.NUMBER, lambda row: row.upper),
    Column("cpk", "Cpk", Kind.NUMBER, lambda row: row.cpk),
    Column("cpk_low", "Cpk low", Kind.NUMBER, lambda row: row.low),
    Column("cpk_high", "Cpk high", Kind.NUMBER, lambda row: row.high),
)

FAILED: Final[tuple[Column[FailedUnit], ...]] = (
    Column("run", "Run", Kind.WHOLE, lambda row: row.run, 9),
    Column("serial", "Serial", Kind.TEXT, lambda row: row.serial, 18),
    Column("product", "Product", Kind.TEXT, lambda row: row.product, 14),
    Column("lot", "Lot", Kind.TEXT, lambda row: row.lot, 12),
    Column("ended_at", "Ended (UTC)", Kind.MOMENT, lambda row: row.ended_at, 20),
    Column("station", "Station", Kind.TEXT, lambda row: row.station, 16),
    Column("rig", "Rig", Kind.TEXT, lambda row: row.rig, 10),
    Column("specification", "Specification", Kind.TEXT, lambda row: row.specification, 16),
    Column("reasons", "Reasons", Kind.TEXT, lambda row: " ".join(row.reasons), 40),
    Column("order", "Rework order", Kind.WHOLE, lambda row: row.order or None, 12),
    Column("order_state", "Order is", Kind.TEXT, lambda row: row.order_state, 12),
)
"""The run comes first: it is the key by which a list that was cut off goes on."""
