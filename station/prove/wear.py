"""Wear of a rig from its runs' own figures: trend of each, when a limit will be met, and what the trends say together."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.proof import HEALTH, HealthRow
from station.prove.trend import CONFIDENCE, FEWEST, Meeting, Trend, fit_trend, meets
from station.prove.wear_causes import SPEAKS, causes

FORMAT: Final = "restpoint-wear/1"
FALSE_ALARM: Final = 0.01  # chance that any trend is told of a rig that has none, all figures together (chosen)
FARTHEST: Final = 10.0
"""A forecast beyond so many times the stretch seen is given as "not before" only: no straight line is to be trusted so far (chosen)."""
METHOD: Final = (
    "Huber's robust line through the runs in order; variances widened by the correlation of neighbouring runs; a trend is told when the "
    "slope's t test says so at {chance:.2g} a figure ({family:g} for all together, for runs independent but for that correlation); the "
    "limit is met where the line meets it, with Fieller's 95 % interval; dates by the pace of runs so far"
)


@dataclass(frozen=True, slots=True)
class HealthLimit:
    """Bounds of a figure of health, in its own unit; None where there is none."""

    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        """Raises UsageError for bounds that are no numbers or out of order."""
        given = [bound for bound in (self.low, self.high) if bound is not None]
        if not all(map(math.isfinite, given)) or (len(given) == 2 and given[0] >= given[1]):
            raise UsageError(f"health limits are {self.low} and {self.high}; expected finite bounds, the low one first")

    def bound(self, slope: float) -> float | None:
        """The bound that a line of this slope goes toward."""
        return self.high if slope > 0.0 else self.low

    def holds(self, level: float) -> bool:
        return (self.low is None or level >= self.low) and (self.high is None or level <= self.high)


NO_LIMIT: Final = HealthLimit()


@dataclass(frozen=True, slots=True)
class Pace:
    """How runs follow each other. per_day: NaN when it cannot be told."""

    now: datetime
    per_day: float

    def when(self, runs: float) -> str | None:
        """RFC 3339 of so many runs from now on; None when it cannot be told or lies beyond the calendar."""
        days = runs / self.per_day if self.per_day > 0.0 else math.nan
        return rfc3339(self.now + timedelta(days=days)) if days < 36_525.0 else None


def wear(rows: Sequence[HealthRow], limits: Mapping[str, HealthLimit], now: datetime) -> dict[str, Any]:
    """Trends of all figures of station.proof.HEALTH, and of others the rows carry, JSON-ready. rows: one rig's runs, oldest first.

    limits: by figure. now: timezone-aware. figures: of each its level now, slope, p, correlation of neighbours, what it speaks of, standing
    (too-few, steady, trend, approaching, beyond), forecast or None, and a sentence. causes: what the trends say together.
    """
    extra = sorted({name for row in rows for name in row.figures} - set(HEALTH))
    names = [*HEALTH, *extra]
    chance = FALSE_ALARM / len(names)
    pace = Pace(now, _per_day(rows))
    found = {name: _figure(rows, name, limits.get(name, NO_LIMIT), chance, pace) for name in names}
    signs = {name: int(figure["sign"]) for name, figure in found.items()}
    return {
        "format": FORMAT,
        "runs": len(rows),
        "first_at": rfc3339(rows[0].at) if rows else None,
        "last_at": rfc3339(rows[-1].at) if rows else None,
        "made_at": rfc3339(now),
        "runs_per_day": _known(pace.per_day),
        "figures": found,
        "causes": causes(signs),
        "confidence": CONFIDENCE,
        "method": METHOD.format(chance=chance, family=FALSE_ALARM),
    }


def rfc3339(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _per_day(rows: Sequence[HealthRow]) -> float:
    if len(rows) < 2:
        return math.nan
    days = (rows[-1].at - rows[0].at) / timedelta(days=1)
    return (len(rows) - 1) / days if days > 0.0 else math.nan


def _figure(rows: Sequence[HealthRow], name: str, limit: HealthLimit, chance: float, pace: Pace) -> dict[str, Any]:
    """x counts the rig's runs, so that a run without the figure leaves a gap."""
    known = [(index, row.figures[name]) for index, row in enumerate(rows) if math.isfinite(row.figures.get(name, math.nan))]
    x, y = (np.array(column, dtype=np.float64) for column in zip(*known, strict=True)) if known else (np.empty(0), np.empty(0))
    trend = fit_trend(x, y)
    base = {"speaks_of": SPEAKS.get(name, ""), "count": len(y), "limit": {"low": limit.low, "high": limit.high}}
    if trend is None:
        return {**base, **_untold(name, y, limit)}
    last = float(len(rows) - 1)
    sign = 0 if trend.p >= chance else 1 if trend.slope > 0.0 else -1
    level = trend.at(last) if sign else trend.level
    forecast = _forecast(trend, limit, last, pace) if sign else None
    return {
        **base,
        "sign": sign,
        "level": level,
        "slope_per_run": trend.slope,
        "slope_sd": trend.slope_sd,
        "scatter_sd": trend.scale,
        "p": trend.p,
        "lag_one": trend.lag_one,
        "standing": _standing(sign, limit, level, forecast),
        "forecast": forecast,
        "sentence": _sentence(name, trend, sign, level, limit, forecast),
    }


