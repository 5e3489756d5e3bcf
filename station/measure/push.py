"""When the finger took hold of the stick and when it let go, counted from the order of each flick: what a run tells of its rig."""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

from station.measure.rows import Indices, first_true, last_true, rows
from station.quantities import AXES, GROUPS, axis_of, sign_of
from station.records import CommandedFlick, Floats

LOOK_S: Final = 0.300  # of each flick: push 0.05 s, the longest hold 0.2 s, the release, and a little
BLOCK_S: Final = 0.001  # a push takes some 20 ms: means of 1 ms lose nothing of a straight line and a third of a count's noise
HOLD_SHARE: Final = 0.5  # of the stay above half, its last part is the hold; the push is over by then
HOLD_GUARD_S: Final = 0.003  # between the hold and the release
SEEN_SHARE: Final = 0.25  # of the nominal reach: a push that comes less far was none
RELEASE_S: Final = 0.012  # looked at on either side of the fall through half of the reach
LEVEL_S: Final = 0.0005  # half window of the levels near the release; as the measuring code takes for a return of 4 ms
SPEED_S: Final = 0.0012  # half window of the speed: of a 60 Hz stick it leaves 0.3 %, of the noise 0.2 %; chosen on emulated data
DEGREE: Final = 4
BACK: Final = 0.8  # of a spring and mass let go at rest: 1 without damping, 0.85 to 0.74 for ratios of 0.3 to 0.65 (closed form)


@dataclass(frozen=True, slots=True)
class Pushes:
    """Of n commanded flicks, shape (n,); seconds count from the order; NaN where no push was seen.

    group: index into quantities.GROUPS. latency_s: until the stick began to move, the straight line of the push taken back to rest.
    push_s: from 10 % to 90 % of the reach. release_s: until the finger let go, which is before the release instant of the metrics (90 %) by
    what the stick needs to get there: two units of different stiffness tell the same. speed_share_s: largest speed of the return, shares of
    the reach a second.
    """

    group: NDArray[np.intp]
    latency_s: Floats
    push_s: Floats
    release_s: Floats
    speed_share_s: Floats


def pushes(
    values: tuple[Floats, Floats], rate_hz: float, commanded: tuple[CommandedFlick, ...], rest_v: tuple[float, float], reach_v: float
) -> Pushes:
    """Timing of every commanded flick. values: samples of x and y, volts; reach_v: nominal."""
    group = np.array([GROUPS.index(one.group) for one in commanded], dtype=np.intp)
    first = np.array([one.first_sample for one in commanded], dtype=np.intp)
    block = max(1, round(BLOCK_S * rate_hz))
    width = _width(first, len(values[0]), rate_hz, block)
    deflection = _deflection(values, group, first, width * block, rest_v)
    means = deflection.reshape(len(group), width, block).mean(axis=2)
    up, down, reach = _stay(means, round(HOLD_GUARD_S * rate_hz / block))
    seen = (reach > SEEN_SHARE * reach_v) & (up > 0) & (down < width - 1)
    reach = np.where(seen, reach, np.nan)
    t10 = (_crossing(means, _last_below(means, 0.1 * reach, up), 0.1 * reach) + 0.5) * block / rate_hz
    t90 = (_crossing(means, _last_below(means, 0.9 * reach, _first_above(means, 0.9 * reach, up)), 0.9 * reach) + 0.5) * block / rate_hz
    release_s, speed = _releases(deflection, (down + 1) * block, reach, rate_hz)
    return Pushes(group, t10 - (t90 - t10) / 8.0, t90 - t10, release_s, speed)


