"""Recordings with known truth: sticks flicked, filtered, sampled. Plain numpy; nothing of the product computes anything here.

A stick let go from rest at its reach R swings back as a second-order system (closed form, standard vibration theory): deflection

    d(t) = shift + (R - shift) * exp(-zeta w t) * (cos wd t + zeta w / wd * sin wd t),   overshoot ratio exp(-pi zeta / sqrt(1 - zeta^2))

With a capacitor the node follows C * (R_track * a * (1 - a) + R_series) * dv/dt = V * a - v, integrated here in steps of at most 10 us.
The truth of every flick is read off the noise-free node on a 10 us grid.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from station.quantities import GROUPS
from station.records import CommandedFlick, Recording

Array = NDArray[np.float64]
FINE_S = 1e-5


@dataclass(frozen=True)
class Scene:
    """What is simulated. Counts are of the host's converter (supply_v / 256 by default). Pairs are (x, y); peaks may be given per group.

    peak_counts: mean far-side peak without a capacitor, per group; 0 makes an overdamped stick. peak_sd_counts: flick to flick.
    order: group of every flick in time. interval_s: from push to push. push_s, hold_s: duration of the push and of the hold.
    noise_v: rms of white noise. bits, reference_v: the sampler; bits 0 gives unquantised volts.
    """

    rate_hz: float = 8000.0
    supply_v: float = 3.3
    host_bits: int = 8
    bits: int = 12
    reference_v: float = 3.3
    noise_v: float = 0.002
    rest_counts: tuple[float, float] = (128.1, 127.6)
    reach_counts: dict[str, float] = field(default_factory=dict)  # 77 where not given
    peak_counts: dict[str, float] = field(default_factory=dict)  # 15 where not given
    peak_sd_counts: float = 0.6
    ring_hz: float = 60.0
    shift_counts: dict[str, float] = field(default_factory=dict)  # rest shift, held side positive
    coupling: float = 0.0  # share of the deflection that shows on the other axis
    bump_counts: float = 0.0  # what the other axis strays beyond its coupling, at its largest
    capacitance_f: tuple[float, float] = (0.0, 0.0)
    track_ohm: float = 10000.0
    series_ohm: float = 0.0
    order: Sequence[str] = ("x+", "x-", "y+", "y-") * 10
    lead_s: float = 0.25
    push_s: float = 0.012
    hold_s: float = 0.06
    interval_s: float = 0.25
    tail_s: float = 0.03
    diagonal: bool = False  # the other axis is held, and let go, with the pushed one

    @property
    def count_v(self) -> float:
        return float(self.supply_v / 2**self.host_bits)


@dataclass(frozen=True)
class TrueFlick:
    """Noise-free figures of one flick, by the definitions of the product's manual."""

    group: str
    t_release_s: float
    reach_counts: float
    peak_counts: float
    over_zone_s: float
    return_s: float
    settle_s: float
    final_counts: float


@dataclass(frozen=True)
class Simulated:
    recording: Recording
    flicks: tuple[TrueFlick, ...]
    clean_v: Array  # shape (2, n), before noise and quantisation
    scene: Scene
    push_s: Array  # when each push begins
    release_s: Array  # when the finger lets go

    def commanded(self) -> Recording:
        """The recording of a run: with the order of its flicks."""
        firsts = ((self.push_s - 0.002) * self.scene.rate_hz).astype(int).tolist()
        orders = tuple(CommandedFlick(group, first) for group, first in zip(self.scene.order, firsts, strict=True))
        return replace(self.recording, commanded=orders)


def damping_for(overshoot: Array) -> Array:
    """Damping ratio whose step response overshoots by this share; 1.2 (none) where it is 0."""
    log = np.log(np.maximum(overshoot, 1e-9))
    return np.where(overshoot > 0, -log / np.hypot(np.pi, log), 1.2)


def swing(t: Array, zeta: Array, ring_hz: float) -> Array:
    """Free response from 1 at rest, at times t >= 0; 1 before. Damped frequency ring_hz (natural, when overdamped)."""
    after = np.maximum(t, 0.0)
    wd = 2 * np.pi * ring_hz
    decay = zeta * wd / np.sqrt(np.maximum(1 - zeta**2, 1e-12))
    under = np.exp(-np.minimum(decay * after, 700.0)) * (np.cos(wd * after) + decay / wd * np.sin(wd * after))
    root = np.sqrt(np.maximum(zeta**2 - 1, 1e-12))
    slow, fast = wd * (zeta - root), wd * (zeta + root)
    over = (fast * np.exp(-slow * after) - slow * np.exp(-fast * after)) / (fast - slow)
    return np.where(t <= 0, 1.0, np.where(zeta < 1, under, over))