def _untold(name: str, values: np.ndarray, limit: HealthLimit) -> dict[str, Any]:
    """Of a figure with too few values, or that are all the same."""
    level = float(np.median(values)) if len(values) else None
    beyond = level is not None and not limit.holds(level)
    few = len(values) < FEWEST
    said = f"{len(values)} runs tell it; expected at least {FEWEST} for a trend" if few else "all runs tell the same value"
    empty = dict.fromkeys(("slope_per_run", "slope_sd", "scatter_sd", "p", "lag_one", "forecast"))
    standing = "beyond" if beyond else "too-few" if few else "steady"
    return {**empty, "sign": 0, "level": level, "standing": standing, "sentence": f"{name}: {said}."}


def _standing(sign: int, limit: HealthLimit, level: float, forecast: Mapping[str, Any] | None) -> str:
    if not limit.holds(level):
        return "beyond"
    if sign == 0:
        return "steady"
    return "approaching" if forecast is not None else "trend"


def _forecast(trend: Trend, limit: HealthLimit, last: float, pace: Pace) -> dict[str, Any] | None:
    """Runs from the last one on until the line meets its limit; None without a limit ahead. runs, runs_high: None when too far to say."""
    bound = limit.bound(trend.slope)
    found = None if bound is None or not limit.holds(trend.at(last)) else meets(trend, bound)
    if found is None or bound is None:
        return None
    runs, low, high = _ahead(found, last)
    most = FARTHEST * (trend.last - trend.first)
    return {
        "limit": bound,
        "runs": runs if runs <= most else None,
        "runs_low": min(low, most),
        "runs_high": high if high <= most else None,
        "at": pace.when(runs) if runs <= most else None,
        "at_low": pace.when(min(low, most)),
        "at_high": pace.when(high) if high <= most else None,
    }


def _ahead(found: Meeting, last: float) -> tuple[float, float, float]:
    runs, low, high = (max(0.0, x - last) for x in (found.x, found.low, found.high))
    return runs, low, high


def _sentence(name: str, trend: Trend, sign: int, level: float, limit: HealthLimit, forecast: Mapping[str, Any] | None) -> str:
    if sign == 0:
        said = f"{name}: {_shown(name, level)}, no trend"
        return said + ("." if limit.holds(level) else "; it lies beyond its limit.")
    way = "rises" if sign > 0 else "falls"
    said = (
        f"{name} {way} by {_shown(name, 1000.0 * abs(trend.slope))} in 1000 runs, now {_shown(name, level)} ({SPEAKS.get(name, 'no part')})"
    )
    if not limit.holds(level):
        return said + "; it lies beyond its limit."
    if forecast is None:
        return said + "."
    aim = f"; the limit {_shown(name, forecast['limit'])} will be met"
    if forecast["runs"] is None:
        return f"{said}{aim} not before {forecast['runs_low']:.0f} more runs."
    high = "more" if forecast["runs_high"] is None else f"{forecast['runs_high']:.0f}"
    when = f", about {forecast['at'][:10]} at the pace so far" if forecast["at"] else ""
    return f"{said}{aim} in about {forecast['runs']:.0f} runs (95 %: {forecast['runs_low']:.0f} to {high}){when}."


def _shown(name: str, value: float) -> str:
    """A figure for people: seconds as milliseconds, the unit after it."""
    if name.endswith("_share_s"):
        return f"{value:.4g} of reach a second"
    if name.endswith("_s"):
        return f"{1e3 * value:.4g} ms"
    return f"{value:.4g} {name.rsplit('_', 1)[-1]}"


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
