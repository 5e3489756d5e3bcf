"""Control charts: limits from a baseline, and points placed against them. Pure; no chart is drawn here.

Three kinds, as in ISO 7870-2:2013 and the NIST/SEMATECH e-Handbook, 6.3: individuals with moving range, means with standard deviations, and
shares. Each is a chart of levels, and the first two have a chart of the spread below it. All limits lie three sigma from the centre.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np
from scipy.special import bdtr, bdtrc

from station.errors import UsageError
from station.proof import ChartPoint
from station.prove.chart_constants import mean_sd, sd_of_range, sd_of_sd
from station.prove.range_constants import mean_range

WIDTH: Final = 3.0  # sigmas from the centre to a limit: ISO 7870-2, since Shewhart (1931)
LEAST: Final = 20  # points of a baseline: ISO 7870-2 and common practice ask 20 to 25 subgroups; from memory
LEAST_DRAWN: Final = 2  # points from which any sigma can be told; enough to draw provisional limits, not to judge by them


class ChartKind(StrEnum):
    INDIVIDUALS = "i-mr"
    MEANS = "xbar-s"
    SHARE = "p"


@dataclass(frozen=True, slots=True)
class Limits:
    """What limits are made of. count: points they come from. centre: mean of all values, of the unit of the chart; or the share.

    sigma: standard deviation of one value within what a point stands for; of one unit's outcome, sqrt(p (1 - p)), for a share. beyond: keys
    of points of the baseline that lie outside these limits themselves.
    """

    kind: ChartKind
    count: int
    centre: float
    sigma: float
    beyond: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """JSON-ready."""
        return {"kind": self.kind.value, "count": self.count, "centre": self.centre, "sigma": self.sigma, "beyond": list(self.beyond)}

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> "Limits":
        """Of what document() gave. Raises UsageError when it is something else."""
        missing = {"kind", "count", "centre", "sigma", "beyond"} - set(document)
        if missing or document["kind"] not in list(ChartKind) or not document["sigma"] > 0.0:
            raise UsageError(f"limits of a chart are {str(dict(document))[:120]}; expected kind, count, centre, sigma > 0 and beyond")
        return cls(ChartKind(document["kind"]), document["count"], document["centre"], document["sigma"], tuple(document["beyond"]))


@dataclass(frozen=True, slots=True)
class Part:
    """One point on one chart. zone: distance of the value from the centre, in standard deviations of what is plotted."""

    value: float
    centre: float
    lower: float
    upper: float
    zone: float


@dataclass(frozen=True, slots=True)
class Placed:
    """A point against its limits. size: values in its sample, or units of a share. spread: None where there is none (the first of moving
    ranges, any of shares)."""

    point: ChartPoint
    size: int
    level: Part
    spread: Part | None


def limits_from(kind: ChartKind, points: Sequence[ChartPoint], least: int = LEAST) -> Limits:
    """Limits from a baseline, oldest point first.

    Individuals: sigma is the mean moving range / d2. Means: the standard deviations s / c4 of the samples, weighted by the inverse of
    their variance (samples of one size: their mean / c4), centre the mean of all values. Shares: all counted of all units.
    Raises UsageError for fewer than `least` points, a sample that does not suit the kind, and a baseline in which nothing varies.
    """
    if len(points) < least:
        raise UsageError(f"the baseline has {len(points)} point{'' if len(points) == 1 else 's'}; expected at least {least}")
    _check(kind, points)
    centre, sigma = _MAKERS[kind](points)
    if not sigma > 0.0:
        raise UsageError(f"the baseline of {len(points)} points does not vary (centre {centre:.6g}); expected some variation")
    limits = Limits(kind, len(points), centre, sigma)
    return Limits(kind, len(points), centre, sigma, tuple(one.point.key for one in place(limits, points) if _outside(kind, one)))


def place(limits: Limits, points: Sequence[ChartPoint]) -> tuple[Placed, ...]:
    """Every point against limits that suit its own size, oldest first. Raises UsageError for a sample that does not suit the kind."""
    _check(limits.kind, points)
    sizes = [size_of(limits.kind, point) for point in points]
    values = [value_of(limits.kind, point) for point in points]
    spreads = _spreads(limits, points, values)
    levels = [_level(limits, value, size) for value, size in zip(values, sizes, strict=True)]
    return tuple(Placed(*one) for one in zip(points, sizes, levels, spreads, strict=True))


def _level(limits: Limits, value: float, size: int) -> Part:
    sd = limits.sigma / math.sqrt(size)
    lower, upper = limits.centre - WIDTH * sd, limits.centre + WIDTH * sd
    if limits.kind is ChartKind.SHARE:
        lower, upper = max(0.0, lower), min(1.0, upper)
    return Part(value, limits.centre, lower, upper, (value - limits.centre) / sd)


def _spread(value: float, centre: float, sd: float) -> Part:
    """Of a figure that is never negative."""
    return Part(value, centre, max(0.0, centre - WIDTH * sd), centre + WIDTH * sd, (value - centre) / sd)


def _spreads(limits: Limits, points: Sequence[ChartPoint], values: Sequence[float]) -> list[Part | None]:
    sigma = limits.sigma
    if limits.kind is ChartKind.INDIVIDUALS:
        ranges = np.abs(np.diff(values)).tolist()
        return [None, *(_spread(one, mean_range(2) * sigma, sd_of_range(2) * sigma) for one in ranges)][: len(values)]
    if limits.kind is ChartKind.MEANS:
        return [_spread(_sd(one), mean_sd(len(one.sample)) * sigma, sd_of_sd(len(one.sample)) * sigma) for one in points]
    return [None] * len(points)


def _outside(kind: ChartKind, one: Placed) -> bool:
    """Of moving ranges nothing is said: each value makes two of them."""
    wild = kind is ChartKind.MEANS and one.spread is not None and abs(one.spread.zone) > WIDTH
    return wild or abs(one.level.zone) > WIDTH


def _of_individuals(points: Sequence[ChartPoint]) -> tuple[float, float]:
    values = np.array([value_of(ChartKind.INDIVIDUALS, point) for point in points])
    return float(values.mean()), float(np.abs(np.diff(values)).mean() / mean_range(2))


def _of_means(points: Sequence[ChartPoint]) -> tuple[float, float]:
    sizes = np.array([size_of(ChartKind.MEANS, point) for point in points])
    c4 = np.array([mean_sd(int(size)) for size in sizes])
    weights = c4**2 / (1.0 - c4**2)  # the variance of s / c4 is sigma**2 (1 - c4**2) / c4**2
    sds = np.array([_sd(point) for point in points])
    means = np.array([value_of(ChartKind.MEANS, point) for point in points])
    return float(np.average(means, weights=sizes)), float(np.average(sds / c4, weights=weights))


def _of_shares(points: Sequence[ChartPoint]) -> tuple[float, float]:
    of = sum(size_of(ChartKind.SHARE, point) for point in points)
    share = sum(point.sample[0] for point in points) / of
    return share, math.sqrt(share * (1.0 - share))


_MAKERS: Final = {ChartKind.INDIVIDUALS: _of_individuals, ChartKind.MEANS: _of_means, ChartKind.SHARE: _of_shares}


def usable(kind: ChartKind, points: Sequence[ChartPoint]) -> tuple[ChartPoint, ...]:
    """Points whose sample suits the kind: a figure that could not be measured is NaN and no point of a chart."""
    return tuple(point for point in points if not _misfit(kind, point.sample))


def chance_beyond(limits: Limits, size: int) -> float:
    """Chance that a share of `size` units lies beyond its limits though nothing has changed: binomial, exact. 0.0027 were it normal."""
    sd = math.sqrt(size) * limits.sigma
    most, least = math.floor(size * limits.centre + WIDTH * sd), math.ceil(size * limits.centre - WIDTH * sd)
    below = float(bdtr(least - 1, size, limits.centre)) if least > 0 else 0.0
    return below + (float(bdtrc(most, size, limits.centre)) if most < size else 0.0)


def _check(kind: ChartKind, points: Sequence[ChartPoint]) -> None:
    for point in points:
        expected = _misfit(kind, point.sample)
        if expected:
            raise UsageError(f"point {point.key} is {list(point.sample)}; expected {expected}")


def size_of(kind: ChartKind, point: ChartPoint) -> int:
    """Values of a sample, units of a share."""
    return int(point.sample[1]) if kind is ChartKind.SHARE else len(point.sample)


def _misfit(kind: ChartKind, sample: tuple[float, ...]) -> str:
    """What was expected of a sample that does not suit, "" when it does."""
    finite = all(math.isfinite(value) for value in sample)
    if kind is ChartKind.INDIVIDUALS:
        return "" if finite and len(sample) == 1 else "one finite value"
    if kind is ChartKind.MEANS:
        return "" if finite and len(sample) >= 2 else "at least two finite values"
    return "" if finite and len(sample) == 2 and 0.0 <= sample[0] <= sample[1] >= 1.0 else "a count and of how many, at least one"


def value_of(kind: ChartKind, point: ChartPoint) -> float:
    """What is plotted on the chart of levels: the value, the mean of the sample, or the share."""
    return point.sample[0] / point.sample[1] if kind is ChartKind.SHARE else float(np.mean(point.sample))


def _sd(point: ChartPoint) -> float:
    """With n - 1; 0 exactly when all values are alike, which rounding may hide."""
    values = np.array(point.sample)
    return float(values.std(ddof=1)) if np.ptp(values) > 0.0 else 0.0
