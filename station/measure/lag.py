"""Added lag of a fitted capacitor, per flick."""

from typing import Final

import numpy as np

from station.axis.lag import added_lag_s
from station.measure.baseline import Baseline
from station.measure.polynomial import WINDOW_SHARE, classes
from station.measure.release import Release
from station.measure.segments import Segments
from station.measure.swing import Swing
from station.measure.traces import Traces
from station.records import Fitted, Floats
from station.specification import Specification

BEFORE_RETURNS: Final = 3.0  # the window begins this many return times before release
AFTER_RETURNS: Final = 3.0
LEAST_S: Final = 0.006


def added_lags(
    traces: Traces, flicks: Segments, release: Release, swing: Swing, reach: Floats, base: Baseline, spec: Specification, fitted: Fitted
) -> Floats:
    """Seconds, shape (n,): 0.0 on an axis without a capacitor, NaN where the return never falls through one half."""
    out = np.zeros(len(traces))
    farads = np.asarray([fitted.x_f, fitted.y_f])[flicks.axis]
    for width, members in classes(swing.widths):
        for axis in (0, 1):
            mine = members[(flicks.axis[members] == axis) & (farads[members] > 0)]
            if len(mine):
                out[mine] = _lags(traces, flicks, release, reach, base, spec, float(farads[mine[0]]), mine, width)
    return out


def _lags(
    traces: Traces,
    flicks: Segments,
    release: Release,
    reach: Floats,
    base: Baseline,
    spec: Specification,
    farads: float,
    mine: np.ndarray,
    width: int,
) -> Floats:
    return_s = width / traces.rate_hz / WINDOW_SHARE
    span = max(return_s * BEFORE_RETURNS, LEAST_S)
    before, after = round(span * traces.rate_hz), round(max(AFTER_RETURNS * return_s, LEAST_S) * traces.rate_hz)
    low, high = max(traces.pivot - before, 0), min(traces.pivot + after, traces.own.shape[1])
    axis = int(flicks.axis[mine[0]])
    scale = (flicks.sign[mine] * base.count_v)[:, None]
    node_v = base.rest_v[axis] + scale * traces.own[mine, low:high]
    rest_v = np.full(len(mine), base.rest_v[axis])
    hold_v = rest_v + scale[:, 0] * reach[mine]
    stick = spec.stick
    return added_lag_s(node_v, traces.rate_hz, farads, base.supply_v, stick.track_ohm, stick.series_ohm, rest_v, hold_v, return_s)
