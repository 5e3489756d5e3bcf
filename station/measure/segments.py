"""Finding the flicks: pushes above half of the nominal reach, held, released; and how long the stick is free afterwards."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.measure.baseline import Baseline
from station.measure.rows import Indices, first_true, last_true, rows
from station.records import Floats
from station.specification import Specification

HELD_S: Final = 0.030  # the definition of a flick
HELD_LEAST_S: Final = 0.028  # a block at either end is lost to the transitions
HELD_SHARE: Final = 0.10  # the definition of a flick: within this share of its own level
PUSH_S: Final = 0.015  # a shorter stay above half of the reach is a swing, not a push; half a period at 40 Hz is 12.5 ms
CHATTER_S: Final = 0.002  # gaps of noise at the threshold of a slow push
LOOK_BACK_S: Final = 0.100  # a push is walked back within this
SWING_S: Final = 0.015  # after a push, so much of the look-back is left out: half a period at 40 Hz
HOLD_LOOK_S: Final = 0.150  # the last part of a long hold is looked at
REST_QUARTER: Final = 0.25  # level before a push: this quantile of the look-back; most of it lies before the push
END_GUARD_S: Final = 0.001


@dataclass(frozen=True, slots=True)
class Segments:
    """Of n flicks in order of release. Indices into the samples.

    axis: 0 x, 1 y. sign: +1.0 or -1.0. hold: first sample above half of the nominal reach; half: last one. free_end: the stick is free
    before it.
    """

    axis: NDArray[np.intp]
    sign: Floats
    hold: Indices
    half: Indices
    free_end: Indices

    def __len__(self) -> int:
        return len(self.axis)

    def part(self, chosen: "Indices | slice") -> "Segments":
        return Segments(self.axis[chosen], self.sign[chosen], self.hold[chosen], self.half[chosen], self.free_end[chosen])


@dataclass(frozen=True, slots=True)
class _Runs:
    """Stays above half of the reach, in blocks: [start, end). open: still there at the end of the trace."""

    axis: NDArray[np.intp]
    sign: Floats
    start: Indices
    end: Indices
    open: NDArray[np.bool_]

    def part(self, chosen: "Indices | NDArray[np.bool_]") -> "_Runs":
        return _Runs(self.axis[chosen], self.sign[chosen], self.start[chosen], self.end[chosen], self.open[chosen])


def find_flicks(
    values: tuple[Floats, Floats], means: tuple[Floats, Floats], block: int, rate_hz: float, base: Baseline, spec: Specification
) -> Segments:
    """Flicks of both axes. values: samples, volts; means: their block means."""
    counts = tuple((m - rest) / base.count_v for m, rest in zip(means, base.rest_v, strict=True))
    half = 0.5 * spec.stick.reach_counts
    block_s = block / rate_hz
    runs = _runs((counts[0], counts[1]), half, max(1, round(CHATTER_S / block_s)))
    held = _held(counts, runs, block_s)
    pushes = runs.part(held | runs.open | (runs.end - runs.start >= PUSH_S / block_s))
    begins = _begins(counts, pushes, block_s, spec.limits.settle_band_counts)
    flicks = runs.part(held & ~runs.open)
    order = np.argsort(flicks.end, kind="stable")
    flicks = flicks.part(order)
    free_end = _free_ends(flicks, pushes, begins, block, len(values[0]), round(END_GUARD_S * rate_hz))
    hold, last = _edges(values, flicks, block, base, half)
    return Segments(flicks.axis, flicks.sign, hold, last, np.maximum(free_end, last + 1))


def _runs(counts: tuple[Floats, Floats], half: float, gap: int) -> _Runs:
    """Stays above half on either side of either axis; gaps of up to `gap` blocks are bridged."""
    parts = []
    for axis, sign in ((0, 1.0), (0, -1.0), (1, 1.0), (1, -1.0)):
        above = np.concatenate([[False], sign * counts[axis] > half, [False]])
        edges = np.flatnonzero(above[1:] != above[:-1])
        start, end = edges[::2], edges[1::2]
        if len(start) > 1:
            split = start[1:] - end[:-1] > gap
            start, end = start[np.concatenate([[True], split])], end[np.concatenate([split, [True]])]
        n = len(start)
        parts.append(_Runs(np.full(n, axis), np.full(n, sign), start, end, end >= len(counts[axis])))
    return _Runs(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("axis", "sign", "start", "end", "open")))


def _held(counts: tuple[Floats, ...], runs: _Runs, block_s: float) -> NDArray[np.bool_]:
    """Whether a run stays within 10 % of its own level for 30 ms."""
    long_enough = np.flatnonzero((runs.end - runs.start) * block_s >= HELD_LEAST_S)
    held = np.zeros(len(runs.axis), dtype=bool)
    if not len(long_enough):
        return held
    some = runs.part(long_enough)
    width = round(HOLD_LOOK_S / block_s)
    levels = _signed(counts, some, some.end - width, width)
    inside = np.arange(width) >= width - (some.end - some.start)[:, None]
    count = np.count_nonzero(inside, axis=1)
    ordered = np.sort(np.where(inside, levels, np.inf), axis=1)
    level = ordered[np.arange(len(count)), np.minimum(count, width) // 2]
    near = inside & (np.abs(levels - level[:, None]) <= HELD_SHARE * level[:, None])
    held[long_enough] = np.count_nonzero(near, axis=1) * block_s >= HELD_LEAST_S
    return held


def _signed(counts: tuple[Floats, ...], runs: _Runs, starts: Indices, width: int) -> Floats:
    """Stretches of deflection on each run's own axis, its side positive, shape (n, width)."""
    out = np.empty((len(runs.axis), width))
    for axis in (0, 1):
        own = np.flatnonzero(runs.axis == axis)
        if len(own):
            out[own] = rows(counts[axis], starts[own], width) * runs.sign[own, None]
    return out