def simulate(
    scene: Scene,
    seed: int | np.random.Generator = 0,
    with_truth: bool = True,
    neutral_zone_counts: float = 22.0,
    settle_band_counts: float = 4.0,
) -> Simulated:
    """One recording of `scene`, and the truth of its flicks (empty when with_truth is False)."""
    rng = np.random.default_rng(seed)
    motion = _Motion(scene, rng)
    n = round((scene.lead_s + len(scene.order) * scene.interval_s + scene.tail_s) * scene.rate_hz)
    clean = _sampled(scene, motion, n)
    noisy = clean + rng.normal(0.0, scene.noise_v, clean.shape) if scene.noise_v > 0 else clean.copy()
    step = scene.reference_v / 2**scene.bits if scene.bits else 0.0
    volts = quantised(noisy, step, scene.reference_v)
    recording = Recording(scene.rate_hz, volts[0], volts[1], scene.supply_v, step)
    flicks = tuple(_truth(scene, motion, neutral_zone_counts, settle_band_counts)) if with_truth else ()
    return Simulated(recording, flicks, clean, scene, motion.push, motion.release)


def quantised(volts: Array, step: float, reference_v: float) -> Array:
    """Codes of an ideal converter, back in volts; untouched when step is 0."""
    if step <= 0:
        return volts
    return np.clip(np.rint(volts / step), 0, round(reference_v / step) - 1) * step


