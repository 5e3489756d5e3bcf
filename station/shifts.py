"""When the shifts of a workplace begin, in its own time zone. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Shifts:
    """starts: clock times at which a shift begins, ascending; without any a shift lasts from midnight to midnight."""

    zone: str = "UTC"
    starts: tuple[time, ...] = (time(0, 0),)

    def began(self, at: datetime) -> datetime:
        """When the shift of an instant (timezone-aware) began, UTC."""
        zone = ZoneInfo(self.zone)
        local = at.astimezone(zone)
        starts = self.starts or (time(0, 0),)
        today = [datetime.combine(local.date(), start, zone) for start in starts]
        before = [start for start in today if start.astimezone(UTC) <= at]
        latest = max(before) if before else datetime.combine(local.date() - timedelta(days=1), max(starts), zone)
        return latest.astimezone(UTC)


def shift_times(texts: Sequence[str]) -> tuple[time, ...]:
    """Clock times from "HH:MM", sorted. Raises ValueError for what is none, or twice the same."""
    times = sorted(time.fromisoformat(text) for text in texts)
    if len(set(times)) != len(times) or any(len(text) != 5 or one.second for text, one in zip(texts, times, strict=True)):
        raise ValueError("clock times such as 06:00, each once")
    return tuple(times)
