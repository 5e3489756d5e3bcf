"""What a retest's check says, for people and as JSON."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from station.axis.markings import marking_of, pretty
from station.axis.preferred import nearest
from station.judge.groups import number
from station.judge.retest_axis import CANNOT_TELL, NOT_MEASURED, UNEXPLAINED, AxisCheck, Told
from station.judge.retest_figures import FIGURES, PEAK, RETURN
from station.judge.retest_weigh import AS_RECORDED, CHANGED_STICK, NOT_ACTING, OTHER_VALUE, Explanation, ValueEstimate, Weighed
from station.quantities import GROUPS
from station.specification import Specification

SERIES: Final = "E12"
METHOD: Final = (
    "The flicks before the work are taken back to the wiper and forward through every part that might act; five mean figures (far-side "
    "peak, swing back, return time, time to the peak, time to the swing back) are compared with the retest's by a multivariate Student t "
    "law that carries flick-to-flick spread, part and track tolerance, measurement, model and clamping. Weights are prior times likelihood."
)
MEANING: Final[Mapping[str, str]] = {
    AS_RECORDED: "acts as recorded",
    NOT_ACTING: "the part does not act: a dry joint, a wrong pad, or no part fitted",
    OTHER_VALUE: "a part of another value than recorded acts",
    CHANGED_STICK: "the recorded part acts, and the stick has changed",
}
PAD_SHARE: Final = 0.4  # relative difference within which the value found on one axis is taken for the part recorded on the other; chosen


def axis_document(axis: str, check: AxisCheck, spec: Specification) -> dict[str, Any]:
    """One axis, JSON-ready."""
    told, weighed = check.told, check.weighed
    return {
        "before_f": check.before_f,
        "recorded_f": check.recorded_f,
        "marking": marking_of(check.recorded_f),
        "finding": check.finding,
        "in_words": sentence(axis, check, spec),
        "likelihoods": [_likelihood(one) for one in weighed.explanations] if weighed else [],
        "estimate": _value_document(weighed.value, spec) if weighed else None,
        "stick_change": _stick_document(weighed) if weighed else None,
        "figures": _figures_document(told) if told else {},
        "added_lag_s": {"predicted": number(told.predicted_lag_s), "measured": number(told.measured_lag_s)} if told else None,
        "few_flicks": told.few if told else None,
        "further": _further(axis, told) if told else [],
    }


def sentence(axis: str, check: AxisCheck, spec: Specification) -> str:
    """The finding in plain words."""
    if check.finding == NOT_MEASURED or check.told is None or check.weighed is None:
        return check.why
    seen = _seen(check.told)
    weight = check.weighed.explanations[0].weight
    told = {
        AS_RECORDED: lambda: _as_recorded(axis, check),
        NOT_ACTING: lambda: _not_acting(axis, check),
        OTHER_VALUE: lambda: _other_value(axis, check, check.weighed.value, spec) if check.weighed else "",
        CHANGED_STICK: lambda: _changed_stick(axis, check),
        UNEXPLAINED: lambda: f"On {axis} no explanation fits: neither the part nor a changed stick alone. Look at joint, part and stick.",
        CANNOT_TELL: lambda: _cannot_tell(axis, check.weighed) if check.weighed else "",
    }[check.finding]()
    sure = "" if check.finding in (UNEXPLAINED, CANNOT_TELL) else f" Weight {weight:.3f}."
    return f"{told} {seen}{sure}"


def _as_recorded(axis: str, check: AxisCheck) -> str:
    if check.recorded_f == check.before_f:
        return f"Nothing was recorded as changed on {axis}, and it acts as before."
    if check.recorded_f == 0.0:
        return f"{axis} acts as recorded: without a part."
    return f"The part on {axis} acts as recorded: {pretty(check.recorded_f)}."


def _not_acting(axis: str, check: AxisCheck) -> str:
    acting = check.weighed.acting_f if check.weighed else None
    if check.recorded_f == 0.0:
        return f"The part on {axis} was recorded as removed, but {pretty(check.before_f)} acts as before."
    if check.recorded_f == check.before_f:
        return f"Nothing was recorded as changed on {axis}, but its {pretty(check.before_f)} does not act any more: look at its joints."
    still = f"the earlier {pretty(check.before_f)} acts alone" if acting else "the stick answers as without any"
    return f"The part on {axis} does not act ({still}): a dry joint, a wrong pad, or no part fitted."


def _other_value(axis: str, check: AxisCheck, value: ValueEstimate, spec: Specification) -> str:
    stock = min(spec.stock.values_f, key=lambda one: abs(np.log(one / value.capacitance_f)))
    told = f"about {pretty(float(f'{value.capacitance_f:.2g}'))} (95 % interval {pretty(float(f'{value.low_f:.2g}'))} to "
    told += f"{pretty(float(f'{value.high_f:.2g}'))}; nearest in stock {pretty(stock)}, marked {marking_of(stock)})"
    if check.recorded_f == 0.0:
        return f"No part is recorded on {axis}, but one acts: {told}."
    return f"A part of another value than the recorded {pretty(check.recorded_f)} acts on {axis}: {told}."


def _changed_stick(axis: str, check: AxisCheck) -> str:
    assert check.weighed is not None
    stick = check.weighed.stick
    part = f"with the recorded {pretty(check.recorded_f)}" if check.recorded_f else "without a part, as recorded"
    return (
        f"{axis} answers {part}, but the stick has changed: decay of its swings by {_percent(stick.decay[0])}, "
        f"rate of ringing by {_percent(stick.ringing[0])}."
    )


def _cannot_tell(axis: str, weighed: Weighed) -> str:
    ranked = [f"{MEANING[one.finding]} ({one.weight:.2f})" for one in weighed.explanations[:2]]
    return f"The retest cannot tell what acts on {axis}: {', or '.join(ranked)}. More flicks before and after would help."


def _seen(told: Told) -> str:
    predicted, measured = told.predicted.mean(axis=0), told.measured.mean(axis=0)
    return (
        f"Mean peak {measured[PEAK]:.1f} counts, {predicted[PEAK]:.1f} predicted; "
        f"return {1e3 * measured[RETURN]:.2f} ms, {1e3 * predicted[RETURN]:.2f} predicted."
    )


def _percent(factor: float) -> str:
    return f"{100.0 * (factor - 1.0):+.0f} %"


def _likelihood(one: Explanation) -> dict[str, Any]:
    return {
        "finding": one.finding,
        "meaning": MEANING[one.finding],
        "prior": one.prior,
        "log_likelihood": number(one.log_likelihood),
        "weight": one.weight,
        "fit": one.fit,
    }


def _value_document(value: ValueEstimate, spec: Specification) -> dict[str, Any]:
    stock = min(spec.stock.values_f, key=lambda one: abs(np.log(one / value.capacitance_f)))
    preferred = nearest(value.capacitance_f, SERIES)
    return {
        "capacitance_f": value.capacitance_f,
        "low_f": value.low_f,
        "high_f": value.high_f,
        "confidence": 0.95,
        "nearest_stock_f": stock,
        "nearest_stock_marking": marking_of(stock),
        "nearest_preferred_f": preferred,
        "nearest_preferred_marking": marking_of(preferred),
        "series": SERIES,
    }


def _stick_document(weighed: Weighed) -> dict[str, Any]:
    pairs = (("decay", weighed.stick.decay), ("ringing", weighed.stick.ringing))
    return {name: {"factor": middle, "low": low, "high": high} for name, (middle, low, high) in pairs}


def _figures_document(told: Told) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for row, group in enumerate(told.groups):
        figures = {
            name: {
                "predicted": number(told.predicted[row, k]),
                "measured": number(told.measured[row, k]),
                "residual": number(told.measured[row, k] - told.predicted[row, k]),
                "u": number(told.u[row, k]),
            }
            for k, name in enumerate(FIGURES)
        }
        out[GROUPS[group]] = {"flicks_before": told.flicks_before[row], "flicks_after": told.flicks_after[row], **figures}
    return out


def _further(axis: str, told: Told) -> list[str]:
    out = []
    if told.few:
        fewest = min(*told.flicks_before, *told.flicks_after)
        plural = "" if fewest == 1 else "s"
        out.append(
            f"A direction of {axis} has only {fewest} flick{plural} before or after: its spread is poorly known, the weights are weak."
        )
    if len(told.groups) == 1:
        out.append(f"Only {GROUPS[told.groups[0]]} was flicked both times: this rests on one direction.")
    return out


def wrong_pad(checks: Mapping[str, AxisCheck]) -> str | None:
    """Sentence where the part of one axis seems to act on the other."""
    for axis, other in (("x", "y"), ("y", "x")):
        mine, theirs = checks[axis], checks[other]
        if mine.finding != NOT_ACTING or theirs.finding != OTHER_VALUE or theirs.weighed is None or mine.recorded_f <= 0.0:
            continue
        ratio = theirs.weighed.value.capacitance_f / mine.recorded_f
        if abs(np.log(ratio)) <= PAD_SHARE and theirs.recorded_f != mine.recorded_f:
            return f"The {pretty(mine.recorded_f)} recorded on {axis} seems to sit on the pads of {other}."
    return None