def _width(first: Indices, samples: int, rate_hz: float, block: int) -> int:
    """Blocks looked at of each flick: no more than lie between two orders."""
    apart = int(np.diff(first).min()) if len(first) > 1 else samples
    return max(4, min(round(LOOK_S * rate_hz), max(apart, 0)) // block)


def _deflection(values: tuple[Floats, Floats], group: Indices, first: Indices, width: int, rest_v: tuple[float, float]) -> Floats:
    """Volts from rest on each flick's own axis, its side positive, shape (n, width)."""
    out = np.empty((len(group), width))
    for index, name in enumerate(GROUPS):
        mine = np.flatnonzero(group == index)
        if len(mine):
            axis = AXES.index(axis_of(name))
            out[mine] = (rows(values[axis], first[mine], width) - rest_v[axis]) * sign_of(name)
    return out


def _stay(means: Floats, guard: int) -> tuple[Indices, Indices, Floats]:
    """First and last block of the stay above half of the highest, and the level of its later half; shape (n,)."""
    n, width = means.shape
    above = means > 0.5 * means.max(axis=1, keepdims=True)
    up = first_true(above, width - 1)
    below_after = ~above & (np.arange(width)[None, :] > up[:, None])
    down = first_true(below_after, width) - 1
    begin = np.minimum((up + HOLD_SHARE * (down - up)).astype(np.intp), width - 1)
    end = np.clip(down - guard, begin + 1, width)
    total = np.concatenate([np.zeros((n, 1)), np.cumsum(means, axis=1)], axis=1)
    row = np.arange(n)
    return up, down, (total[row, end] - total[row, begin]) / (end - begin)


def _first_above(means: Floats, level: Floats, start: Indices) -> Indices:
    """First block from `start` on that reaches the level."""
    reached = (means >= level[:, None]) & (np.arange(means.shape[1])[None, :] >= start[:, None])
    return first_true(reached, means.shape[1] - 1)


def _last_below(means: Floats, level: Floats, until: Indices) -> Indices:
    """Last block before `until` that lies below the level; the first one where there is none."""
    below = (means < level[:, None]) & (np.arange(means.shape[1])[None, :] < until[:, None])
    return last_true(below, 0)


def _last_above(levels: Floats, level: Floats, until: Indices) -> Indices:
    """Last column before `until` that reaches the level; the first one where there is none."""
    high = (levels >= level[:, None]) & (np.arange(levels.shape[1])[None, :] < until[:, None])
    return last_true(high, 0)


def _crossing(levels: Floats, before: Indices, level: Floats) -> Floats:
    """Where the straight line from column `before` to the next crosses the level; NaN where it does not."""
    row = np.arange(len(levels))
    here, there = levels[row, before], levels[row, np.minimum(before + 1, levels.shape[1] - 1)]
    step = there - here
    share = (level - here) / np.where(step == 0.0, np.nan, step)
    return np.where((share >= 0.0) & (share <= 1.0), before + share, np.nan)


@cache
def _kernels(level_half: int, speed_half: int) -> tuple[Floats, Floats]:
    """Weights of a local polynomial's value and slope (Savitzky and Golay, Analytical Chemistry 36, 1964)."""
    kernels = [np.linalg.pinv(np.vander(np.arange(-half, half + 1.0), DEGREE + 1, increasing=True)) for half in (level_half, speed_half)]
    return np.ascontiguousarray(kernels[0][0]), np.ascontiguousarray(kernels[1][1])


def _releases(deflection: Floats, fall: Indices, reach: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Letting go, and largest speed of the return. fall: sample near which half of the reach is crossed.

    The beginning lies before the crossing of 90 % of the reach by BACK of the time from there to 60 %.
    """
    side = round(RELEASE_S * rate_hz)
    level_kernel, slope_kernel = _kernels(max(2, round(LEVEL_S * rate_hz)), max(2, round(SPEED_S * rate_hz)))
    start = np.clip(fall - side, 0, max(deflection.shape[1] - 2 * side, 0))
    columns = np.minimum(start[:, None] + np.arange(2 * side), deflection.shape[1] - 1)
    part = np.take_along_axis(deflection, columns, axis=1)
    level = correlate1d(part, level_kernel, axis=1, mode="nearest")
    speed = -correlate1d(part, slope_kernel, axis=1, mode="nearest").min(axis=1) * rate_hz / reach
    down = first_true(level < 0.5 * reach[:, None], level.shape[1] - 1)
    t90, t60 = (_crossing(level, _last_above(level, share * reach, down), share * reach) for share in (0.9, 0.6))
    return (start + t90 - BACK * (t60 - t90) + 0.5) / rate_hz, speed
