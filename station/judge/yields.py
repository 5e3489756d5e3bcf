"""Arithmetic of yield: shares with exact intervals, rolled throughput yield with an interval, ranking of causes. Pure.

First-pass yield: units that passed at their first decided run, of all that had one. Rolled throughput yield: product of the first-pass
shares of the steps; here every group is a step.

Interval of the rolled yield R. With L = -ln R = sum over steps of -ln p_k, and w_k = -ln p_k / d_k for the d_k units that failed step k,
L is the sum over failed units of the weights of the steps they failed: a weighted sum of counts, in which what fails together stays
together. Its two-sided limits are those of Fay and Feuer (Statistics in Medicine 16, 791, 1997; formula from memory) for such sums of
Poisson counts, chi-square quantiles with the variance of the sum; one more failure is taken as one of all steps at once, so that without
any failure the upper limit of L still is a limit. Coverage is held by simulation in the tests, also for steps that fail together.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from scipy.special import betaincinv, chdtri

from station.errors import UsageError
from station.ports.yields import CauseTally, Marks, StepTally
from station.yields import Cause, Share

CONFIDENCE: Final = 0.95
TAIL: Final = 0.5 * (1.0 - CONFIDENCE)


def share(count: int, of: int) -> Share:
    """count of `of` with the two-sided 95 % interval of Clopper and Pearson (Biometrika 26, 404, 1934). Raises UsageError."""
    if not 0 <= count <= of:
        raise UsageError(f"a share of {count} of {of} cannot be; expected 0 to {of}")
    if of == 0:
        return Share(0, 0, None, None, None)
    return Share(count, of, count / of, *binomial_limits(count, of))


def binomial_limits(count: int, of: int, tail: float = TAIL) -> tuple[float, float]:
    """Exact limits, each missed with chance `tail` at most: quantiles of beta laws."""
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, tail))
    high = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1.0 - tail))
    return low, high


def rolled_yield(shares: Iterable[float]) -> float:
    """Product of the steps' first-pass shares."""
    return math.prod(shares)


def rolled(steps: Sequence[StepTally], failing: Mapping[Marks, int]) -> tuple[float, float, float] | None:
    """Rolled yield of the steps with its 95 % limits; None when no unit had a group decided. Steps that no unit had decided are left out.

    failing: how many units failed exactly these steps, by label.
    """
    known = [step for step in steps if step.units]
    if not known:
        return None
    value = rolled_yield(step.first_passed / step.units for step in known)
    dead = [step for step in known if not step.first_passed]
    if dead:
        return 0.0, 0.0, min(binomial_limits(0, step.units)[1] for step in dead)
    weights = {step.label: _weight(step) for step in known}
    counts = [(sum(weights[label] for label in marks if label in weights), count) for marks, count in failing.items()]
    low, high = weighted_limits(counts, most=sum(weights.values()))
    return value, math.exp(-high), math.exp(-low)


def weighted_limits(counts: Sequence[tuple[float, int]], most: float, tail: float = TAIL) -> tuple[float, float]:
    """Limits of a sum of Poisson counts with weights, given as (weight, count). most: largest weight that one more count could have."""
    total = sum(weight * count for weight, count in counts)
    variance = sum(weight**2 * count for weight, count in counts)
    low = 0.0 if total == 0.0 else _gamma_quantile(total, variance, tail)
    return low, _gamma_quantile(total + most, variance + most**2, 1.0 - tail)


def _gamma_quantile(mean: float, variance: float, chance: float) -> float:
    return float(variance / (2.0 * mean) * chdtri(2.0 * mean**2 / variance, 1.0 - chance))


def _weight(step: StepTally) -> float:
    """What one unit that failed the step adds to L."""
    failed = step.units - step.first_passed
    return -math.log(step.first_passed / step.units) / failed if failed else 1.0 / step.units


def ranked(causes: Sequence[CauseTally]) -> tuple[Cause, ...]:
    """Largest first, by runs, then by units, then by name; shares are of all mentions (a run may name several causes)."""
    order = sorted(causes, key=lambda one: (-one.runs, -one.units, one.code, one.part, one.lot))
    mentions, seen, lines = sum(one.runs for one in order), 0, []
    for one in order:
        seen += one.runs
        lines.append(Cause(one.code, one.part, one.lot, one.runs, one.units, one.runs / mentions, seen / mentions))
    return tuple(lines)
