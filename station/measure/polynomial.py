"""Local polynomials: within about three return times the noise-free trace is taken as a polynomial.

Savitzky and Golay, Analytical Chemistry 36 (1964).
"""

from functools import cache
from typing import Final

import numpy as np
from scipy.ndimage import correlate1d

from station.measure.rows import Indices
from station.records import Floats

DEGREE: Final = 6
WINDOW_SHARE: Final = 1.45  # half window as a share of the return time; with degree 6 least error from 40 to 90 Hz on emulated data
WIDEST_S: Final = 0.016  # half window of the slowest returns, which need no more
NARROWEST: Final = 4  # nine samples for seven coefficients
HIGH_SHARE: Final = 0.2  # half window of the 90 % crossing as a share of the return time: keeps clear of the kink at release
LOW_SHARE: Final = 0.35  # and of the 10 % crossing, where there is none
LOCAL_LEAST: Final = 2
NOISE_SHARE: Final = 0.003  # of the return time: 11 us for a stick of 60 Hz
NOISE_S: Final = 0.00002  # a third of the accuracy asked of return times
PARABOLA_GAIN: Final = 1.5  # over the root of the number of samples: noise of a fitted parabola in its middle (Savitzky and Golay)
STEP: Final = 1.06  # half windows are taken from a geometric grid so that flicks of like speed are done together


@cache
def _grid(widest: int) -> Indices:
    count = int(np.ceil(np.log(max(widest, NARROWEST) / NARROWEST) / np.log(STEP))) + 1
    return np.unique(np.minimum(np.rint(NARROWEST * STEP ** np.arange(count)), widest).astype(np.intp))


def half_widths(return_s: Floats, rate_hz: float) -> Indices:
    """Half window in samples for each return time; the narrowest for unknown ones."""
    grid = _grid(max(NARROWEST, round(WIDEST_S * rate_hz)))
    wanted = np.nan_to_num(WINDOW_SHARE * return_s * rate_hz, nan=0.0)
    place = np.minimum(np.searchsorted(grid, wanted), len(grid) - 1)
    lower = np.maximum(place - 1, 0)
    return np.where(wanted - grid[lower] < grid[place] - wanted, grid[lower], grid[place])


@cache
def _kernel(half_width: int) -> Floats:
    x = np.arange(-half_width, half_width + 1) / half_width
    return np.asarray(np.linalg.pinv(np.vander(x, DEGREE + 1, increasing=True))[0])


@cache
def noise_gain(half_width: int) -> float:
    """Standard deviation of the smoothed trace for white noise of 1."""
    return float(np.linalg.norm(_kernel(half_width)))


def noise_gains(widths: Indices) -> Floats:
    return np.array([noise_gain(w) for w in widths.tolist()])


def classes(widths: Indices) -> list[tuple[int, Indices]]:
    """Each half window, and the rows that use it."""
    return [(int(w), np.flatnonzero(widths == w)) for w in np.unique(widths)]


def smoothed(traces: Floats, first: int, last: int, widths: Indices) -> Floats:
    """Columns first..last - 1 of the traces, each row smoothed with its own half window; shape (n, last - first)."""
    out = np.empty((len(traces), last - first))
    groups = classes(widths)
    for width, members in groups:
        low, high = max(first - width, 0), min(last + width, traces.shape[1])
        part = traces[:, low:high] if len(groups) == 1 else traces[members, low:high]
        out[members] = correlate1d(part, _kernel(width), axis=1, mode="nearest")[:, first - low : last - low]
    return out


@cache
def _local(half_width: int) -> Floats:
    x = np.arange(-half_width, half_width + 1, dtype=np.float64)
    return np.asarray(np.linalg.pinv(np.vander(x, 3, increasing=True)))


def local_crossing(traces: Floats, near: Indices, level: Floats, widths: Indices) -> tuple[Floats, Floats, Floats]:
    """Where each row crosses its level, near a given column: column, slope per column, noise gain of the fitted level.

    A parabola is fitted to the samples within the row's half window and solved by Newton's rule from the middle.
    """
    n = len(traces)
    fit = np.empty((n, 3))
    gain = np.empty(n)
    for width, members in classes(widths):
        columns = np.clip(near[members, None] + np.arange(-width, width + 1), 0, traces.shape[1] - 1)
        fit[members] = np.einsum("ij,kj->ik", traces[members[:, None], columns], _local(width))
        gain[members] = np.linalg.norm(_local(width)[0])
    x = np.zeros(n)
    for _ in range(3):
        slope = fit[:, 1] + 2 * fit[:, 2] * x
        value = fit[:, 0] + fit[:, 1] * x + fit[:, 2] * x * x
        x = np.clip(x - (value - level) / np.where(slope == 0, 1.0, slope), -widths, widths)
    slope = fit[:, 1] + 2 * fit[:, 2] * x
    return near + x, slope, gain


def local_widths(return_columns: Floats, share: float) -> Indices:
    """Largest half windows of crossings for these return times in columns."""
    return np.maximum(LOCAL_LEAST, np.rint(share * return_columns)).astype(np.intp)


def quiet_widths(widest: Indices, return_columns: Floats, slope: Floats, sd: Floats, rate_hz: float) -> Indices:
    """Smallest half windows whose noise moves a crossing by less than NOISE_SHARE of the return time and NOISE_S, at most `widest`.

    The less noise, the closer a crossing keeps to its own samples, and corners of the waveform near by do not round it.
    """
    allowed = np.minimum(NOISE_SHARE * return_columns, NOISE_S * rate_hz) * np.maximum(np.abs(slope), 1e-9)
    points = (PARABOLA_GAIN * sd / allowed) ** 2
    return np.asarray(np.clip(np.ceil(0.5 * np.minimum(points - 1.0, 2.0 * widest)), LOCAL_LEAST, widest), dtype=np.intp)
