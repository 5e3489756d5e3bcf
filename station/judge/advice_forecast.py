"""Forecast of one axis: the figures that the station would measure on these very flicks with each candidate part.

Measured traces go back to the wiper and forward to the node with each part; the predicted traces are then measured by the very code that
measures a recording, so that a forecast and a retest speak of the same figures.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from station.axis.lag import half_crossing_s
from station.axis.predict import Circuit, node_with, wiper_behind
from station.judge.advice_chance import Bend, bend_through
from station.measure.facts import Facts
from station.measure.release import Release, releases
from station.measure.swing import peaks, settling, swings
from station.measure.traces import Traces
from station.records import Floats

BEFORE_S: Final = 0.030  # of the hold: many time constants of the largest part, and two of the widest smoothing windows
SAME_PART: Final = 1e-3  # relative difference below which a candidate is the part that is fitted
TRIED_PER_GROUP: Final = 4  # flicks on which the effect of tolerances is worked out; it hardly differs between flicks of a group


@dataclass(frozen=True, slots=True)
class Flicks:
    """Measured flicks of one axis, m rows. traces: as measured, cut to what is needed. rest_v: the run's rest of the axis."""

    group: NDArray[np.int8]
    traces: Traces
    reach: Floats
    u_reach: Floats
    final: Floats
    u_final: Floats
    return_s: float
    rest_v: float
    scale_v: Floats  # volts per count of deflection, signed, shape (m,)

    def __len__(self) -> int:
        return len(self.group)


@dataclass(frozen=True, slots=True)
class Figures:
    """Predicted figures with k parts of m flicks, each of shape (k, m)."""

    peak_counts: Floats
    u_peak_counts: Floats
    return_s: Floats
    settle_s: Floats
    lag_s: Floats


def flicks_of(facts: Facts, chosen: NDArray[np.intp]) -> Flicks:
    """The chosen flicks, all of one axis, from a measured batch."""
    traces = facts.traces
    front = max(traces.pivot - round(BEFORE_S * traces.rate_hz), 0)
    back = int(traces.end[chosen].max())
    axis = int(facts.flicks.axis[chosen[0]])
    return Flicks(
        group=(2 * axis + (facts.flicks.sign[chosen] < 0)).astype(np.int8),
        traces=_rows(traces, chosen, front, back),
        reach=facts.reach[chosen],
        u_reach=facts.u_reach[chosen],
        final=facts.final[chosen],
        u_final=facts.u_final[chosen],
        return_s=float(np.nanmedian(facts.release.return_s[chosen])),
        rest_v=facts.base.rest_v[axis],
        scale_v=facts.flicks.sign[chosen] * facts.base.count_v,
    )


def some(flicks: Flicks, chosen: NDArray[np.intp]) -> Flicks:
    """A part of the flicks."""
    return replace(
        flicks,
        group=flicks.group[chosen],
        traces=_rows(flicks.traces, chosen, 0, flicks.traces.own.shape[1]),
        reach=flicks.reach[chosen],
        u_reach=flicks.u_reach[chosen],
        final=flicks.final[chosen],
        u_final=flicks.u_final[chosen],
        scale_v=flicks.scale_v[chosen],
    )


def _rows(traces: Traces, chosen: NDArray[np.intp], front: int, back: int) -> Traces:
    return replace(
        traces,
        own=traces.own[chosen, front:back],
        other=traces.other[chosen, front:back],
        pivot=traces.pivot - front,
        first=traces.first[chosen] - front,
        end=traces.end[chosen] - front,
        **{name: getattr(traces, name)[chosen] for name in PER_FLICK},
    )


PER_FLICK: Final = ("sample_s", "sd", "other_sd", "u_rest", "u_step", "colour", "step")


def predicted_counts(flicks: Flicks, farads: Floats, circuit: Circuit, keep_fitted: bool = True) -> tuple[Floats, Floats]:
    """Deflection in counts of the wiper, shape (m, n), and of the node with each part, shape (k, m, n).

    keep_fitted: the part that is fitted stays in (the traces are the measured ones); else a like part is put in its place.
    """
    node_v = flicks.rest_v + flicks.scale_v[:, None] * flicks.traces.own
    wiper_v = wiper_behind(node_v, flicks.traces.rate_hz, circuit, flicks.return_s)
    wiper = (wiper_v - flicks.rest_v) / flicks.scale_v[:, None]
    node = (node_with(wiper_v, flicks.traces.rate_hz, farads, circuit) - flicks.rest_v) / flicks.scale_v[:, None]
    if keep_fitted:
        node[is_fitted(farads, circuit.fitted_f)] = flicks.traces.own
    return wiper, node


def is_fitted(farads: Floats, fitted_f: float) -> NDArray[np.bool_]:
    """Which of the parts is the one that is fitted already (0.0 is none)."""
    return np.asarray(np.abs(farads - fitted_f) <= SAME_PART * fitted_f)


