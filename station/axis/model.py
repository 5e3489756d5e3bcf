"""Physics of one axis: a wiper on a track, an optional capacitor from the node to ground.

A wiper at fraction a of a track of resistance R across supply V is a source V*a behind R_s(a) = R*a*(1-a) + series
(Thevenin equivalent of the two track halves). With C from the node to ground

    C * R_s(a(t)) * dv/dt = V*a(t) - v(t)

Forward (wiper to node) the equation is linear in v and is stepped exactly for a source that varies smoothly inside a step; backward
(node to wiper) it is a quadratic in a at every instant.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from station.axis.smoothing import smooth_and_slope, window_for_return
from station.records import Floats

TINY_F: Final = 1e-18  # stands for "no capacitor": a time constant of femtoseconds, derivation: far below any sample interval
RAIL_SHARE: Final = (
    1e-9  # floor of R_s as a share of the track, keeps logarithms finite at the rails; derivation: time constant of picoseconds
)
NEAR: Final = 1e-9  # distance from the removable singularity of the step; derivation: rounding errors there stay below 1e-6 of a step
SMALL_DECAY: Final = 1e-4  # below it the closed form of psi loses more than its series; derivation: K**2/24 against 1e-16/K**2
BLOCK: Final = 48  # steps worked on at once: a few hundred kilobytes for a whole unit, so that they stay in the cache


def source_resistance_ohm(a: ArrayLike, track_ohm: ArrayLike, series_ohm: float) -> Floats:
    """Thevenin resistance of the wiper at fraction a (any shape), ohms. Fractions beyond the rails count as at the rail."""
    inside = np.clip(np.asarray(a, dtype=np.float64), 0.0, 1.0)
    return np.asarray(np.asarray(track_ohm) * inside * (1.0 - inside) + series_ohm, dtype=np.float64)


def node_from_wiper(
    a: ArrayLike,
    rate_hz: float,
    capacitance_f: ArrayLike,
    supply_v: float,
    track_ohm: float,
    series_ohm: float,
    v0: ArrayLike | None = None,
) -> Floats:
    """Node voltage for wiper fractions `a`, shape (..., n), sampled at rate_hz, with capacitance_f from node to ground.

    capacitance_f broadcasts against the leading shape of `a`: (k, 1) candidates against (m, n) samples give (k, m, n) volts.
    v0: node voltage at the first sample, default settled (V*a[0]). 0.0 farads gives V*a.

    Inside a step the wiper is a cubic through four samples and R_s a line of the same mean as R_s on that cubic, so that the step is exact
    in the exponential and fourth order in the samples. Accurate to 0.05 counts of 256 from 4 kS/s upward
    for sticks that ring at up to 90 Hz.
    """
    wiper = np.asarray(a, dtype=np.float64)
    farads = np.asarray(capacitance_f, dtype=np.float64)
    lead = np.broadcast_shapes(farads.shape, wiper.shape[:-1], (1,))
    ones = (1,) * (len(lead) - wiper.ndim + 1)
    samples_first = np.ascontiguousarray(np.moveaxis(wiper, -1, 0)).reshape(wiper.shape[-1], *ones, *wiper.shape[:-1])
    start = None if v0 is None else np.broadcast_to(np.asarray(v0, dtype=np.float64) / supply_v, lead)
    behind = _lag_behind(samples_first, rate_hz, np.maximum(farads, TINY_F), track_ohm, series_ohm, lead, start)
    behind += samples_first
    behind *= supply_v
    node = np.moveaxis(behind, 0, -1)
    return node if farads.ndim or wiper.ndim > 1 else node[0]


def _lag_behind(
    a: Floats, rate_hz: float, farads: Floats, track_ohm: float, series_ohm: float, lead: tuple[int, ...], start: Floats | None
) -> Floats:
    """w = v/V - a, samples first: shape (n, *lead). w' = -w/tau - a' goes by w[i+1] = keep[i]*w[i] + push[i], in blocks of steps."""
    w = np.empty((a.shape[0], *lead))
    w[0] = 0.0 if start is None else start - a[0]
    if a.shape[0] < 2:
        return w
    steps = _steps_per_farad(a, rate_hz, track_ohm, series_ohm)
    for first in range(0, len(w) - 1, BLOCK):
        decay_f, rise, push1, push0, bend = (one[first : first + BLOCK] for one in steps)
        keep, push = _block(decay_f, rise, push1, push0, bend, farads)
        for i in range(len(keep)):
            row = w[first + i + 1]
            np.multiply(keep[i], w[first + i], out=row)
            row += push[i]
    return w


def _steps_per_farad(a: Floats, rate_hz: float, track_ohm: float, series_ohm: float) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """What the step over each interval needs that no capacitance changes, each of shape (n-1, ...).

    On a line tau(s) = t0 + b*s and a slope m of `a`, w' = -w/tau - m has the closed solution w1 = E*w0 - m*(t1 - E*t0)/(1 + b) with
    E = exp(-K), K = ln(t1/t0)/b. With rise = ln(r1/r0) this is E*w0 - (a1 - a0)*share*(r1 - E*r0)/(K + rise), share = rise/(r1 - r0);
    returned are K times farads, rise, (a1 - a0)*share*r1, (a1 - a0)*share*r0, and 8 times the bend of `a` within the step.
    """
    bend = _mid_bend(a)
    floor = RAIL_SHARE * track_ohm
    r = np.maximum(source_resistance_ohm(a, track_ohm, series_ohm), floor)
    middle = source_resistance_ohm(0.5 * (a[:-1] + a[1:]) + bend, track_ohm, series_ohm)
    shift = (2.0 / 3.0) * (middle - 0.5 * (r[:-1] + r[1:]))  # a parabola's mean lies two thirds of its mid deviation off the chord
    r0, r1 = np.maximum(r[:-1] + shift, floor), np.maximum(r[1:] + shift, floor)
    rise = np.log(r1 / r0)
    share = _log_ratio_over_difference(r0, r1, rise)
    push = (a[1:] - a[:-1]) * share
    return share / rate_hz, rise, push * r1, push * r0, 8.0 * bend


def _block(decay_f: Floats, rise: Floats, push1: Floats, push0: Floats, bend: Floats, farads: Floats) -> tuple[Floats, Floats]:
    """Coefficients keep and push of a block of steps for each capacitance, shapes (steps, *lead)."""
    decay = decay_f * (1.0 / farads)  # K
    keep = np.negative(decay)
    np.exp(keep, out=keep)
    push = keep * push0
    push -= push1
    slowest = float(np.min(decay_f) / np.max(farads))
    push /= decay + rise if slowest + float(np.min(rise)) > NEAR else _off_zero(decay + rise, push, push1)
    push += bend * (_psi(decay, keep) if slowest > SMALL_DECAY else _psi_any(decay, keep))
    return keep, push


def _off_zero(divisor: Floats, push: Floats, push1: Floats) -> Floats:
    """The divisor K + rise, with the quotient's limit -push1 arranged where both it and `push` vanish (push is changed there)."""
    near = np.abs(divisor) < NEAR
    np.copyto(push, np.broadcast_to(-push1, push.shape), where=near)
    return np.where(near, 1.0, divisor)


