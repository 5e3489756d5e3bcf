"""A yield report put together: counts from the book, arithmetic from station.judge.yields, capability from station.prove.capability."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from station.judge.yields import ranked, rolled, share
from station.ports.yields import FIGURE_UNITS, FigureTally, Rank, StepTally, Tally, YieldBook
from station.prove.capability import capability
from station.service.yield_links import cause_link, row_links
from station.shifts import Shifts
from station.yields import Asked, CapabilityRow, Cause, Split, YieldReport, YieldRow

EVERY_PLACE = (Rank.PLACE, Rank.PLACE_AND_LOT)


def make_report(book: YieldBook, asked: Asked, shifts: Shifts, station: str, made_at: datetime) -> YieldReport:
    """The whole report. station: who makes it. Raises UsageError for what cannot be asked, StoreError."""
    found = book.tallies(asked, shifts.zone, shifts.starts)
    causes = tuple(_linked(asked, cause, asked.split is Split.LOT) for cause in ranked(found.causes))
    return YieldReport(
        asked=asked,
        station=station,
        zone=shifts.zone,
        made_at=made_at,
        total=row_of(found.total, asked),
        rows=tuple(_row(tally, asked) for tally in found.rows),
        causes=causes,
        capability=tuple(capability_row(one) for one in found.figures),
        rework=found.rework,
        emulated_runs=0 if asked.emulated else found.emulated_runs,
    )


def rank_causes(book: YieldBook, asked: Asked, zone: str, rank: Rank) -> Sequence[Cause]:
    """Causes told apart otherwise than in the report. Raises UsageError, StoreError."""
    causes = ranked(book.causes(asked, zone, rank))
    by_lot = rank is Rank.PLACE_AND_LOT
    return tuple(_linked(asked, cause, by_lot) for cause in causes) if rank in EVERY_PLACE else causes


def row_of(tally: Tally, asked: Asked) -> YieldRow:
    """A row, or the total, with its shares."""
    across = rolled(tally.steps, tally.failing)
    value, low, high = across if across else (None, None, None)
    return YieldRow(
        label=tally.label,
        units=tally.units,
        first_pass=share(tally.first_passed, tally.units),
        final=share(tally.final_passed, tally.units),
        rolled=value,
        rolled_low=low,
        rolled_high=high,
        runs=tally.runs,
        decided=tally.decided,
        undecided=tally.undecided,
        invalid=tally.invalid,
        retests=tally.retests,
        scrapped=tally.scrapped,
        links=row_links(asked, tally.label),
    )


def step_row(step: StepTally, asked: Asked) -> YieldRow:
    """The row of a group: of units' first decided runs alone, so that it has neither retests nor scrap of its own."""
    one = Tally(
        label=step.label,
        units=step.units,
        first_passed=step.first_passed,
        final_passed=step.final_passed or 0,
        runs=step.units + step.undecided,
        decided=step.units,
        undecided=step.undecided,
    )
    return row_of(one, asked)


def capability_row(tally: FigureTally) -> CapabilityRow:
    """Cpk of all values; its bounds with as many values as units, since the figures of one unit go together: rather too wide."""
    row = CapabilityRow(
        product=tally.product,
        lot=tally.lot,
        figure=tally.figure.value,
        unit=FIGURE_UNITS[tally.figure],
        count=tally.units,
        mean=tally.mean,
        sd=tally.sd,
        lower=tally.lower,
        upper=tally.upper,
        cpk=None,
        low=None,
        high=None,
    )
    if tally.units < 2 or tally.sd <= 0.0 or (tally.lower is None and tally.upper is None):
        return row
    told = capability(tally.units, tally.mean, tally.sd, tally.lower, tally.upper)
    return replace(row, cpk=told.cpk, low=told.low, high=told.high)


def _row(tally: Tally, asked: Asked) -> YieldRow:
    return step_row(tally.steps[0], asked) if asked.split is Split.GROUP else row_of(tally, asked)


def _linked(asked: Asked, cause: Cause, by_lot: bool) -> Cause:
    return replace(cause, link=cause_link(asked, cause.code, cause.part, cause.lot, by_lot))
