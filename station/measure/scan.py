"""One pass over a recording in stretches that stay in the processor's cache: block means, extremes, and steps worth a look."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from station.measure.rows import Indices
from station.records import Floats

BLOCK_S: Final = 0.001  # block means are for finding where things are; every figure is then measured on the samples themselves
STRETCH: Final = 1 << 15


@dataclass(frozen=True, slots=True)
class Scan:
    """Of one axis. means: block means, volts, shape (n // block,). steps: indices of differences above the asked bound, ascending."""

    block: int
    means: Floats
    lowest_v: float
    highest_v: float
    steps: Indices

    @property
    def finite(self) -> bool:
        return bool(np.isfinite(self.lowest_v) and np.isfinite(self.highest_v))


def block_of(rate_hz: float) -> int:
    """Samples of a block."""
    return max(1, round(BLOCK_S * rate_hz))


def scan(values: Floats, rate_hz: float, step_v: float) -> Scan:
    """Block means, extremes, and every i with |values[i + 1] - values[i]| > step_v. NaN or infinite samples make an extreme so."""
    block = block_of(rate_hz)
    stretch = max(1, STRETCH // block) * block
    means = np.empty(len(values) // block)
    weights = np.full(block, 1.0 / block)
    extremes: list[tuple[float, float]] = []
    steps: list[Indices] = []
    buffer = np.empty(stretch)
    for first in range(0, len(values), stretch):
        part = values[first : first + stretch + 1]
        extremes.append((float(part.min()), float(part.max())))
        whole = min(stretch, len(part)) // block
        np.dot(part[: whole * block].reshape(whole, block), weights, out=means[first // block : first // block + whole])
        steps.append(first + _large_steps(part, buffer, step_v))
    lowest, highest = np.asarray(extremes).T
    return Scan(block, means, float(np.min(lowest)), float(np.max(highest)), np.concatenate(steps))


def _large_steps(part: Floats, buffer: Floats, step_v: float) -> Indices:
    if len(part) < 2:
        return np.zeros(0, dtype=np.intp)
    with np.errstate(invalid="ignore"):  # infinite samples are reported by the extremes
        difference = np.subtract(part[1:], part[:-1], out=buffer[: len(part) - 1])
    np.abs(difference, out=difference)
    return np.flatnonzero(difference > step_v)
