"""How values are shown to people: times in the station's zone, figures with sensible digits and their unit, farads as marked on parts."""

import math
from datetime import datetime
from zoneinfo import ZoneInfo

UNKNOWN = "not known"
SMALLEST = 1e-4
_SCALES = ((1e-6, "µF"), (1e-9, "nF"), (1e-12, "pF"))


def local_time(at: datetime | None, zone: ZoneInfo) -> str:
    """2026-11-25 08:30:00 in the zone; empty for no time."""
    return "" if at is None else at.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def figure(value: float | None, digits: int = 2) -> str:
    """A number with fixed decimals."""
    return UNKNOWN if value is None or not math.isfinite(value) else f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0: no "-0.00"


def sensible(value: float | None) -> str:
    """Four significant digits, whatever the size."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return "0" if value == 0.0 else f"{value:.4g}"


def with_unit(value: float | None, unit: str) -> str:
    """Four significant digits with the unit; seconds as ms or µs, a share without a unit."""
    if unit == "s" and value is not None:
        return f"{value * 1e3:.3g} ms" if abs(value) >= 1e-3 else f"{value * 1e6:.3g} µs"
    return sensible(value) if unit == "1" else f"{sensible(value)} {unit}"


def milliseconds(value_s: float | None) -> str:
    """Seconds shown in ms, two decimals."""
    return UNKNOWN if value_s is None or not math.isfinite(value_s) else f"{value_s * 1e3:.2f} ms"


def percent(share: float | None) -> str:
    """A share shown in per cent, two significant digits below 10 %."""
    if share is None or not math.isfinite(share):
        return UNKNOWN
    return f"{share * 100:.2g} %" if share < 0.1 else f"{share * 100:.0f} %"


def farads(value_f: float | None) -> str:
    """4.7e-07 as 0.47 µF; 0.0 as "none"."""
    if value_f is None:
        return UNKNOWN
    if value_f == 0.0:
        return "none"
    scale, unit = next(((scale, unit) for scale, unit in _SCALES if value_f >= 0.0999 * scale), _SCALES[-1])
    return f"{value_f / scale:.3g} {unit}"


def duration(seconds: float | None) -> str:
    """Seconds, one decimal."""
    return UNKNOWN if seconds is None or not math.isfinite(seconds) else f"{seconds:.1f} s"


def decimals_for(uncertainty: float | None) -> int:
    """Decimals that show an uncertainty with two significant digits (JCGM 100:2008, 7.2.6), at most four; two when there is none."""
    if uncertainty is None or not math.isfinite(uncertainty) or abs(uncertainty) < SMALLEST:
        return 2
    return min(4, max(0, 1 - math.floor(math.log10(abs(uncertainty)))))


def plus_minus(uncertainty: float | None) -> str:
    """An expanded uncertainty as it stands behind its figure; empty when there is none."""
    if uncertainty is None or not math.isfinite(uncertainty):
        return ""
    return "± <0.0001" if uncertainty < SMALLEST else f"± {uncertainty:.{decimals_for(uncertainty)}f}"