class _Motion:
    """When every flick is pushed and let go, and how its stick swings."""

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        count = len(scene.order)
        self.groups = list(scene.order)
        self.axis = np.array([GROUPS.index(g) // 2 for g in scene.order])
        self.sign = np.array([1.0 if g[1] == "+" else -1.0 for g in scene.order])
        self.reach = np.array([scene.reach_counts.get(g, 77.0) for g in scene.order])
        mean = np.array([scene.peak_counts.get(g, 15.0) for g in scene.order])
        peak = np.where(mean > 0, np.maximum(mean + scene.peak_sd_counts * rng.standard_normal(count), 0.02), 0.0)
        self.shift = np.array([scene.shift_counts.get(g, 0.0) for g in scene.order])
        self.zeta = damping_for(peak / self.reach)
        self.push = scene.lead_s + scene.interval_s * np.arange(count) + rng.uniform(0, 0.004, count)
        self.release = self.push + scene.push_s + scene.hold_s

    def deflection(self, flick: int, t: Array, scene: Scene, before: float = 0.0) -> Array:
        """Deflection of flick `flick` in counts, held side positive, at times t; `before` is where the stick lay."""
        reach, shift = self.reach[flick], self.shift[flick]
        rise = np.clip((t - self.push[flick]) / scene.push_s, 0.0, 1.0)
        pushed = before + (reach - before) * 0.5 * (1 - np.cos(np.pi * rise))
        freed = shift + (reach - shift) * swing(t - self.release[flick], self.zeta[flick], scene.ring_hz)
        return np.asarray(np.where(t < self.release[flick], pushed, freed))


def _sampled(scene: Scene, motion: _Motion, n: int) -> Array:
    """Noise-free node volts, shape (2, n)."""
    factor = [max(1, int(np.ceil(1.0 / scene.rate_hz / FINE_S))) if c > 0 else 1 for c in scene.capacitance_f]
    counts = [_wiper(scene, motion, axis, (n - 1) * k + 1, scene.rate_hz * k) for axis, k in enumerate(factor)]
    nodes = [_node(scene, c, axis, scene.rate_hz * k)[::k] for axis, (c, k) in enumerate(zip(counts, factor, strict=True))]
    return np.stack(nodes)


def _wiper(scene: Scene, motion: _Motion, axis: int, n: int, rate_hz: float) -> Array:
    """Wiper level of one axis in counts."""
    level = np.full(n, scene.rest_counts[axis])
    lying = 0.0
    for flick in range(len(motion.groups)):
        first = int(np.ceil((motion.push[flick] - 1e-12) * rate_hz))
        last = n if flick + 1 == len(motion.groups) else min(n, int(np.ceil((motion.push[flick + 1] - 1e-12) * rate_hz)))
        t = np.arange(first, last) / rate_hz
        sign = motion.sign[flick]
        if motion.axis[flick] == axis or scene.diagonal:
            level[first:last] = scene.rest_counts[axis] + sign * motion.deflection(flick, t, scene, sign * lying)
            lying = sign * motion.shift[flick]
        else:
            level[first:last] = scene.rest_counts[axis] + lying + _stray(scene, motion, flick, t)
    return level


def _stray(scene: Scene, motion: _Motion, flick: int, t: Array) -> Array:
    """What the other axis shows: its share of the deflection, and a bump of half a ring period after release."""
    if scene.coupling == 0.0 and scene.bump_counts == 0.0:
        return np.zeros_like(t)
    phase = (t - motion.release[flick]) * scene.ring_hz
    bump = np.where((phase > 0) & (phase < 1), scene.bump_counts * np.sin(np.pi * np.clip(phase, 0, 1)) ** 2, 0.0)
    return scene.coupling * motion.deflection(flick, t, scene) + bump


def _node(scene: Scene, wiper_counts: Array, axis: int, rate_hz: float) -> Array:
    volts = wiper_counts * scene.count_v
    farads = scene.capacitance_f[axis]
    return volts if farads <= 0 else filtered(volts, rate_hz, farads, scene.supply_v, scene.track_ohm, scene.series_ohm)


def filtered(wiper_v: Array, rate_hz: float, farads: float, supply_v: float, track_ohm: float, series_ohm: float) -> Array:
    """Node volts for wiper volts, shape (..., n), settled at first. Exact for a source that moves on a line within each step."""
    a = np.clip(wiper_v / supply_v, 0.0, 1.0)
    tau = farads * np.maximum(track_ohm * a * (1 - a) + series_ohm, 1e-3)
    x = 1.0 / rate_hz / (0.5 * (tau[..., 1:] + tau[..., :-1]))
    keep = np.exp(-np.minimum(x, 700.0))
    mean = (1 - keep) / x
    push = wiper_v[..., :-1] * (mean - keep) + wiper_v[..., 1:] * (1 - mean)
    node = np.empty_like(wiper_v)
    node[..., 0] = level = wiper_v[..., 0]
    if wiper_v.ndim == 1:
        node[1:] = _recurrence(keep.tolist(), push.tolist(), float(level))
        return node
    for i in range(wiper_v.shape[-1] - 1):
        level = keep[..., i] * level + push[..., i]
        node[..., i + 1] = level
    return node


def _recurrence(keep: list[float], push: list[float], level: float) -> list[float]:
    out = []
    for k, p in zip(keep, push, strict=True):
        level = k * level + p
        out.append(level)
    return out


def _truth(scene: Scene, motion: _Motion, zone: float, band: float) -> list[TrueFlick]:
    out = []
    lying = np.zeros(2)
    for flick, group in enumerate(motion.groups):
        axis, sign = motion.axis[flick], motion.sign[flick]
        start = motion.release[flick] - 0.012
        end = motion.push[flick + 1] if flick + 1 < len(motion.groups) else motion.push[flick] + scene.interval_s
        t = np.arange(start, end, FINE_S)
        wiper = scene.rest_counts[axis] + sign * motion.deflection(flick, t, scene, sign * lying[axis])
        node = _node(scene, wiper * 1.0, axis, 1 / FINE_S) / scene.count_v
        out.append(true_figures(group, t, sign * (node - scene.rest_counts[axis]), motion.reach[flick], zone, band))
        lying[axis] = sign * motion.shift[flick]
    return out


def true_figures(group: str, t: Array, d: Array, reach: float, zone: float, band: float) -> TrueFlick:
    """Figures of a noise-free deflection d on a fine grid t that begins during the hold."""
    below = int(np.argmax(d < 0.1 * reach))
    above = below - int(np.argmax(d[below::-1] >= 0.9 * reach))
    release, low = _crossing(t, d, above, 0.9 * reach), _crossing(t, d, below - 1, 0.1 * reach)
    final = float(np.mean(d[-max(1, int(0.2 * (t[-1] - release) / FINE_S)) :]))
    outside = np.flatnonzero(np.abs(d - final) > band)
    settle = float(t[min(outside[-1] + 1, len(t) - 1)] - release)
    peak = max(0.0, float(-np.min(d[below:])))
    over = float(np.sum(-d[below:] > zone) * FINE_S)
    return TrueFlick(group, release, reach, peak, over, low - release, settle, final)


def _crossing(t: Array, d: Array, i: int, level: float) -> float:
    return float(t[i] + (d[i] - level) / (d[i] - d[i + 1]) * (t[i + 1] - t[i]))


def write_csv(path: str, recording: Recording) -> None:
    """The recording as the contract's CSV: t_s,x_v,y_v."""
    t = recording.t_first_s + np.arange(len(recording.x_v)) / recording.rate_hz
    table = np.column_stack([t, recording.x_v, recording.y_v])
    np.savetxt(path, table, fmt="%.7f,%.5f,%.5f", header="t_s,x_v,y_v", comments="")


def with_samples(recording: Recording, x_v: Array | None = None, y_v: Array | None = None) -> Recording:
    """The same recording with other samples."""
    return replace(recording, x_v=recording.x_v if x_v is None else x_v, y_v=recording.y_v if y_v is None else y_v)
