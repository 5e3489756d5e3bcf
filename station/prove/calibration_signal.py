"""What the samples of one push or release say: when the stick begins to move, how fast, when it is let go, how far it swings past."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.errors import UsageError
from station.records import Floats

RISE: Final = (0.15, 0.85)  # shares of the hold between which a push is a straight line
HOLD_S: Final = (0.026, 0.006)  # before half way back, which a stick of 40 Hz reaches in 5 ms: where the level of the hold is taken
LEAVES: Final = (0.03, 0.30, 0.45)  # shares of the hold that a stick has left when its first motion is looked at; the last for few samples
LEAVES_POINTS: Final = 8
LEAVES_U_S: Final = 4e-5  # what the damping, not all of it in a parabola, leaves: 34 us too late on average, at most 60, at 48 to 88 Hz
PEAK_S: Final = 0.05  # the far-side peak comes within half a ring period of at least 10 Hz
PEAK_HALF_S: Final = 0.0012  # a parabola over 2.4 ms: a sixth of a ring period at 65 Hz
POINTS_LEAST: Final = 4


@dataclass(frozen=True, slots=True)
class FlickShape:
    """Times in the clock of `times_s`. begin_s: where the straight rise of the push meets rest. rate_s: its speed, shares of hold a second.

    release_s: when the stick leaves the hold. hold: its level. peak: largest far-side excursion, share of hold.
    """

    begin_s: float
    rate_s: float
    release_s: float
    hold: float
    peak: float


def shape_of(deflection: Floats, times_s: Floats) -> FlickShape:
    """One flick from its order on. deflection: shape (n,), held side positive. Raises UsageError where no flick is to be seen."""
    highest = float(np.quantile(deflection, 0.9))
    up = _first(deflection > 0.85 * highest, 0)
    half = _first(deflection < 0.5 * highest, up)
    if not 0 < up < half < len(deflection):
        raise UsageError("no push, hold and release are to be seen; expected the stick to follow the finger and to be let go")
    step_s = float(times_s[1] - times_s[0])
    hold = float(np.mean(deflection[max(up, half - round(HOLD_S[0] / step_s)) : max(up + 1, half - round(HOLD_S[1] / step_s))]))
    begin_s, rate_s = _rise(deflection, times_s, hold)
    release_s = leaves_s(deflection[up:], times_s[up:], hold)
    return FlickShape(begin_s, rate_s, release_s, hold, _peak(deflection, times_s, release_s) / hold)


def leaves_s(deflection: Floats, times_s: Floats, hold: float) -> float:
    """When a held stick was let go. deflection begins in the hold.

    A stick let go from rest leaves as the square of time at first: the root of what it has left is a straight line in time, and, with its
    damping, nearly so. The line is followed back to its begin. Standard uncertainty of the way of doing it: LEAVES_U_S. Raises UsageError
    where the stick is not let go.
    """
    left = 1.0 - deflection / hold
    far = _first(left > LEAVES[2], 0)
    if far == len(left):
        raise UsageError("the stick is not let go; expected it to come back from the hold")
    begin, end = (far - _first(left[:far][::-1] < share, 0) for share in LEAVES[:2])
    if end - begin < LEAVES_POINTS:
        end = far
    if end - begin < POINTS_LEAST:  # a stick quicker than the samples: half way between the last held and the first free
        return float(0.5 * (times_s[max(0, begin - 1)] + times_s[min(end, len(times_s) - 1)]))
    root, time_s = np.sqrt(left[begin:end]), times_s[begin:end] - times_s[begin]
    return float(times_s[begin] + np.polynomial.polynomial.polyfit(root, time_s, 2)[0])


def _rise(deflection: Floats, times_s: Floats, hold: float) -> tuple[float, float]:
    low, high = (_first(deflection > share * hold, 0) for share in RISE)
    if high - low < POINTS_LEAST:
        raise UsageError("the push is over within four samples; expected a finger that takes the stick along")
    time_s = times_s[low:high]
    line = np.polynomial.polynomial.polyfit(time_s - time_s[0], deflection[low:high] / hold, 1)
    return float(time_s[0] - line[0] / line[1]), float(line[1])


def _peak(deflection: Floats, times_s: Floats, release_s: float) -> float:
    """By a parabola about the lowest sample, since the lowest of noisy samples is too low; never below zero."""
    inside = np.flatnonzero((times_s > release_s) & (times_s < release_s + PEAK_S))
    if len(inside) < POINTS_LEAST:
        raise UsageError("the samples end before the stick has come back; expected at least 50 ms after the release")
    lowest = int(inside[np.argmin(deflection[inside])])
    half = max(2, round(PEAK_HALF_S / float(times_s[1] - times_s[0])))
    near = slice(max(0, lowest - half), lowest + half + 1)
    time_s = times_s[near] - times_s[lowest]
    level, slope, bend = np.polynomial.polynomial.polyfit(time_s, deflection[near], 2)
    vertex = level - slope**2 / (4 * bend) if bend > 0 and abs(slope / (2 * bend)) < PEAK_HALF_S else level
    return max(0.0, -float(vertex))


def _first(condition: NDArray[np.bool_], begin: int) -> int:
    """Index of the first True at or after begin; the length when there is none."""
    found = np.flatnonzero(condition[begin:])
    return begin + int(found[0]) if len(found) else len(condition)


def sd_of(values: Floats) -> float:
    """Standard deviation with n - 1; NaN below two values."""
    return float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
