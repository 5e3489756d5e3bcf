"""Sources of the uncertainty of a peak and of an added lag: what must be known, the measurement equations, and the lines made of them.

Sensitivities are central differences of the measurement equations (JCGM 100:2008, 5.1.3 note 2).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from station.errors import UsageError
from station.prove.budget import Law, Line, budget_table
from station.prove.budget_lag import STEP, LagErrors, measured_lag_s
from station.prove.budget_point import OperatingPoint, source_ohm
from station.prove.study import worst_peak

FORMAT: Final = "restpoint-budget/1"


@dataclass(frozen=True, slots=True)
class BudgetInputs:
    """Uncertainties of everything a figure rests on, as standard deviations (_u_, _sd_) or half widths; df: degrees of freedom.

    supply_u_v: of the reading of the unit's supply, beside what gain, offset, bow and reference of the converter do to it. gain, bow:
    as shares, offset in volts; all of the converter. reference_half_width_share: of its reference. clock_half_width_share: of the sample
    clock. noise_counts: rms of a sample; noise_gain: what the estimator of the peak leaves of it, as a share.

    repeatability, reproducibility (operators and interaction together): of a group's mean peak in one trial, from the gauge study; NaN
    without one. release_sd_counts: from flick to flick. flicks: how many the stated figure is the mean of.

    track, part: half widths as shares, of the track and of the capacitor. lag_sd_s: scatter of the added lag from flick to flick.
    """

    point: OperatingPoint
    supply_u_v: float
    gain_u_share: float
    offset_u_v: float
    bow_half_width_share: float
    reference_half_width_share: float
    clock_half_width_share: float
    quantum_v: float
    noise_counts: float
    noise_gain: float
    release_sd_counts: float
    flicks: int
    track_half_width_share: float
    part_half_width_share: float
    lag_sd_s: float
    repeatability_sd_counts: float = math.nan
    reproducibility_sd_counts: float = math.nan
    supply_df: float = math.inf
    gain_df: float = math.inf
    offset_df: float = math.inf
    noise_df: float = math.inf
    release_df: float = math.inf
    lag_df: float = math.inf
    repeatability_df: float = math.inf
    reproducibility_df: float = math.inf

    def __post_init__(self) -> None:
        """Raises UsageError naming the first figure that cannot be."""
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            studied = name in ("repeatability_sd_counts", "reproducibility_sd_counts")
            if name == "point" or (studied and math.isnan(value)):
                continue
            least = 1.0 if name.endswith("_df") or name == "flicks" else 0.0
            if not value >= least or (math.isinf(value) and not name.endswith("_df")):
                raise UsageError(f"{name} is {value}; expected {least:g} or more")

    @property
    def studied(self) -> bool:
        return not math.isnan(self.repeatability_sd_counts)


@dataclass(frozen=True, slots=True)
class PeakErrors:
    """What may be amiss while a peak is measured; all 0.0: nothing. load_s: conductance of the sampler's input, siemens."""

    supply_v: float = 0.0
    gain_share: float = 0.0
    offset_v: float = 0.0
    bow_share: float = 0.0
    reference_share: float = 0.0
    load_s: float = 0.0


def measured_peak_counts(point: OperatingPoint, errors: PeakErrors) -> float:
    """The peak that is read when the true one is point.peak_counts.

    Volts at the wiper, loaded by the input, go through the converter (gain, offset, bow, reference); the supply goes through a divider and
    the same converter, unless point.same_converter is false. A peak is 2**bits times the difference of two readings over the supply's.
    """
    full = 2.0**point.bits
    rest, far = (_loaded(point, counts / full, errors) for counts in (point.rest_counts, point.rest_counts - point.peak_counts))
    supply_v = point.supply_v
    if point.same_converter:
        supply_v = point.supply_divider * _converted(point, point.supply_v / point.supply_divider, errors)
    difference_v = _converted(point, point.supply_v * rest, errors) - _converted(point, point.supply_v * far, errors)
    return full * difference_v / (supply_v + errors.supply_v)


def _loaded(point: OperatingPoint, share: float, errors: PeakErrors) -> float:
    return share / (1.0 + source_ohm(point, share) * errors.load_s)


def _converted(point: OperatingPoint, volts: float, errors: PeakErrors) -> float:
    share = (volts * (1.0 + errors.gain_share) + errors.offset_v) / (point.reference_v * (1.0 + errors.reference_share))
    return point.reference_v * (share + 4.0 * errors.bow_share * share * (1.0 - share))


