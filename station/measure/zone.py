"""Time beyond the neutral zone, and the chance that the host reads the stick there."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from station.measure.rows import Indices
from station.measure.swing import Peak, Swing
from station.measure.traces import Traces
from station.records import Floats

LEAST_BEND: Final = 1e-9


@dataclass(frozen=True, slots=True)
class OverZone:
    """Of n flicks. misread: probability, 0 to 1."""

    over_s: Floats
    u_over_s: Floats
    misread: Floats
    u_misread: Floats


def over_zone(swing: Swing, traces: Traces, peak: Peak, final: Floats, zone: float, interval_s: float) -> OverZone:
    """Intervals with the noise-free far-side deflection beyond the zone, ends interpolated; zone in counts, interval_s of the host."""
    flick, start, end = _intervals(swing, traces, final, zone)
    n = len(traces)
    columns: Floats = np.bincount(flick, weights=end - start, minlength=n).astype(np.float64)
    lone = (columns == 0) & (peak.counts > zone) & (-final <= zone)  # a top between two samples
    over: Floats = np.where(lone, _span(peak.counts - zone, peak.bend), columns) / traces.rate_hz
    misread = np.minimum(over / interval_s, 1.0)
    several = np.flatnonzero(np.bincount(flick, minlength=n) > 1)
    for one in several.tolist():
        mine = flick == one
        misread[one] = folded_share(start[mine] / traces.rate_hz, end[mine] / traces.rate_hz, interval_s)
    u_over = _uncertainty(peak, zone) / traces.rate_hz
    return OverZone(over, u_over, misread, np.minimum(u_over / interval_s, 1.0))


def _intervals(swing: Swing, traces: Traces, final: Floats, zone: float) -> tuple[Indices, Floats, Floats]:
    """Flick, first and last column of every interval; a stick that comes to lie beyond the zone stays there to the end."""
    beyond = (-swing.level > zone) & swing.falling
    hit = np.flatnonzero(beyond.any(axis=1))
    if not len(hit):
        return hit, np.zeros(0), np.zeros(0)
    far = -swing.level[hit]
    padded = np.zeros((len(hit), far.shape[1] + 2), dtype=bool)
    padded[:, 1:-1] = beyond[hit]
    row, column = np.nonzero(padded[:, 1:] & ~padded[:, :-1])
    row_end, column_end = np.nonzero(~padded[:, 1:] & padded[:, :-1])
    start = _edge(far, row, column - 1, zone)
    end = _edge(far, row_end, column_end - 1, zone)
    stays = (swing.start + column_end >= swing.last[hit][row_end]) & (-final[hit][row_end] > zone)
    return hit[row], start, np.where(stays, (traces.end - swing.start)[hit][row_end], end)


def _edge(far: Floats, row: Indices, column: Indices, zone: float) -> Floats:
    """Column, as a real number, at which far crosses the zone between column and column + 1."""
    low, high = np.clip(column, 0, far.shape[1] - 1), np.clip(column + 1, 0, far.shape[1] - 1)
    rise = far[row, high] - far[row, low]
    share = np.where(rise != 0, (zone - far[row, low]) / np.where(rise != 0, rise, 1.0), 0.0)
    return np.asarray(column + np.clip(share, 0.0, 1.0), dtype=np.float64)


def _span(height: Floats, bend: Floats) -> Floats:
    """Width in columns of a parabola's cap of this height."""
    return np.asarray(2.0 * np.sqrt(2.0 * np.maximum(height, 0.0) / np.maximum(bend, LEAST_BEND)) * (bend > LEAST_BEND))


def _uncertainty(peak: Peak, zone: float) -> Floats:
    """Half of the change in over-zone time, in columns, when the peak moves by its standard uncertainty either way."""
    above = peak.counts - zone
    return np.asarray(0.5 * (_span(above + peak.u_counts, peak.bend) - _span(above - peak.u_counts, peak.bend)))


def folded_share(starts: Floats, ends: Floats, period: float) -> float:
    """Share of a period that the intervals cover once folded onto it.

    It is the chance that at least one of readings `period` apart, at a uniformly random phase, falls into an interval.
    """
    if np.any(ends - starts >= period):
        return 1.0
    low, high = np.mod(starts, period), np.mod(starts, period) + (ends - starts)
    pieces = [(a, min(b, period)) for a, b in zip(low, high, strict=True)] + [(0.0, b - period) for b in high if b > period]
    covered, reached = 0.0, 0.0
    for a, b in sorted(pieces):
        covered += max(0.0, b - max(a, reached))
        reached = max(reached, b)
    return min(1.0, covered / period)
