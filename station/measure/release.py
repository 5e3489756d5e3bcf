"""Release instant and return time: the 90 % and 10 % reference levels of the release transition (IEC 60469:2013)."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from station.measure.polynomial import HIGH_SHARE, LOW_SHARE, local_crossing, local_widths, quiet_widths
from station.measure.rows import Indices, first_true, last_true
from station.measure.traces import Traces
from station.records import Floats

HIGH: Final = 0.9
LOW: Final = 0.1
KINK_SHARE: Final = 0.0005  # of the return time: what the kink at release leaves of a crossing; found on emulated data
COARSE: Final = 1.2  # times the cube of the sample interval over the squared return time: what few samples leave of it; likewise


@dataclass(frozen=True, slots=True)
class Release:
    """Of n flicks. column, low: where 90 % and 10 % of reach are crossed, columns of the traces, NaN when 10 % is never reached.

    return_s, with the standard uncertainties of it and of the release; low_column: whole column after the 10 % crossing.
    """

    column: Floats
    low: Floats
    return_s: Floats
    u_return_s: Floats
    u_release_s: Floats
    low_column: Indices


def releases(traces: Traces, reach: Floats, u_reach: Floats) -> Release:
    """Crossings interpolated on parabolas over a fifth of the return time on either side."""
    width = traces.own.shape[1]
    after = traces.own[:, traces.pivot :]
    below = after < LOW * reach[:, None]
    low = traces.pivot + first_true(below, width)
    arrived = low < np.minimum(traces.end, width)
    low = np.where(arrived, low, np.minimum(traces.end, width) - 1)
    high = _last_above(traces, reach, low)
    columns = np.maximum(low - high, 1).astype(np.float64)
    at_high, slope_high, gain_high = _crossing(traces, high, HIGH * reach, columns, HIGH_SHARE)
    at_low, slope_low, gain_low = _crossing(traces, low, LOW * reach, columns, LOW_SHARE)
    u_high = _uncertainty(traces, gain_high, slope_high, HIGH * u_reach)
    u_low = _uncertainty(traces, gain_low, slope_low, LOW * u_reach)
    at_low = np.where(arrived, at_low, np.nan)
    model = np.hypot(KINK_SHARE * columns, COARSE / columns**2)
    u_release = np.hypot(u_high, model) / traces.rate_hz
    u_return = np.hypot(u_release, u_low / traces.rate_hz)
    return Release(at_high, at_low, (at_low - at_high) / traces.rate_hz, u_return, u_release, low)


def _crossing(traces: Traces, near: Indices, level: Floats, columns: Floats, share: float) -> tuple[Floats, Floats, Floats]:
    """Column, slope and noise gain: first in the widest window for its slope, then in the one the noise asks for."""
    widest = local_widths(columns, share)
    _, slope, _ = local_crossing(traces.own, near, level, widest)
    return local_crossing(traces.own, near, level, quiet_widths(widest, columns, slope, traces.sd, traces.rate_hz))


def _last_above(traces: Traces, reach: Floats, low: Indices) -> Indices:
    """Last column at or above 90 % before the 10 % crossing."""
    latest = int(low.max()) + 1
    above = traces.own[:, :latest] >= HIGH * reach[:, None]
    above &= np.arange(latest)[None, :] < low[:, None]
    return last_true(above, traces.pivot)


def _uncertainty(traces: Traces, gain: Floats, slope: Floats, u_level: Floats) -> Floats:
    """Of a crossing, in columns: noise of the fitted level and uncertainty of the reference level, over the slope."""
    return np.asarray(np.hypot(gain * traces.sd * np.minimum(traces.colour, 1 / gain), u_level) / np.maximum(np.abs(slope), 1e-9))
