"""What should not be there: the other axis straying during the return, and a track that is rough while the wiper moves."""

from typing import Final

import numpy as np

from station.measure.polynomial import smoothed
from station.measure.release import Release
from station.measure.swing import Settling, Swing
from station.measure.traces import Traces
from station.records import Floats

THIRD_GAIN: Final = 20.0**0.5  # standard deviation of a third difference of white noise: coefficients 1, 3, 3, 1
ROUGH_RETURNS: Final = 3.0  # roughness is looked for this many return times after release, while the stick moves fast
ROUGH_LEAST_HZ: Final = 3000.0  # below, the stick's own motion shows in third differences (90 Hz: 0.2 counts at 3 kS/s)
UPPER_QUARTILE: Final = 1.1503  # of the absolute value of a normal variable


def cross_axis(
    traces: Traces, swing: Swing, settled: Settling, release: Release, reach: Floats, other_hold: Floats
) -> tuple[Floats, Floats]:
    """max |o - o_hold * d / reach| from release to settle, less what noise alone would show, and its standard uncertainty; counts."""
    until = release.column + settled.settle_s * traces.rate_hz
    first = swing.start
    last = min(first + swing.level.shape[1], int(until.max()) + 2)
    low = max(first - int(swing.widths.max()), 0)
    high = min(last + int(swing.widths.max()), traces.own.shape[1])
    strayed = traces.other[:, low:high] - (other_hold / reach)[:, None] * traces.own[:, low:high]
    level = np.abs(smoothed(strayed, first - low, last - low, swing.widths))
    column = first + np.arange(level.shape[1])
    inside = swing.live[:, : level.shape[1]] & (column[None, :] <= until[:, None])
    largest = np.max(np.where(inside, level, 0.0), axis=1)
    u = swing.u * traces.other_sd / np.maximum(traces.sd, 1e-12)
    span = np.maximum(np.count_nonzero(inside, axis=1) / (2.0 * swing.widths), 1.0) + 1.0
    noise = u * np.sqrt(2.0 * np.log(2.0 * span))  # expected largest of that many independent values, both signs
    return np.sqrt(np.maximum(largest**2 - noise**2, 0.0)), u


def roughness(traces: Traces, release: Release) -> Floats:
    """Noise rms while the wiper moves, counts, from third differences; NaN where the sampling is too slow to tell it from motion."""
    if traces.rate_hz < ROUGH_LEAST_HZ:
        return np.full(len(traces), np.nan)
    return_columns = np.nan_to_num(release.return_s, nan=0.01) * traces.rate_hz
    count = np.clip(np.rint(ROUGH_RETURNS * return_columns), 12, 0.05 * traces.rate_hz).astype(np.intp)
    first = np.rint(release.column).astype(np.intp)
    columns = np.minimum(first[:, None] + np.arange(int(count.max()) + 3), traces.own.shape[1] - 1)
    third = np.abs(np.diff(np.take_along_axis(traces.own, columns, axis=1), n=3, axis=1))
    third = np.where(np.arange(third.shape[1])[None, :] < count[:, None], third, np.inf)
    third.sort(axis=1)
    upper = third[np.arange(len(third)), (0.75 * count).astype(np.intp)]
    return np.asarray(upper / (UPPER_QUARTILE * THIRD_GAIN))
