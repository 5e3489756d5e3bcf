"""One axis of a stick that is free: mass, spring, viscous damping and dry friction, in closed form.

Between two reversals the friction force is constant, so that the motion is a damped swing about a centre displaced by friction over
stiffness; every reversal begins a new swing, until the spring can no longer overcome static friction and the stick lies still, not always
at its neutral place (standard vibration texts: free vibration with dry friction). Nothing is integrated in steps: a swing is evaluated at
any instant, alone or for many instants at once. Positions are counts from the spring's neutral place; the unit only has to be the same
everywhere.
"""

import math
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from station.records import Floats

STILL_COUNTS: Final = 1e-4  # a swing smaller than this is called still: a thousandth of what a 12-bit converter resolves
SWINGS_MAX: Final = 400  # bounds the list; at a damping ratio of 0.03 a swing of 100 counts needs 150 to fall below STILL_COUNTS
CRITICAL: Final = 1e-6  # damping this near to critical is moved off it, where the two closed forms would divide by zero


@dataclass(frozen=True, slots=True)
class Dynamics:
    """One release's figures. friction, stiction: force over stiffness, in counts, kinetic and static; stiction is at least friction."""

    natural_rad_s: float
    damping_ratio: float
    friction_counts: float = 0.0
    stiction_counts: float = 0.0

    @property
    def holds_counts(self) -> float:
        """Distance from neutral at which a stick that has stopped stays."""
        return max(self.friction_counts, self.stiction_counts)


class Segment(Protocol):
    """A stretch of motion that holds from begin_s until the next segment begins."""

    @property
    def begin_s(self) -> float: ...

    def position(self, times_s: Floats) -> Floats:
        """Counts at each instant; times_s shape (n,), none before begin_s."""
        ...

    def velocity(self, time_s: float) -> float:
        """Counts per second."""
        ...


@dataclass(frozen=True, slots=True)
class Still:
    begin_s: float
    counts: float

    def position(self, times_s: Floats) -> Floats:
        return np.full(len(times_s), self.counts)

    def velocity(self, time_s: float) -> float:
        return 0.0


@dataclass(frozen=True, slots=True)
class Swing:
    """Underdamped: centre + exp(-decay t) (a cos(ring t) + b sin(ring t)), t from begin_s."""

    begin_s: float
    centre: float
    a: float
    b: float
    decay: float
    ring: float

    def position(self, times_s: Floats) -> Floats:
        t = times_s - self.begin_s
        phase = self.ring * t
        shape: Floats = np.exp(-self.decay * t) * (self.a * np.cos(phase) + self.b * np.sin(phase))
        return shape + self.centre

    def velocity(self, time_s: float) -> float:
        t = time_s - self.begin_s
        cos, sin = math.cos(self.ring * t), math.sin(self.ring * t)
        along = self.ring * (self.b * cos - self.a * sin) - self.decay * (self.a * cos + self.b * sin)
        return along * math.exp(-self.decay * t)

    def turns_after_s(self) -> float:
        """Time from begin_s to the first later reversal."""
        angle = math.atan2(self.ring * self.b - self.decay * self.a, self.ring * self.a + self.decay * self.b)
        angle %= math.pi
        return (angle if angle > 1e-9 else math.pi) / self.ring


@dataclass(frozen=True, slots=True)
class Creep:
    """Overdamped: centre + slow exp(-slow_rate t) + fast exp(-fast_rate t)."""

    begin_s: float
    centre: float
    slow: float
    fast: float
    slow_rate: float
    fast_rate: float

    def position(self, times_s: Floats) -> Floats:
        t = times_s - self.begin_s
        return self.centre + self.slow * np.exp(-self.slow_rate * t) + self.fast * np.exp(-self.fast_rate * t)

    def velocity(self, time_s: float) -> float:
        t = time_s - self.begin_s
        return -self.slow_rate * self.slow * math.exp(-self.slow_rate * t) - self.fast_rate * self.fast * math.exp(-self.fast_rate * t)

    def turns_after_s(self) -> float:
        """Time from begin_s to the only possible reversal, infinity when there is none."""
        ratio = -self.fast_rate * self.fast / (self.slow_rate * self.slow) if self.slow else 0.0
        return math.log(ratio) / (self.fast_rate - self.slow_rate) if ratio > 1.0 + 1e-9 else math.inf


def swing_from(begin_s: float, centre: float, counts: float, velocity: float, dynamics: Dynamics) -> Swing | Creep:
    """The motion about `centre` that begins with this position and velocity."""
    omega, zeta = dynamics.natural_rad_s, dynamics.damping_ratio
    if abs(zeta - 1.0) < CRITICAL:
        zeta = 1.0 + CRITICAL
    away, decay = counts - centre, zeta * omega
    if zeta < 1.0:
        ring = omega * math.sqrt(1.0 - zeta * zeta)
        return Swing(begin_s, centre, away, (velocity + decay * away) / ring, decay, ring)
    spread = omega * math.sqrt(zeta * zeta - 1.0)
    slow_rate, fast_rate = decay - spread, decay + spread
    slow = (velocity + fast_rate * away) / (fast_rate - slow_rate)
    return Creep(begin_s, centre, slow, away - slow, slow_rate, fast_rate)


def position_at(segment: Segment, time_s: float) -> float:
    """Counts at one instant."""
    return float(segment.position(np.array([time_s]))[0])


def free_motion(begin_s: float, counts: float, velocity: float, dynamics: Dynamics) -> tuple[Segment, ...]:
    """All segments of a free stick, from this state until it lies still or swings on without friction."""
    segments: list[Segment] = []
    time_s = begin_s
    while len(segments) < SWINGS_MAX:
        if velocity == 0.0 and abs(counts) <= max(dynamics.holds_counts, STILL_COUNTS):
            break
        direction = math.copysign(1.0, velocity if velocity != 0.0 else -counts)
        swing = swing_from(time_s, -direction * dynamics.friction_counts, counts, velocity, dynamics)
        segments.append(swing)
        time_s += swing.turns_after_s()
        if dynamics.holds_counts == 0.0 or math.isinf(time_s):
            return tuple(segments)
        counts, velocity = position_at(swing, time_s), 0.0
    return (*segments, Still(time_s, counts))


def overshoot(damping_ratio: float) -> float:
    """Far-side peak over initial deflection of a frictionless underdamped stick: exp(-pi zeta / sqrt(1 - zeta^2)), the closed form."""
    return math.exp(-math.pi * damping_ratio / math.sqrt(1.0 - damping_ratio**2))


def damping_for(overshoot_share: float) -> float:
    """Inverse of `overshoot`: the damping ratio that gives this share, 0 < share < 1."""
    log = math.log(overshoot_share)
    return -log / math.hypot(math.pi, log)
