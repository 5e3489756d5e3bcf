"""Plans of a fixed number of flicks with the same two risks: what the sequential plans are compared with.

Attributes: exact binomial tails. Variables: exact noncentral t, standard deviation unknown, as in the k-method of ISO 3951
(scheme from memory, every figure computed here).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from station.errors import UsageError

FLICKS_CAP = 1_000_000
"""No plan is looked for beyond this many flicks of one group (four days at 0.35 s)."""


@dataclass(frozen=True, slots=True)
class Risks:
    """The two points a plan must meet: shares of good and bad groups, and the chances to reject a good or accept a bad one."""

    share_good: float
    share_bad: float
    producer: float
    consumer: float


@dataclass(frozen=True, slots=True)
class FixedAttributes:
    """Accept when at most `accept_most` of `flicks` exceed. producer and consumer: its exact risks."""

    flicks: int
    accept_most: int
    producer: float
    consumer: float


@dataclass(frozen=True, slots=True)
class FixedVariables:
    """Accept when (limit - mean) / sd is at least k after `flicks` flicks of normal peaks. Any k from k_low to k_high meets both risks."""

    flicks: int
    k_low: float
    k_high: float


@lru_cache(maxsize=64)
def fixed_attributes(risks: Risks, flicks_most: int = FLICKS_CAP) -> FixedAttributes | None:
    """Smallest fixed plan by count that meets both risks, None when it needs more than `flicks_most` flicks."""
    accept_most = 0
    while True:
        flicks = _flicks_for(accept_most, risks, flicks_most)
        if flicks is None:
            return None
        producer = float(special.bdtrc(accept_most, flicks, risks.share_good)) if flicks > accept_most else 0.0
        if producer <= risks.producer:
            return FixedAttributes(flicks, accept_most, producer, float(special.bdtr(accept_most, flicks, risks.share_bad)))
        accept_most += 1


def _flicks_for(accept_most: int, risks: Risks, flicks_most: int) -> int | None:
    return _first(lambda n: bool(special.bdtr(accept_most, n, risks.share_bad) <= risks.consumer), accept_most + 1, flicks_most)


@lru_cache(maxsize=64)
def fixed_variables(risks: Risks, flicks_most: int = 100_000) -> FixedVariables | None:
    """Smallest fixed plan by mean and standard deviation that meets both risks, None when it needs more than `flicks_most` flicks."""
    flicks = _first(lambda n: _k_range(risks, n)[0] <= _k_range(risks, n)[1], 2, flicks_most)
    return None if flicks is None else FixedVariables(flicks, *_k_range(risks, flicks))


def _k_range(risks: Risks, flicks: int) -> tuple[float, float]:
    return (
        tolerance_factor(flicks, 1.0 - risks.share_bad, 1.0 - risks.consumer),
        tolerance_factor(flicks, 1.0 - risks.share_good, risks.producer),
    )


def tolerance_factor(flicks: int, coverage: float, confidence: float) -> float:
    """One-sided normal tolerance factor k: with this confidence, mean + k sd lies above at least `coverage` of the law.

    The quantile of the noncentral t with flicks - 1 degrees of freedom and noncentrality z sqrt(flicks), over sqrt(flicks)
    (ISO 16269-6; NIST/SEMATECH e-Handbook 7.2.6.3). Raises UsageError where it cannot be computed to a millionth of the tail.
    """
    return float(tolerance_factors(np.array([flicks]), float(special.ndtri(coverage)), np.array([confidence]))[0])


def tolerance_factors(flicks: NDArray[np.int64], z: float, confidence: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """The same for many numbers of flicks at once, coverage given as its normal quantile z. Shapes (n,), (n,) or () -> (n,)."""
    degrees = np.asarray(flicks - 1.0, dtype=np.float64)
    shift = np.asarray(z * np.sqrt(flicks), dtype=np.float64)
    quantile = special.nctdtrit(degrees, shift, confidence)
    if np.isnan(quantile).any():  # the library's root search gives up at isolated points, about one in ten thousand
        quantile = np.where(np.isnan(quantile), _bisected(degrees, shift, confidence), quantile)
    missed = np.abs(special.nctdtr(degrees, shift, quantile) - confidence)
    if not np.all(missed <= 1e-6 * np.minimum(confidence, 1.0 - np.asarray(confidence)) + 1e-12):
        worst = int(np.argmax(np.nan_to_num(missed, nan=np.inf)))
        raise UsageError(f"tolerance factor of {flicks[worst]} flicks at z = {z:.4g} cannot be computed; expected milder risks or shares")
    return np.asarray(quantile / np.sqrt(flicks), dtype=np.float64)


def _bisected(degrees: NDArray[np.float64], shift: NDArray[np.float64], confidence: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Quantile of the noncentral t by bisection of its distribution function, 40 standard deviations to both sides."""
    spread = 40.0 * np.sqrt(1.0 + shift**2 / (2.0 * degrees))
    low, high = shift - spread, shift + spread
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = special.nctdtr(degrees, shift, middle) < confidence
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(high, dtype=np.float64)


def _first(enough: Callable[[int], bool], low: int, high: int) -> int | None:
    """Smallest n in low..high for which enough(n), which stays true once true. None when there is none."""
    if low > high:
        return None
    step, reach = 1, low
    while not enough(reach):
        if reach >= high:
            return None
        low, reach, step = reach + 1, min(reach + step, high), step * 2
    while low < reach:
        middle = (low + reach) // 2
        low, reach = (low, middle) if enough(middle) else (middle + 1, reach)
    return reach