def figures_of(flicks: Flicks, wiper: Floats, node: Floats, farads: Floats, band_counts: float) -> Figures:
    """Measure predicted traces, shapes as from predicted_counts, as a recording is measured. No part adds no lag, exactly."""
    k, m, n = node.shape
    stacked = _stacked(flicks.traces, node.reshape(k * m, n), k)
    reach, final = np.tile(flicks.reach, k), np.tile(flicks.final, k)
    release = releases(stacked, reach, np.tile(flicks.u_reach, k))
    swing = swings(stacked, release, final)
    peak = peaks(swing, stacked, final)
    settled = settling(swing, stacked, release, final, np.tile(flicks.u_final, k), band_counts)
    return Figures(
        peak_counts=peak.counts.reshape(k, m),
        u_peak_counts=peak.u_counts.reshape(k, m),
        return_s=release.return_s.reshape(k, m),
        settle_s=settled.settle_s.reshape(k, m),
        lag_s=np.where(farads[:, None] > 0.0, _lags(flicks, wiper, node, release), 0.0),
    )


def _stacked(traces: Traces, own: Floats, k: int) -> Traces:
    repeated: dict[str, Any] = {name: np.tile(getattr(traces, name), k) for name in (*PER_FLICK, "first", "end")}
    return replace(traces, own=own, other=own, **repeated)


def _lags(flicks: Flicks, wiper: Floats, node: Floats, release: Release) -> Floats:
    """Half crossing of each node less that of its wiper, seconds, shape (k, m)."""
    rate_hz = flicks.traces.rate_hz
    last = int(np.nanmax(release.low)) + round(0.002 * rate_hz) if np.any(np.isfinite(release.low)) else node.shape[2]
    share = 1.0 / flicks.reach[:, None]
    return half_crossing_s(node[:, :, :last] * share, rate_hz) - half_crossing_s(wiper[:, :last] * share, rate_hz)


@dataclass(frozen=True, slots=True)
class Bends:
    """How the mean peak and return time of a group move with part, fitted part and track off nominal; arrays of shape (k,)."""

    peak: tuple[Bend, ...]
    return_time: tuple[Bend, ...]


def bends_of(flicks: Flicks, farads: Floats, circuit: Circuit, tolerances: tuple[float, float, float]) -> dict[int, Bends]:
    """By group. tolerances: of the new part, of the fitted part, of the track, as shares. A part that stays has none to offer."""
    chosen = np.concatenate([np.flatnonzero(flicks.group == g)[:TRIED_PER_GROUP] for g in np.unique(flicks.group)])
    tried = some(flicks, chosen)
    stays = is_fitted(farads, circuit.fitted_f)
    middle = _means(tried, farads, circuit, stays)
    sides = [[_means(tried, f, c, stays) for f, c in pair] for pair in _off_nominal(farads, circuit, tolerances)]
    out: dict[int, Bends] = {}
    for row, group in enumerate(np.unique(flicks.group).tolist()):
        peak, time = (
            tuple(
                bend_through(low[figure][row], middle[figure][row], high[figure][row], tolerance)
                for (low, high), tolerance in zip(sides, tolerances, strict=True)
            )
            for figure in (0, 1)
        )
        out[int(group)] = Bends(peak, time)
    return out


def _off_nominal(farads: Floats, circuit: Circuit, tolerances: tuple[float, float, float]) -> list[list[tuple[Floats, Circuit]]]:
    """Parts and circuit at the low and the high end of each tolerance."""
    part, fitted, track = tolerances
    return [
        [(farads * (1.0 + s * part), circuit) for s in (-1.0, 1.0)],
        [(farads, circuit.scaled(fitted=1.0 + s * fitted)) for s in (-1.0, 1.0)],
        [(farads, circuit.scaled(track=1.0 + s * track)) for s in (-1.0, 1.0)],
    ]


def _means(flicks: Flicks, farads: Floats, circuit: Circuit, stays: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Mean peak and return time of each group with each part, shapes (groups, k)."""
    _, node = predicted_counts(flicks, farads, circuit, keep_fitted=False)
    node[stays] = flicks.traces.own
    k, m, n = node.shape
    stacked = _stacked(flicks.traces, node.reshape(k * m, n), k)
    release = releases(stacked, np.tile(flicks.reach, k), np.tile(flicks.u_reach, k))
    final = np.tile(flicks.final, k)
    peak = peaks(swings(stacked, release, final), stacked, final).counts.reshape(k, m)
    return_s = release.return_s.reshape(k, m)
    rows = [flicks.group == g for g in np.unique(flicks.group)]
    return np.array([peak[:, row].mean(axis=1) for row in rows]), np.array([return_s[:, row].mean(axis=1) for row in rows])
