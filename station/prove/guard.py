"""Guard band of the decision, from the measurement uncertainty that a gauge study found (JCGM 106:2012).

The acceptance limit is drawn back from the tolerance limit by g = r U, U = k u (JCGM 106:2012, 8.3.2). With k = 2 and r = 1 a group
accepted right at the acceptance limit lies beyond the tolerance limit with a chance of 2.3 % by the normal law. The guard band shifts only
the early acceptance of the plan; flicks beyond the neutral zone count against the zone itself.
"""

import math
from typing import Final

from station.errors import NotReady, UsageError
from station.specification import Specification

COVERAGE_FACTOR: Final = 2.0  # JCGM 100:2008, 6.3.3: about 95 %
GUARD_FACTOR: Final = 1.0  # JCGM 106:2012, 8.3.2.2: g = U is the most used choice, as in ISO 14253-1


def guard_band(
    u_counts: float, specification: Specification, coverage: float = COVERAGE_FACTOR, factor: float = GUARD_FACTOR
) -> tuple[float, str]:
    """Guard band in counts and the sentence that a run's record carries. u_counts: standard uncertainty of a measured peak, NaN if unknown.

    Never less than the specification's own. Raises NotReady when it would leave nothing of the neutral zone, UsageError for figures that
    cannot be.
    """
    if u_counts < 0.0 or math.isinf(u_counts):
        raise UsageError(f"uncertainty of a peak is {u_counts} counts; expected 0 or more, or none")
    if not (coverage > 0.0 and factor >= 0.0 and math.isfinite(coverage * factor)):
        raise UsageError(f"coverage factor is {coverage} and guard factor {factor}; expected a positive and a not negative number")
    own = specification.decision.guard_band_counts
    zone = specification.host.neutral_zone_counts
    asked = 0.0 if math.isnan(u_counts) else factor * coverage * u_counts
    counts = max(asked, own)
    if counts >= zone:
        raise NotReady(
            f"the guard band would be {counts:.2f} counts, the neutral zone is {zone:g} counts; expected a guard band inside the zone: no "
            "group could be accepted early. Find what makes the rig so uncertain, then repeat the gauge study"
        )
    return counts, _sentence(u_counts, own, asked, coverage, factor)


def _sentence(u_counts: float, own: float, asked: float, coverage: float, factor: float) -> str:
    if math.isnan(u_counts):
        return f"Guard band {own:g} counts, the specification's own; no accepted gauge study tells the uncertainty of a peak."
    made = f"{factor:g} x {coverage:g} x {u_counts:.3g} counts, the standard uncertainty of a peak by the newest accepted gauge study"
    if asked >= own:
        return f"Guard band {asked:.3g} counts: {made} (JCGM 106)."
    return f"Guard band {own:g} counts, the specification's own; the uncertainty asks for {asked:.3g} counts only ({made}; JCGM 106)."
