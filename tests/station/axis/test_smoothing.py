"""Local polynomials against scipy.signal.savgol_filter, the reference library."""

import numpy as np
import pytest
from scipy.signal import savgol_filter

from station.axis.smoothing import DEGREE, smooth_and_slope


@pytest.mark.parametrize(("rate_hz", "window_s", "samples"), [(4000.0, 0.003, 40), (10_000.0, 0.0031, 900), (100_000.0, 0.002, 5000)])
def test_the_same_as_the_reference_library(rate_hz: float, window_s: float, samples: int) -> None:
    values = np.random.default_rng(5).normal(1.6, 0.4, (3, samples))
    points = max(DEGREE + 2, 2 * round(0.5 * window_s * rate_hz) + 1)
    points = min(points, samples - 1 + samples % 2)
    level, slope = smooth_and_slope(values, rate_hz, window_s)
    np.testing.assert_allclose(level, savgol_filter(values, points, DEGREE), atol=1e-9)
    np.testing.assert_allclose(slope / rate_hz, savgol_filter(values, points, DEGREE, deriv=1), atol=1e-8)
