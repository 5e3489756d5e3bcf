"""What everything else is measured from: rest, noise and step of the sampler, from the quiet stretch before the first push."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from station.measure.levels import quiet_mean, undithered
from station.measure.scan import block_of
from station.measure.spikes import bridged, find_contact, spike_rule
from station.records import Floats, Recording
from station.specification import Specification

QUIET_S: Final = 0.2  # the contract's quiet stretch
QUIET_LEAST_S: Final = 0.18  # accepted, since the first push is seen only once it has left its band
LEAD_MOST_S: Final = 0.3  # no more of it is used, so that a run's first flicks and the whole recording rest on the same samples
LEAD_GUARD_S: Final = 0.002  # between the quiet stretch and what ended it
QUIET_SD: Final = 6.0  # block means of a quiet stretch stay within this many of their standard deviations
MOVED_BLOCKS: Final = 3  # so many blocks outside in a row are a movement
ROUNDING: Final = 1e-9  # of the level: less is rounding of floating-point numbers, not noise
DITHER_CODES: Final = 4  # normal noise of half a step shows as many in 0.2 s wherever the level lies
THREE_CODES_SD: Final = 0.3
STILL_COUNTS: Final = 0.5  # the quiet stretch ends where a movement first leaves this band
COLOUR_S: Final = 0.006  # about the window of the local polynomials
COLOUR_LEAST: Final = 1.5  # below this the ratio cannot be told from white noise in 0.2 s; derivation: 33 windows give it within 12 %


@dataclass(frozen=True, slots=True)
class Baseline:
    """Of both axes, as pairs (x, y). Volts unless named otherwise.

    noise_v: rms at rest. colour: how many times larger means over a few milliseconds scatter than white noise would (1.0: white).
    dither_v: noise that is sure to move the converter's codes wherever the level lies; 0.0 where two codes in turn may be one level between
    them. samples: of the quiet stretch. quiet: whether it was one.
    """

    rest_v: tuple[float, float]
    noise_v: tuple[float, float]
    u_rest_v: tuple[float, float]
    colour: tuple[float, float]
    quantum_v: tuple[float, float]
    dither_v: tuple[float, float]
    count_v: float
    supply_v: float
    samples: int
    quiet: bool

    @property
    def rest_counts(self) -> tuple[float, float]:
        return self.rest_v[0] / self.count_v, self.rest_v[1] / self.count_v

    @property
    def noise_counts(self) -> tuple[float, float]:
        return self.noise_v[0] / self.count_v, self.noise_v[1] / self.count_v

    @property
    def u_rest_counts(self) -> tuple[float, float]:
        return self.u_rest_v[0] / self.count_v, self.u_rest_v[1] / self.count_v


def baseline_of(recording: Recording, spec: Specification) -> Baseline:
    """Rest and noise before the first push. Works on the first 0.3 s alone; needs at least 8 finite samples."""
    supply_v = spec.host.supply_v if recording.supply_v is None else recording.supply_v
    count_v = spec.count_v(supply_v)
    most = int(LEAD_MOST_S * recording.rate_hz)
    axes = [_cleaned(values[:most], recording, spec, count_v) for values in (recording.x_v, recording.y_v)]
    lead = min(_quiet_samples(values, recording.rate_hz, spec.limits.settle_band_counts * count_v, count_v, step) for values, step in axes)
    quiet = lead >= QUIET_LEAST_S * recording.rate_hz
    used = max(lead, min(8, len(recording.x_v)))
    facts = [_facts(values[:used], step, recording.rate_hz) for values, step in axes]
    rest, noise, u_rest, colour, dither = zip(*facts, strict=True)
    return Baseline(
        _pair(rest), _pair(noise), _pair(u_rest), _pair(colour), _pair([s for _, s in axes]), _pair(dither), count_v, supply_v, used, quiet
    )


def _pair(values: "tuple[float, ...] | list[float]") -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _cleaned(values: Floats, recording: Recording, spec: Specification, count_v: float) -> tuple[Floats, float]:
    """The trace without dropouts, and the sampler's step."""
    step = recording.quantum_v or quantum_of(values)
    rule = spike_rule(recording.rate_hz, count_v, spec.stick.reach_counts, robust_noise(values), step)
    difference = np.abs(np.diff(values))
    contact = find_contact(values, np.flatnonzero(difference > rule.step_v), float(np.median(values)), rule)
    spans = np.concatenate([contact.dropouts, contact.losses])
    return (bridged(values, spans) if len(spans) else values), step