def peak_lines(inputs: BudgetInputs) -> list[Line]:
    """Lines of the budget of a peak, counts."""
    point, mean = inputs.point, 1.0 / math.sqrt(inputs.flicks)
    cal, held = "calibration", " (held in the repeatability of the gauge study)" if inputs.studied else ""

    def by(name: str, step: float) -> float:
        return _slope(lambda error: measured_peak_counts(point, PeakErrors(**{name: error})), step)

    count_v = point.supply_v / 2.0**point.bits
    load_s = 1.0 / point.input_ohm
    lines = [
        Line("supply reading", Law.NORMAL, inputs.supply_u_v, "V", by("supply_v", 1e-4), cal, inputs.supply_df),
        Line("reference of the converter", Law.RECTANGULAR, inputs.reference_half_width_share, "1", by("reference_share", STEP), cal),
        Line("gain of the converter", Law.NORMAL, inputs.gain_u_share, "1", by("gain_share", STEP), cal, inputs.gain_df),
        Line("offset of the converter", Law.NORMAL, inputs.offset_u_v, "V", by("offset_v", 1e-4), cal, inputs.offset_df),
        Line("bow of the converter", Law.RECTANGULAR, inputs.bow_half_width_share, "1", by("bow_share", STEP), cal),
        Line("loading of the wiper, not corrected", Law.RECTANGULAR, load_s, "S", by("load_s", load_s), cal),
        Line("quantisation", Law.RECTANGULAR, 0.5 * inputs.quantum_v, "V", 1.0 / count_v, "step of the sampler; as if not smoothed"),
        Line("sample clock", Law.RECTANGULAR, inputs.clock_half_width_share, "1", 0.0, cal + "; at a peak the slope is nought"),
        Line(
            "noise after the estimator", Law.NORMAL, inputs.noise_counts, "counts", inputs.noise_gain * mean,
            "noise at rest" + held, inputs.noise_df, not inputs.studied,
        ),
        Line(
            "variation of the release", Law.NORMAL, inputs.release_sd_counts, "counts", mean,
            "flicks of the calibration" + held, inputs.release_df, not inputs.studied,
        ),
    ]  # fmt: skip
    return lines + _studied_lines(inputs)


def _studied_lines(inputs: BudgetInputs) -> list[Line]:
    if not inputs.studied:
        return []
    apart = 0.0 if math.isnan(inputs.reproducibility_sd_counts) else inputs.reproducibility_sd_counts
    return [
        Line("repeatability", Law.NORMAL, inputs.repeatability_sd_counts, "counts", 1.0, "gauge study", inputs.repeatability_df),
        Line("reproducibility", Law.NORMAL, apart, "counts", 1.0, "gauge study", inputs.reproducibility_df),
    ]


def lag_lines(inputs: BudgetInputs) -> list[Line]:
    """Lines of the budget of an added lag, seconds. Raises UsageError without a capacitor."""
    point = inputs.point

    def by(name: str) -> float:
        return _slope(lambda error: measured_lag_s(point, LagErrors(**{name: error})), STEP)

    per_track, half = by("track_share"), (point.rest_counts + 0.5 * point.reach_counts) / 2.0**point.bits
    mean = 1.0 / math.sqrt(inputs.flicks)
    supply, cal = inputs.supply_u_v / point.supply_v, "calibration"
    per_load = per_track * source_ohm(point, half)
    return [
        Line("track of the stick", Law.RECTANGULAR, inputs.track_half_width_share, "1", per_track, "specification or the lot's retests"),
        Line("fitted part", Law.RECTANGULAR, inputs.part_half_width_share, "1", by("part_share"), "tolerance of the stock"),
        Line("supply reading", Law.NORMAL, supply, "1", by("supply_share"), cal, inputs.supply_df),
        Line("loading of the wiper, not corrected", Law.RECTANGULAR, 1.0 / point.input_ohm, "S", per_load, cal),
        Line("sample clock", Law.RECTANGULAR, inputs.clock_half_width_share, "1", by("clock_share"), cal),
        Line("scatter from flick to flick", Law.NORMAL, inputs.lag_sd_s, "s", mean, "flicks of the run or calibration", inputs.lag_df),
    ]  # fmt: skip


def budget_document(inputs: BudgetInputs) -> dict[str, Any]:
    """Both budgets, JSON-ready. added_lag: None without a capacitor, which then adds none."""
    point = inputs.point
    notes = [f"of the mean of {inputs.flicks} flicks of a group" if inputs.flicks > 1 else "of one flick"]
    if point.same_converter:
        notes.append("gain and reference cancel, since the same converter reads the supply")
    if not inputs.studied:
        notes.append("no accepted gauge study: repeatability and reproducibility are not in it")
    peak = budget_table("peak_counts", "counts", point.peak_counts, peak_lines(inputs), notes)
    lag = None
    if point.fitted_f > 0.0:
        value = measured_lag_s(point, LagErrors())
        lag = budget_table("added_lag_s", "s", value, lag_lines(inputs), [notes[0], f"with {point.fitted_f:g} F fitted"])
    return {"format": FORMAT, "peak": peak, "added_lag": lag}


def with_study(inputs: BudgetInputs, study: Mapping[str, Any]) -> BudgetInputs:
    """The inputs with what a study (document of station.prove.study) tells of its worst group's peaks; as they are when it tells nothing.

    Operators and interaction are taken together, with the operators' degrees of freedom, the fewer of the two.
    """
    name = worst_peak(study)
    if name is None:
        return inputs
    figure = study["figures"][name]
    table = figure["anova"]
    residual = table["pooled_repeatability"] or table["lines"]["repeatability"]
    return replace(
        inputs,
        repeatability_sd_counts=figure["repeatability_sd"],
        repeatability_df=float(residual["df"]),
        reproducibility_sd_counts=math.hypot(figure["reproducibility_sd"], figure["interaction_sd"]),
        reproducibility_df=float(table["lines"]["operator"]["df"]) or math.inf,
    )


def _slope(result: Callable[[float], float], step: float) -> float:
    return (result(step) - result(-step)) / (2.0 * step)
