"""Effective source resistance of a product or lot, from the ledger, drawn toward the specification's figure.

Normal-normal model on the logarithm of the track (Gelman et al., Bayesian Data Analysis, sections 2.5 and 5.4, from memory): a retest reads
x_i = ln R_i + error of known standard uncertainty u_i; the sticks' ln R_i scatter about the lot's mean m with standard deviation s. The
specification's tolerance, taken as rectangular, stands for a variance t^2 = tolerance^2 / 3 (JCGM 100:2008, 4.3.7), half of it for m, half
for s^2, so that without any retest the answer is the specification's figure with its tolerance. m is normal about that figure, s^2 scaled
inverse chi-square. Given s, m is conjugate:

    1/v = 2/t^2 + sum 1/(u_i^2 + s^2),      m = v * sum x_i/(u_i^2 + s^2)      (x_i from the specification's figure)

and s is summed over a grid with its posterior weights, so that neither the mean nor the spread pretends to more than the retests say.
"""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from station.records import Floats
from station.specification import Specification

USABLE_FROM: Final = 8
"""Retests from which an estimate is used. Derivation: a reading scatters by about 0.13 about the lot's mean (0.1 its own uncertainty, 0.08
the sticks of a +-20 % track); eight bring the mean to 0.046, about half of the 0.08 that the specification leaves open, so that the retests
weigh three times as much as the specification."""
HALF: Final = 0.5  # of the specification's variance is the lot's mean, half the sticks of a lot; nobody says more of a lot (chosen)
PRIOR_FREEDOM: Final = 4.0  # with fewer the mean of s^2 would hardly exist; derivation: it is scale * freedom / (freedom - 2)
MOST_U: Final = 0.25  # of a standard deviation: readings less certain than this say nothing, nor is their law then a line
GRID: Final = 400
GRID_SPAN: Final = (0.02, 6.0)  # of t, the spread that the specification's tolerance stands for: beyond it the prior leaves under 1e-4
METHOD: Final = (
    "Each retest whose part acts as recorded reads the source resistance: residual of the mean peak over its change with the track. The "
    "readings of a lot are combined by a normal-normal model on ln(track), drawn toward the specification's figure and tolerance "
    f"(empirical Bayes with the spread summed over its posterior); used from {USABLE_FROM} retests."
)


class Reading(Protocol):
    """What the estimate needs of a comparison."""

    @property
    def product(self) -> str: ...
    @property
    def lot(self) -> str: ...
    @property
    def serial(self) -> str: ...
    @property
    def stick(self) -> str: ...
    @property
    def axis(self) -> str: ...
    @property
    def run_after(self) -> int: ...
    @property
    def track_ohm(self) -> float: ...
    @property
    def teaches(self) -> bool: ...
    @property
    def ln_shift(self) -> float: ...
    @property
    def u_ln(self) -> float: ...
    @property
    def name(self) -> str: ...


@dataclass(frozen=True, slots=True)
class SourceEstimate:
    """Effective track of a product, or of one of its lots. lot None: all lots of the product together.

    track_ohm: of the mean stick. u_share: standard uncertainty of that mean; spread_share: standard deviation from stick to stick, both as
    shares. retests: readings used, one per unit, stick and axis. version: digest of `inputs`, the names of the comparisons it rests on, and
    of the method; the same ledger gives the same version.
    """

    product: str
    lot: str | None
    track_ohm: float
    u_share: float
    spread_share: float
    retests: int
    inputs: tuple[str, ...]
    version: str
    method: str = METHOD

    @property
    def usable(self) -> bool:
        """Whether advice may use it."""
        return self.retests >= USABLE_FROM

    @property
    def tolerance(self) -> float:
        """Half width, as a share, of the rectangle with the same standard deviation as the next stick's track; below 1."""
        return min(math.sqrt(3.0) * math.hypot(self.u_share, self.spread_share), 0.99)

    @property
    def name(self) -> str:
        """As advice names it: "lot ML-2607, 12 retests, version 1a2b3c4d"."""
        whose = f"product {self.product}" if self.lot is None else f"lot {self.lot}"
        return f"{whose}, {self.retests} retests, version {self.version}"

    def document(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "product": self.product,
            "lot": self.lot,
            "track_ohm": self.track_ohm,
            "u_share": self.u_share,
            "spread_share": self.spread_share,
            "tolerance": self.tolerance,
            "retests": self.retests,
            "usable": self.usable,
            "usable_from": USABLE_FROM,
            "version": self.version,
            "name": self.name,
            "inputs": list(self.inputs),
            "method": self.method,
        }


