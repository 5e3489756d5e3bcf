"""Operating characteristics: what a plan does to groups of a known true over-zone share.

Count mode exactly, by dynamic programming. The other modes by seeded simulation; in guarded mode only the flicks up to the gate's last
look are simulated and the rest is exact. All decisions are those of Plan.decide, many groups at a time.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from station.judge.count_plan import Characteristic
from station.judge.plan import Plan
from station.judge.shapes import NORMAL, Shape

OPEN, PASSED, FAILED = 0, 1, 2
CHUNK = 25_000
"""Groups simulated at a time: under 2 MB of state."""

Peaks = Callable[[int, NDArray[np.intp]], NDArray[np.float64]]
"""Peaks of flick n (from 1) of the groups with these indices."""


@dataclass(frozen=True, slots=True)
class Decided:
    """verdict: OPEN, PASSED or FAILED; flicks used; exceedances among them. Each of shape (groups,)."""

    verdict: NDArray[np.int8]
    flicks: NDArray[np.int64]
    exceedances: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts over simulated groups. flicks: their total; flicks_squared: total of their squares."""

    groups: int
    passed: int
    failed: int
    flicks: int
    flicks_squared: int

    @property
    def mean_flicks(self) -> float:
        return self.flicks / self.groups

    @property
    def mean_flicks_se(self) -> float:
        """Standard error of mean_flicks."""
        return float(np.sqrt(max(self.flicks_squared / self.groups - self.mean_flicks**2, 0.0) / self.groups))


def decide_all(plan: Plan, peaks_counts: NDArray[np.float64], limit_counts: float, guard_band_counts: float = 0.0) -> Decided:
    """Plan.decide for many groups at once, peaks of shape (groups, flicks); the same verdict and flicks, group by group."""
    rows, columns = peaks_counts.shape
    return decide_stream(plan, lambda n, who: peaks_counts[who, n - 1], rows, limit_counts, guard_band_counts, min(columns, plan.last))


def decide_stream(
    plan: Plan, peaks: Peaks, groups: int, limit_counts: float, guard_band_counts: float = 0.0, last: int | None = None
) -> Decided:
    """The same for groups whose peaks are made flick by flick, until `last` (the plan's last flick when None)."""
    done = Decided(np.zeros(groups, np.int8), np.zeros(groups, np.int64), np.zeros(groups, np.int64))
    who = np.arange(groups)
    mean, squares, exceedances = np.zeros(groups), np.zeros(groups), np.zeros(groups, np.int64)
    for n in range(1, (plan.last if last is None else last) + 1):
        new = peaks(n, who)
        step = new - mean
        mean = mean + step / n
        squares = squares + step * (new - mean)
        exceedances = exceedances + (new > limit_counts)
        sd = np.maximum(np.sqrt(squares / (n - 1)) if n > 1 else 0.0, plan.sd_floor_counts)
        verdict = _judge(plan, n, exceedances, mean, sd, (limit_counts, limit_counts - guard_band_counts))
        done.verdict[who], done.flicks[who], done.exceedances[who] = verdict, n, exceedances
        still = verdict == OPEN
        who, mean, squares, exceedances = who[still], mean[still], squares[still], exceedances[still]
        if not len(who):
            break
    return done


def simulate(plan: Plan, shape: Shape, over_share: float, groups: int, seed: int, chunk: int = CHUNK) -> Tally:
    """Whole runs of the plan over independent groups of this shape and true share, every flick drawn. Seeded; bounded memory."""
    random, limit = np.random.default_rng(seed), shape.level(over_share)
    return tally(plan, lambda _n, who: shape.draw(random, len(who)), limit, groups, chunk)


def tally(plan: Plan, peaks: Peaks, limit_counts: float, groups: int, chunk: int = CHUNK) -> Tally:
    """Counts over groups whose peaks come from any source; `peaks` is asked for at most `chunk` groups at a time."""
    passed = failed = flicks = squared = 0
    for start in range(0, groups, chunk):
        done = decide_stream(plan, peaks, min(chunk, groups - start), limit_counts)
        passed += int(np.count_nonzero(done.verdict == PASSED))
        failed += int(np.count_nonzero(done.verdict == FAILED))
        flicks += int(done.flicks.sum())
        squared += int((done.flicks**2).sum())
    return Tally(groups, passed, failed, flicks, squared)


def operating_characteristic(
    plan: Plan, over_shares: Sequence[float], shape: Shape = NORMAL, groups: int = 20_000, seed: int = 1
) -> list[Characteristic]:
    """Chances and mean flicks at each true share: exact in count mode, else from `groups` simulated groups of this shape at each."""
    if plan.count is not None and plan.gate is None:
        return [plan.count.characteristic(share) for share in over_shares]
    if plan.count is not None:
        return [_guarded(plan, share, shape, groups, seed) for share in over_shares]
    return [_shares_of(simulate(plan, shape, share, groups, seed), share) for share in over_shares]


def _guarded(plan: Plan, over_share: float, shape: Shape, groups: int, seed: int) -> Characteristic:
    """Simulated to the gate's last look, exact after it (the gate is the only part that sees more than exceedances)."""
    if plan.gate is None or plan.count is None:
        raise ValueError("a plan without gate needs no simulation")
    random, limit = np.random.default_rng(seed), shape.level(over_share)
    looked = max(plan.gate.last, 1)
    done = decide_stream(plan, lambda _n, who: shape.draw(random, len(who)), groups, limit, last=looked)
    still = done.verdict == OPEN
    chances = np.bincount(done.exceedances[still], minlength=1) / groups
    accept, reject, undecided, exceedances = plan.count.walk(over_share, looked, chances)
    later = exceedances - float(chances @ np.arange(len(chances)))
    return Characteristic(
        over_share,
        float(np.mean(done.verdict == PASSED)) + accept,
        float(np.mean(done.verdict == FAILED)) + reject,
        undecided,
        float(np.mean(done.flicks)) + max(later, 0.0) / over_share,
    )


def _shares_of(counts: Tally, over_share: float) -> Characteristic:
    open_ = counts.groups - counts.passed - counts.failed
    passed, failed, undecided = (number / counts.groups for number in (counts.passed, counts.failed, open_))
    return Characteristic(over_share, passed, failed, undecided, counts.mean_flicks)


def _judge(
    plan: Plan, n: int, exceedances: NDArray[np.int64], mean: NDArray[np.float64], sd: NDArray[np.float64], limits: tuple[float, float]
) -> NDArray[np.int8]:
    """Verdicts at flick n; limits without and with the guard band."""
    verdict = np.zeros(len(mean), np.int8)
    if plan.count is not None:
        if plan.gate is not None and plan.gate.first <= n <= plan.gate.last:
            verdict[(exceedances == 0) & (sd > 0.0) & (mean + plan.gate.bound(n) * sd <= limits[1])] = PASSED
        verdict[exceedances <= plan.count.acceptance_number(n)] = PASSED
        verdict[exceedances >= plan.count.rejection_number(n)] = FAILED
    elif plan.normal is not None and n > 1:
        margin, guarded = ((limit - mean) / sd for limit in limits)
        if plan.normal.decides and n == plan.normal.last:
            return np.where(margin >= plan.normal.last_factor, PASSED, FAILED).astype(np.int8)
        verdict[guarded >= plan.normal.accept_factors[n - 1]] = PASSED
        verdict[margin <= plan.normal.reject_factors[n - 1]] = FAILED
    return verdict
