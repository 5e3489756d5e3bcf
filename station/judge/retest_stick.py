"""A changed stick: what measured returns would look like with another damping or another rate of ringing.

A free return of a second-order stick is d(t) = reach * exp(-s t) (cos w t + s/w sin w t). With its decay rate s + e and the same w it is
exp(-e t) (d(t) - e/(s^2 + w^2) * d'(t)), exactly; with ringing faster by f it is d(f t). Both are applied to the measured returns, so
that friction, unevenness and the manner of release stay the stick's own.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.axis.smoothing import smooth_and_slope, window_for_return
from station.judge.retest_figures import BACK, PEAK, RETURN, TO_BACK, TO_PEAK
from station.measure.traces import Traces
from station.records import Floats

NODES: Final = 5  # of a polynomial in each direction
STICKS: Final = NODES * NODES
DAMPING_SPAN: Final = math.log(2.2)  # ln of the largest factor on the decay rate
RINGING_SPAN: Final = math.log(1.25)  # ln of the largest factor on the rate of ringing
GROWTH_RINGS: Final = 1.4  # no figure looks later than so many ring periods; a lesser damping is not carried on beyond
LEAST_BACK: Final = 1.0  # counts; a smaller swing back does not tell the rate of ringing
LEAST_PEAK: Final = 0.5  # counts; stands for the peak of a stick that does not swing past rest
TO_PEAK_SHARE: Final = 1.12  # release to peak over 90 % crossing to peak; derivation: a damped cosine needs a tenth of it to fall by 10 %


@dataclass(frozen=True, slots=True)
class Ringing:
    """Of m flicks, shape (m,): angular rate of ringing and decay rate, per second."""

    rate: Floats
    decay: Floats


def nodes(span: float) -> Floats:
    """Chebyshev nodes over -span..span, ascending: a polynomial through them does not swing at the ends."""
    return np.asarray(span * np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)[::-1], dtype=np.float64)


def ringing_of(bare: Floats, reach: Floats, group: NDArray[np.int8]) -> Ringing:
    """Ringing of each flick's group, from figures of its wipers, shape (m, 5)."""
    rate, decay = np.empty(len(bare)), np.empty(len(bare))
    for g in np.unique(group):
        rows = group == g
        mean = bare[rows].mean(axis=0)
        half_s = mean[TO_BACK] if mean[BACK] >= LEAST_BACK else TO_PEAK_SHARE * (mean[RETURN] + mean[TO_PEAK])
        rate[rows] = math.pi / half_s
        decay[rows] = math.log(float(reach[rows].mean()) / max(float(mean[PEAK]), LEAST_PEAK)) / half_s
    return Ringing(rate, decay)


def changed_wipers(wiper: Floats, traces: Traces, ringing: Ringing) -> Floats:
    """Wiper traces, shape (m, n), unchanged (first) and of the changed sticks, damping outer and ringing inner: (1 + STICKS, m, n)."""
    level, slope = smooth_and_slope(wiper, traces.rate_hz, window_for_return(wiper, traces.rate_hz, None))
    natural = np.hypot(ringing.rate, ringing.decay)
    free_s = (np.arange(wiper.shape[1]) - _released(level, traces, natural)[:, None]) / traces.rate_hz
    changes = [(0.0, 0.0), *((d, r) for d in nodes(DAMPING_SPAN).tolist() for r in nodes(RINGING_SPAN).tolist())]
    return np.stack([_changed(level, slope, free_s, ringing, math.exp(d), math.exp(r), traces) for d, r in changes])


def _released(level: Floats, traces: Traces, natural: Floats) -> Floats:
    """Column where each stick is let go: before the 90 % crossing by the time a stick needs to fall by 10 % (d = 1 - (w t)^2 / 2)."""
    hold = level[:, traces.pivot - round(0.010 * traces.rate_hz)]
    above = level[:, : traces.pivot + 1] >= 0.9 * hold[:, None]
    last = traces.pivot - np.argmax(above[:, ::-1], axis=1)
    return np.asarray(last - math.sqrt(0.2) / natural * traces.rate_hz, dtype=np.float64)


def _changed(level: Floats, slope: Floats, free_s: Floats, ringing: Ringing, damping: float, faster: float, traces: Traces) -> Floats:
    rate, decay = ringing.rate[:, None] * faster, ringing.decay[:, None] * faster
    more = (damping - 1.0) * decay
    moved = np.where(free_s > 0.0, free_s * (faster - 1.0) * traces.rate_hz, 0.0)
    last = traces.end[:, None].astype(np.float64) - 2.0
    shown, steep = _at(level, moved, last), faster * _at(slope, moved, last)
    grown = np.exp(-more * np.clip(free_s, 0.0, GROWTH_RINGS * 2.0 * math.pi / rate))
    return np.asarray(np.where(free_s > 0.0, grown * (shown - more / (rate**2 + decay**2) * steep), level))


def _at(values: Floats, moved: Floats, last: Floats) -> Floats:
    """Rows read at columns shifted by `moved`, linear between samples; nothing is read behind `last`, where the stick is pushed again."""
    own = np.arange(values.shape[1], dtype=np.float64)
    column = np.clip(np.where(moved == 0.0, own, np.minimum(own + moved, last)), 0.0, values.shape[1] - 1.001)
    whole = column.astype(np.intp)
    share = column - whole
    left, right = np.take_along_axis(values, whole, axis=1), np.take_along_axis(values, whole + 1, axis=1)
    return np.asarray(left + share * (right - left))
