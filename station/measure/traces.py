"""The stretch of a recording that belongs to each flick: from the hold, over the release, to the end of the free interval, in counts."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.measure.baseline import Baseline
from station.measure.levels import quiet_mean, undithered
from station.measure.rows import Indices, rows, thinned, thinning
from station.measure.segments import Segments
from station.records import Floats

HOLD_S: Final = 0.060  # of a hold, its end is measured
HOLD_SKIP: Final = 0.25  # the first quarter of a short hold may still ring from the push
BEFORE_S: Final = 0.070
AFTER_S: Final = 0.400  # a stick that still moves then has long failed to settle; the final level is taken from the true end
FINAL_SHARE: Final = 0.20  # the definition of the final level
FINAL_MOST_S: Final = 0.100


@dataclass(frozen=True, slots=True)
class Traces:
    """Of n flicks. own: deflection of the flicked axis, held side positive; other: the other axis from its rest; shape (n, w), counts.

    pivot: column of the last sample above half of the reach. first: column in which the hold begins; end: first that is not free.
    rate_hz: of the columns. sample_s: seconds from the recording's first sample to the pivot, shape (n,).
    sd, other_sd: noise of one column of each axis; u_rest, colour, step likewise, of the own axis; counts, shape (n,).
    """

    own: Floats
    other: Floats
    pivot: int
    first: Indices
    end: Indices
    rate_hz: float
    sample_s: Floats
    sd: Floats
    other_sd: Floats
    u_rest: Floats
    u_step: Floats
    colour: Floats
    step: Floats

    def __len__(self) -> int:
        return len(self.own)


def cut(values: tuple[Floats, Floats], rate_hz: float, flicks: Segments, base: Baseline) -> Traces:
    """Traces of the flicks. Columns are means of thinning(rate_hz) samples, counted from each flick's own pivot sample."""
    factor = thinning(rate_hz)
    pivot = round(BEFORE_S * rate_hz / factor)
    free = flicks.free_end - flicks.half
    after = min(round(AFTER_S * rate_hz / factor), -(-int(free.max()) // factor)) + 2
    starts = flicks.half - pivot * factor
    own, other = _both(values, flicks, base, starts, (pivot + after) * factor)
    first = np.maximum(pivot - (flicks.half - flicks.hold) // factor, 0)
    axis = flicks.axis
    noise = np.asarray(base.noise_counts) / math.sqrt(factor)
    steps = np.asarray(base.quantum_v) / base.count_v
    lost = np.array([undithered(base.dither_v[a], base.quantum_v[a]) / base.count_v for a in (0, 1)])
    return Traces(
        own=thinned(own, factor),
        other=thinned(other, factor),
        pivot=pivot,
        first=first,
        end=np.minimum(pivot + free // factor, pivot + after),
        rate_hz=rate_hz / factor,
        sample_s=np.asarray((flicks.half + 0.5 * (factor - 1)) / rate_hz, dtype=np.float64),
        sd=noise[axis],
        other_sd=noise[1 - axis],
        u_rest=np.asarray(base.u_rest_counts)[axis],
        u_step=lost[axis],
        colour=np.asarray(base.colour)[axis],
        step=steps[axis],
    )


def _both(values: tuple[Floats, Floats], flicks: Segments, base: Baseline, starts: Indices, width: int) -> tuple[Floats, Floats]:
    """Own axis as deflection, and the other axis from its rest, counts, shape (n, width)."""
    own, other = np.empty((len(flicks), width)), np.empty((len(flicks), width))
    for axis in (0, 1):
        mine = np.flatnonzero(flicks.axis == axis)
        if len(mine):
            own[mine] = rows(values[axis], starts[mine], width)
            other[mine] = rows(values[1 - axis], starts[mine], width)
    own -= np.asarray(base.rest_v)[flicks.axis, None]
    own *= (flicks.sign / base.count_v)[:, None]
    other -= np.asarray(base.rest_v)[1 - flicks.axis, None]
    other *= 1.0 / base.count_v
    return own, other


def hold_levels(traces: Traces) -> tuple[Floats, Floats, Floats]:
    """Reach, the level of the other axis at hold, and the standard uncertainty of the reach, counts, shape (n,)."""
    most = round(HOLD_S * traces.rate_hz)
    first = np.maximum(traces.first + HOLD_SKIP * (traces.pivot - traces.first), traces.pivot - most)
    columns = np.arange(traces.pivot - most, traces.pivot)
    valid = columns[None, :] >= first[:, None]
    reach, count = quiet_mean(traces.own[:, columns[0] : traces.pivot], valid, traces.sd, float(traces.step.max()))
    other, _ = quiet_mean(traces.other[:, columns[0] : traces.pivot], valid, traces.other_sd, float(traces.step.max()))
    return reach, other, level_uncertainty(traces, count)


def level_uncertainty(traces: Traces, count: Floats) -> Floats:
    """Standard uncertainty of a level over `count` columns, from the run's rest: noise of both, and what quantisation leaves of either."""
    own = traces.colour * traces.sd / np.sqrt(np.maximum(count, 1.0))
    return np.asarray(np.sqrt(own**2 + traces.u_rest**2 + traces.u_step**2))


def final_levels(
    values: tuple[Floats, Floats], rate_hz: float, flicks: Segments, base: Baseline, release_s: Floats, traces: Traces
) -> tuple[Floats, Floats]:
    """Mean over the last 20 % of the free interval (at most its last 0.1 s), counts, and its standard uncertainty, shape (n,)."""
    factor = thinning(rate_hz)
    free = flicks.free_end - np.rint(release_s * rate_hz)
    wanted = np.clip(np.ceil(FINAL_SHARE * free), factor, FINAL_MOST_S * rate_hz)
    columns = int(wanted.max()) // factor
    starts = flicks.free_end - columns * factor
    tail = np.empty((len(flicks), columns * factor))
    for axis in (0, 1):
        mine = np.flatnonzero(flicks.axis == axis)
        if len(mine):
            tail[mine] = rows(values[axis], starts[mine], columns * factor)
    tail -= np.asarray(base.rest_v)[flicks.axis, None]
    tail *= (flicks.sign / base.count_v)[:, None]
    valid: NDArray[np.bool_] = np.arange(columns)[None, :] >= columns - np.maximum(wanted // factor, 1)[:, None]
    level, count = quiet_mean(thinned(tail, factor), valid, traces.sd, float(traces.step.max()))
    return level, level_uncertainty(traces, count)
