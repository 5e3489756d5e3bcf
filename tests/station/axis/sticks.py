"""Sticks of known truth for the axis tests: a released second-order stick as a function of time, in wiper fractions."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from station.records import Floats

SUPPLY_V, TRACK_OHM, COUNTS = 3.3, 10_000.0, 256
COUNT_V = SUPPLY_V / COUNTS


@dataclass(frozen=True)
class Stick:
    """Held at reach, let go at release_s, then a free damped oscillation about rest (closed form)."""

    ring_hz: float = 60.0
    damping: float = 0.35
    reach_counts: float = 77.0
    rest_counts: float = 128.0
    side: int = 1
    release_s: float = 0.03

    def deflection(self, t: Floats) -> Floats:
        """Deflection in counts, held side positive."""
        omega = 2.0 * np.pi * self.ring_hz
        free = omega * np.sqrt(1.0 - self.damping**2)
        s = np.maximum(np.asarray(t) - self.release_s, 0.0)
        return self.reach_counts * np.exp(-self.damping * omega * s) * (np.cos(free * s) + self.damping * omega / free * np.sin(free * s))

    def wiper(self, t: Floats) -> Floats:
        return (self.rest_counts + self.side * self.deflection(t)) / COUNTS


def times(rate_hz: float, length_s: float = 0.16) -> Floats:
    return np.arange(round(length_s * rate_hz)) / rate_hz


def sampled(node_v: Floats, rng: np.random.Generator, bits: int = 12, noise_v: float = 0.002) -> Floats:
    """What a sampler of so many bits over the supply makes of node voltages with so much noise."""
    step = SUPPLY_V / 2**bits
    return np.round((node_v + noise_v * rng.standard_normal(node_v.shape)) / step) * step


def adaptive(wiper: Callable[[Floats], Floats], farads: float, t: Floats, series_ohm: float = 0.0, track_ohm: float = TRACK_OHM) -> Floats:
    """Node voltage by scipy's adaptive integrator, rtol 1e-10."""
    from scipy.integrate import solve_ivp

    def slope(s: float, v: Floats) -> Floats:
        a = wiper(np.asarray(s))
        return (SUPPLY_V * a - v) / (farads * (track_ohm * a * (1.0 - a) + series_ohm))

    start = [SUPPLY_V * float(wiper(t[:1])[0])]
    answer = solve_ivp(slope, (t[0], t[-1]), start, method="LSODA", rtol=1e-10, atol=1e-12, t_eval=t, max_step=0.001)
    return np.asarray(answer.y[0])
