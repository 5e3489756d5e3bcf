"""Days and shifts of a time zone as ranges of instants. Pure; the calendar is zoneinfo's, so that a day may have 23 or 25 hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from station.errors import UsageError

DAY = timedelta(days=1)
MIDNIGHT = time(0, 0)


@dataclass(frozen=True, slots=True)
class Slot:
    """begin <= instant < end."""

    label: str
    begin: datetime
    end: datetime


def zone_of(name: str) -> ZoneInfo:
    """Raises UsageError for a zone that does not exist."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as problem:
        raise UsageError(f"time zone is {name!r}; expected an IANA name such as Europe/Berlin or UTC") from problem


def day_begins(day: date, zone: ZoneInfo) -> datetime:
    """First instant of a local day, UTC."""
    return datetime.combine(day, MIDNIGHT, zone).astimezone(UTC)


def span(first: date | None, last: date | None, zone: ZoneInfo) -> tuple[datetime | None, datetime | None]:
    """Instants from the first day to the end of the last, open where a day is None. Raises UsageError for days out of order or reach."""
    if first is not None and last is not None and first > last:
        raise UsageError(f"first day {first.isoformat()} is after the last day {last.isoformat()}; expected them in order")
    try:
        return None if first is None else day_begins(first, zone), None if last is None else day_begins(last + DAY, zone)
    except OverflowError as problem:
        raise UsageError(f"days {first} to {last} lie beyond what a time zone can tell; expected days of the station's life") from problem


def days(begin: datetime, end: datetime, zone: ZoneInfo) -> list[Slot]:
    """Every local day that has an instant in begin <= instant < end, whole."""
    return _slots(begin, end, zone, (MIDNIGHT,), "%Y-%m-%d")


def shifts(begin: datetime, end: datetime, zone: ZoneInfo, starts: Sequence[time]) -> list[Slot]:
    """The same of shifts. A start that the clock leaps over counts at the instant it would have been; one after it wins."""
    return _slots(begin, end, zone, tuple(sorted(starts)) or (MIDNIGHT,), "%Y-%m-%d %H:%M")


def _slots(begin: datetime, end: datetime, zone: ZoneInfo, starts: tuple[time, ...], form: str) -> list[Slot]:
    found: list[tuple[datetime, str]] = []
    day, last = begin.astimezone(zone).date() - DAY, end.astimezone(zone).date() + DAY
    while day <= last:
        for start in starts:
            wall = datetime.combine(day, start, zone)
            at = wall.astimezone(UTC)
            while found and found[-1][0] >= at:
                found.pop()
            found.append((at, wall.strftime(form)))
        day += DAY
    return [Slot(label, at, following) for (at, label), (following, _) in pairwise(found) if following > begin and at < end]
