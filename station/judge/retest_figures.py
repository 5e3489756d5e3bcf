"""The five figures of a return that tell a part from a stick, measured alike on recorded and on predicted traces."""

from dataclasses import replace
from typing import Any, Final

import numpy as np

from station.judge.advice_forecast import PER_FLICK, Flicks
from station.measure.release import releases
from station.measure.swing import Swing, peaks, swings
from station.measure.traces import Traces
from station.records import Floats

FIGURES: Final = ("peak_counts", "back_counts", "return_s", "to_peak_s", "to_back_s")
"""Far-side peak; swing back to the held side after it; 90 % to 10 %; 10 % crossing to the peak; peak to the swing back."""
PEAK, BACK, RETURN, TO_PEAK, TO_BACK = range(5)
IN_COUNTS: Final = np.array([True, True, False, False, False])


def figures_of_traces(flicks: Flicks, node: Floats) -> Floats:
    """Figures of predicted traces of these flicks, shape (k, m, n), in counts of deflection; shape (k, m, 5).

    A trace that never comes down to 10 % takes the whole free interval.
    """
    k, m, n = node.shape
    stacked = _stacked(flicks.traces, node.reshape(k * m, n), k)
    reach, final = np.tile(flicks.reach, k), np.tile(flicks.final, k)
    release = releases(stacked, reach, np.tile(flicks.u_reach, k))
    swing = swings(stacked, release, final)
    peak = peaks(swing, stacked, final).counts
    at, back, back_at = _turns(swing)
    arrived = np.isfinite(release.return_s)
    low = np.where(arrived, release.low, release.low_column) - swing.start
    return_s = np.where(arrived, release.return_s, (stacked.end - release.column) / stacked.rate_hz)
    out = np.stack([peak, back, return_s, (at - low) / stacked.rate_hz, (back_at - at) / stacked.rate_hz], axis=1)
    return out.reshape(k, m, len(FIGURES))


def _turns(swing: Swing) -> tuple[Floats, Floats, Floats]:
    """Column of the far-side peak, and level and column of the largest swing back after it; columns of the smoothed trace."""
    far = np.where(swing.falling, -swing.level, -np.inf)
    at = np.argmax(far, axis=1)
    later = swing.falling & (np.arange(far.shape[1])[None, :] > at[:, None])
    near = np.where(later, swing.level, -np.inf)
    back_at = np.where(later.any(axis=1), np.argmax(near, axis=1), at)
    top, rise = _vertex(swing.level, back_at)
    return at + _vertex(swing.level, at)[0], np.maximum(rise, 0.0), back_at + top


def _vertex(level: Floats, at: "np.ndarray[Any, np.dtype[np.intp]]") -> tuple[Floats, Floats]:
    """Top of the parabola through three neighbours: its offset from `at` in columns, and its value."""
    row, inner = np.arange(len(level)), np.clip(at, 1, level.shape[1] - 2)
    left, middle, right = level[row, inner - 1], level[row, inner], level[row, inner + 1]
    bend = left - 2.0 * middle + right
    offset = np.clip(np.where(bend == 0.0, 0.0, 0.5 * (left - right) / np.where(bend == 0.0, 1.0, bend)), -1.0, 1.0)
    offset = np.where(inner == at, offset, 0.0)
    return offset, np.where(inner == at, middle - 0.25 * (left - right) * offset, level[row, at])


def _stacked(traces: Traces, own: Floats, k: int) -> Traces:
    repeated: dict[str, Any] = {name: np.tile(getattr(traces, name), k) for name in (*PER_FLICK, "first", "end")}
    return replace(traces, own=own, other=own, **repeated)
