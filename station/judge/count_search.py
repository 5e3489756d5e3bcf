"""Finds the count plan for any admissible figures by exact dynamic programming over a small family of plans.

The family: Wald's two parallel lines for a share (slope as in the sequential probability ratio test), cut off at a last flick with a
largest acceptable number. Wald's own intercepts only approximate the risks; here each candidate's risks are computed exactly, so the
intercepts are the smallest that hold them (Wald, Sequential Analysis, 1947, for the lines).
"""

from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from math import ceil, floor, log

import numpy as np

from station.judge.count_plan import CountPlan, plan_from_lines
from station.judge.fixed_plans import Risks, fixed_attributes

STRETCH = (1.0, 1.15, 1.35, 1.6, 2.0)
"""Last flick over the fixed plan's size. Longer ends gain less than 1 % of the mean number of flicks (computed at the default figures)."""
MANY = 30
"""Above this acceptable number the family is tried more coarsely: the steps of one exceedance hardly matter any more."""

WORKED: dict[Risks, CountPlan] = {
    Risks(0.001, 0.025, 0.01, 0.007): CountPlan((201, 400, 440), 2, (60, 440), 440),
    Risks(0.001, 0.025, 0.01, 0.01): CountPlan((189, 330, 430), 2, (88, 430), 430),
}
"""Plans settled for the usual figures, so that stored decisions stay comparable and a start needs no search. Tests hold them against
the exact risks and against what the search finds."""


def slope(risks: Risks) -> float:
    """Exceedances per flick at which evidence for good and bad balance: slope of Wald's lines."""
    return log((1 - risks.share_good) / (1 - risks.share_bad)) / log_odds_ratio(risks)


def log_odds_ratio(risks: Risks) -> float:
    """Evidence of one exceedance for bad against good, relative to one flick within."""
    return log(risks.share_bad * (1 - risks.share_good) / (risks.share_good * (1 - risks.share_bad)))


@lru_cache(maxsize=64)
def count_plan(risks: Risks, flicks_max: int) -> CountPlan | None:
    """The count plan that holds both risks exactly and ends by `flicks_max`; None when no plan of so few flicks can."""
    worked = WORKED.get(risks)
    if worked is not None and worked.last <= flicks_max:
        return worked
    return search(risks, flicks_max)


def search(risks: Risks, flicks_max: int) -> CountPlan | None:
    """Member of the family with the fewest flicks on average over shares 0.1 good, good and bad, equally weighed."""
    fixed = fixed_attributes(risks, flicks_max)
    if fixed is None:
        return None
    stretches = STRETCH if fixed.accept_most <= MANY else STRETCH[1:3]
    ends = sorted({min(round(fixed.flicks * stretch), flicks_max) for stretch in stretches})
    found = [plan for last in ends for most in _acceptable(risks, fixed.accept_most, last) for plan in _plans_of(risks, most, last)]
    found.append(CountPlan((fixed.flicks,) * (fixed.accept_most + 1), fixed.accept_most + 1, (fixed.flicks,), fixed.flicks))
    return min(found, key=lambda plan: _cost(plan, risks))


def rejection_only(risks: Risks, flicks_max: int) -> CountPlan:
    """A plan that never accepts by count: Wald's rejection line alone, up to `flicks_max`.

    The likelihood ratio of bad against good reaches 1 / producer_risk with at most that chance in a good group, however long it is
    flicked (Ville's inequality), so no search is needed.
    """
    intercept = log(1.0 / risks.producer) / log_odds_ratio(risks)
    most = min(floor(slope(risks) * flicks_max + intercept) + 1, flicks_max)
    lines = plan_from_lines(slope(risks), 0.0, intercept, most, flicks_max)
    return CountPlan((), lines.reject_first, lines.reject_until, flicks_max)


def _acceptable(risks: Risks, least: int, last: int) -> list[int]:
    """A few largest acceptable numbers worth trying for this end."""
    most = max(least, floor(slope(risks) * last))
    return sorted({least, (least + most) // 2, most}) if least <= MANY else [most]


def _plans_of(risks: Risks, most: int, last: int) -> Iterator[CountPlan]:
    """Plans of one end that hold both risks, one for each place of the acceptance line around Wald's."""
    wald = log(1 / risks.consumer) / log((1 - risks.share_good) / (1 - risks.share_bad))
    for part in np.linspace(0.95, 1.25, 16 if most <= MANY else 3):
        lines = partial(plan_from_lines, slope(risks), min(ceil(wald * part), last) * slope(risks), accept_most=most, last=last)
        if not _holds_good(lines(most + 1.0), risks):
            continue
        plan = lines(_smallest_intercept(lines, risks, most + 1.0))
        if plan.characteristic(risks.share_bad).accept <= risks.consumer:
            yield plan


def _holds_good(plan: CountPlan, risks: Risks) -> bool:
    return plan.characteristic(risks.share_good).reject <= risks.producer


def _smallest_intercept(lines: Callable[[float], CountPlan], risks: Risks, high: float) -> float:
    """Smallest intercept of the rejection line, to a thousandth, that holds the producer's risk; `high` is known to hold it."""
    low = 0.0
    while high - low > 1e-3 * max(high, 1.0):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _holds_good(lines(middle), risks) else (middle, high)
    return high


def _cost(plan: CountPlan, risks: Risks) -> float:
    shares = (0.1 * risks.share_good, risks.share_good, risks.share_bad)
    return sum(plan.characteristic(share).mean_flicks for share in shares)
