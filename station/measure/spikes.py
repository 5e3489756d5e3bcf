"""Wiper contacts that break: spikes no stick could make, found and replaced by straight lines.

A dropout is at most 0.4 ms long. A contact loss is longer; it is replaced too where the trace returns within 20 ms. What jumps to where
no stick reaches and stays is left in the trace and reported.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.measure.rows import Indices
from station.records import Floats

DROPOUT_S: Final = 0.0004  # the definition of a dropout
DROPOUT_SAMPLES: Final = 3  # "1 to 3 samples", also at 4 kS/s, where three last 0.75 ms
LOSS_S: Final = 0.020  # longest contact loss that is bridged; shorter than any hold
QUICKEST_HZ: Final = 100.0  # thumbsticks ring at 40 to 90 Hz: bound of the curvature of a true peak
JUMP_HZ: Final = 300.0  # bound of a true slope: a stick would have to ring three times as fast
SMALLEST_COUNTS: Final = 3.0  # spikes below this are noise; chosen on emulated data
REACH_SHARE: Final = 1.25  # beyond this share of the nominal reach no stick goes


@dataclass(frozen=True, slots=True)
class Contact:
    """What was found on one axis. dropouts, losses: shape (n, 2), first sample and length. jumps: samples after which the trace is lost."""

    dropouts: Indices
    losses: Indices
    jumps: Indices

    @property
    def clean(self) -> bool:
        return not (len(self.dropouts) or len(self.losses) or len(self.jumps))

    @property
    def firsts(self) -> Indices:
        """First samples of everything found."""
        return np.concatenate([self.dropouts[:, 0], self.losses[:, 0], self.jumps])


@dataclass(frozen=True, slots=True)
class SpikeRule:
    """Bounds in volts. step_v: a difference of two samples worth a look; jump_v: one no stick makes; reach_v: farthest true deflection."""

    step_v: float
    jump_v: float
    bend_v: float  # curvature of a true peak: volts per squared sample
    reach_v: float
    longest: int
    loss: int


def spike_rule(rate_hz: float, count_v: float, reach_counts: float, noise_v: float, quantum_v: float) -> SpikeRule:
    """Bounds for one axis: motion of a stick of this reach, plus its noise."""
    small = max(SMALLEST_COUNTS * count_v, 8.0 * noise_v, 3.0 * quantum_v)
    reach_v = reach_counts * count_v
    longest = max(1, round(DROPOUT_S * rate_hz), min(DROPOUT_SAMPLES, round(2 * DROPOUT_S * rate_hz)))
    bend = reach_v * (2 * math.pi * QUICKEST_HZ / rate_hz) ** 2 / 8.0
    jump = reach_v * 2 * math.pi * JUMP_HZ / rate_hz + small
    return SpikeRule(small, jump, bend, REACH_SHARE * reach_v, longest, max(longest + 1, round(LOSS_S * rate_hz)))


def find_contact(values: Floats, steps: Indices, rest_v: float, rule: SpikeRule) -> Contact:
    """What breaks on a trace. steps: indices i with |values[i + 1] - values[i]| > rule.step_v, ascending."""
    dropouts = _dropouts(values, steps, rule)
    rest = steps[np.abs(values[steps + 1] - values[steps]) > rule.jump_v]
    rest = rest[~_inside(rest, dropouts)]
    losses, left = _losses(values, rest, rule)
    far = np.maximum(np.abs(values[left] - rest_v), np.abs(values[left + 1] - rest_v)) > rule.reach_v
    return Contact(dropouts, losses, left[far])


def _dropouts(values: Floats, steps: Indices, rule: SpikeRule) -> Indices:
    """Spikes of up to rule.longest samples that stand clear of the samples before and after."""
    found: list[tuple[int, int]] = []
    free = np.ones(len(steps), dtype=bool)
    for length in range(1, rule.longest + 1):
        open_ = np.flatnonzero(free & (steps + length + 1 < len(values)))
        at = steps[open_]
        if not len(at):
            break
        before, after = values[at], values[at + length + 1]
        body = values[at[:, None] + 1 + np.arange(length)]
        clear = rule.step_v + rule.bend_v * (length + 1) ** 2
        spike = (body.min(axis=1) > np.maximum(before, after) + clear) | (body.max(axis=1) < np.minimum(before, after) - clear)
        found += [(int(i) + 1, length) for i in at[spike]]
        free[open_[spike]] = False
    return _pairs(_apart(found))


def _apart(found: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spikes in order of time, later ones that begin inside an earlier one left out."""
    kept: list[tuple[int, int]] = []
    for first, length in sorted(found):
        if not kept or first >= sum(kept[-1]):
            kept.append((first, length))
    return kept


def _losses(values: Floats, jumps: Indices, rule: SpikeRule) -> tuple[Indices, Indices]:
    """Pairs of opposite jumps at most rule.loss samples apart that return to where they left; and the jumps left over."""
    found: list[tuple[int, int]] = []
    left: list[int] = []
    i = 0
    while i < len(jumps):
        here = int(jumps[i])
        size = values[here + 1] - values[here]
        near = range(i + 1, int(np.searchsorted(jumps, here + rule.loss, side="right")))
        back = next((k for k in near if jumps[k] - here > rule.longest and _returns(values, here, int(jumps[k]), float(size))), None)
        if back is None:
            left.append(here)
            i += 1
            continue
        found.append((here + 1, int(jumps[back]) - here))
        i = back + 1
    return _pairs(found), np.asarray(left, dtype=np.intp)


def _returns(values: Floats, here: int, there: int, size: float) -> bool:
    step = values[there + 1] - values[there]
    return bool(step * size < 0 and abs(values[there + 1] - values[here]) < 0.5 * abs(size))


def _pairs(found: list[tuple[int, int]]) -> Indices:
    return np.asarray(found, dtype=np.intp).reshape(-1, 2)


def _inside(steps: Indices, spans: Indices) -> NDArray[np.bool_]:
    """Which steps lead into, through or out of a span."""
    if not len(spans):
        return np.zeros(len(steps), dtype=bool)
    k = np.searchsorted(spans[:, 0] - 1, steps, side="right") - 1
    ends = spans[np.maximum(k, 0)].sum(axis=1)
    return np.asarray((k >= 0) & (steps < ends))


def bridged(values: Floats, spans: Indices) -> Floats:
    """A copy of the trace with every span replaced by a straight line from the sample before to the sample after."""
    out = values.copy()
    for first, length in spans.tolist():
        low, high = max(first - 1, 0), min(first + length, len(values) - 1)
        out[first : first + length] = np.interp(np.arange(first, first + length), [low, high], [out[low], values[high]])
    return out
