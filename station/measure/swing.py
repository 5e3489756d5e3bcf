"""What the stick does after release: its far-side peak, turning points and settling, as noise-free estimates."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.measure.polynomial import LOW_SHARE, NARROWEST, WINDOW_SHARE, half_widths, local_crossing, local_widths, noise_gains, smoothed
from station.measure.release import Release
from station.measure.rows import Indices, last_true
from station.measure.traces import Traces
from station.records import Floats

MOVING_COUNTS: Final = 0.75  # farther from the final level the stick still moves; chosen on emulated data
MOVING_SD: Final = 4.0
BLOCK_S: Final = 0.001
SEEN_SD: Final = 2.0  # a far-side peak below this many standard uncertainties is no crossing of zero
BIAS_COUNTS: Final = 0.015  # what the polynomial leaves of a peak of up to 45 counts; found on emulated data, see the accuracy campaign
COARSE_COUNTS: Final = 6.0  # over the fourth power of the return time in columns: what few samples leave of a peak; likewise
REFITS: Final = 2
NARROWED: Final = 4  # the window of a misfit is divided by this
MISFIT_SD: Final = 5.0
MISFIT_COUNTS: Final = 0.1
RING_COUNTS: Final = 1.0  # smaller turning points are not counted
JUMP_SD: Final = 8.0  # twice what a straight crossing would change by
CUT_RETURNS: Final = 4.0  # the first far-side peak and its window end within so many return times of the release


@dataclass(frozen=True, slots=True)
class Swing:
    """Noise-free deflection of n flicks from column `start` of the traces on, counts, shape (n, m).

    live: where it is measured (from the 90 % crossing while the stick moves). u: standard uncertainty of one value, shape (n,).
    last: first column after it, of the traces. cut: the free interval ended before a far-side peak could have been seen.
    """

    level: Floats
    start: int
    live: NDArray[np.bool_]
    falling: NDArray[np.bool_]
    u: Floats
    last: Indices
    widths: Indices
    cut: NDArray[np.bool_]
    reaches_end: NDArray[np.bool_]


def swings(traces: Traces, release: Release, final: Floats) -> Swing:
    """Smoothed traces while the stick moves."""
    swing = _swings(traces, release, final, half_widths(release.return_s, traces.rate_hz))
    for _ in range(REFITS):
        poor = _misfits(swing, traces, release) & (swing.widths > NARROWEST)
        if not poor.any():
            break
        swing = _swings(traces, release, final, np.where(poor, np.maximum(swing.widths // NARROWED, NARROWEST), swing.widths))
    return swing


def _misfits(swing: Swing, traces: Traces, release: Release) -> NDArray[np.bool_]:
    """Flicks whose swing has corners that the polynomial cannot follow: neighbouring residuals after the 10 % crossing are alike.

    White noise, however large, has residuals that are not; their products then scatter by their variance over sqrt(n).
    """
    residual = traces.own[:, swing.start : swing.start + swing.level.shape[1]] - swing.level
    column = swing.start + np.arange(residual.shape[1])
    inside = swing.falling & (column[None, :] < (release.low_column + 2 * swing.widths)[:, None])
    residual = np.where(inside, residual, 0.0)
    count = np.maximum(np.count_nonzero(inside, axis=1), 2)
    alike = np.einsum("ij,ij->i", residual[:, :-1], residual[:, 1:]) / count
    power = np.einsum("ij,ij->i", residual, residual) / count
    return np.asarray(alike > np.maximum(MISFIT_SD * power / np.sqrt(count), MISFIT_COUNTS**2))


def _swings(traces: Traces, release: Release, final: Floats, widths: Indices) -> Swing:
    latest = np.maximum(traces.end - widths, traces.pivot + 1)
    moving = _moving_until(traces, final) + 2 * widths
    needed = traces.pivot + np.rint(CUT_RETURNS * np.nan_to_num(release.return_s) * traces.rate_hz).astype(np.intp)
    last = np.minimum(np.maximum(moving, needed), latest)
    start = traces.pivot - int(widths.max())
    level = smoothed(traces.own, start, max(int(last.max()), start + 3), widths)
    column = start + np.arange(level.shape[1])
    before_end = column[None, :] < last[:, None]
    live = before_end & (column[None, :] >= release.column[:, None])
    falling = before_end & (column[None, :] >= np.minimum(release.low_column, last - 1)[:, None])
    gain = noise_gains(widths)
    u = gain * traces.sd * np.minimum(traces.colour, 1.0 / gain)
    cut = (traces.end - release.column) / traces.rate_hz < CUT_RETURNS * np.nan_to_num(release.return_s, nan=0.02)
    return Swing(level, start, live, falling, u, last, widths, cut, moving > latest)


def _moving_until(traces: Traces, final: Floats) -> Indices:
    """First column after the last millisecond whose mean is away from the final level."""
    block = max(1, round(BLOCK_S * traces.rate_hz))
    count = (traces.own.shape[1] - traces.pivot) // block
    part = traces.own[:, traces.pivot : traces.pivot + count * block]
    means = part.reshape(len(part), count, block).mean(axis=2)
    bound = np.maximum(MOVING_COUNTS, MOVING_SD * traces.sd / np.sqrt(block))
    away = np.abs(means - final[:, None]) > bound[:, None]
    away &= np.arange(1, count + 1)[None, :] * block <= (traces.end - traces.pivot)[:, None]
    return traces.pivot + (last_true(away) + 1) * block


@dataclass(frozen=True, slots=True)
class Peak:
    """Far-side peaks of n flicks, counts; bend: curvature there, counts per squared column."""

    counts: Floats
    u_counts: Floats
    bend: Floats


def peaks(swing: Swing, traces: Traces, final: Floats) -> Peak:
    """Largest far-side deflection: top of the parabola through the highest three smoothed values, or the final level if farther."""
    far = np.where(swing.falling, -swing.level, -np.inf)
    at = np.argmax(far, axis=1)
    row = np.arange(len(far))
    inner = np.clip(at, 1, far.shape[1] - 2)
    below, top, above = -swing.level[row, inner - 1], -swing.level[row, inner], -swing.level[row, inner + 1]
    bend = np.maximum(2 * top - below - above, 0.0)
    rise = np.where((inner == at) & (bend > 0), (above - below) ** 2 / (8 * np.maximum(bend, 1e-12)), 0.0)
    inside = swing.falling[row, np.minimum(inner + 1, far.shape[1] - 1)] & swing.falling[row, inner - 1]
    height = far[row, at] + np.where(inside, np.minimum(rise, 0.5 * bend), 0.0)
    coarse = COARSE_COUNTS / (swing.widths / WINDOW_SHARE) ** 4
    u = np.sqrt(swing.u**2 + traces.u_rest**2 + traces.u_step**2 + BIAS_COUNTS**2 + coarse**2)
    seen = np.isfinite(height) & (height > SEEN_SD * swing.u)
    counts = np.maximum(np.where(seen, height, 0.0), np.where(-final > SEEN_SD * traces.u_rest, -final, 0.0))
    return Peak(np.maximum(counts, 0.0), u, bend)


def turning_points(swing: Swing, final: Floats) -> Floats:
    """Number of turning points after the 10 % crossing that lie at least a count from the final level, both sides."""
    off = swing.level - final[:, None]
    step = np.diff(off, axis=1)
    turns = (step[:, :-1] * step[:, 1:] < 0) & swing.falling[:, 1:-1] & swing.falling[:, 2:]
    turns &= np.abs(off[:, 1:-1]) > np.maximum(RING_COUNTS, MOVING_SD * swing.u)[:, None]
    return np.asarray(np.count_nonzero(turns, axis=1), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Settling:
    """settle_s: from release; a lower bound where `unsettled`: the free interval ended while the stick was still outside its band."""

    settle_s: Floats
    u_s: Floats
    unsettled: NDArray[np.bool_]


def settling(swing: Swing, traces: Traces, release: Release, final: Floats, u_final: Floats, band: float) -> Settling:
    """Last crossing into the band around the final level, on a parabola through the samples near it.

    Its uncertainty is that of the level over the slope; where a later swing just touches the band, half of what the settle time changes
    when the band is wider or narrower by the expanded uncertainty of the level.
    """
    off = np.abs(swing.level - final[:, None])
    off[~swing.live] = 0.0
    u_level = np.hypot(swing.u, u_final)
    outside = _last_outside(off, np.full(len(off), band))
    wide = _last_outside(off, band + 2 * u_level)
    narrow = _last_outside(off, np.maximum(band - 2 * u_level, 0.0))
    unsettled = swing.reaches_end & (swing.start + outside + 1 >= swing.last)
    side = np.where(swing.level[np.arange(len(off)), outside] >= final, band, -band)
    columns = np.nan_to_num(release.return_s, nan=0.01) * traces.rate_hz
    crossing, slope, gain = local_crossing(traces.own, swing.start + outside, final + side, local_widths(columns, LOW_SHARE))
    smooth = np.hypot(gain * traces.sd * np.minimum(traces.colour, 1 / gain), u_final) / np.maximum(np.abs(slope), 1e-9)
    jump = np.asarray(narrow - wide, dtype=np.float64)
    u = np.where(jump > JUMP_SD * smooth + 2, 0.5 * jump, smooth)
    settle = np.where(unsettled, traces.end, crossing) - release.column
    return Settling(settle / traces.rate_hz, np.hypot(u / traces.rate_hz, release.u_release_s), unsettled)


def _last_outside(off: Floats, band: Floats) -> Indices:
    """Last column of each row that lies outside its band; 0 where none does."""
    return np.maximum(last_true(off > band[:, None]), 0)
