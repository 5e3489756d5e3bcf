"""Expected ranges of normal samples, by integration: what tables of chart and gauge constants list to a few decimals."""

from functools import cache
from typing import Final

import numpy as np
from scipy.special import ndtr

from station.records import Floats

REACH: Final = 9.0  # standard deviations: beyond, a normal sample has less than 1e-18 of its weight
STEP: Final = 0.02  # trapezoid rule on a smooth function that ends in zeros; halving it changes nothing above 1e-12
NODES: Final = 200  # Gauss-Legendre over the widths; twice as many change nothing above 1e-12


@cache
def mean_range(size: int) -> float:
    """d2: mean range of `size` unit normals, size >= 2. The integral of the survival function."""
    _, weights, beyond = _survival(size)
    return float(weights @ beyond)


@cache
def rms_range(size: int) -> float:
    """d2* for one group: root of the mean square range of `size` unit normals, size >= 2."""
    widths, weights, beyond = _survival(size)
    return float(np.sqrt(2.0 * weights @ (widths * beyond)))


def _survival(size: int) -> tuple[Floats, Floats, Floats]:
    """Widths, their weights, and the chance that the range of n = `size` unit normals exceeds each:
    1 - n int phi(z) (Phi(z + w) - Phi(z))**(n - 1) dz."""
    if size < 2:
        raise ValueError(f"a range needs at least two values, not {size}")
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    widths = REACH * (nodes + 1.0)
    lowest = np.arange(-REACH, REACH + STEP / 2, STEP)
    density = np.exp(-0.5 * lowest**2) / np.sqrt(2.0 * np.pi)
    within = ndtr(lowest[:, None] + widths) - ndtr(lowest)[:, None]
    chance = size * np.trapezoid(density[:, None] * within ** (size - 1), dx=STEP, axis=0)
    return widths, REACH * weights, 1.0 - chance
