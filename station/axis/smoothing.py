"""Local polynomials on uniform samples: noise-reduced level and slope (Savitzky and Golay, Analytical Chemistry 36, 1964).

The same figures as scipy.signal.savgol_filter, whose import would cost a service 45 MB; a test holds the two together.
"""

from functools import cache
from typing import Final

import numpy as np
from scipy.ndimage import correlate1d

from station.records import Floats

DEGREE: Final = 5  # with the window below: wiper peaks behind 0.68 uF within 0.15 counts from 40 to 90 Hz; chosen on emulated data
WINDOW_SHARE: Final = 0.75  # window as a share of the return time; chosen on emulated data
RETURN_SHARE: Final = (
    0.6  # return time in units of excursion over steepest slope; derivation: damped cosine, 0.60 to 0.69 at damping 0.2 to 0.37
)
QUICKEST_RETURN_S: Final = 0.003  # windows follow no quicker return (90 Hz: 2.3 ms), so that they hold nine samples at 4 kS/s
SLOWEST_RETURN_S: Final = 0.030


def odd_points(window_s: float, rate_hz: float, least: int) -> int:
    """Odd number of samples that spans window_s, at least `least` (odd)."""
    return max(least, 2 * round(0.5 * window_s * rate_hz) + 1)


def smooth_and_slope(values: Floats, rate_hz: float, window_s: float) -> tuple[Floats, Floats]:
    """Level and slope per second of values, shape (..., n), from local polynomials over window_s. Needs n >= DEGREE + 2 samples."""
    points = min(odd_points(window_s, rate_hz, DEGREE + 2), _largest_odd(values.shape[-1]))
    half = points // 2
    fit, powers, slopes = _local(points)
    level = correlate1d(values, fit[0], axis=-1, mode="nearest")
    slope = correlate1d(values, fit[1] / half, axis=-1, mode="nearest")
    for end, part in ((slice(None, points), slice(None, half)), (slice(-points, None), slice(-half, None))):
        coefficients = values[..., end] @ fit.T
        level[..., part] = coefficients @ powers[part].T
        slope[..., part] = coefficients @ slopes[part].T / half
    return np.asarray(level, dtype=np.float64), np.asarray(slope * rate_hz, dtype=np.float64)


@cache
def _local(points: int) -> tuple[Floats, Floats, Floats]:
    """Of a window: the fit (coefficients by samples), and what coefficients mean for level and slope at each of its samples."""
    x = np.arange(-(points // 2), points // 2 + 1) / (points // 2)
    powers = np.vander(x, DEGREE + 1, increasing=True)
    slopes = np.zeros_like(powers)
    slopes[:, 1:] = powers[:, :-1] * np.arange(1, DEGREE + 1)
    return np.asarray(np.linalg.pinv(powers), dtype=np.float64), powers, slopes


def _largest_odd(n: int) -> int:
    return n if n % 2 else n - 1


def window_for_return(values: Floats, rate_hz: float, return_s: float | None) -> float:
    """Window that suits traces of this return time, seconds; the return time is taken from the traces (..., n) when not given.

    Estimate: RETURN_SHARE of the whole excursion, far side included, over the steepest slope. The slope is seen through a window for the
    quickest stick, so that noise does not steepen it much.
    """
    if return_s is None:
        _, slope = smooth_and_slope(values, rate_hz, WINDOW_SHARE * QUICKEST_RETURN_S)
        steepest = np.median(np.max(np.abs(slope), axis=-1))
        size = np.median(np.max(values, axis=-1) - np.min(values, axis=-1))
        return_s = RETURN_SHARE * float(size / steepest) if steepest > 0 else SLOWEST_RETURN_S
    return WINDOW_SHARE * float(np.clip(return_s, QUICKEST_RETURN_S, SLOWEST_RETURN_S))