def _mid_bend(a: Floats) -> Floats:
    """How far the cubic through four neighbours lies off the chord at the middle of each interval; a parabola at the ends."""
    bend = np.zeros_like(a[1:])
    if len(a) >= 4:
        bend[1:-1] = (a[1:-2] + a[2:-1] - a[:-3] - a[3:]) / 16.0
        bend[0] = (2.0 * a[1] - a[0] - a[2]) / 8.0
        bend[-1] = (2.0 * a[-2] - a[-1] - a[-3]) / 8.0
    return bend


def _log_ratio_over_difference(r0: Floats, r1: Floats, rise: Floats) -> Floats:
    """ln(r1/r0)/(r1 - r0), by its series where the two are nearly equal."""
    middle = 0.5 * (r0 + r1)
    x = (r1 - r0) / middle
    close = np.abs(x) < 1e-3
    return np.asarray(np.where(close, (1.0 + x * x / 12.0) / middle, rise / np.where(close, 1.0, r1 - r0)))


def _psi(decay: Floats, keep: Floats) -> Floats:
    """Integral of (1/2 - y)*exp(-K*y) over y in 0..1, closed form: answer of a step of constant tau to a parabola's slope."""
    inverse = 1.0 / decay
    psi = keep - 1.0
    psi *= inverse + 0.5
    psi += 1.0
    psi *= inverse
    return psi


def _psi_any(decay: Floats, keep: Floats) -> Floats:
    """The same by its first term K/12 where the closed form would cancel."""
    small = decay < SMALL_DECAY
    return np.asarray(np.where(small, decay / 12.0, _psi(np.where(small, 1.0, decay), np.where(small, 0.5, keep))))


def wiper_from_node(
    v_v: ArrayLike,
    rate_hz: float,
    capacitance_f: float,
    supply_v: float,
    track_ohm: ArrayLike,
    series_ohm: float,
    return_s: float | None = None,
) -> Floats:
    """Wiper fraction for node voltages v_v, shape (..., n), measured with capacitance_f fitted.

    return_s: return time of the traces (90 % to 10 %), sets the width of the local polynomials that give dv/dt; estimated from the traces
    when None. With no capacitor the answer is v/V, untouched. track_ohm broadcasts against v_v (as (k, 1, 1) for k tracks).
    Fractions are held within 0..1.
    """
    node = np.asarray(v_v, dtype=np.float64)
    if capacitance_f <= 0.0:
        return node / supply_v
    window_s = window_for_return(node, rate_hz, return_s)
    level, slope = smooth_and_slope(node, rate_hz, window_s)
    current = capacitance_f * slope
    drop = current * np.asarray(track_ohm, dtype=np.float64)
    known = level + current * series_ohm
    linear = supply_v - drop
    root = np.sqrt(np.maximum(linear * linear + 4.0 * drop * known, 0.0))
    return np.asarray(np.clip(2.0 * known / np.maximum(linear + root, 1e-12), 0.0, 1.0))
