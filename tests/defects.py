"""A library of broken units, rigs and recordings, each with what a score must say of it. Seeded; every call draws another specimen."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from station.quantities import GROUPS
from station.records import Fitted, Recording
from tests.truth import Array, Scene, Simulated, quantised, simulate

Make = Callable[[np.random.Generator], Recording]


@dataclass(frozen=True)
class Defect:
    """reasons: that must be listed. verdict: what it must be. snapback: whether that code may appear. fitted: parts known to be in."""

    name: str
    verdict: str
    reasons: tuple[str, ...]
    make: Make
    snapback: bool = False
    fitted: Fitted = field(default_factory=Fitted)


def good_scene(rng: np.random.Generator, flicks: int = 12) -> Scene:
    """A stick and sampler with nothing wrong: peaks far inside the neutral zone."""
    return Scene(
        rate_hz=float(rng.choice([4000.0, 4800.0, 8000.0, 10_000.0])),
        bits=int(rng.choice([10, 12, 14])),
        noise_v=float(rng.uniform(0.0025, 0.004)),
        ring_hz=float(rng.uniform(45, 85)),
        peak_counts={group: float(rng.uniform(6, 13)) for group in GROUPS},
        peak_sd_counts=float(rng.uniform(0.3, 0.6)),
        reach_counts={group: float(rng.uniform(74, 80)) for group in GROUPS},
        rest_counts=(float(rng.uniform(125, 131)), float(rng.uniform(125, 131))),
        order=GROUPS * flicks,
        lead_s=0.25,
        interval_s=0.2,
    )


def good(rng: np.random.Generator) -> Recording:
    return simulate(good_scene(rng), rng, with_truth=False).recording


def _scene(**changes: object) -> Make:
    return lambda rng: simulate(replace(good_scene(rng), **changes), rng, with_truth=False).recording  # type: ignore[arg-type]


def _peaks(**peaks: float) -> Make:
    def make(rng: np.random.Generator) -> Recording:
        scene = good_scene(rng)
        named = {name.replace("p", "+").replace("m", "-"): value for name, value in peaks.items()}
        return simulate(replace(scene, peak_counts=scene.peak_counts | named), rng, with_truth=False).recording

    return make


def _reach(group: str, counts: float) -> Make:
    def make(rng: np.random.Generator) -> Recording:
        scene = good_scene(rng)
        return simulate(replace(scene, reach_counts=scene.reach_counts | {group: counts}), rng, with_truth=False).recording

    return make


def _rest(x: float | None = None, y: float | None = None) -> Make:
    def make(rng: np.random.Generator) -> Recording:
        scene = good_scene(rng)
        rest = (scene.rest_counts[0] if x is None else x, scene.rest_counts[1] if y is None else y)
        return simulate(replace(scene, rest_counts=rest), rng, with_truth=False).recording

    return make


def _volts(change: Callable[[Simulated, Array, np.random.Generator], None], commanded: bool = False, **scene: object) -> Make:
    """Change the volts in place, shape (2, n), after sampling."""

    def make(rng: np.random.Generator) -> Recording:
        made = simulate(replace(good_scene(rng), **scene), rng, with_truth=False)  # type: ignore[arg-type]
        volts = np.stack([made.recording.x_v, made.recording.y_v])
        change(made, volts, rng)
        base = made.commanded() if commanded else made.recording
        return replace(base, x_v=volts[0], y_v=volts[1])

    return make


def _noisy(axis: int, extra_v: float) -> Make:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        rough = made.clean_v[axis] + rng.normal(0, extra_v, volts.shape[1])
        volts[axis] = quantised(rough, made.recording.quantum_v, made.scene.reference_v)

    return _volts(change)


def _rough(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """Noise of 3.5 counts rms wherever the wiper is off its rest by more than 3 counts."""
    away = np.abs(made.clean_v[0] / made.scene.count_v - made.scene.rest_counts[0]) > 3
    hold = np.abs(np.gradient(made.clean_v[0])) < 1e-9
    rough = (
        made.clean_v[0] + rng.normal(0, 3.5 * made.scene.count_v, volts.shape[1]) * (away & ~hold) + rng.normal(0, 0.003, volts.shape[1])
    )
    volts[0] = quantised(rough, made.recording.quantum_v, made.scene.reference_v)


def _dropout(axis: int, after_release_s: float, seconds: float, level: float, samples: int = 0, flick: int = 0) -> Make:
    """The contact opens: level is a share of the supply. Flick: the given one of that axis."""

    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        mine = [k for k, group in enumerate(made.scene.order) if group[0] == "xy"[axis]]
        first = round((made.release_s[mine[flick]] + after_release_s) * made.scene.rate_hz)
        count = samples or max(1, round(seconds * made.scene.rate_hz))
        volts[axis, first : first + count] = level * made.scene.supply_v

    return _volts(change)


def _dead(axis: int, commanded: bool, side: str = "") -> Make:
    """The channel shows rest and noise, always or for the flicks of one side."""

    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        noise = np.asarray(rng.normal(0, made.scene.noise_v, volts.shape[1]))
        dead = quantised(noise + made.scene.rest_counts[axis] * made.scene.count_v, made.recording.quantum_v, made.scene.reference_v)
        for k, group in enumerate(made.scene.order):
            if group[0] == "xy"[axis] and side in ("", group[1]):
                first = round((made.push_s[k] - 0.001) * made.scene.rate_hz)
                last = first + round(made.scene.interval_s * made.scene.rate_hz)
                volts[axis, first:last] = dead[first:last]
        if not side:
            volts[axis] = dead

    return _volts(change, commanded)


def _stuck(axis: int, share: float, noise_v: float, commanded: bool = False) -> Make:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        level = share * made.scene.supply_v + rng.normal(0, noise_v, volts.shape[1]) if noise_v else np.full(volts.shape[1], share * 3.3)
        volts[axis] = np.clip(level, 0.0, made.scene.supply_v)

    return _volts(change, commanded)


def _both(level: Callable[[Simulated, np.random.Generator, int], Array], commanded: bool = False) -> Make:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        for axis in (0, 1):
            volts[axis] = level(made, rng, volts.shape[1])

    return _volts(change, commanded)


def _crossed(swap: bool, flip_x: bool, flip_y: bool) -> Make:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        for axis, flip in ((0, flip_x), (1, flip_y)):
            if flip:
                volts[axis] = 2 * made.scene.rest_counts[axis] * made.scene.count_v - volts[axis]
        if swap:
            volts[:] = volts[::-1].copy()

    return _volts(change, commanded=True)


def _frozen(axes: tuple[int, ...], after_release_s: float, seconds: float) -> Make:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        first = round((made.release_s[3] + after_release_s) * made.scene.rate_hz)
        last = first + round(seconds * made.scene.rate_hz)
        for axis in axes:
            volts[axis, first:last] = volts[axis, first]

    return _volts(change, bits=14)


def _frozen_mid_scale(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """A converter that gives one code from before the first push on."""
    volts[0, round((made.push_s[0] - 0.02) * made.scene.rate_hz) :] = 0.5 * made.scene.supply_v


def _constant_axis(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    volts[0] = 0.5 * made.scene.supply_v


def _clipped(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """The sampler's reference lies below the held level."""
    np.minimum(volts, 0.74 * made.scene.supply_v, out=volts)