def robust_noise(values: Floats) -> float:
    """Noise sd from the middle of the absolute differences of neighbours, volts: movements and spikes do not raise it."""
    if len(values) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values)))) / (0.6745 * math.sqrt(2.0))  # 0.6745: quartile of the normal distribution


def quantum_of(values: Floats) -> float:
    """Step of the sampler, guessed from the first samples: the smallest difference between values, 0.0 if they are not on a grid."""
    levels = np.unique(values[:4000])
    if len(levels) < 2 or len(levels) > 0.5 * min(len(values), 4000):
        return 0.0
    gaps = np.diff(levels)
    step = float(gaps.min())
    off = np.abs(gaps / step - np.rint(gaps / step))
    return step if float(off.max()) < 0.1 else 0.0


def _quiet_samples(values: Floats, rate_hz: float, band_v: float, count_v: float, step: float) -> int:
    """Length of the quiet stretch at the beginning, in samples: up to where the first movement out of the band began."""
    block = block_of(rate_hz)
    means = values[: len(values) // block * block].reshape(-1, block).mean(axis=1)
    first = means[: max(1, round(QUIET_S * rate_hz / block))]
    noise = QUIET_SD * robust_noise(values) / math.sqrt(block)
    off = np.abs(means - np.median(first))
    outside = off > max(band_v, noise)
    moved = np.convolve(outside, np.ones(MOVED_BLOCKS), mode="valid") >= MOVED_BLOCKS if len(outside) >= MOVED_BLOCKS else outside
    if not moved.any():
        return len(values)
    still = np.flatnonzero(off[: int(np.argmax(moved))] <= max(STILL_COUNTS * count_v, noise, 0.75 * step))
    begun = int(still[-1]) + 1 if len(still) else 0
    return max(0, begun * block - round(LEAD_GUARD_S * rate_hz))


def _facts(lead: Floats, step: float, rate_hz: float) -> tuple[float, float, float, float, float]:
    """Rest, noise, standard uncertainty of the rest, colour, dither."""
    noise = float(np.std(lead))
    noise = noise if noise > ROUNDING * float(np.max(np.abs(lead))) else 0.0
    rest, count = quiet_mean(lead[None, :], np.ones((1, len(lead)), dtype=bool), max(noise, robust_noise(lead)), step)
    colour = _colour(lead, noise, rate_hz)
    dither = _dither(lead, noise, step)
    u = math.hypot(colour * noise / math.sqrt(max(float(count[0]), 1.0)), undithered(dither, step))
    return float(rest[0]), noise, u, colour, dither


def _dither(lead: Floats, noise: float, step: float) -> float:
    """Noise that reaches four codes or more; three codes stand for 0.3 steps, fewer for none; none where most samples repeat the last."""
    if robust_noise(lead) == 0.0:
        return 0.0
    if step <= 0.0:
        return noise
    codes = len(np.unique(np.rint(lead / step)))
    return noise if codes >= DITHER_CODES else THREE_CODES_SD * step if codes == DITHER_CODES - 1 else 0.0


def _colour(lead: Floats, noise: float, rate_hz: float) -> float:
    width = max(1, round(COLOUR_S * rate_hz))
    if noise <= 0.0 or len(lead) < 8 * width or width < 4:
        return 1.0
    means = lead[: len(lead) // width * width].reshape(-1, width).mean(axis=1)
    ratio = float(np.std(means, ddof=1)) * math.sqrt(width) / noise
    return ratio if ratio > COLOUR_LEAST else 1.0