def _begins(counts: tuple[Floats, ...], pushes: _Runs, block_s: float, band: float) -> Indices:
    """Block in which each push leaves the settle band around the level before it.

    That level is a low quantile of what lies before, as far back as the swing after an earlier push of the same axis.
    """
    if not len(pushes.axis):
        return pushes.start
    width = round(LOOK_BACK_S / block_s)
    before = _signed(counts, pushes, pushes.start - width, width)
    earlier = _earlier_ends(pushes)
    quiet = np.maximum(pushes.start - earlier - round(SWING_S / block_s), max(1, round(0.2 * width)))
    ordered = np.sort(np.where(np.arange(width) >= width - quiet[:, None], before, np.inf), axis=1)
    level = ordered[np.arange(len(before)), (REST_QUARTER * np.minimum(quiet, width)).astype(np.intp)]
    inside = np.abs(before - level[:, None]) <= band
    return pushes.start - width + last_true(inside) + 1


def _earlier_ends(pushes: _Runs) -> Indices:
    """End of the push before each one on the same axis; far in the past where there is none."""
    out = np.full(len(pushes.axis), -(1 << 40), dtype=np.intp)
    for axis in (0, 1):
        mine = np.flatnonzero(pushes.axis == axis)
        mine = mine[np.argsort(pushes.start[mine], kind="stable")]
        out[mine[1:]] = pushes.end[mine[:-1]]
    return out


def _free_ends(flicks: _Runs, pushes: _Runs, begins: Indices, block: int, total: int, guard: int) -> Indices:
    """First sample that is no longer free, of each flick: where the next push of either axis begins, or the end of the trace."""
    order = np.argsort(pushes.start, kind="stable")
    following = np.searchsorted(pushes.start[order], flicks.end, side="right")
    begin = np.concatenate([begins[order] * block - guard, [total]])
    return np.asarray(np.minimum(begin[following], total))


def _edges(values: tuple[Floats, Floats], flicks: _Runs, block: int, base: Baseline, half: float) -> tuple[Indices, Indices]:
    """First and last sample above half of the reach, on the samples themselves."""
    hold, last = flicks.start * block, flicks.end * block
    width = 4 * block
    for axis in (0, 1):
        own = np.flatnonzero(flicks.axis == axis)
        if len(own):
            sign = flicks.sign[own, None] / base.count_v
            starts, ends = (flicks.start[own] - 2) * block, (flicks.end[own] - 2) * block
            rising = (rows(values[axis], starts, width) - base.rest_v[axis]) * sign > half
            falling = (rows(values[axis], ends, width) - base.rest_v[axis]) * sign > half
            hold[own] = np.maximum(starts, 0) + first_true(rising, 2 * block)
            last[own] = ends + last_true(falling, 2 * block)
    return hold, np.minimum(last, len(values[0]) - 1)
