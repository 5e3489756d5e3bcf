"""The step of the converter that made a recording, where its codes are evident in the levels."""

from typing import Final

import numpy as np

from station.records import Floats

SAMPLED: Final = 200_000  # levels looked at: enough to meet the neighbouring codes of any flick, cheap beside the reading
LEVELS_PER_SAMPLE_MAX: Final = 0.25  # codes are evident where levels come again and again (chosen on emulated data)
OFF_GRID_MAX: Final = 0.12  # of a step: print rounding of a usable file is below it, and levels without codes are far above


def sampler_step_v(levels_v: Floats) -> float:
    """Volts between neighbouring codes of levels of shape (n,), or 0.0 where no codes are evident.

    The smallest difference of two levels is a first guess; every other difference must be a whole number of steps, and all of
    them together give the step.
    """
    sampled = levels_v[:: max(1, len(levels_v) // SAMPLED)]
    levels = np.unique(sampled)
    if len(levels) < 2 or len(levels) > LEVELS_PER_SAMPLE_MAX * len(sampled):
        return 0.0
    gaps = np.diff(levels)
    guess = float(gaps.min())
    near = gaps[gaps < 1.5 * guess]
    guess = float(near.mean())
    whole = np.rint(gaps / guess)
    step = float(gaps.sum() / whole.sum())
    few = whole <= 8  # a guess that is off by a little is off by much over many steps
    off = np.abs(gaps[few] - whole[few] * step).max() / step
    return step if off <= OFF_GRID_MAX else 0.0
