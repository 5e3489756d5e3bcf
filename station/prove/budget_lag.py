"""Measurement equation of the added lag: a model return through the fitted part, measured as the station does, with something amiss."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from station.axis.lag import half_crossing_s
from station.axis.model import node_from_wiper, wiper_from_node
from station.errors import UsageError
from station.prove.budget_point import OperatingPoint
from station.records import Floats

STEP: Final = 1e-3  # of a central difference, as a share; derivation: the cubic term is 1e-6, rounding 1e-10
BEFORE_RETURNS: Final = 3.0  # held before the release, return times; as the station measures (station.measure.lag)
AFTER_RETURNS: Final = 4.0
GRID: Final = 20_000  # points of the unit response, over one ring period; the return time is then right to 1e-4


@dataclass(frozen=True, slots=True)
class LagErrors:
    """What the station takes for true and is not; shares, all 0.0: nothing amiss. clock_share: the sample clock is slow by it."""

    track_share: float = 0.0
    part_share: float = 0.0
    supply_share: float = 0.0
    clock_share: float = 0.0


def measured_lag_s(point: OperatingPoint, errors: LagErrors) -> float:
    """Added lag that is stated when the true circuit is the point's and the station reckons with circuit, supply and clock of `errors`.

    Raises UsageError without a capacitor, or when the model return never falls through one half.
    """
    if point.fitted_f <= 0.0:
        raise UsageError("fitted_f is 0; expected a capacitor, none adds no lag")
    node = _node(point)
    supply_v, slow = point.supply_v * (1.0 + errors.supply_share), 1.0 + errors.clock_share
    wiper = supply_v * wiper_from_node(
        node,
        point.rate_hz / slow,
        point.fitted_f * (1.0 + errors.part_share),
        supply_v,
        point.track_ohm * (1.0 + errors.track_share),
        point.series_ohm,
        point.return_s * slow,
    )
    count_v = point.supply_v / 2.0**point.bits
    rest_v, reach_v = point.rest_counts * count_v, point.reach_counts * count_v
    crossings = half_crossing_s((np.stack([node, wiper]) - rest_v) / reach_v, point.rate_hz)
    lag = float(slow * (crossings[0] - crossings[1]))
    if math.isnan(lag):
        raise UsageError(f"a return of {point.return_s:g} s never falls through one half at {point.rate_hz:g} Hz; expected a longer one")
    return lag


@lru_cache(maxsize=8)
def _node(point: OperatingPoint) -> Floats:
    """Volts at the node of the model return with the true circuit."""
    wiper = model_return(point)
    return np.asarray(
        node_from_wiper(wiper, point.rate_hz, point.fitted_f, point.supply_v, point.track_ohm, point.series_ohm), dtype=np.float64
    )


def model_return(point: OperatingPoint) -> Floats:
    """Wiper shares of a return: held, then a damped swing about rest whose far-side peak and return time are the point's."""
    overshoot = math.log(point.reach_counts / point.peak_counts)
    damping = overshoot / math.hypot(math.pi, overshoot)
    ring_rad_s = _unit_return(damping) / point.return_s
    before, after = (round(returns * point.return_s * point.rate_hz) for returns in (BEFORE_RETURNS, AFTER_RETURNS))
    time_s = np.arange(-before, after + 1) / point.rate_hz
    deflection = _swing(np.maximum(time_s, 0.0) * ring_rad_s, damping)
    return np.asarray((point.rest_counts + point.reach_counts * deflection) / 2.0**point.bits, dtype=np.float64)


def _swing(phase: Floats, damping: float) -> Floats:
    """Unit step down of a damped swing from rest at 1; phase: time times the ringing's angular frequency."""
    decay = damping / math.sqrt(1.0 - damping**2)
    return np.asarray(np.exp(-decay * phase) * (np.cos(phase) + decay * np.sin(phase)), dtype=np.float64)


def _unit_return(damping: float) -> float:
    """90 % to 10 % duration of the swing, as a phase."""
    phase = np.linspace(0.0, 2.0 * math.pi, GRID)
    level = _swing(phase, damping)
    high, low = (float(phase[int(np.argmax(level < share))]) for share in (0.9, 0.1))
    return low - high
