"""Whether a recording can be trusted at all. Everything found is said in one plain sentence; any sentence makes the verdict `invalid`."""

import math
from typing import Final

import numpy as np

from station.measure.baseline import Baseline
from station.measure.flicks import Found
from station.measure.rows import rows
from station.measure.scan import Scan
from station.records import Floats, Recording

LOWEST: Final = -0.05  # of the supply: the definition of levels that cannot be
HIGHEST: Final = 1.05
LEAST_SAMPLES: Final = 16
RAIL: Final = 0.015  # this near to a rail a converter may well give one code only
DITHERED: Final = 0.5  # noise of at least this many steps: codes then change from sample to sample
PILED: Final = 20  # samples on the outermost code, and
PILE_RATIO: Final = 1.5  # so many times more than on the next: normal noise has fewer, whatever its mean
WANDER_COUNTS: Final = 1.0  # standard deviation of a common movement of both axes; a count is seen by the host
WANDER_ALIKE: Final = 0.95  # their correlation; with 8 values and independent axes this comes by chance in 1 of 4,000 recordings
WANDER_LEAST: Final = 8
STOOD_S: Final = 0.005  # so long no stick stands still in mid-motion
STOOD_COUNTS: Final = 3.0
STOOD_REACH: Final = 0.75  # of the nominal reach: what stands farther out is held
STOOD_LEAST_HZ: Final = 3000.0  # below, a stick's own steps are large
LEAD_PIECE_S: Final = 0.010
LIE_S: Final = 0.020  # the end of a free interval, where a stick lies


def unreadable(recording: Recording) -> list[str]:
    """What keeps a recording from being measured: distrust of its reader, too few samples, numbers that are none."""
    said = list(recording.distrust)
    if len(recording.x_v) != len(recording.y_v):
        said.append(f"x has {len(recording.x_v)} samples and y {len(recording.y_v)}; expected as many of each.")
    if not math.isfinite(recording.rate_hz) or recording.rate_hz <= 0:
        said.append(f"The sampling rate is {recording.rate_hz} Hz; expected a positive number.")
    if min(len(recording.x_v), len(recording.y_v)) < LEAST_SAMPLES:
        said.append(
            f"The recording has {min(len(recording.x_v), len(recording.y_v))} samples; expected a quiet stretch of 0.2 s and flicks."
        )
    supply = recording.supply_v
    if supply is not None and not (math.isfinite(supply) and supply > 0):
        said.append(f"The supply is {supply} V; expected a positive number.")
    return said


def not_numbers(recording: Recording) -> list[str]:
    """Axes with a sample that is no finite number."""
    axes = (("x", recording.x_v), ("y", recording.y_v))
    return [f"Axis {name} has samples that are not finite numbers." for name, values in axes if not _finite(values)]


def _finite(values: Floats) -> bool:
    return math.isfinite(float(values.min())) and math.isfinite(float(values.max()))


def doubts(recording: Recording, base: Baseline, found: Found) -> list[str]:
    """What a measured recording shows that no unit can be blamed for."""
    said = []
    if not base.quiet:
        said.append(
            f"No quiet stretch: the first {base.samples / recording.rate_hz:.3f} s are still; expected 0.2 s before the first push."
        )
    for axis, name in enumerate(("x", "y")):
        said += _out_of_range(name, found.extremes_v[axis], base.supply_v)
        said += _frozen(name, found, axis, base, recording)
    if not len(found.flicks):
        said.append("Neither axis answers: no flick was seen on x or y.")
    if _lead_wanders(recording, base) or _rest_wanders(found, base):
        said.append("Both axes wander together at rest: the supply, the reference or the recorder drifts.")
    return said


def _out_of_range(name: str, extremes_v: tuple[float, float], supply_v: float) -> list[str]:
    if extremes_v[0] >= LOWEST * supply_v and extremes_v[1] <= HIGHEST * supply_v:
        return []
    reading = f"{extremes_v[0]:.3f} V to {extremes_v[1]:.3f} V"
    return [
        f"Axis {name} reads {reading}; expected {LOWEST * supply_v:.2f} V to {HIGHEST * supply_v:.2f} V at a supply of {supply_v:.2f} V."
    ]


