"""Added lag: when the node crosses half of the reach on the return, less when the wiper does."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.axis.model import wiper_from_node
from station.records import Floats

HALF: Final = 0.5  # domain of the word: the 50 % reference level of IEC 60469:2013
CROSSING_HALF_WIDTH_S: Final = 0.0006  # half of the stretch a local cubic is fitted over; chosen on emulated data


def half_crossing_s(share: ArrayLike, rate_hz: float) -> Floats:
    """Time from the first sample to the fall through one half, seconds, shape (...); NaN where there is none.

    share: deflection as a share of the reach, shape (..., n), beginning while the stick is held (1.0) and going to 0.0 after release.
    The crossing is read off a cubic fitted to the samples within 0.6 ms of it (at least five), so noise costs little and a sample
    interval does not matter.
    """
    traces = np.asarray(share, dtype=np.float64)
    flat = traces.reshape(-1, traces.shape[-1])
    half_width = max(2, round(CROSSING_HALF_WIDTH_S * rate_hz))
    first = _first_fall(flat, half_width)
    found = (first >= half_width) & (first + half_width < flat.shape[1])
    middle = np.where(found, first, half_width)
    offsets = np.arange(-half_width, half_width + 1)
    stretch = np.take_along_axis(flat, middle[:, None] + offsets[None, :], axis=1) - HALF
    crossing = middle + _cubic_root(stretch, offsets)
    return np.where(found, crossing / rate_hz, np.nan).reshape(traces.shape[:-1])


def _first_fall(flat: Floats, half_width: int) -> NDArray[np.intp]:
    """Index of the first sample from which a centred mean of the trace lies below one half; 0 where there is none."""
    sums = np.cumsum(np.pad(flat, ((0, 0), (half_width + 1, half_width)), mode="edge"), axis=1)
    mean = (sums[:, 2 * half_width + 1 :] - sums[:, : -2 * half_width - 1]) / (2 * half_width + 1)
    return np.asarray(np.argmax(mean < HALF, axis=1), dtype=np.intp)


def _cubic_root(stretch: Floats, offsets: NDArray[np.int_]) -> Floats:
    """Root nearest the middle of least-squares cubics through rows of `stretch`, in samples from the middle, by Newton's steps."""
    degree = 3 if len(offsets) > 5 else 2
    x = offsets / offsets[-1]
    coefficients = stretch @ np.linalg.pinv(np.vander(x, degree + 1, increasing=True)).T
    root = np.zeros(len(stretch))
    for _ in range(4):
        powers = np.vander(root, degree + 1, increasing=True)
        value = np.sum(coefficients * powers, axis=1)
        slope = np.sum(coefficients[:, 1:] * powers[:, :-1] * np.arange(1, degree + 1), axis=1)
        root = np.clip(root - value / np.where(slope == 0.0, -1.0, slope), -1.5, 1.5)
    return np.asarray(root * offsets[-1], dtype=np.float64)


def added_lag_s(
    node_v: ArrayLike,
    rate_hz: float,
    capacitance_f: float,
    supply_v: float,
    track_ohm: float,
    series_ohm: float,
    rest_v: ArrayLike,
    hold_v: ArrayLike,
    return_s: float | None = None,
) -> Floats:
    """Lag that the fitted capacitor adds to measured returns, seconds, shape (...): the node's half crossing less the wiper's.

    node_v: shape (..., n), from the hold before release through the return. rest_v, hold_v: levels of the node, volts, shape (...);
    settled levels are the same for wiper and node, so both crossings use them. 0.0 with no capacitor; NaN where a trace never falls.
    """
    node = np.asarray(node_v, dtype=np.float64)
    if capacitance_f <= 0.0:
        return np.zeros(node.shape[:-1])
    wiper = wiper_from_node(node, rate_hz, capacitance_f, supply_v, track_ohm, series_ohm, return_s)
    rest = np.asarray(rest_v, dtype=np.float64)[..., None]
    reach = np.asarray(hold_v, dtype=np.float64)[..., None] - rest
    return half_crossing_s((node - rest) / reach, rate_hz) - half_crossing_s((supply_v * wiper - rest) / reach, rate_hz)
