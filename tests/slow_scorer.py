"""A second scorer: the same definitions, one flick at a time, with scipy's plain tools. Slow; for comparison and for the speed ratio.

Nothing is taken from the product but the specification. Figures follow the manual: levels as trimmed means, crossings on splines, the
noise-free trace as a Savitzky-Golay polynomial of degree 6 over about three return times.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize_scalar
from scipy.signal import savgol_filter
from scipy.stats import trim_mean

from station.records import Recording
from station.specification import Specification

Array = NDArray[np.float64]


@dataclass
class SlowFlick:
    group: str
    t_release_s: float
    reach_counts: float
    peak_counts: float
    over_zone_s: float
    misread_probability: float
    return_s: float
    settle_s: float
    rest_shift_counts: float
    cross_axis_counts: float


def slow_score(recording: Recording, spec: Specification) -> list[SlowFlick]:
    """Flicks of a good recording without a capacitor, in order of release."""
    supply = recording.supply_v or spec.host.supply_v
    count_v = supply / 2**spec.host.bits
    lead = round(0.2 * recording.rate_hz)
    axes = [values / count_v - trim_mean(values[:lead], 0.1) / count_v for values in (recording.x_v, recording.y_v)]
    pushes = sorted(p for axis in (0, 1) for sign in (1, -1) for p in _pushes(sign * axes[axis], axis, sign, recording.rate_hz, spec))
    out = []
    for k, (end, start, axis, sign) in enumerate(pushes):
        following = [s for e, s, a, g in pushes[k + 1 :]]
        free_end = _walked_back(axes, following[0], pushes[k + 1], recording.rate_hz, spec) if following else len(axes[0])
        out.append(_figures(axes[axis] * sign, axes[1 - axis], start, end, free_end, axis, sign, recording.rate_hz, spec))
    return out


def _pushes(d: Array, axis: int, sign: int, rate: float, spec: Specification) -> list[tuple[int, int, int, int]]:
    """(last sample above half, first sample above half, axis, sign) of every held push of one side."""
    half = 0.5 * spec.stick.reach_counts
    smooth = np.convolve(d, np.ones(max(1, round(rate / 1000))) / max(1, round(rate / 1000)), mode="same")
    above = np.flatnonzero(smooth > half)
    found = []
    for run in np.split(above, np.flatnonzero(np.diff(above) > 0.002 * rate) + 1) if len(above) else []:
        level = np.median(smooth[run])
        if np.count_nonzero(np.abs(smooth[run] - level) <= 0.1 * level) >= 0.029 * rate and run[-1] < len(d) - 2:
            found.append((int(run[-1]), int(run[0]), axis, sign))
    return found


def _walked_back(axes: list[Array], start: int, push: tuple[int, int, int, int], rate: float, spec: Specification) -> int:
    d = axes[push[2]] * push[3]
    look = round(0.08 * rate)
    level = np.quantile(d[start - look : start], 0.25)
    width = max(1, round(0.001 * rate))
    i = start
    while i > start - look and abs(float(np.mean(d[i - width : i])) - level) > spec.limits.settle_band_counts:
        i -= 1
    return i - width


def _figures(
    d: Array, other: Array, start: int, end: int, free_end: int, axis: int, sign: int, rate: float, spec: Specification
) -> SlowFlick:
    reach = float(trim_mean(d[start + (end - start) // 4 : end - round(0.004 * rate)], 0.1))
    low, high = _first_crossings(d, end, reach)
    crude = max(3.0, float(low - high))
    release, low_at = _refined(d, high, 0.9 * reach, crude), _refined(d, low, 0.1 * reach, crude)
    return_n = low_at - release
    final = float(trim_mean(d[free_end - round(0.2 * (free_end - release)) : free_end], 0.1))
    half = max(4, round(1.45 * return_n))
    first = high - half
    smooth = savgol_filter(d[first - half : free_end + half], 2 * half + 1, 6)[half : half + free_end - first - half]
    t = np.arange(len(smooth), dtype=np.float64) + first
    peak = _peak(t, smooth, low, final)
    over, misread = _over_zone(t, smooth, low, rate, spec)
    outside = np.flatnonzero(np.abs(smooth - final) > spec.limits.settle_band_counts)
    settle_n = _settled(d, int(t[outside[-1]]), final, spec.limits.settle_band_counts, crude) - release
    cross = _cross(d, other, start, end, first, half, release, settle_n, reach)
    group = "xy"[axis] + ("+" if sign > 0 else "-")
    return SlowFlick(group, release / rate, reach, peak, over, misread, return_n / rate, settle_n / rate, final, cross)


def _first_crossings(d: Array, end: int, reach: float) -> tuple[int, int]:
    low = end
    while d[low] >= 0.1 * reach:
        low += 1
    high = low
    while d[high] < 0.9 * reach:
        high -= 1
    return low, high


def _refined(d: Array, near: int, level: float, crude: float) -> float:
    """Crossing of a parabola fitted to the samples around `near`."""
    half = max(2, round(0.25 * crude))
    x = np.arange(-half, half + 1)
    roots = np.roots(np.polyfit(x, d[near - half : near + half + 1], 2) - [0, 0, level])
    real = roots[np.isreal(roots)].real
    return float(near + real[np.argmin(np.abs(real))]) if len(real) else float(near)


def _settled(d: Array, near: int, final: float, band: float, crude: float) -> float:
    side = band if d[near] >= final else -band
    return _refined(d, near, final + side, crude * 1.2)


def _peak(t: Array, smooth: Array, low: int, final: float) -> float:
    far = CubicSpline(t, -smooth)
    after = np.flatnonzero(t >= low)
    top = int(after[np.argmax(-smooth[after])])
    best = minimize_scalar(lambda s: -float(far(s)), bounds=(t[max(top - 1, 0)], t[min(top + 1, len(t) - 1)]), method="bounded")
    return max(0.0, -float(best.fun), -final)


def _over_zone(t: Array, smooth: Array, low: int, rate: float, spec: Specification) -> tuple[float, float]:
    """Time beyond the zone, and the share of a report interval it covers, counted on a fine grid of phases."""
    zone, interval = spec.host.neutral_zone_counts, spec.host.report_interval_s
    beyond = CubicSpline(t, -smooth - zone)
    roots = np.sort(beyond.roots(extrapolate=False))
    roots = roots[roots >= low]
    inside = [(a, b) for a, b in pairwise(roots) if beyond((a + b) / 2) > 0]
    phases = (np.arange(4000) + 0.5) / 4000 * interval
    hit = np.zeros(len(phases), dtype=bool)
    for a, b in inside:
        readings = np.ceil((a / rate - phases) / interval)
        hit |= readings * interval + phases < b / rate
    return float(sum(b - a for a, b in inside)) / rate, float(np.mean(hit))


def _cross(d: Array, other: Array, start: int, end: int, first: int, half: int, release: float, settle: float, reach: float) -> float:
    hold = float(trim_mean(other[start + (end - start) // 4 : end - 10], 0.1))
    last = int(release + settle) + 1
    strayed = other[first - half : last + half] - hold * d[first - half : last + half] / reach
    smooth = savgol_filter(strayed, 2 * half + 1, 6)[half:-half]
    inside = np.arange(first, last) >= release
    return float(np.max(np.abs(smooth[: len(inside)][inside])))