def _frozen(name: str, found: Found, axis: int, base: Baseline, recording: Recording) -> list[str]:
    """Samples that stand still although the converter's noise should move them; or that pile up at one end."""
    noise, step = base.dither_v[axis], base.quantum_v[axis]
    length = still_length(noise, step)
    if length is None:
        return _leaps(name, found, axis, base, recording)
    raw = recording.x_v if axis == 0 else recording.y_v
    level = standing_level(raw, length, RAIL * base.supply_v, (1 - RAIL) * base.supply_v)
    if level is not None:
        return [f"Axis {name} stands at {level:.4f} V for {length} samples or more in spite of its noise: frozen or clipped samples."]
    if step > 0 and _piled(found.values[axis], step, found.scans[axis], base.supply_v):
        return [f"Samples of axis {name} pile up at its outermost level: clipped."]
    return []


def _leaps(name: str, found: Found, axis: int, base: Baseline, recording: Recording) -> list[str]:
    """For quiet converters: samples stood still in mid-motion, then leap towards rest."""
    values, steps = found.values[axis], found.scans[axis].steps
    count = round(STOOD_S * recording.rate_hz)
    steps = steps[steps >= count]
    if recording.rate_hz < STOOD_LEAST_HZ or not len(steps):
        return []
    before, after = np.abs(values[steps] - base.rest_v[axis]), np.abs(values[steps + 1] - base.rest_v[axis])
    away = (before > after) & (before > STOOD_COUNTS * base.count_v) & (before < STOOD_REACH * found.reach_v)
    stood = steps[away]
    stood = stood[np.ptp(rows(values, stood - count + 1, count), axis=1) == 0.0] if len(stood) else stood
    if not len(stood):
        return []
    return [f"Axis {name} stands still at {values[stood[0]]:.4f} V in mid-motion, then leaps: frozen samples."]


def still_length(noise_v: float, step_v: float) -> int | None:
    """So many equal samples in a row come by chance less than once in 1e13; None where noise is too small to tell.

    Two neighbours share a code with probability step / (2 sqrt(pi) sd) at most, for normal noise of sd well above half a step.
    """
    if noise_v <= 0 or noise_v < DITHERED * step_v:
        return None
    same = min(0.6, max(step_v / (2 * math.sqrt(math.pi) * noise_v), 1e-3))
    return max(10, math.ceil(30.0 / -math.log(same)))


def standing_level(values: Floats, length: int, low_v: float, high_v: float) -> float | None:
    """Level of a run of at least `length` equal samples between low_v and high_v, or None. Memory: one byte per sample of a stretch."""
    stretch = 1 << 18
    for first in range(0, len(values), stretch):
        part = values[first : first + stretch + length]
        run = part[1:] == part[:-1]
        covered = 1
        while covered < length - 1 and len(run):
            step = min(covered, length - 1 - covered)
            run = run[:-step] & run[step:]
            covered += step
        for at in np.flatnonzero(run).tolist():
            if low_v <= part[at] <= high_v:
                return float(part[at])
    return None


def _piled(values: Floats, step: float, seen: Scan, supply_v: float) -> bool:
    for edge, side in ((seen.highest_v, 1.0), (seen.lowest_v, -1.0)):
        if not RAIL * supply_v <= edge <= (1 - RAIL) * supply_v:
            continue
        near = values[values > edge - 1.5 * step] if side > 0 else values[values < edge + 1.5 * step]
        outermost = np.count_nonzero(np.abs(near - edge) < 0.5 * step)
        if outermost >= PILED and outermost > PILE_RATIO * (len(near) - outermost):
            return True
    return False


def _lead_wanders(recording: Recording, base: Baseline) -> bool:
    width = max(1, round(LEAD_PIECE_S * recording.rate_hz))
    count = base.samples // width
    x, y = (values[: count * width].reshape(count, width).mean(axis=1) / base.count_v for values in (recording.x_v, recording.y_v))
    return _together(x, y)


def _rest_wanders(found: Found, base: Baseline) -> bool:
    """Levels of both axes at the end of every free interval."""
    flicks, block = found.flicks, found.scans[0].block
    if len(flicks) < WANDER_LEAST:
        return False
    width = round(LIE_S * 1000)
    starts = flicks.free_end // block - width
    x, y = (np.median(rows(seen.means, starts, width), axis=1) / base.count_v for seen in found.scans)
    return _together(x, y)


def _together(x: Floats, y: Floats) -> bool:
    if len(x) < WANDER_LEAST or min(np.std(x), np.std(y)) < WANDER_COUNTS:
        return False
    return bool(np.corrcoef(x, y)[0, 1] > WANDER_ALIKE)
