"""Constants of control charts, from their closed forms and integrals. Unit normals throughout; nothing is taken from a rounded table.

Names c4, d2, d3, B3, B4, D3, D4 as in the factor tables of ISO 7870-2 and ASTM Manual 7.
"""

import math
from functools import cache

from station.prove.range_constants import mean_range, rms_range


@cache
def mean_sd(size: int) -> float:
    """c4: mean of the standard deviation of `size` values, size >= 2. sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2)."""
    if size < 2:
        raise ValueError(f"a standard deviation needs at least two values, not {size}")
    return math.sqrt(2.0 / (size - 1)) * math.exp(math.lgamma(size / 2) - math.lgamma((size - 1) / 2))


@cache
def sd_of_sd(size: int) -> float:
    """Standard deviation of the standard deviation of `size` values: sqrt(1 - c4**2), as E[s**2] is one."""
    return math.sqrt(1.0 - mean_sd(size) ** 2)


@cache
def sd_of_range(size: int) -> float:
    """d3: standard deviation of the range of `size` values, size >= 2."""
    return math.sqrt(rms_range(size) ** 2 - mean_range(size) ** 2)
