"""The count plan of one group: accept or reject by the number of exceedances alone, with both risks exact.

Nothing is asked of the shape of the peaks; only that each flick exceeds with the same chance, independently of the others.
"""

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special


@dataclass(frozen=True, slots=True)
class Characteristic:
    """What a plan does to groups of one true over-zone share: chances that sum to 1, and the mean number of flicks of a group."""

    over_share: float
    accept: float
    reject: float
    undecided: float
    mean_flicks: float


@dataclass(frozen=True, slots=True)
class CountPlan:
    """Truncated sequential attributes plan.

    accept_at[j]: from this flick on, j exceedances or fewer are accepted (not decreasing; empty: the count never accepts).
    reject_until[i]: up to this flick, the exceedance number reject_first + i rejects (not decreasing; the last one is `last`).
    last: no flick is made after this one.
    """

    accept_at: tuple[int, ...]
    reject_first: int
    reject_until: tuple[int, ...]
    last: int

    def accepts(self, flicks: int, exceedances: int) -> bool:
        """True when the group is accepted after so many flicks with so many exceedances."""
        return exceedances < len(self.accept_at) and flicks >= self.accept_at[exceedances]

    def rejects(self, flicks: int, exceedances: int) -> bool:
        """True when the group is rejected after so many flicks with so many exceedances."""
        return exceedances >= self.rejection_number(flicks)

    def rejection_number(self, flicks: int) -> int:
        """Fewest exceedances that reject at this flick."""
        return self.reject_first + bisect_right(self.reject_until, flicks - 1)

    def acceptance_number(self, flicks: int) -> int:
        """Most exceedances that are accepted at this flick, -1 when none are."""
        return bisect_right(self.accept_at, flicks) - 1

    def characteristic(self, over_share: float) -> Characteristic:
        """Exact operating characteristic at a true over-zone share, by dynamic programming over the number of exceedances.

        Between two steps of the plan the number of exceedances grows binomially, so whole stretches are crossed at once. The mean
        number of flicks is E[exceedances at the end] / over_share (Wald's identity, exact for any stopping rule with an end).
        """
        accept, reject, open_, exceedances = self.walk(over_share, 0, np.array([1.0]))
        return Characteristic(over_share, accept, reject, open_, exceedances / over_share)

    def walk(self, over_share: float, flicks: int, chances: NDArray[np.float64]) -> tuple[float, float, float, float]:
        """From `flicks` with chances[d] of d exceedances to the end: chances of accept, reject, neither, and E[exceedances at the end]."""
        accept = reject = mean = 0.0
        state = np.asarray(chances, dtype=np.float64)
        base = 0  # states below have been accepted
        for stop in self._steps(flicks):
            bound = self.rejection_number(stop)
            state, lost = _stretch(state, base, bound, stop - flicks, over_share)
            reject += lost
            mean += lost * bound
            gone = min(max(self.acceptance_number(stop) + 1 - base, 0), len(state))
            accept += float(state[:gone].sum())
            mean += float(state[:gone] @ np.arange(base, base + gone))
            state, base, flicks = state[gone:], base + gone, stop
        mean += float(state @ np.arange(base, base + len(state)))
        return accept, reject, float(state.sum()), mean

    def _steps(self, after: int) -> list[int]:
        return sorted(n for n in {*self.accept_at, *self.reject_until, self.last} if n > after)


def _stretch(state: NDArray[np.float64], base: int, bound: int, flicks: int, share: float) -> tuple[NDArray[np.float64], float]:
    """Chances after `flicks` more flicks in which reaching `bound` exceedances rejects, and the chance of that."""
    if not len(state):
        return state, 0.0
    width = bound - base
    room = width - np.arange(len(state))
    lost = float(state @ np.where(room <= flicks, special.bdtrc(np.minimum(room - 1, flicks), flicks, share), 0.0))
    return np.convolve(state, binomial_chances(flicks, share, width))[:width], lost


def binomial_chances(flicks: int, share: float, count: int) -> NDArray[np.float64]:
    """Chances of 0, 1, ..., count - 1 exceedances in so many flicks, shape (count,)."""
    hits = np.arange(count, dtype=np.float64)
    misses = flicks - hits
    possible = np.maximum(misses, 0.0)
    log_ways = special.gammaln(flicks + 1.0) - special.gammaln(hits + 1.0) - special.gammaln(possible + 1.0)
    return np.where(misses >= 0, np.exp(log_ways + special.xlogy(hits, share) + special.xlog1py(possible, -share)), 0.0)


def plan_from_lines(slope: float, accept_intercept: float, reject_intercept: float, accept_most: int, last: int) -> CountPlan:
    """Count plan between two lines of one slope (exceedances per flick), cut off at flick `last`.

    Accept d <= slope n - accept_intercept, or d <= accept_most at the end; reject d >= slope n + reject_intercept or d > accept_most.
    """
    accept_at = tuple(min(int(np.ceil((d + accept_intercept) / slope)), last) for d in range(accept_most + 1))
    until = [min(int(np.floor((r - reject_intercept) / slope)), last) for r in range(1, accept_most + 1)]
    first = next((r for r, n in enumerate(until, start=1) if n >= r), accept_most + 1)
    return CountPlan(accept_at, first, (*until[first - 1 :], last), last)
