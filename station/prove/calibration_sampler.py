"""The sampler's own errors, from levels of a precision reference, and its clocks. Volts as the sampler means them."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.prove.calibration_figures import Measured
from station.prove.calibration_signal import sd_of
from station.records import Floats

LEVEL_SHARES: Final = {"low": 1 / 16, "half": 1 / 2, "full": 15 / 16}  # of the converter's nominal full scale: docs/rig-link.md
SOURCE_OHM: Final = 10_000.0  # resistor before the level half-source: likewise
BOW_SEEN: Final = 4 * LEVEL_SHARES["half"] * 0.5 - 4 * LEVEL_SHARES["low"] * LEVEL_SHARES["full"]
"""Share of the bow's height by which half departs from the line through low and full: a parabola that is 1 in the middle, 0 at the ends."""
BLOCK_SAMPLES: Final = 75  # at most, of one block with one tick: docs/rig-link.md
PAIRS_LEAST: Final = 8  # for the slope of a line and its uncertainty


def sampler_figures(readings: Mapping[str, Any], reference_v: float, tolerance: float) -> dict[str, Measured]:
    """readings: lists of volts by level, "low", "half", "full", "half-source". tolerance: half width of the precision reference.

    offset_v: at 0 V. gain_error: of volts read per volt. bow: height of a bend over the whole scale, share of it. load_s: conductance of
    the input, siemens; input_ohm is its inverse, NaN where the load is not told from none.
    """
    low, half, full, loaded = (_mean(readings[name]) for name in ("low", "half", "full", "half-source"))
    span_v = (LEVEL_SHARES["full"] - LEVEL_SHARES["low"]) * reference_v
    gain = (full.value - low.value) / span_v
    u_read = math.hypot(full.u, low.u) / span_v
    low_v = LEVEL_SHARES["low"] * reference_v
    offset_v = low.value - gain * low_v
    middle = (low.value + full.value) / 2
    u_middle = math.sqrt(half.u**2 + (low.u**2 + full.u**2) / 4)
    load = _load(half, loaded, offset_v)
    return {
        "offset_v": Measured(offset_v, math.hypot(low.u * (1.0 + low_v / span_v), full.u * low_v / span_v)),
        "gain_error": Measured(gain - 1.0, math.hypot(u_read, tolerance / math.sqrt(3.0))),
        "bow": Measured((half.value - middle) / (BOW_SEEN * reference_v), u_middle / (BOW_SEEN * reference_v)),
        "reading_noise_v": Measured(sd_of(np.asarray(readings["half"])), half.u / math.sqrt(2.0)),
        "load_s": load,
        "input_ohm": _inverse(load),
    }


def gain_of(readings: Mapping[str, Any], reference_v: float) -> Measured:
    """Gain from half to full: what is read again before each movement, so that a drift shows."""
    half, full = _mean(readings["half"]), _mean(readings["full"])
    span_v = (LEVEL_SHARES["full"] - LEVEL_SHARES["half"]) * reference_v
    return Measured((full.value - half.value) / span_v, math.hypot(full.u, half.u) / span_v)


def largest_change(series: Sequence[Measured]) -> Measured:
    """Of a value read again and again: that reading furthest from the first, as a share of the first, with its sign."""
    first = series[0]
    changes = [Measured(one.value / first.value - 1.0, math.hypot(one.u, first.u) / abs(first.value)) for one in series[1:]]
    return max(changes, key=lambda one: abs(one.value)) if changes else Measured(math.nan, math.nan)


def clock_error(pairs: Sequence[Sequence[float]], tick_s: float) -> Measured:
    """How fast the rig's clock runs against the host's, less 1, from pairs of host and rig seconds, the least delayed of each moment.

    Slope of a straight line with its standard uncertainty (ordinary least squares), to which the rounding to whole ticks adds. Raises
    UsageError for too few pairs.
    """
    if len(pairs) < PAIRS_LEAST:
        raise UsageError(f"clock: {len(pairs)} pairs of times; expected at least {PAIRS_LEAST}")
    host, rig = (np.asarray(column, dtype=np.float64) for column in zip(*pairs, strict=True))
    off, ahead = host - host.mean(), (rig - rig.mean()) - (host - host.mean())
    spread = float(off @ off)
    error = float(off @ ahead) / spread
    rest = ahead - error * off
    return Measured(error, math.sqrt((float(rest @ rest) / (len(pairs) - 2) + tick_s**2 / 12.0) / spread))


def sample_clock_error(samples: int, rate_hz: float, tick_span_s: float, tick_s: float) -> Measured:
    """How fast samples come against the rig's clock, less 1.

    tick_span_s: rig time from first to last sample: to a tick at either end, and at the nominal rate inside the last block.
    """
    error = (samples - 1) / rate_hz / tick_span_s - 1.0
    return Measured(error, math.hypot(tick_s / math.sqrt(6.0) / tick_span_s, error * BLOCK_SAMPLES / samples))


def _mean(readings: Sequence[float]) -> Measured:
    values: Floats = np.asarray(readings, dtype=np.float64)
    return Measured(float(values.mean()), sd_of(values) / math.sqrt(len(values)))


def _load(half: Measured, loaded: Measured, offset_v: float) -> Measured:
    """Conductance g of the input from the divider loaded = half / (1 + R g)."""
    ratio = (half.value - offset_v) / (loaded.value - offset_v)
    u_ratio = ratio * math.hypot(half.u / (half.value - offset_v), loaded.u / (loaded.value - offset_v))
    return Measured((ratio - 1.0) / SOURCE_OHM, u_ratio / SOURCE_OHM)


def _inverse(load: Measured) -> Measured:
    """NaN where the load is below twice its uncertainty."""
    if load.value <= 2 * load.u:
        return Measured(math.nan, math.nan)
    return Measured(1.0 / load.value, load.u / load.value**2)
