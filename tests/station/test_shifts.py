"""Beginnings of shifts, across midnight and the two days a year on which clocks are set."""

from datetime import UTC, datetime, time

import pytest

from station.shifts import Shifts, shift_times

THREE = Shifts("Europe/Berlin", (time(6), time(14), time(22)))


@pytest.mark.parametrize(
    ("at", "began"),
    [
        (datetime(2026, 11, 25, 5, 0, tzinfo=UTC), datetime(2026, 11, 25, 5, 0, tzinfo=UTC)),  # 06:00 in winter
        (datetime(2026, 11, 25, 4, 59, 59, tzinfo=UTC), datetime(2026, 11, 24, 21, 0, tzinfo=UTC)),  # the night before
        (datetime(2026, 7, 1, 12, 30, tzinfo=UTC), datetime(2026, 7, 1, 12, 0, tzinfo=UTC)),  # 14:00 in summer
        (datetime(2026, 3, 29, 3, 0, tzinfo=UTC), datetime(2026, 3, 28, 21, 0, tzinfo=UTC)),  # the short night: began at 22:00 winter time
        (datetime(2026, 3, 29, 4, 0, tzinfo=UTC), datetime(2026, 3, 29, 4, 0, tzinfo=UTC)),  # 06:00, summer time already
        (datetime(2026, 10, 25, 4, 30, tzinfo=UTC), datetime(2026, 10, 24, 20, 0, tzinfo=UTC)),  # the long night
    ],
)
def test_a_shift_began_by_the_clock_on_the_wall(at: datetime, began: datetime) -> None:
    assert THREE.began(at) == began


def test_without_shifts_a_day_is_one() -> None:
    assert Shifts("UTC", ()).began(datetime(2026, 11, 25, 13, 5, tzinfo=UTC)) == datetime(2026, 11, 25, tzinfo=UTC)


def test_clock_times_are_read_and_sorted() -> None:
    assert shift_times(["14:00", "06:00"]) == (time(6), time(14))


@pytest.mark.parametrize("texts", [["6:00"], ["25:00"], ["06:00", "06:00"], ["06:00:30"], ["noon"]])
def test_other_words_are_refused(texts: list[str]) -> None:
    with pytest.raises(ValueError, match=r"clock times|isoformat|hour must"):
        shift_times(texts)
