"""What repeated flicks tell of the servo, through the map of their direction, and whether the decision plan may take them as it does."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from station.prove.calibration_figures import Measured
from station.prove.calibration_fit import MapFit
from station.prove.calibration_signal import LEAVES_U_S, sd_of
from station.records import Floats

WARM: Final = 2  # flicks after a pause that are looked at for warm-up
STILL: Final = 1e-9  # share of reach; peaks that scatter less are all the same to a double
SETTLED: Final = 5  # from this flick on the stick counts as warmed up: e^-2.5 of the effect is left on emulated data


@dataclass(frozen=True, slots=True)
class Series:
    """Flicks of one direction in order, each shape (n,), as calibration_signal.FlickShape has them; times from each order."""

    begin_s: Floats
    rate_s: Floats
    release_s: Floats
    hold: Floats
    peak: Floats

    @classmethod
    def of(cls, figures: Mapping[str, Any], sign: int, rest: float) -> "Series":
        """From a step's result. rest: the level from which the map counts, share of supply; the flicks counted from their own.

        A stick flicked to one side again and again lies a little to one side; the begin is where the push crosses the map's level.
        """
        begin_s, rate_s, release_s, hold, peak = (
            np.asarray(figures[name], dtype=np.float64) for name in ("begin_s", "rate_s", "release_s", "hold", "peak")
        )
        return cls(begin_s + sign * (rest - figures["rest"]) / (rate_s * hold), rate_s, release_s, hold, peak)


def servo_figures(series: Series, fit: MapFit, contact_deg: Measured, contact_sd_deg: float, u_rest: float) -> dict[str, Measured]:
    """Of one direction. contact_sd_deg: scatter of the contact from push to push, which is the clamp's and is taken out of the jitter.

    latency_s: from the order until the finger turns: begin of the push less the way from home to contact. slew_deg_s: through the map's
    slope. u_rest: of the level of rest, share of supply, as in the map.
    """
    count, settled = len(series.begin_s), series.peak[SETTLED:]
    slews = series.rate_s * series.hold / fit.slope.value
    slew = float(np.mean(slews))
    u_map = slew * fit.slope.u / fit.slope.value
    u_straight = slew * fit.residual_sd / fit.full  # the track's unevenness bends every push alike
    latency_s = float(np.mean(series.begin_s)) - contact_deg.value / slew
    u_slew = math.sqrt(sd_of(slews) ** 2 / count + u_map**2 + u_straight**2)
    u_angle = math.hypot(contact_deg.u, u_rest / fit.slope.value)
    u_latency = math.sqrt(sd_of(series.begin_s) ** 2 / count + (u_angle / slew) ** 2 + (contact_deg.value * u_slew / slew**2) ** 2)
    return {
        "latency_s": Measured(latency_s, u_latency),
        "slew_deg_s": Measured(slew, u_slew),
        "push_s": Measured(float(np.mean(0.8 / series.rate_s)), sd_of(0.8 / series.rate_s) / math.sqrt(count)),
        "latency_jitter_s": _without(sd_of(series.begin_s), contact_sd_deg / slew, count),
        "release_s": Measured(float(np.mean(series.release_s)), math.hypot(sd_of(series.release_s) / math.sqrt(count), LEAVES_U_S)),
        "release_jitter_s": _without(sd_of(series.release_s), contact_sd_deg / slew, count),
        "flick_reach": Measured(float(np.mean(series.hold)) / fit.full, fit.residual_sd / fit.full),
        "peak": Measured(float(np.mean(settled)), sd_of(settled) / math.sqrt(len(settled))),
    }


def lag1(peaks: Sequence[Floats]) -> Measured:
    """Correlation of successive peaks, pooled over the directions, the warm-up left out.

    The mean of each series is estimated too, which pulls the estimate down by about (1 + 4 r) / n each (Kendall 1954); 1 / n is
    put back, so that it is right where there is no correlation, and 0.03 too low at 0.3 with 30 flicks.
    u: sqrt((1 - r^2) / n), the large-sample figure of a first-order autoregression (Bartlett 1946). Both from memory.
    """
    along = across = 0.0
    pairs, shortfall = 0, 0.0
    for series in peaks:
        off = series[SETTLED:] - series[SETTLED:].mean()
        along += float(off @ off)
        across += float(off[1:] @ off[:-1])
        pairs += len(off) - 1
        shortfall += 1.0
    if pairs < 2 or along < pairs * STILL**2:
        return Measured(math.nan, math.nan)
    correlation = across / along + shortfall / pairs
    return Measured(correlation, math.sqrt(max(0.0, 1.0 - correlation**2) / pairs))


def warm_up(peaks: Sequence[Floats]) -> Measured:
    """Mean peak of the first WARM flicks after a pause, less that of the settled ones, as a share of it; mean of the directions."""
    effects, variances = [], []
    for series in peaks:
        late = series[SETTLED:]
        level, sd = float(late.mean()), sd_of(late)
        if level <= 0.0 or not math.isfinite(sd):
            return Measured(math.nan, math.nan)
        effects.append(float(series[:WARM].mean()) / level - 1.0)
        variances.append((sd / level) ** 2 * (1.0 / WARM + 1.0 / len(late)))
    if not effects:
        return Measured(math.nan, math.nan)
    return Measured(float(np.mean(effects)), math.sqrt(sum(variances)) / len(effects))


def _without(sd: float, other_sd: float, count: int) -> Measured:
    """A standard deviation with another's part taken out; u by the usual 1 / sqrt(2 (n - 1))."""
    own = math.sqrt(max(0.0, sd**2 - other_sd**2))
    return Measured(own, sd / math.sqrt(2.0 * (count - 1)))
