"""A slow, plain second reading of the guarded rule, straight from its description, to hold the product's against."""

import numpy as np
from scipy import stats

ACCEPT = ((201, 0), (400, 1), (440, 2))


def decide(peaks: np.ndarray, limit: float, floor: float, guard: float = 0.0) -> tuple[str, int]:
    """Verdict and flicks used at the usual figures (good 0.001, bad 0.025, both risks 0.01)."""
    for n in range(1, len(peaks) + 1):
        seen = peaks[:n]
        beyond = int(np.sum(seen > limit))
        if beyond >= 3 or (beyond == 2 and n <= 60):
            return "fail", n
        if 8 <= n <= 60 and beyond == 0:
            factor = stats.nct.ppf(0.999, n - 1, 3.5 * np.sqrt(n)) / np.sqrt(n)
            if np.mean(seen) + factor * max(np.std(seen, ddof=1), floor) <= limit - guard:
                return "pass", n
        if any(n >= at and beyond <= most for at, most in ACCEPT):
            return "pass", n
    return "undecided", len(peaks)
