"""What a stick does when it is let go: its figures for this one release, and the case in which it throws a limp finger aside."""

import math
from typing import Final

import numpy as np

from rigs.emulated.stick import Dynamics, Segment, Still, Swing, free_motion, position_at, swing_from
from rigs.emulated.units import AxisProperties

DRAG: Final = 1.6  # a stick that drives the limp finger before it is slower by the root of the mass ratio; chosen on emulated data
WARM_UP_S: Final = 2.0  # after so long without a release the grease has set again; chosen on emulated data
WARM_UP_FLICKS: Final = 2.0
DAMPING_MIN: Final = 0.0


class Grease:
    """Flick-to-flick spread of one axis; damping is a little higher until a few flicks have loosened the grease."""

    def __init__(self, random: np.random.Generator) -> None:
        self._random = random
        self._recent_s: list[float] = []

    def dynamics(self, time_s: float, axis: AxisProperties, sign: int) -> Dynamics:
        """Figures of a release at this instant from the side `sign`."""
        draw = self._random.standard_normal(3)
        if self._recent_s and time_s - self._recent_s[-1] > WARM_UP_S:
            self._recent_s.clear()
        stiff = 1.0 + axis.warm_up * math.exp(-len(self._recent_s) / WARM_UP_FLICKS)
        self._recent_s = [*self._recent_s[-20:], time_s]
        mean = axis.damping(sign)
        damping = max(DAMPING_MIN, mean * stiff + axis.damping_spread * float(draw[0]))
        ring_rad_s = 2.0 * math.pi * axis.ring_hz * max(0.2, 1.0 + axis.ring_spread * float(draw[1]))
        natural_rad_s = ring_rad_s / math.sqrt(1.0 - mean**2) if mean < 0.99 else ring_rad_s
        friction = axis.friction_counts * max(0.0, 1.0 + axis.friction_spread * float(draw[2]))
        return Dynamics(natural_rad_s, damping, friction, max(axis.stiction_counts, friction))


def thrown(time_s: float, counts: float, dynamics: Dynamics) -> tuple[Segment, ...]:
    """From a held place, the finger gone limp: the stick drives it before it up to the neutral place and goes on alone."""
    if abs(counts) <= dynamics.holds_counts:
        return (Still(time_s, counts),)
    heavy = Dynamics(dynamics.natural_rad_s / DRAG, dynamics.damping_ratio / DRAG, dynamics.friction_counts, dynamics.stiction_counts)
    first = swing_from(time_s, math.copysign(heavy.friction_counts, counts), counts, 0.0, heavy)
    if not isinstance(first, Swing):
        return free_motion(time_s, counts, 0.0, heavy)
    alone_s = time_s + (math.atan2(first.a, -first.b) % math.pi) / first.ring
    return (first, *free_motion(alone_s, position_at(first, alone_s), first.velocity(alone_s), dynamics))
