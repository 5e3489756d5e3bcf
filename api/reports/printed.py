"""Numbers and times as they are printed for people. Files for machines have full precision instead."""

import math
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from station.yields import Share

NOTHING: Final = "–"


def moment(at: datetime, zone: str) -> str:
    """2026-11-25 08:30 Europe/London; a time without a zone is taken as UTC."""
    return f"{aware(at).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"


def aware(at: datetime) -> datetime:
    """The same time in UTC; one without a zone is taken as UTC."""
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).astimezone(UTC)


def rfc3339(at: datetime) -> str:
    """2026-11-25T07:30:00.000Z."""
    return aware(at).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def percent(share: float | None) -> str:
    """A share in per cent, one decimal; one that is not whole is never rounded to 0 or 100 %."""
    if share is None or not math.isfinite(share):
        return NOTHING
    shown = f"{100.0 * share:.1f}"
    if shown == "100.0" and share < 1.0:
        return ">99.9 %"
    if shown == "0.0" and share > 0.0:
        return "<0.1 %"
    return "100 %" if shown == "100.0" else f"{shown} %"


def between(low: float | None, high: float | None) -> str:
    """An interval of a share: "90.1 to 95.8 %"."""
    if low is None or high is None:
        return NOTHING
    return f"{percent(low).removesuffix(' %')} to {percent(high)}"


def of_all(share: Share) -> str:
    """412 of 441."""
    return f"{share.count:,} of {share.of:,}"


def figure(value: float | None, digits: int = 4) -> str:
    """A number with so many significant digits, without an exponent where that stays readable; minus as a minus sign."""
    if value is None or not math.isfinite(value):
        return NOTHING
    if value == 0.0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    shown = f"{value:.{digits - 1}e}" if not -4 <= size < 7 else f"{value:,.{max(0, digits - 1 - size)}f}"
    return shown.replace("-", "−")


def rounded(value: float | None, decimals: int) -> str:
    """A number with fixed decimals and no negative zero."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return f"{round(value, decimals) + 0.0:,.{decimals}f}".replace("-", "−")


def expanded(u: float | None, coverage: float = 2.0) -> str:
    """Expanded uncertainty with two significant digits (JCGM 100:2008, 7.2.6)."""
    return NOTHING if u is None else figure(coverage * u, 2)


def decimals_of(u: float | None) -> int:
    """Decimals that show an uncertainty with two significant digits, 0 to 9; three when there is none."""
    if u is None or not math.isfinite(u) or u <= 0.0:
        return 3
    return min(9, max(0, 1 - math.floor(math.log10(2.0 * u))))


def counted(count: int, one: str, many: str = "") -> str:
    """1 run, 2 runs."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
