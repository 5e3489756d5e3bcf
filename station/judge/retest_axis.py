"""The retest of one axis: measured beside predicted, and the finding."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.axis.lag import half_crossing_s
from station.axis.predict import Circuit
from station.judge.advice_axis import FEW, Track
from station.judge.advice_forecast import Flicks, is_fitted, predicted_counts
from station.judge.retest_evidence import Evidence, Measured
from station.judge.retest_figures import figures_of_traces
from station.judge.retest_flicks import Returns
from station.judge.retest_predict import predict
from station.judge.retest_weigh import AS_RECORDED, Weighed, weigh
from station.records import Floats
from station.specification import Specification

__all__ = ["AS_RECORDED", "CANNOT_TELL", "NOT_MEASURED", "UNEXPLAINED", "AxisCheck", "Told", "check_axis"]

UNEXPLAINED: Final = "unexplained"
CANNOT_TELL: Final = "cannot-tell"
NOT_MEASURED: Final = "not-measured"
DECISIVE: Final = 0.90  # weight from which an explanation is the finding (chosen, no source); more than any prior, so that data must speak
STRANGE: Final = 0.001  # an explanation that means so far off contradict with this chance is none


@dataclass(frozen=True, slots=True)
class Told:
    """Predicted with the recorded part, measured, and the standard uncertainty of their difference, figures of g groups, shape (g, 5).

    per_ln_track: change of the predicted figures per unit of ln(track). u_mean_peak_counts: of the difference of the axis' mean peak,
    without the track's share. Lags: means of the groups, from the model with the recorded part.
    """

    groups: tuple[int, ...]
    flicks_before: tuple[int, ...]
    flicks_after: tuple[int, ...]
    predicted: Floats
    measured: Floats
    u: Floats
    per_ln_track: Floats
    u_mean_peak_counts: float
    predicted_lag_s: float
    measured_lag_s: float

    @property
    def few(self) -> bool:
        """Whether a group has too few flicks to know its spread by itself."""
        return min(*self.flicks_before, *self.flicks_after) < FEW


@dataclass(frozen=True, slots=True)
class AxisCheck:
    """Finding of one axis. why: sentence where nothing can be said, else "". told and weighed are None there."""

    before_f: float
    recorded_f: float
    finding: str
    why: str = ""
    told: Told | None = None
    weighed: Weighed | None = None


def check_axis(
    first: Returns, second: Returns, axis: str, before_f: float, recorded_f: float, spec: Specification, track: Track
) -> AxisCheck:
    """Check of an axis that both recordings have flicks of."""
    before, after = first.axes[axis], second.axes[axis]
    groups = np.intersect1d(np.concatenate([one.group for one in before]), np.concatenate([one.group for one in after])).astype(np.intp)
    if not len(groups):
        return AxisCheck(before_f, recorded_f, NOT_MEASURED, f"Nothing can be said of {axis}: no direction was flicked both times.")
    if is_fitted(np.array([recorded_f]), before_f)[0]:
        recorded_f = before_f  # one part, written twice
    circuit = Circuit(first.supply_v, track.ohm, spec.stick.series_ohm, before_f)
    predictions = predict(before, circuit, recorded_f, groups)
    measured = _measured(after, groups)
    u_rest = math.hypot(first.u_rest_counts[axis], second.u_rest_counts[axis])
    evidence = Evidence(predictions, measured, track.tolerance / math.sqrt(3.0), u_rest)
    weighed = weigh(evidence, before_f, recorded_f, spec.stock.values_f, spec.stock.tolerance)
    u_part = spec.stock.tolerance / math.sqrt(3.0)
    told = Told(
        groups=tuple(groups.tolist()),
        flicks_before=tuple(predictions.flicks.tolist()),
        flicks_after=tuple(measured.flicks.tolist()),
        predicted=predictions.recorded,
        measured=measured.means,
        u=evidence.u_figures(u_part),
        per_ln_track=predictions.recorded_track,
        u_mean_peak_counts=evidence.u_mean_peak(u_part),
        predicted_lag_s=_lag_s(before, recorded_f, circuit, groups),
        measured_lag_s=_lag_s(after, recorded_f, Circuit(second.supply_v, track.ohm, spec.stick.series_ohm, recorded_f), groups),
    )
    return AxisCheck(before_f, recorded_f, _finding(weighed), "", told, weighed)


def _finding(weighed: Weighed) -> str:
    """The explanation that weighs enough and fits; else what can be said."""
    top = weighed.explanations[0]
    if max(one.fit for one in weighed.explanations) < STRANGE or (top.weight >= DECISIVE and top.fit < STRANGE):
        return UNEXPLAINED
    return top.finding if top.weight >= DECISIVE else CANNOT_TELL


def _measured(batches: Sequence[Flicks], groups: NDArray[np.intp]) -> Measured:
    figures = np.concatenate([figures_of_traces(one, one.traces.own[None])[0] for one in batches])
    group = np.concatenate([one.group for one in batches])
    parts = [figures[group == g] for g in groups.tolist()]
    means = np.stack([one.mean(axis=0) for one in parts])
    deviations = np.concatenate([one - mean for one, mean in zip(parts, means, strict=True)])
    return Measured(means, np.array([len(one) for one in parts]), deviations)


def _lag_s(batches: Sequence[Flicks], farads: float, circuit: Circuit, groups: NDArray[np.intp]) -> float:
    """Lag that this part adds to these flicks, mean of the groups' means; 0.0 without a part."""
    if farads <= 0.0:
        return 0.0
    lags = []
    for one in batches:
        wiper, node = predicted_counts(one, np.array([farads]), circuit)
        share, rate_hz = 1.0 / one.reach[:, None], one.traces.rate_hz
        lags.append(half_crossing_s(node[0] * share, rate_hz) - half_crossing_s(wiper * share, rate_hz))
    lag, group = np.concatenate(lags), np.concatenate([one.group for one in batches])
    return float(np.mean([np.nanmean(lag[group == g]) for g in groups.tolist()]))
