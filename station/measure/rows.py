"""Cutting many equal stretches out of a long trace, and thinning fast ones."""

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from station.records import Floats

Indices = NDArray[np.intp]

THINNED_HZ: Final = 10_000.0  # samples are averaged down to no less than this: costs under 0.003 counts on a 45-count peak at 90 Hz


def rows(values: Floats, starts: Indices, width: int) -> Floats:
    """Stretches values[start : start + width], shape (n, width), a copy. Beyond either end the end sample is repeated."""
    last = len(values) - width
    if len(starts) and starts.min() >= 0 and starts.max() <= last:
        return np.asarray(sliding_window_view(values, width)[starts])
    return np.asarray(np.take(values, starts[:, None] + np.arange(width), mode="clip"))


def thinning(rate_hz: float) -> int:
    """How many samples are averaged into one: 1 below 20 kS/s."""
    return max(1, int(rate_hz / THINNED_HZ))


def thinned(stretches: Floats, factor: int) -> Floats:
    """Means of `factor` successive columns, shape (n, width // factor)."""
    if factor == 1:
        return stretches
    whole = stretches[:, : stretches.shape[1] // factor * factor]
    total = whole[:, ::factor].copy()
    for offset in range(1, factor):
        total += whole[:, offset::factor]
    total /= factor
    return total


def last_true(mask: NDArray[np.bool_], missing: int = -1) -> Indices:
    """Column of the last True of each row, `missing` where there is none."""
    width = mask.shape[1]
    last = width - 1 - np.argmax(mask[:, ::-1], axis=1)
    return np.where(mask[np.arange(len(mask)), last], last, missing)


def first_true(mask: NDArray[np.bool_], missing: int) -> Indices:
    """Column of the first True of each row, `missing` where there is none."""
    first = np.argmax(mask, axis=1)
    return np.where(mask[np.arange(len(mask)), first], first, missing)
