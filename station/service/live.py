"""Each flick measured as it comes, on its own stretch of the run's samples, by the code that scores whole recordings."""

from typing import Any, Final

import numpy as np

from station.measure.baseline import Baseline, baseline_of
from station.measure.flicks import LIVE, measure_flicks
from station.quantities import AXES, GROUPS, axis_of, sign_of
from station.records import Fitted, Recording
from station.service.trace import StickTrace
from station.specification import Specification

SHOWN_S: Final = (-0.004, 0.075)  # around the release: what a person wants to see of a flick
SHOWN_STEP_S: Final = 0.0005  # one point of the picture, a mean of its samples
LIVE_FIGURES: Final = ("t_release_s", "reach_counts", "peak_counts", "over_zone_s", "misread_probability", "return_s")


class LiveMeter:
    """Begins when the rest of the run has been sampled. Cost of a flick does not grow with the number already measured."""

    def __init__(self, specification: Specification, trace: StickTrace, fitted: Fitted) -> None:
        self._specification = specification
        self._trace = trace
        self._fitted = fitted
        self._base: Baseline = baseline_of(self._stretch(0), specification)

    def flick(self, group: str, first_sample: int) -> dict[str, float] | None:
        """Figures of the flick of `group` in the samples from `first_sample` on; None when it is not seen there."""
        table = measure_flicks(self._stretch(first_sample), self._base, self._specification, self._fitted, metrics=LIVE)
        mine = np.flatnonzero(table.group == GROUPS.index(group))
        if len(mine) != 1 or not np.isfinite(table.columns["peak_counts"][mine[0]]):
            return None
        return {name: float(table.columns[name][mine[0]]) for name in LIVE_FIGURES}

    def view(self, group: str, first_sample: int, t_release_s: float) -> dict[str, list[float]]:
        """The flick for a picture: time from the release in ms, deflection of its axis in counts."""
        axis = AXES.index(axis_of(group))
        rate_hz = self._trace.rate_hz
        begin = first_sample + round((t_release_s + SHOWN_S[0]) * rate_hz)
        end = min(len(self._trace), first_sample + round((t_release_s + SHOWN_S[1]) * rate_hz))
        step = max(1, round(SHOWN_STEP_S * rate_hz))
        levels_v = self._trace.volts(begin, end)[axis]
        means_v = levels_v[: len(levels_v) // step * step].reshape(-1, step).mean(axis=1)
        counts = sign_of(group) * (means_v - self._base.rest_v[axis]) / self._base.count_v
        t_ms = 1e3 * (SHOWN_S[0] + (np.arange(len(counts)) + 0.5) * step / rate_hz)
        return {"t_ms": np.round(t_ms, 2).tolist(), "deflection_counts": np.round(counts, 2).tolist()}

    def _stretch(self, first: int) -> Recording:
        x_v, y_v = self._trace.volts(first)
        return Recording(self._trace.rate_hz, x_v, y_v, self._trace.supply_v, self._trace.scale_v)


def json_ready(figures: dict[str, float] | None) -> dict[str, Any] | None:
    """Figures for an event: no NaN."""
    return None if figures is None else {name: value if np.isfinite(value) else None for name, value in figures.items()}
