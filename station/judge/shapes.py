"""Laws of peaks for simulating a plan: how a group's peaks may be spread, each with the level that a given share of flicks exceeds."""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log, log1p, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

Draw = Callable[[np.random.Generator, int], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Shape:
    """draw(random, n): n independent peaks, with standard deviation 1 (a mixture: of its core). level(share): this share exceeds it."""

    name: str
    draw: Draw
    level: Callable[[float], float]


def _lognormal_sigma(skewness: float) -> float:
    """Log standard deviation of a lognormal law of this skewness: (w + 2) sqrt(w - 1) = skewness with w = exp(sigma^2)."""
    roots = np.roots([1.0, 3.0, 0.0, -4.0 - skewness**2])
    return sqrt(log(float(roots[np.isreal(roots) & (roots.real > 1.0)].real[0])))


def _scaled(name: str, draw: Draw, level: Callable[[float], float], sd: float) -> Shape:
    return Shape(name, lambda random, n: draw(random, n) / sd, lambda share: level(share) / sd)


def student(degrees: int) -> Shape:
    """Student's t, more than 2 degrees of freedom."""
    return _scaled(
        f"t with {degrees} degrees",
        lambda random, n: random.standard_t(degrees, n),
        lambda share: -float(special.stdtrit(degrees, share)),
        sqrt(degrees / (degrees - 2)),
    )


def mixture(rare: float, shift: float) -> Shape:
    """Normal peaks of which a share `rare` is moved up by `shift` standard deviations."""

    def draw(random: np.random.Generator, n: int) -> NDArray[np.float64]:
        return random.standard_normal(n) + shift * (random.random(n) < rare)

    def level(share: float) -> float:
        low, high = -40.0, shift + 40.0
        for _ in range(80):
            middle = 0.5 * (low + high)
            above = (1.0 - rare) * special.ndtr(-middle) + rare * special.ndtr(shift - middle) > share
            low, high = (middle, high) if above else (low, middle)
        return high

    return Shape(f"{100 * rare:g} % moved up by {shift:g} sd", draw, level)


NORMAL = Shape("normal", lambda random, n: random.standard_normal(n), lambda share: -float(special.ndtri(share)))
UNIFORM = _scaled("uniform", lambda random, n: random.random(n), lambda share: 1.0 - share, 1 / sqrt(12))
GUMBEL = _scaled("Gumbel", lambda random, n: random.gumbel(size=n), lambda share: -log(-log1p(-share)), pi / sqrt(6))
EXPONENTIAL = Shape("exponential", lambda random, n: random.standard_exponential(n), lambda share: -log(share))
SIGMA = _lognormal_sigma(1.0)
LOGNORMAL = _scaled(
    "lognormal, skewness 1",
    lambda random, n: np.exp(SIGMA * random.standard_normal(n)),
    lambda share: exp(-SIGMA * float(special.ndtri(share))),
    sqrt((exp(SIGMA**2) - 1.0) * exp(SIGMA**2)),
)
FAMILY = (NORMAL, student(5), LOGNORMAL, GUMBEL, UNIFORM)
"""Shapes for which the guarded mode holds both risks."""