def _clipped_lightly(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """A third of the held samples of one axis meet the end of the range."""
    step = made.recording.quantum_v
    top = np.quantile(volts[0][volts[0] > 0.7 * made.scene.supply_v], 0.6)
    np.minimum(volts[0], round(top / step) * step, out=volts[0])


def _drift(share: float) -> Callable[[Simulated, Array, np.random.Generator], None]:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        volts *= 1 + share * np.linspace(0, 1, volts.shape[1])

    return change


def _sway(counts: float, hz: float) -> Callable[[Simulated, Array, np.random.Generator], None]:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        t = np.arange(volts.shape[1]) / made.scene.rate_hz
        volts += counts * made.scene.count_v * np.sin(2 * np.pi * hz * t)

    return change


def _spoil(value: float) -> Callable[[Simulated, Array, np.random.Generator], None]:
    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        volts[int(rng.integers(2)), int(rng.integers(volts.shape[1]))] = value

    return change


def _offset(share: float) -> Callable[[Simulated, Array, np.random.Generator], None]:
    """Levels the supply cannot give."""

    def change(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
        volts[0, len(volts[0]) // 2 : len(volts[0]) // 2 + 40] = share * made.scene.supply_v

    return change


def _creep(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """After every release of x the stick creeps home from 9 counts on the held side."""
    t = np.arange(volts.shape[1]) / made.scene.rate_hz
    for k, group in enumerate(made.scene.order):
        if group[0] == "x":
            free = (t > made.release_s[k] + 0.02) & (t < made.release_s[k] + 0.27)
            sign = 1 if group[1] == "+" else -1
            volts[0] += sign * np.where(free, 9 * np.exp(-(t - made.release_s[k]) / 0.2), 0.0) * made.scene.count_v


def _hangs(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """After x+ the stick stays a quarter of its reach away from rest until its next push."""
    t = np.arange(volts.shape[1]) / made.scene.rate_hz
    for k, group in enumerate(made.scene.order):
        if group == "x+":
            until = made.push_s[k + 1]
            hung = quantised(1.89 + rng.normal(0, made.scene.noise_v, len(t)), made.recording.quantum_v, made.scene.reference_v)
            volts[0] = np.where((t > made.release_s[k] + 0.001) & (t < until), np.maximum(volts[0], hung), volts[0])


def _cut_lead(seconds: float) -> Make:
    def make(rng: np.random.Generator) -> Recording:
        recording = good(rng)
        first = round((0.25 - seconds) * recording.rate_hz)
        return replace(recording, x_v=recording.x_v[first:], y_v=recording.y_v[first:])

    return make


def _missed_flick(made: Simulated, volts: Array, rng: np.random.Generator) -> None:
    """One ordered flick of y+ leaves no trace: the finger slipped."""
    first, last = (round((made.push_s[k] - 0.001) * made.scene.rate_hz) for k in (6, 7))
    rest = made.scene.rest_counts[1] * made.scene.count_v
    volts[1, first:last] = quantised(rest + made.scene.noise_v * rng.standard_normal(last - first), made.recording.quantum_v, 3.3)


def _without(*groups: str) -> Make:
    return _scene(order=tuple(group for group in GROUPS * 12 if group not in groups))


def _middle(made: Simulated, rng: np.random.Generator, n: int) -> Array:
    return np.full(n, 1.65)


def _toggling(made: Simulated, rng: np.random.Generator, n: int) -> Array:
    return np.asarray(1.65 + made.recording.quantum_v * rng.integers(0, 2, n))


def _noise(made: Simulated, rng: np.random.Generator, n: int) -> Array:
    return quantised(rng.normal(1.65, made.scene.noise_v, n), made.recording.quantum_v, 3.3)


def _replaced(**changes: object) -> Make:
    return lambda rng: replace(good(rng), **changes)  # type: ignore[arg-type]


def _empty(rng: np.random.Generator) -> Recording:
    return Recording(8000.0, np.zeros(0), np.zeros(0), 3.3)


def _uneven(rng: np.random.Generator) -> Recording:
    recording = good(rng)
    return replace(recording, y_v=recording.y_v[:-5])


ALL_27, NONE = dict.fromkeys(GROUPS, 27.0), dict.fromkeys(GROUPS, 0.0)

UNIT = (
    Defect("one group swings beyond the zone", "fail", ("snapback:x+",), _peaks(xp=25.0), snapback=True),
    Defect(
        "every group swings beyond the zone",
        "fail",
        tuple(f"snapback:{g}" for g in GROUPS),
        _scene(peak_counts=dict.fromkeys(GROUPS, 27.0)),
        snapback=True,
    ),
    Defect("a far-side peak above half of the reach", "fail", ("snapback:y-",), _peaks(ym=44.0), snapback=True),
    Defect(
        "overdamped and slow",
        "fail",
        ("sluggish:x+", "sluggish:y-"),
        _scene(ring_hz=15.0, peak_counts=NONE, interval_s=0.3),
    ),
    Defect(
        "capacitor much too large",
        "fail",
        ("dull:x+", "dull:x-"),
        _scene(capacitance_f=(2.2e-6, 0.0)),
        fitted=Fitted(2.2e-6, 0.0),
    ),
    Defect("rest too high", "fail", ("off-centre:x",), _rest(x=142.0)),
    Defect("rest too low", "fail", ("off-centre:y",), _rest(y=113.0)),
    Defect("short reach on one side", "fail", ("short-reach:x+",), _reach("x+", 62.0)),
    Defect("reach too long", "fail", ("short-reach:y-",), _reach("y-", 92.0)),
    Defect("comes to lie on the held side", "fail", ("rest-shift:x+",), _scene(shift_counts={"x+": 4.0})),
    Defect("comes to lie on the far side", "fail", ("rest-shift:y-",), _scene(shift_counts={"y-": -4.0})),
    Defect("dry friction both ways", "fail", ("rest-shift:x+", "rest-shift:x-"), _scene(shift_counts={"x+": 3.5, "x-": 3.5})),
    Defect("hangs a quarter of the way", "fail", ("rest-shift:x+",), _volts(_hangs)),
    Defect("noisy wiper x", "fail", ("noisy-wiper:x",), _noisy(0, 0.026)),
    Defect("noisy wiper y", "fail", ("noisy-wiper:y",), _noisy(1, 0.035)),
    Defect("rough track", "fail", ("noisy-wiper:x",), _volts(_rough)),
    Defect("dropout of one sample in the hold", "fail", ("noisy-wiper:x",), _dropout(0, -0.02, 0, 0.0, samples=1)),
    Defect("dropout of two samples in the return", "fail", ("noisy-wiper:x",), _dropout(0, 0.002, 0, 1.0, samples=2)),
    Defect("dropout of three samples while free", "fail", ("noisy-wiper:y",), _dropout(1, 0.04, 0, 0.0, samples=3)),
    Defect("dropout on top of the far-side peak", "fail", ("noisy-wiper:x",), _dropout(0, 0.008, 0, 0.0, samples=1)),
    Defect("dropout to the far side", "fail", ("noisy-wiper:y",), _dropout(1, 0.03, 0, 0.25, samples=2)),
    Defect("dropout before the first flick", "fail", ("noisy-wiper:x",), _dropout(0, -0.2, 0, 0.0, samples=2)),
    Defect("contact lost for 3 ms in the hold", "fail", ("noisy-wiper:x",), _dropout(0, -0.03, 0.003, 0.0)),
    Defect("contact lost for 5 ms while free", "fail", ("noisy-wiper:y",), _dropout(1, 0.05, 0.005, 1.0)),
    Defect("contact lost for 40 ms while free", "fail", ("noisy-wiper:x",), _dropout(0, 0.05, 0.040, 0.0)),
    Defect("other axis strays", "fail", ("cross-axis:x+",), _scene(bump_counts=20.0)),
    Defect("creeps home", "fail", ("slow-settle:x+",), _volts(_creep, interval_s=0.45)),
    Defect("dead channel, ordered", "fail", ("dead-channel:y",), _dead(1, True)),
    Defect("one side dead, ordered", "fail", ("dead-channel:x-",), _dead(0, True, "-")),
    Defect("dead channel in a file", "undecided", ("missing-group:y+", "missing-group:y-"), _dead(1, False)),
    Defect("stuck high", "fail", ("stuck-high:x",), _stuck(0, 1.0, 0.0)),
    Defect("stuck low with noise", "fail", ("stuck-low:y",), _stuck(1, 0.004, 0.003)),
    Defect("stuck low, ordered", "fail", ("stuck-low:y",), _stuck(1, 0.004, 0.003, commanded=True)),
    Defect("swapped axes", "fail", ("swapped-axes",), _crossed(True, False, False)),
    Defect("reversed x", "fail", ("reversed-axis:x",), _crossed(False, True, False)),
    Defect("reversed x and y", "fail", ("reversed-axis:x", "reversed-axis:y"), _crossed(False, True, True)),
    Defect("swapped and reversed", "fail", ("swapped-axes", "reversed-axis:x"), _crossed(True, True, True)),
)

EVIDENCE = (
    Defect("one group missing", "undecided", ("missing-group:x-",), _without("x-")),
    Defect("one axis missing", "undecided", ("missing-group:y+", "missing-group:y-"), _without("y+", "y-")),
    Defect("five flicks a group", "undecided", (), _scene(order=GROUPS * 5)),
    Defect("one y converter code throughout a file", "undecided", ("missing-group:x+", "missing-group:x-"), _volts(_constant_axis)),
)

RECORDING = (
    Defect("a sample that is no number", "invalid", ("bad-recording",), _volts(_spoil(np.nan))),
    Defect("an infinite sample", "invalid", ("bad-recording",), _volts(_spoil(np.inf))),
    Defect("no samples", "invalid", ("bad-recording",), _empty),
    Defect("axes of different length", "invalid", ("bad-recording",), _uneven),
    Defect("supply that is no number", "invalid", ("bad-recording",), _replaced(supply_v=float("nan"))),
    Defect("gap found by the reader", "invalid", ("bad-recording",), _replaced(distrust=("3 samples are missing after 0.512 s.",))),
    Defect("both converters at mid-scale", "invalid", ("bad-recording",), _both(_middle)),
    Defect("both converters at mid-scale, ordered", "invalid", ("bad-recording",), _both(_middle, True)),
    Defect("both converters toggling one code", "invalid", ("bad-recording",), _both(_toggling)),
    Defect("both axes noisy and dead", "invalid", ("bad-recording",), _both(_noise)),
    Defect("one converter at mid-scale, ordered", "invalid", ("bad-recording",), _volts(_constant_axis, commanded=True)),
    Defect("one converter freezes at mid-scale", "invalid", ("bad-recording",), _volts(_frozen_mid_scale)),
    Defect("both axes freeze in the return", "invalid", ("bad-recording",), _frozen((0, 1), 0.002, 0.03)),
    Defect("an axis freezes over its far-side peak", "invalid", ("bad-recording",), _frozen((1,), 0.0045, 0.015)),
    Defect("holds clipped", "invalid", ("bad-recording",), _volts(_clipped)),
    Defect("some held samples clipped", "invalid", ("bad-recording",), _volts(_clipped_lightly, bits=14)),
    Defect("level above the supply", "invalid", ("bad-recording",), _volts(_offset(1.08))),
    Defect("level below ground", "invalid", ("bad-recording",), _volts(_offset(-0.07))),
    Defect("no quiet stretch", "invalid", ("bad-recording",), _cut_lead(0.05)),
    Defect("begins in a push", "invalid", ("bad-recording",), _cut_lead(-0.04)),
    Defect("reference drifts by 7 %", "invalid", ("bad-recording",), _volts(_drift(0.07))),
    Defect("both axes sway", "invalid", ("bad-recording",), _volts(_sway(3.0, 0.9))),
    Defect("pushes too short to be flicks", "invalid", ("bad-recording",), _scene(hold_s=0.005)),
    Defect("an ordered flick that did not happen", "invalid", ("rig-stimulus",), _volts(_missed_flick, commanded=True)),
)

LIBRARY = (*UNIT, *EVIDENCE, *RECORDING)