def estimate_source(comparisons: Sequence[Reading], spec: Specification, lot: str | None = None) -> SourceEstimate:
    """Estimate from a product's ledger. lot: only that lot's retests; None takes all of the product.

    Of several retests of one axis of one unit the newest counts. Without any the answer is the specification's figure.
    """
    newest = {(one.serial, one.stick, one.axis): one for one in sorted(_mine(comparisons, spec, lot), key=lambda one: one.run_after)}
    used = sorted(newest.values(), key=lambda one: one.name)
    shifts = np.array([one.ln_shift + math.log(one.track_ohm / spec.stick.track_ohm) for one in used])
    prior = spec.stick.track_tolerance / math.sqrt(3.0)
    mean, u, spread = combine(shifts, np.array([one.u_ln for one in used]), prior)
    inputs = tuple(one.name for one in used)
    return SourceEstimate(spec.name, lot, spec.stick.track_ohm * math.exp(mean), u, spread, len(used), inputs, _version(used, spec, lot))


def _mine(comparisons: Sequence[Reading], spec: Specification, lot: str | None) -> list[Reading]:
    of_product = [one for one in comparisons if one.product == spec.name and (lot is None or one.lot == lot)]
    return [one for one in of_product if one.teaches and one.u_ln <= MOST_U]


def _version(used: Sequence[Reading], spec: Specification, lot: str | None) -> str:
    text = "\n".join([METHOD, spec.name, repr(spec.stick.track_ohm), repr(spec.stick.track_tolerance), repr(lot)])
    text += "".join(f"\n{one.name} {one.ln_shift:.9g} {one.u_ln:.9g} {one.track_ohm:.9g}" for one in used)
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def combine(readings: Floats, u: Floats, prior_sd: float) -> tuple[float, float, float]:
    """Mean of ln(track), its standard uncertainty, and the spread from stick to stick (root mean square), from n readings about 0 and
    their standard uncertainties, both of shape (n,). prior_sd: of a stick, by the specification; 0.0 leaves nothing open.
    """
    if prior_sd <= 0.0:
        return 0.0, 0.0, 0.0
    grid = prior_sd * np.geomspace(*GRID_SPAN, GRID)
    weight = 1.0 / (u[:, None] ** 2 + grid[None, :] ** 2)
    precision = 1.0 / (HALF * prior_sd**2) + weight.sum(axis=0)
    mean = (weight * readings[:, None]).sum(axis=0) / precision
    fit = 0.5 * (np.log(weight).sum(axis=0) - np.log(precision) - (weight * readings[:, None] ** 2).sum(axis=0) + precision * mean**2)
    log_posterior = fit + _log_prior(grid, prior_sd)
    share = np.exp(log_posterior - log_posterior.max())
    share /= share.sum()
    middle = float(np.sum(share * mean))
    variance = float(np.sum(share * (1.0 / precision + (mean - middle) ** 2)))
    return middle, math.sqrt(variance), math.sqrt(float(np.sum(share * grid**2)))


def _log_prior(spread: Floats, prior_sd: float) -> Floats:
    """Scaled inverse chi-square of spread**2 with mean (1 - HALF) * prior_sd**2, as a density of ln(spread), on which the grid is even."""
    scale = (1.0 - HALF) * prior_sd**2 * (PRIOR_FREEDOM - 2.0) / PRIOR_FREEDOM
    ratio = scale / spread**2
    return np.asarray(0.5 * PRIOR_FREEDOM * (np.log(ratio) - ratio))
