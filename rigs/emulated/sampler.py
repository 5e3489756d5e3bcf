"""The sampler: both axes of the stick, through wiper, capacitor and converter, at the instants of the sample clock.

Samples are made some at a time ahead of need and thrown away when the motion is planned anew, so that the work per sample is small and
the outcome depends on when things happen, never on how often the rig is asked.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigs.emulated.circuit import Axis, node, source, substeps
from rigs.emulated.converter import coded, converted, disturbed, true_reference_v
from rigs.emulated.laws import ClockLaw, ConverterLaw, SignalLaw
from rigs.emulated.mechanism import Mechanism
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import TRACK_COUNTS, AxisProperties, StickProperties
from station.records import Floats

AHEAD_S: Final = 0.04  # made at once; half a flick phase, so that little is thrown away
DROPOUT_S: Final = (0.1e-3, 0.35e-3)  # how long a wiper lifts: 1 to 3 samples at 10 kS/s
ROUGH_PERIODS: Final = (1.13, 2.71, 4.87)  # counts; no two have a common multiple within the travel
KEPT_BLOCKS: Final = 8000  # a minute at 10 kS/s
MOVES_COUNTS_S: Final = 50.0  # slower than this a wiper does not lift


@dataclass(frozen=True, slots=True)
class SampleClock:
    """When conversion number n is made, in true time."""

    begin_s: float
    period_s: float

    def time(self, number: int) -> float:
        return self.begin_s + number * self.period_s

    def count(self, time_s: float) -> int:
        """Conversions made up to and at an instant."""
        return max(0, math.floor((time_s - self.begin_s) / self.period_s + 1e-6) + 1)


class Sampler:
    """Codes of a stream of one stick. `begin`, then `codes` in order; `forget` when motion or laws change from an instant on."""

    def __init__(self, settings: RigSettings, mechanism: Mechanism, random: np.random.Generator) -> None:
        self.law = ConverterLaw(noise_v=settings.noise_v, supply_v=settings.supply_v)
        self.law_since_s = 0.0
        self.signals: tuple[SignalLaw, ...] = ()
        self.clock = SampleClock(0.0, 1.0 / settings.sample_rate_hz)
        self._settings = settings
        self._mechanism = mechanism
        self._random = random
        self._first = 0
        self._made = np.empty((0, 2), dtype=np.uint16)
        self._nodes: Floats = np.empty((0, 2))
        self._node_before: Floats = np.full(2, np.nan)
        self._kept: list[NDArray[np.uint16]] = []
        self._replay = np.empty((0, 2), dtype=np.uint16)

    def begin(self, time_s: float, clock: ClockLaw) -> None:
        """Start a stream at this instant; the nodes are taken as settled."""
        period_s = 1.0 / (self._settings.sample_rate_hz * (1.0 + clock.error) * (1.0 + clock.sampler_error))
        self.clock = SampleClock(time_s, period_s)
        self._first = 0
        self._made, self._nodes = np.empty((0, 2), dtype=np.uint16), np.empty((0, 2))
        self._node_before = np.full(2, np.nan)
        if self._kept:
            self._replay = np.concatenate(self._kept)
        self._kept = []

    def forget(self, time_s: float) -> None:
        """Throw away what was made for instants after this one."""
        keep = min(len(self._made), max(0, self.clock.count(time_s) - self._first))
        self._made, self._nodes = self._made[:keep], self._nodes[:keep]

    def codes(self, first: int, count: int, planned_until_s: float) -> NDArray[np.uint16]:
        """Conversions first to first + count - 1, shape (count, 2). planned_until_s: nothing is known to happen before it."""
        end = first + count
        while self._first + len(self._made) < end:
            begin = self._first + len(self._made)
            ahead = self.clock.count(min(planned_until_s, self.clock.time(begin) + AHEAD_S))
            self._make(begin, max(end, ahead))
        chosen = self._made[first - self._first : end - self._first]
        self._drop_before(end)
        return self._replayed(first, chosen) if any(law.ill == "replayed" for law in self.signals) else chosen

    def keep(self, codes: NDArray[np.uint16]) -> None:
        """Remember the beginning of what was sent, so that an ill rig can send it again as the next stream."""
        if len(self._kept) < KEPT_BLOCKS:
            self._kept.append(codes)

    # --- inside

    def _drop_before(self, number: int) -> None:
        """Let go what nobody will ask for again; with a law that doubles conversions, a few more are kept."""
        gone = number - self._first - self.law.lost
        if gone > 0:
            self._node_before = self._nodes[gone - 1]
            self._made, self._nodes, self._first = self._made[gone:], self._nodes[gone:], number

    def _make(self, begin: int, end: int) -> None:
        before = self._nodes[-1] if len(self._nodes) else self._node_before
        times_s = np.arange(begin - 1, end, dtype=np.float64) * self.clock.period_s
        times_s += self.clock.begin_s
        volts = self._volts(times_s, before)
        self._nodes = np.concatenate([self._nodes, volts])
        self._made = np.concatenate([self._made, self._converted(volts, times_s[1:])])

    def _converted(self, volts: Floats, times_s: Floats) -> NDArray[np.uint16]:
        law, settings = self.law, self._settings
        reference_v = true_reference_v(law, settings.reference_v, float(times_s[0]) - self.law_since_s)
        noise_v = law.noise_v * self._random.standard_normal(volts.shape)
        stick = self._mechanism.stick
        if stick is not None and stick.swapped:
            volts = volts[:, ::-1]
        if self.signals:
            volts = np.stack([disturbed(self.signals, axis, volts[:, axis], times_s, self._random) for axis in range(2)], axis=1)
        return coded(self.signals, converted(law, volts, reference_v, settings.bits, noise_v), settings.bits)

    def _volts(self, times_s: Floats, before: Floats) -> Floats:
        """Node volts at times_s[1:], shape (n, 2); times_s[0] is the sample before, `before` the nodes there (NaN: settled)."""
        stick = self._mechanism.stick
        if stick is None:
            return np.zeros((len(times_s) - 1, 2))
        fine = substeps(self.clock.period_s) if any(axis.capacitance_f for axis in stick.axes()) else 1
        grid_s = times_s if fine == 1 else np.linspace(times_s[0], times_s[-1], (len(times_s) - 1) * fine + 1)
        levels = wiper_levels(stick, [path.position(grid_s) for path in self._mechanism.paths])
        supply_v: float | Floats = self.law.supply_v
        if self.law.sag_v_s:
            supply_v = supply_v - self.law.sag_v_s * np.maximum(0.0, grid_s - self.law_since_s)
        step_s = self.clock.period_s / fine
        made = [
            self._axis_volts(axis, level, supply_v, step_s, start)[fine - 1 :: fine]
            for axis, level, start in zip(stick.axes(), levels, before, strict=True)
        ]
        return np.stack(made, axis=1)

    def _axis_volts(self, axis: AxisProperties, level: Floats, supply_v: float | Floats, step_s: float, start: float) -> Floats:
        lifted = self._lifted(axis, level, step_s) if axis.dropout_hz else None
        if axis.wiper_noise_counts:
            level = level + axis.wiper_noise_counts * self._random.standard_normal(len(level))
        electric = Axis(axis.track_ohm, axis.series_ohm, axis.capacitance_f, self._settings.input_ohm)
        open_v, ohm = source(electric, np.clip(level / TRACK_COUNTS, 0.0, 1.0), supply_v, lifted)
        return node(electric, open_v, ohm, step_s, float(open_v[0]) if math.isnan(start) else start)

    def _lifted(self, axis: AxisProperties, level: Floats, step_s: float) -> NDArray[np.bool_]:
        """Where the wiper has lifted off the track: only while it moves, each time for one to three samples at 10 kS/s."""
        moving = np.abs(np.gradient(level, step_s)) > MOVES_COUNTS_S if len(level) > 1 else np.zeros(len(level), dtype=bool)
        lifted = np.zeros(len(level), dtype=bool)
        for index in np.flatnonzero(moving & (self._random.random(len(level)) < axis.dropout_hz * step_s)):
            long_s = self._random.uniform(*DROPOUT_S)
            lifted[index : index + max(1, round(long_s / step_s))] = True
        return lifted

    def _replayed(self, first: int, codes: NDArray[np.uint16]) -> NDArray[np.uint16]:
        again = codes.copy()
        known = self._replay[first : first + len(codes)]
        again[: len(known)] = known
        return again


def wiper_levels(stick: StickProperties, deflections: Sequence[Floats]) -> list[Floats]:
    """Counts of the track under both wipers from both deflections: rest, coupling, roughness, direction; 2 arrays of shape (n,)."""
    x, y = deflections
    shown = (x + stick.coupling_x * y, y + stick.coupling_y * x)
    signs = (-1 if stick.reversed_x else 1, -1 if stick.reversed_y else 1)
    return [_level(axis, sign * counts) for axis, sign, counts in zip(stick.axes(), signs, shown, strict=True)]


def _level(axis: AxisProperties, counts: Floats) -> Floats:
    if axis.dead:
        return np.full(len(counts), axis.rest_counts)
    if not axis.rough_counts:
        return axis.rest_counts + counts
    rough = sum(np.sin(2.0 * np.pi * counts / period) for period in ROUGH_PERIODS)
    return axis.rest_counts + counts + axis.rough_counts * math.sqrt(2.0 / len(ROUGH_PERIODS)) * rough
