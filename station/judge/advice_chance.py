"""Chance that an axis passes its retest with a candidate part: seeded Monte Carlo through the actual decision plan.

Each trial draws the true mean and spread of each group's peaks given the flicks seen (reference posterior of the normal law: variance
(n-1)s^2/chi^2, mean normal about the sample mean), the factors by which the new part, the part that was fitted during the recording and the
track differ from nominal (rectangular within their tolerances, JCGM 100:2008, 4.3.7), one systematic error of the measuring chain, and then
the peaks of a whole retest, flick by flick until the plan decides. All candidates see the same draws, so that their chances compare.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.judge.limits import COVERAGE_FACTOR
from station.judge.oc import PASSED, decide_stream
from station.judge.plan import Plan
from station.records import Floats

TRIALS: Final = 1000  # standard error of a chance at most 0.016; derivation: sqrt(0.25 / 1000)
SEED: Final = 20_261_125  # any fixed number: the same recording gives the same advice
FACTORS: Final = ("part", "fitted", "track")


@dataclass(frozen=True, slots=True)
class Bend:
    """How a figure moves with a factor f about 1: linear*(f - 1) + square*(f - 1)**2. Arrays of one shape."""

    linear: Floats
    square: Floats

    def at(self, change: Floats) -> Floats:
        """Shift for changes f - 1; shapes broadcast."""
        return np.asarray(self.linear * change + self.square * change * change)


def bend_through(low: Floats, middle: Floats, high: Floats, change: float) -> Bend:
    """The parabola through figures at 1 - change, 1 and 1 + change; flat when nothing can change."""
    if change <= 0.0:
        return Bend(np.zeros_like(middle), np.zeros_like(middle))
    return Bend((high - low) / (2.0 * change), (high + low - 2.0 * middle) / (2.0 * change * change))


@dataclass(frozen=True, slots=True)
class GroupForecast:
    """Predicted figures of one group with each of k candidates, arrays of shape (k,).

    flicks: that the mean and sd of the peaks rest on; freedom: degrees of freedom of the sd. u_return_s, u_lag_s: standard uncertainties
    of the means. peak_bends, return_bends: shift of the mean peak and return time with the factors of FACTORS, in that order.
    """

    name: str
    flicks: int
    freedom: float
    mean_counts: Floats
    sd_counts: Floats
    return_s: Floats
    u_return_s: Floats
    lag_s: Floats
    u_lag_s: Floats
    settle_s: Floats
    peak_bends: tuple[Bend, ...]
    return_bends: tuple[Bend, ...]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What the retest asks: the neutral zone and its guard band, and the limits a part can move."""

    zone_counts: float
    guard_counts: float
    return_s: float
    lag_s: float
    settle_s: float


@dataclass(frozen=True, slots=True)
class Chances:
    """Of k candidates. passes: shape (k,). flicks: mean number per group until the plan decides, shape (k, groups)."""

    passes: Floats
    flicks: Floats


def chances(
    plan: Plan,
    groups: Sequence[GroupForecast],
    bounds: Bounds,
    tolerances: Sequence[float],
    u_counts: float = 0.0,
    trials: int = TRIALS,
    seed: int = SEED,
) -> Chances:
    """Chance to pass and mean flicks of a retest with each candidate.

    tolerances: half widths of FACTORS as shares, in that order. u_counts: systematic standard uncertainty of a peak.
    """
    random = np.random.default_rng(seed)
    changes = [tolerance * random.uniform(-1.0, 1.0, trials) for tolerance in tolerances]
    systematic = u_counts * random.standard_normal(trials)
    means, spreads, others = zip(*(_drawn(group, bounds, changes, systematic, random) for group in groups), strict=True)
    verdict, flicks = _retests(plan, np.stack(means, axis=1), np.stack(spreads, axis=1), bounds, random)
    passed = np.all((verdict == PASSED) & np.stack(others, axis=1), axis=1)
    return Chances(passed.mean(axis=1), flicks.mean(axis=2))


def _drawn(
    group: GroupForecast, bounds: Bounds, changes: Sequence[Floats], systematic: Floats, random: np.random.Generator
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """True means and spreads of a group in each trial, and whether its return, lag and settle time hold. Shapes (k, trials)."""
    trials = len(systematic)
    wider = np.sqrt(group.freedom / random.chisquare(group.freedom, trials))
    spread = group.sd_counts[:, None] * wider
    mean = group.mean_counts[:, None] + spread * random.standard_normal(trials) / np.sqrt(group.flicks) + systematic
    return_s = group.return_s[:, None] + group.u_return_s[:, None] * random.standard_normal(trials)
    for peak_bend, return_bend, change in zip(group.peak_bends, group.return_bends, changes, strict=True):
        mean = mean + Bend(peak_bend.linear[:, None], peak_bend.square[:, None]).at(change)
        return_s = return_s + Bend(return_bend.linear[:, None], return_bend.square[:, None]).at(change)
    lag_s = group.lag_s[:, None] + group.u_lag_s[:, None] * random.standard_normal(trials)
    holds = return_s + COVERAGE_FACTOR * group.u_return_s[:, None] <= bounds.return_s
    holds &= lag_s + COVERAGE_FACTOR * group.u_lag_s[:, None] <= bounds.lag_s
    holds &= group.settle_s[:, None] <= bounds.settle_s
    return mean, spread, holds


def _retests(
    plan: Plan, mean: Floats, spread: Floats, bounds: Bounds, random: np.random.Generator
) -> tuple[NDArray[np.int8], NDArray[np.int64]]:
    """Verdict and flicks used of each candidate, group and trial, shapes (k, groups, trials). Peaks are never negative."""
    _, groups, trials = mean.shape
    size = groups * trials
    scores = random.standard_normal((plan.last, size), dtype=np.float32)
    flat_mean, flat_spread = mean.ravel(), spread.ravel()
    done = decide_stream(
        plan,
        lambda n, who: np.maximum(flat_mean[who] + flat_spread[who] * scores[n - 1, who % size], 0.0),
        flat_mean.size,
        bounds.zone_counts,
        bounds.guard_counts,
    )
    return done.verdict.reshape(mean.shape), done.flicks.reshape(mean.shape)
