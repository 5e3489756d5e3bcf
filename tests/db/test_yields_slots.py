"""Days and shifts of Europe/Berlin over the changes of the clock (dates by Directive 2000/84/EC: last Sundays of March and October)."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from db.queries.yields_slots import days, shifts, span, zone_of
from station.errors import UsageError
from station.shifts import Shifts

BERLIN = ZoneInfo("Europe/Berlin")
STARTS = (time(6, 0), time(14, 0), time(22, 0))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_a_day_has_23_24_or_25_hours() -> None:
    for day, hours in ((date(2026, 3, 29), 23), (date(2026, 6, 1), 24), (date(2026, 10, 25), 25)):
        begin, end = span(day, day, BERLIN)
        assert begin is not None
        assert end is not None
        assert end - begin == timedelta(hours=hours)
        (slot,) = days(begin, end, BERLIN)
        assert (slot.label, slot.begin, slot.end) == (day.isoformat(), begin, end)


def test_only_days_with_an_instant_of_the_range_are_there() -> None:
    found = days(utc("2026-11-24T22:59:59"), utc("2026-11-25T23:00:00"), BERLIN)
    assert [slot.label for slot in found] == ["2026-11-24", "2026-11-25"]
    assert [slot.label for slot in days(utc("2026-11-24T23:00:00"), utc("2026-11-24T23:00:01"), BERLIN)] == ["2026-11-25"]


def test_an_open_side_of_a_span_is_open() -> None:
    assert span(None, None, BERLIN) == (None, None)
    assert span(date(2026, 11, 25), None, BERLIN) == (utc("2026-11-24T23:00:00"), None)
    assert span(None, date(2026, 11, 25), BERLIN) == (None, utc("2026-11-25T23:00:00"))


@pytest.mark.parametrize("begin", [datetime(2026, 3, 27, tzinfo=UTC), datetime(2026, 10, 23, tzinfo=UTC)])
@pytest.mark.parametrize("starts", [STARTS, (), (time(0, 0),), (time(5, 50), time(17, 50)), (time(2, 30), time(14, 30))])
def test_shifts_join_without_gap_and_agree_with_the_shift_of_an_instant(begin: datetime, starts: tuple[time, ...]) -> None:
    found = shifts(begin, begin + timedelta(days=5), BERLIN, starts)
    assert all(one.end == other.begin for one, other in pairwise(found))
    assert found[0].begin <= begin < found[0].end
    assert found[-1].begin < begin + timedelta(days=5) <= found[-1].end
    rng = np.random.default_rng(5)
    for hours in rng.uniform(0.0, 120.0, 300):
        at = begin + timedelta(hours=float(hours))
        (slot,) = [one for one in found if one.begin <= at < one.end]
        assert slot.begin == Shifts("Europe/Berlin", starts).began(at)


def test_labels_of_shifts_are_local() -> None:
    found = shifts(utc("2026-10-24T20:00:00"), utc("2026-10-25T21:00:00"), BERLIN, STARTS)
    assert [slot.label for slot in found] == ["2026-10-24 22:00", "2026-10-25 06:00", "2026-10-25 14:00"]
    assert [slot.end - slot.begin for slot in found] == [timedelta(hours=9), timedelta(hours=8), timedelta(hours=8)]


def test_a_start_the_clock_leaps_over_yields_to_the_one_after_it() -> None:
    """02:30 of the 29th of March would be 01:30 UTC, after 03:00 local, which is 01:00 UTC."""
    found = shifts(utc("2026-03-28T23:00:00"), utc("2026-03-29T22:00:00"), BERLIN, (time(2, 30), time(3, 0)))
    assert [slot.label for slot in found] == ["2026-03-28 03:00", "2026-03-29 03:00"]
    assert found[1].begin == utc("2026-03-29T01:00:00")


@pytest.mark.parametrize("name", ["", "Mars/Olympus", "../etc/passwd", "Europe/"])
def test_a_zone_that_is_none_is_named(name: str) -> None:
    with pytest.raises(UsageError, match="time zone is"):
        zone_of(name)
