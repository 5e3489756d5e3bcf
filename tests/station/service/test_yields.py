"""A report put together from counts: shares, rolled yield, capability beside its own formula, links that lead to what they name."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from urllib.parse import parse_qs

import pytest

from station.judge.yields import share
from station.ports.yields import CauseTally, Figure, FigureTally, Rank, StepTally, Tally, YieldTallies
from station.prove.capability import capability
from station.service.yields import make_report, rank_causes
from station.shifts import Shifts
from station.yields import Asked, ReworkLoop, Split

AT = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
STEPS = (StepTally("x+", 100, 96, 1, 99), StepTally("x-", 101, 101, 0, 101))
DAY = Tally("2026-11-24", 101, 95, 99, 130, 110, 12, 2, STEPS, {("x+",): 4})
FIGURES = (
    FigureTally("dunlin-2", "", Figure.PEAK, 101, 404, 17.0, 1.1, None, 22.0),
    FigureTally("dunlin-2", "", Figure.REST, 101, 202, 128.0, 1.5, 120.0, 136.0),
    FigureTally("dunlin-2", "ML-2607", Figure.RETURN, 1, 4, 0.006, 0.0005, None, 0.012),
    FigureTally("dunlin-2", "ML-2607", Figure.REACH, 50, 200, 77.0, 0.0, 69.0, 85.0),
)
CAUSES = (CauseTally("sluggish", "y-", "", 2, 2), CauseTally("snapback", "x+", "", 11, 8))
LOOP = ReworkLoop(9, 2, 5, 2, 0, {1: 4, 2: 1})


class Book:
    """Answers as told and keeps what it was asked."""

    def __init__(self, rows: Sequence[Tally] = (DAY,)) -> None:
        self.rows = tuple(rows)
        self.asked: list[tuple[Asked, str, tuple[time, ...]]] = []

    def tallies(self, asked: Asked, zone: str, shifts: Sequence[time] = ()) -> YieldTallies:
        self.asked.append((asked, zone, tuple(shifts)))
        return YieldTallies(replace(DAY, label=""), self.rows, CAUSES, FIGURES, LOOP, 7)

    def causes(self, asked: Asked, zone: str, rank: Rank = Rank.PLACE) -> Sequence[CauseTally]:
        return [CauseTally("", "", "ML-2607", 3, 3)] if rank is Rank.LOT else CAUSES


ASKED = Asked(first_day=date(2026, 11, 1), last_day=date(2026, 11, 25), product="dunlin-2", lot="ML 26&07")
SHIFTS = Shifts("Europe/Berlin", (time(6), time(14)))


def test_a_row_has_shares_with_intervals_and_what_is_left() -> None:
    book = Book()
    report = make_report(book, ASKED, SHIFTS, "mossgate-1", AT)
    assert book.asked == [(ASKED, "Europe/Berlin", (time(6), time(14)))]
    (row,) = report.rows
    assert row.first_pass == share(95, 101)
    assert row.final == share(99, 101)
    assert (row.runs, row.decided, row.undecided, row.invalid, row.retests, row.scrapped) == (130, 110, 12, 8, 9, 2)
    assert row.rolled == pytest.approx(0.96)
    assert row.rolled_low is not None
    assert row.rolled_high is not None
    assert row.rolled_low < 0.96 < row.rolled_high
    assert (report.station, report.zone, report.made_at, report.rework, report.emulated_runs) == (
        "mossgate-1",
        "Europe/Berlin",
        AT,
        LOOP,
        7,
    )
    assert report.total.label == ""


def test_emulated_runs_are_no_extra_where_they_are_asked_for() -> None:
    assert make_report(Book(), Asked(emulated=True), SHIFTS, "x", AT).emulated_runs == 0


def test_a_group_is_a_row_of_first_runs_alone() -> None:
    rows = [Tally(label=step.label, steps=(step,)) for step in STEPS]
    report = make_report(Book(rows), Asked(split=Split.GROUP), SHIFTS, "x", AT)
    first, second = report.rows
    assert (first.label, first.units, first.first_pass, first.final) == ("x+", 100, share(96, 100), share(99, 100))
    assert (first.runs, first.decided, first.undecided, first.invalid, first.retests) == (101, 100, 1, 0, 0)
    assert (second.rolled, second.links) == (None, {})


def test_capability_is_that_of_its_values_with_bounds_of_as_many_units() -> None:
    peak, rest, alone, flat = make_report(Book(), ASKED, SHIFTS, "x", AT).capability
    told = capability(101, 17.0, 1.1, None, 22.0)
    assert (peak.figure, peak.unit, peak.count, peak.cpk, peak.low, peak.high) == ("peak", "counts", 101, told.cpk, told.low, told.high)
    both = capability(101, 128.0, 1.5, 120.0, 136.0)
    assert (rest.cpk, rest.low, rest.high) == (both.cpk, both.low, both.high)
    for row in (alone, flat):  # one unit, and no spread
        assert (row.cpk, row.low, row.high) == (None, None, None)
    assert (alone.unit, alone.lot) == ("s", "ML-2607")


def test_causes_are_ranked_and_lead_to_their_runs() -> None:
    first, second = make_report(Book(), ASKED, SHIFTS, "x", AT).causes
    assert (first.code, first.part, first.runs, second.code) == ("snapback", "x+", 11, "sluggish")
    asked = parse_qs(first.link)
    assert asked["reason"] == ["snapback:x+"]
    assert asked["figure"] == ["failed"]
    assert asked["lot"] == ["ML 26&07"]
    (by_lot,) = rank_causes(Book(), ASKED, "UTC", Rank.LOT)
    assert (by_lot.lot, by_lot.link, by_lot.cumulative) == ("ML-2607", "", 1.0)
    assert all(one.link for one in rank_causes(Book(), ASKED, "UTC", Rank.PLACE))


def test_links_carry_what_was_asked_and_the_row() -> None:
    report = make_report(Book(), ASKED, SHIFTS, "x", AT)
    row, total = parse_qs(report.rows[0].links["first_fail"]), parse_qs(report.total.links["units"])
    assert row == {
        "first_day": ["2026-11-01"],
        "last_day": ["2026-11-25"],
        "product": ["dunlin-2"],
        "lot": ["ML 26&07"],
        "split": ["day"],
        "label": ["2026-11-24"],
        "figure": ["first-failed"],
    }
    assert "label" not in total
    assert parse_qs(make_report(Book(), Asked(emulated=True), SHIFTS, "x", AT).total.links["runs"]) == {
        "emulated": ["true"],
        "figure": ["runs"],
    }
