"""The shape-guarded gate: the only way to accept a group early. It may accept, never reject, so it cannot raise the producer's risk.

At flick n of a group without any exceedance the gate accepts when mean + K_n max(sd, floor) <= limit - guard band. K_n is the one-sided
normal tolerance factor for far more coverage than the bad share asks, so that peaks with a heavier tail than the normal law are held
as well (simulated in tests/station/judge/test_oc.py; the figures are chosen, not a standard's):

* confidence 1 - consumer_risk / 10. With it the coverage that is needed hardly depends on the risk.
* coverage Phi(z), z = 3.5 at a bad share of 0.025. At another share z follows the peak law that asks most of it, the Gumbel law:
  z = 3.5 + 1.3 (g(share) - g(0.025)), g(share) = (-ln(-ln(1 - share)) - 0.5772) sqrt(6) / pi, its quantile in standard deviations
  above its mean. On 150,000 seeded groups a law, the z at which a bad group slips through the gate with a quarter of the consumer's
  risk was found for shares from 0.0005 to 0.3; the line keeps within 0.03 of it for Gumbel peaks and above it for normal, uniform,
  t (5 degrees) and lognormal (skewness 1) peaks; for t with 3 degrees only at shares from 0.01 up.
* from flick 8 to flick 60: before 8 the factors are too large to accept anything but the best groups, after 60 they hardly fall.

What no gate can know: a group whose usual peaks are small and of which a few flicks in a hundred jump far out looks clean until it
jumps. That is the pooled monitor's and the audited groups' work (station.judge.monitor).
"""

from dataclasses import dataclass
from math import inf, log, log1p, nan, pi, sqrt

import numpy as np
from scipy import special

from station.judge.fixed_plans import Risks, tolerance_factors

FIRST, LAST = 8, 60
Z_USUAL, SHARE_USUAL = 3.5, 0.025
COUNT_SHARE = 0.7
"""Part of the consumer's risk that the count plan behind the gate may spend; the rest is the gate's."""


@dataclass(frozen=True, slots=True)
class Gate:
    """factors[i]: K at flick first + i. Its last look is flick `last`; a gate that never opens has last < first."""

    first: int
    last: int
    factors: tuple[float, ...]
    z: float
    confidence: float

    def bound(self, flicks: int) -> float:
        """K at this flick, NaN where the gate does not look."""
        return self.factors[flicks - self.first] if self.first <= flicks <= self.last else nan

    def passes(self, flicks: int, mean: float, sd: float, limit: float) -> bool:
        """True when a group with this mean and standard deviation (at least the floor, above 0) and no exceedance is accepted."""
        return self.first <= flicks <= self.last and sd > 0.0 and mean + self.bound(flicks) * sd <= limit


def margin_sd(mean: float, sd: float, limit: float) -> float:
    """Distance from the mean to the limit in standard deviations; infinite when there is no spread."""
    return (limit - mean) / sd if sd > 0.0 else (inf if mean <= limit else -inf)


def gate_for(risks: Risks, count_first: int) -> Gate:
    """The gate for these figures; `count_first`: flick at which the count plan accepts a clean group (no look at or after it)."""
    last = min(LAST, count_first - 1)
    z, confidence = coverage_z(risks.share_bad), 1.0 - risks.consumer / 10.0
    flicks = np.arange(FIRST, last + 1)
    factors = tolerance_factors(flicks, z, confidence) if len(flicks) else np.empty(0)
    return Gate(FIRST, last, tuple(float(k) for k in factors), z, confidence)


def coverage_z(share_bad: float) -> float:
    """Normal quantile of the coverage the gate asks for at this bad share."""
    return Z_USUAL + 1.3 * (_gumbel_margin(share_bad) - _gumbel_margin(SHARE_USUAL))


def coverage(gate: Gate) -> float:
    """Share of flicks under the limit that the gate asks a normal group to prove."""
    return float(special.ndtr(gate.z))


def _gumbel_margin(share: float) -> float:
    return (-log(-log1p(-share)) - float(np.euler_gamma)) * sqrt(6.0) / pi
