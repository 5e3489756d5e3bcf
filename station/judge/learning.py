"""The ledger of retests: each compares a predicted with a measured peak, and so reads the source resistance."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.judge.advice_axis import Track
from station.judge.learning_estimate import SourceEstimate, estimate_source
from station.judge.retest_axis import AS_RECORDED, AxisCheck
from station.judge.retest_figures import PEAK, RETURN
from station.records import UnitIdentity
from station.specification import Specification

__all__ = ["Comparison", "SourceEstimate", "compare_retest", "comparison_from", "estimate_source", "track_for"]

SPECIFICATION: Final = "specification"


@dataclass(frozen=True, slots=True)
class Comparison:
    """One axis of one retest: prediction and outcome, means over all flicks of the axis, each direction weighing alike.

    before_f, fitted_f: total capacitance before the work and as recorded. track_ohm: nominal track that the prediction used, track_source
    where it came from. residual_counts: measured less predicted mean peak; u_counts: its standard uncertainty, all but the track's own:
    flick-to-flick spread, part tolerance, measurement, model, clamping. peak_per_ohm: change of the predicted mean peak per ohm of track.
    added lags come from the model at nominal part: predicted_lag_s from the flicks before, measured_lag_s from those of the retest.
    finding: of the retest's check; only retests whose part acts as recorded teach anything.
    """

    product: str
    lot: str
    serial: str
    stick: str
    axis: str
    run_before: int
    run_after: int
    before_f: float
    fitted_f: float
    track_ohm: float
    track_source: str
    predicted_peak_counts: float
    measured_peak_counts: float
    residual_counts: float
    u_counts: float
    peak_per_ohm: float
    predicted_return_s: float
    measured_return_s: float
    predicted_lag_s: float
    measured_lag_s: float
    finding: str

    @property
    def teaches(self) -> bool:
        """Whether it says anything about the source resistance."""
        return self.finding == AS_RECORDED and self.fitted_f > 0.0 and self.fitted_f != self.before_f

    @property
    def ln_shift(self) -> float:
        """Reading of ln(track / track_ohm)."""
        return self.residual_counts / (self.track_ohm * self.peak_per_ohm) if self.peak_per_ohm else 0.0

    @property
    def u_ln(self) -> float:
        """Standard uncertainty of that reading; infinite where the peak does not depend on the track."""
        return self.u_counts / abs(self.track_ohm * self.peak_per_ohm) if self.peak_per_ohm else float("inf")

    @property
    def name(self) -> str:
        """What tells it from every other: unit, stick, axis, runs."""
        return f"{self.serial} {self.stick} {self.axis} runs {self.run_before}-{self.run_after}"

    def document(self) -> dict[str, Any]:
        """JSON-ready; comparison_from reads it back."""
        return asdict(self)


def comparison_from(document: Mapping[str, Any]) -> Comparison:
    """Comparison from its document; further keys are left aside. Raises UsageError naming a missing key."""
    names = [field.name for field in fields(Comparison)]
    missing = [name for name in names if name not in document]
    if missing:
        raise UsageError(f"comparison: {missing[0]} is missing; expected the document of a retest's comparison", key=missing[0])
    return Comparison(**{name: document[name] for name in names})


def compare_retest(
    check: AxisCheck, unit: UnitIdentity, axis: str, run_before: int, run_after: int, track: Track, stick: str = "main"
) -> Comparison | None:
    """The ledger's line of one axis, from its check (station.judge.retest.checks_of with the same track).

    None where nothing was measured on the axis before or after.
    """
    told = check.told
    if told is None:
        return None
    predicted, measured = told.predicted.mean(axis=0), told.measured.mean(axis=0)
    return Comparison(
        product=unit.product,
        lot=unit.lot,
        serial=unit.serial,
        stick=stick,
        axis=axis,
        run_before=run_before,
        run_after=run_after,
        before_f=check.before_f,
        fitted_f=check.recorded_f,
        track_ohm=track.ohm,
        track_source=track.source,
        predicted_peak_counts=float(predicted[PEAK]),
        measured_peak_counts=float(measured[PEAK]),
        residual_counts=float(measured[PEAK] - predicted[PEAK]),
        u_counts=told.u_mean_peak_counts,
        peak_per_ohm=float(np.mean(told.per_ln_track[:, PEAK])) / track.ohm,
        predicted_return_s=float(predicted[RETURN]),
        measured_return_s=float(measured[RETURN]),
        predicted_lag_s=told.predicted_lag_s,
        measured_lag_s=told.measured_lag_s,
        finding=check.finding,
    )


def track_for(spec: Specification, estimates: Sequence[SourceEstimate], lot: str) -> Track:
    """The source resistance that advice should use for a unit of this lot, named: the lot's own estimate where it is usable, else that of
    the whole product, else the specification's figure. Of several versions the last in the sequence counts.
    """
    mine = [one for one in estimates if one.product == spec.name and one.usable]
    of_lot = [one for one in mine if one.lot is not None and one.lot == lot]
    of_product = [one for one in mine if one.lot is None]
    for found in (of_lot, of_product):
        if found:
            return Track(found[-1].track_ohm, found[-1].tolerance, found[-1].name)
    return Track(spec.stick.track_ohm, spec.stick.track_tolerance, SPECIFICATION)
