"""The plan of the normal-model mode: accept or reject by mean and standard deviation. Its risks speak of normal peaks only.

T = (limit - mean) / sd. Accept when T >= KA at flick n, reject when T <= KR, one factor at the last flick. KA and KR are noncentral-t
quantiles at the bad and at the good share, with per-look chances b and a that follow b = B (n / last)^-0.5 and a = A (n / last)^0.5.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import floor, inf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

from station.judge.fixed_plans import Risks, fixed_variables, tolerance_factors
from station.records import Verdict

FIRST_ACCEPT, FIRST_REJECT = 5, 3
LONGER = 1.39
"""Last flick over the size of the fixed plan of equal risks (100 against 72 at the usual figures; a flat optimum)."""
SPEND_ACCEPT, SPEND_REJECT = 0.0290, 0.1206
"""B and A over the consumer's and producer's risk at scale 1: found at the usual figures on 400,000 seeded groups."""
USUAL = Risks(0.001, 0.025, 0.01, 0.01)
USUAL_LAST, USUAL_LAST_FACTOR = 100, 2.579
STREAMS = 40_000


@dataclass(frozen=True, slots=True)
class NormalPlan:
    """accept_factors[n - 1], reject_factors[n - 1]: KA and KR at flick n, infinite where there is no look; last: no flick after it.

    decides: at the last flick every group is decided, by last_factor. When the last flick comes too early for the risks it is not.
    """

    accept_factors: tuple[float, ...]
    reject_factors: tuple[float, ...]
    last: int
    last_factor: float
    decides: bool

    def verdict(self, flicks: int, margin: float, guarded_margin: float) -> Verdict:
        """What flick number `flicks` decides. Only acceptance before the last flick asks for the guarded margin."""
        if self.decides and flicks == self.last:
            return Verdict.PASS if margin >= self.last_factor else Verdict.FAIL
        if margin <= self.reject_factors[flicks - 1]:
            return Verdict.FAIL
        return Verdict.PASS if guarded_margin >= self.accept_factors[flicks - 1] else Verdict.UNDECIDED

    def bound(self, flicks: int) -> float:
        """Margin that accepts at this flick; infinite where none does."""
        return self.last_factor if self.decides and flicks == self.last else self.accept_factors[flicks - 1]


@lru_cache(maxsize=16)
def normal_plan(risks: Risks, flicks_max: int) -> NormalPlan:
    """The plan for these figures. Other than usual figures are calibrated once on seeded streams (about a second)."""
    fixed = fixed_variables(risks, flicks_max)
    if fixed is None:
        return NormalPlan(*_boundaries(risks, looks_until(flicks_max), 1.0), flicks_max, inf, False)
    last = max(min(round(LONGER * fixed.flicks), flicks_max), fixed.flicks)
    if risks == USUAL and last == USUAL_LAST:
        return NormalPlan(*_boundaries(risks, looks_until(last), 1.0), last, USUAL_LAST_FACTOR, True)
    return calibrated(risks, last) or NormalPlan(
        *_boundaries(risks, looks_until(fixed.flicks), 0.0), fixed.flicks, 0.5 * (fixed.k_low + fixed.k_high), True
    )


def calibrated(risks: Risks, last: int) -> NormalPlan | None:
    """Widest spending for which some last factor holds both risks on seeded streams, found by bisection on its scale.

    The risks are kept two standard errors of the simulation inside their bounds. None when no spending fits, as when `last` leaves no
    room or a risk is too small to be simulated: then the single look of the fixed plan is left.
    """
    if STREAMS * min(risks.producer, risks.consumer) < 4.0:
        return None
    looks = looks_until(last)
    bad, good = (margins_of_streams(share, looks, seed) for share, seed in ((risks.share_bad, 1), (risks.share_good, 2)))
    low, high, factor = 0.0, 4.0, inf
    for _ in range(10):
        scale = 0.5 * (low + high)
        accept, reject = (np.array(side)[looks - 1] for side in _boundaries(risks, looks, scale))
        found = _last_factor(accept, reject, bad, good, risks)
        if found is None:
            high = scale
        else:
            low, factor = scale, found
    return NormalPlan(*_boundaries(risks, looks, low), last, factor, True) if low > 0.0 else None


def looks_until(last: int) -> NDArray[np.int64]:
    """Flicks with a look: all up to 128, then about 2 % apart, and the last."""
    spread = np.round(128 * 1.02 ** np.arange(1, 400)).astype(np.int64)
    every = np.concatenate([np.arange(1, 129), spread])
    return np.append(every[every < last], last)


def margins_of_streams(share: float, looks: NDArray[np.int64], seed: int) -> NDArray[np.float32]:
    """T of seeded normal groups of this true share at each look, shape (looks, streams); NaN at the first flick.

    Between looks the mean of the new flicks and their sum of squares are drawn from the normal and the chi-square law and merged.
    """
    random, limit = np.random.default_rng(seed), special.ndtri(1.0 - share)
    streams = int(min(STREAMS, 8_000_000 // len(looks)))
    mean, squares = np.zeros(streams), np.zeros(streams)
    margins = np.full((len(looks), streams), np.nan, dtype=np.float32)
    before = 0
    for row, flicks in enumerate(looks):
        new = int(flicks) - before
        step = random.standard_normal(streams) / np.sqrt(new) - mean
        squares += step**2 * before * new / flicks + (random.chisquare(new - 1, streams) if new > 1 else 0.0)
        mean += step * new / flicks
        if flicks > 1:
            margins[row] = (limit - mean) / np.sqrt(squares / (flicks - 1))
        before = int(flicks)
    return margins


def _boundaries(risks: Risks, looks: NDArray[np.int64], scale: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """KA and KR flick by flick at this scale of spending; infinite where there is no look."""
    last = int(looks[-1])
    accept, reject = np.full(last, inf), np.full(last, -inf)
    if scale > 0.0:
        late, early = looks[looks >= FIRST_ACCEPT], looks[looks >= FIRST_REJECT]
        spent_accept = np.minimum(scale * SPEND_ACCEPT * risks.consumer * (late / last) ** -0.5, 0.5)
        spent_reject = np.minimum(scale * SPEND_REJECT * risks.producer * (early / last) ** 0.5, 0.5)
        accept[late - 1] = tolerance_factors(late, -float(special.ndtri(risks.share_bad)), 1.0 - spent_accept)
        reject[early - 1] = tolerance_factors(early, -float(special.ndtri(risks.share_good)), spent_reject)
    return tuple(accept.tolist()), tuple(reject.tolist())


def _last_factor(
    accept: NDArray[np.float64], reject: NDArray[np.float64], bad: NDArray[np.float32], good: NDArray[np.float32], risks: Risks
) -> float | None:
    """A factor for the last look with which both risks hold on the streams, the middle of the range; None when there is none."""
    low = _threshold(bad, accept, reject, risks.consumer)
    high = _threshold(-good, -reject, -accept, risks.producer)
    return None if low is None or high is None or low > -high else 0.5 * (low - high)


def _threshold(margins: NDArray[np.float32], accept: NDArray[np.float64], reject: NDArray[np.float64], risk: float) -> float | None:
    """Smallest last factor that keeps accepted streams within the risk, None when earlier looks alone exceed it."""
    streams = margins.shape[1]
    ups, downs = margins[:-1] >= accept[:-1, None], margins[:-1] <= reject[:-1, None]
    up = np.where(ups.any(0), ups.argmax(0), len(margins))
    down = np.where(downs.any(0), downs.argmax(0), len(margins))
    allowed = floor(streams * risk - 2.0 * sqrt(streams * risk)) - int(np.count_nonzero(up < down))
    open_last = np.sort(margins[-1, up == down])[::-1]
    if allowed < 0 or not len(open_last):
        return None
    return float(np.nextafter(open_last[allowed], np.float32(np.inf))) if allowed < len(open_last) else float(open_last[-1])
