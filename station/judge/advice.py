"""Advice on one recording: what every part in stock would do to these very flicks, and the one to fit.

Method: each measured flick goes back to the wiper and forward through each candidate (station.axis.model), the predicted traces are
measured like a recording (station.measure), and retests are drawn through the decision plan with the flick-to-flick spread, the tolerances
of part, fitted part and track, and the measurement uncertainty (station.judge.advice_chance, seeded).
"""

from typing import Any, Final

from station.axis.markings import marking_of, pretty
from station.judge import reasons
from station.judge.advice_axis import AxisAdvice, Task, Track, advise_axis
from station.judge.advice_candidates import Candidate
from station.judge.advice_chance import SEED, TRIALS
from station.judge.advice_words import CAUTIONS
from station.judge.plan import plan_for
from station.judge.score import score_recording
from station.measure.baseline import baseline_of
from station.measure.flicks import search
from station.quantities import AXES, axis_of
from station.records import Fitted, Recording, Verdict
from station.specification import Specification

__all__ = ["FORMAT", "Track", "advise", "is_answer"]

FORMAT: Final = "restpoint-advice/1"
CURABLE: Final = frozenset({reasons.SNAPBACK, reasons.DULL, reasons.SLUGGISH, reasons.SLOW_SETTLE, reasons.MISSING_GROUP})
"""Reasons that a part can cause or cure, and the one that is said apart."""
WHERE: Final = "between the axis signal and ground"
METHOD: Final = (
    "Every measured flick is taken back to the wiper and forward through each part; the predicted traces are measured like a recording. "
    "The share beyond the zone is the tail of a normal law with the group's mean and spread. Chances come from drawn retests through the "
    "decision plan: the mean and spread that so few flicks leave open, part and track anywhere within their tolerances."
)


def advise(
    recording: Recording,
    spec: Specification,
    fitted: Fitted | None = None,
    track: Track | None = None,
    u_peak_counts: float = 0.0,
    seed: int = SEED,
) -> dict[str, Any]:
    """The contract's advice document, JSON-ready. fitted: what was fitted while recording. track: an estimate in place of the
    specification's figure. u_peak_counts: systematic standard uncertainty of a peak (calibration).

    Never raises for what a recording holds: one that cannot be trusted gets no recommendation and the reason why.
    """
    parts = fitted or Fitted()
    used = track or Track(spec.stick.track_ohm, spec.stick.track_tolerance)
    axes = _axes(recording, spec, parts, used, u_peak_counts, seed)
    return {
        "format": FORMAT,
        "spec": spec.label,
        "axes": {axis: _axis_document(one, spec) for axis, one in axes.items()},
        "chance_unit": _chance_unit(list(axes.values())),
        "asked_chance": spec.stock.asked_chance,
        "track": {"ohm": used.ohm, "tolerance": used.tolerance, "series_ohm": spec.stick.series_ohm, "source": used.source},
        "where": WHERE,
        "method": METHOD,
        "trials": TRIALS,
        "seed": seed,
        "cautions": list(CAUTIONS),
    }


def is_answer(document: dict[str, Any]) -> bool:
    """Whether anything could be said: at least one axis has candidates."""
    return any(axis["candidates"] for axis in document["axes"].values())


def _axes(recording: Recording, spec: Specification, parts: Fitted, track: Track, u_peak_counts: float, seed: int) -> dict[str, AxisAdvice]:
    fitted_f = dict(zip(AXES, (parts.x_f, parts.y_f), strict=True))
    score = score_recording(recording, spec, parts)
    if score.verdict is Verdict.INVALID:
        why = " ".join([f"{', '.join(score.reasons)}.", *score.figures.get("explanation", [])])
        return {axis: AxisAdvice.unknown(fitted_f[axis], f"nothing can be said: {why}") for axis in AXES}
    base = baseline_of(recording, spec)
    found = search(recording, base, spec)
    plan = plan_for(spec.decision)
    out = {}
    for axis in AXES:
        standing = tuple(one for one in score.reasons if reasons.code_of(one) not in CURABLE and _concerns(one, axis))
        task = Task(axis, fitted_f[axis], parts, track, standing, u_peak_counts, seed)
        out[axis] = advise_axis(task, recording, base, found, spec, plan)
    return out


def _concerns(reason: str, axis: str) -> bool:
    """Whether a reason speaks of this axis: by group, by axis, or of the whole stick."""
    where = reason.partition(":")[2]
    return not where or axis_of(where) == axis


def _chance_unit(axes: list[AxisAdvice]) -> float | None:
    """Chance that all axes pass when each gets what is recommended; None where one has no recommendation."""
    chance = 1.0
    for one in axes:
        if one.choice is None or one.choice.recommended is None:
            return None
        chance *= one.choice.recommended.chance
    return chance


def _axis_document(one: AxisAdvice, spec: Specification) -> dict[str, Any]:
    choice = one.choice
    chosen = choice.recommended if choice else None
    return {
        "fitted_f": one.fitted_f,
        "recommended_f": chosen.capacitance_f if chosen else None,
        "marking": marking_of(chosen.capacitance_f) if chosen else None,
        "reason": choice.reason if choice else one.why,
        "outcome": choice.outcome if choice else "not-measured",
        "blocking": list(choice.blocking) if choice else [],
        "help": list(choice.help) if choice else [],
        "further": [*(choice.further if choice else ()), *one.remarks],
        "one_size_larger": choice.larger if choice else None,
        "in_words": _sentence(one, chosen, spec),
        "flicks": one.flicks,
        "candidates": [candidate.document() for candidate in one.candidates],
    }


def _sentence(one: AxisAdvice, chosen: Candidate | None, spec: Specification) -> str:
    """One plain sentence of advice."""
    if one.choice is None or chosen is None:
        why = one.choice.reason if one.choice else one.why
        return f"{why[:1].upper()}{why[1:].rstrip('.')}."
    shown, now = f"{pretty(chosen.capacitance_f)} ({marking_of(chosen.capacitance_f)})", pretty(one.fitted_f)
    does = {
        "none-needed": "Fit nothing",
        "remove": f"Remove the fitted {now} and fit nothing",
        "keep": f"Keep the fitted {now}",
        "fit": f"Fit {shown}",
    }.get(one.choice.outcome, f"Replace the fitted {now} by {shown}")
    zone = f"mean peak {chosen.mean_counts:.1f} counts, worst {chosen.worst_counts:.1f}, zone {spec.host.neutral_zone_counts:g}"
    lag = f"added lag {1e3 * chosen.worse('lag_s'):.2f} ms of {1e3 * spec.limits.added_lag_s:g} ms allowed"
    return f"{does}: {zone}; {lag}; chance to pass the retest {chosen.chance:.2f}."
