"""The judgement of one group: the plan on its peaks, and its figures against their limits."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from station.judge import reasons
from station.judge.limits import Check, Standing, group_checks, mean_and_u
from station.judge.plan import Plan
from station.judge.watch import Outcome
from station.measure.catalogue import METRICS
from station.quantities import axis_of
from station.records import FlickTable, Floats, Verdict
from station.specification import Specification

MISREAD_BOUND = 0.95  # one-sided confidence of the upper bound of a group's mean misread probability


@dataclass(frozen=True, slots=True)
class GroupJudgement:
    """members: rows of the flick table, in order. used: which of them the plan looked at. late: exceedances after its decision."""

    group: str
    verdict: Verdict
    reasons: tuple[str, ...]
    doubtful: tuple[str, ...]
    outcome: Outcome
    members: NDArray[np.intp]
    used: NDArray[np.intp]
    late: NDArray[np.intp]
    document: dict[str, Any]


def judge_group(group: str, members: NDArray[np.intp], table: FlickTable, spec: Specification, plan: Plan, u_rest: float) -> GroupJudgement:
    """Verdict and figures of one group with at least one flick."""
    peaks = table.columns["peak_counts"][members]
    known = members[~np.isnan(peaks)]
    zone = spec.host.neutral_zone_counts
    outcome = plan.decide(table.columns["peak_counts"][known], zone, spec.decision.guard_band_counts)
    used = known[: outcome.flicks_used]
    after = known[outcome.flicks_used :]
    late = after[table.columns["peak_counts"][after] > zone]
    counted = used if len(used) else members
    columns = {name: column[counted] for name, column in table.columns.items()}
    checks = group_checks(columns, spec, u_rest)
    against = [_reason(check, group) for check in checks if check.standing is Standing.BROKEN]
    if outcome.verdict is Verdict.FAIL:
        against.append(f"{reasons.SNAPBACK}:{group}")
    doubtful = [_reason(check, group) for check in checks if check.standing is Standing.DOUBTFUL]
    verdict = _verdict(outcome.verdict, bool(against), bool(doubtful))
    document = {
        "verdict": str(verdict),
        "flicks": len(members),
        "flicks_used": outcome.flicks_used,
        **_statistics(table, members, u_rest),
        **_means(columns, u_rest),
        "over_zone": int(np.count_nonzero(peaks > zone)),
        "late_exceedances": len(late),
        "limits": [check.document() for check in checks],
        "decision": decision_document(plan, outcome),
    }
    return GroupJudgement(group, verdict, tuple(against), tuple(doubtful), outcome, members, used, late, document)


def _reason(check: Check, group: str) -> str:
    where = axis_of(group) if check.reason == reasons.NOISY_WIPER else group
    return f"{check.reason}:{where}"


def _verdict(plan: Verdict, against: bool, doubtful: bool) -> Verdict:
    if against or plan is Verdict.FAIL:
        return Verdict.FAIL
    return Verdict.UNDECIDED if doubtful or plan is not Verdict.PASS else Verdict.PASS


def _statistics(table: FlickTable, members: NDArray[np.intp], u_rest: float) -> dict[str, Any]:
    """Peaks and misread probability over all flicks of the group."""
    peaks, u = table.columns["peak_counts"][members], table.columns["u_peak_counts"][members]
    known = peaks[~np.isnan(peaks)]
    sd = float(np.std(known, ddof=1)) if len(known) > 1 else None
    largest = float(known.max()) if len(known) else None
    misread = table.columns["misread_probability"][members]
    misread = misread[~np.isnan(peaks)]
    return {
        "peak_counts": {
            "mean": float(np.mean(known)) if len(known) else None,
            "sd": sd,
            "max": largest,
            "u": number(measured_u(u[~np.isnan(peaks)], u_rest)),
        },
        "misread_probability": {"mean": float(np.mean(misread)) if len(misread) else None, "upper": upper_bound(misread)},
    }


def measured_u(u: Floats, common_u: float) -> float:
    """Standard uncertainty of measuring a mean of these flicks: what is their own lessens with their number, what they share does not."""
    if not len(u):
        return math.nan
    return math.hypot(math.sqrt(float(np.mean(np.maximum(u**2 - common_u**2, 0.0))) / len(u)), common_u)


def upper_bound(values: Floats) -> float | None:
    """One-sided 95 % bound of the mean of probabilities (Student's t), at most 1; None for fewer than two."""
    n = len(values)
    if n < 2:
        return None
    bound = float(np.mean(values)) + float(stdtrit(n - 1, MISREAD_BOUND)) * float(np.std(values, ddof=1)) / math.sqrt(n)
    return min(bound, 1.0)


def _means(columns: dict[str, Floats], u_rest: float) -> dict[str, Any]:
    """Means over the used flicks, with their standard uncertainties."""
    out: dict[str, Any] = {}
    for name in ("return_s", "settle_s", "reach_counts", "added_lag_s", "over_zone_s", "rest_shift_counts", "cross_axis_counts", "rings"):
        level = METRICS[name].unit == "counts" and name != "cross_axis_counts"
        mean, u = mean_and_u(columns[name], columns[f"u_{name}"], u_rest if level else 0.0)
        out[name], out[f"u_{name}"] = number(mean), number(u)
    noise, _ = mean_and_u(columns["motion_noise_counts"], columns["u_motion_noise_counts"])
    out["motion_noise_counts"] = number(noise)
    return out


def decision_document(plan: Plan, outcome: Outcome) -> dict[str, Any]:
    """How the plan came to its verdict, JSON-ready."""
    return {
        "mode": plan.mode,
        "verdict": str(outcome.verdict),
        "accepted_by": outcome.accepted_by,
        "rejected_by": outcome.rejected_by,
        "exceedances": outcome.exceedances,
        "still_wanted": outcome.still_wanted,
        "in_words": plan.explain(outcome),
        "path": [dict(look) for look in outcome.path],
    }


def number(value: float) -> float | None:
    """None in place of what is not a finite number."""
    return float(value) if math.isfinite(value) else None
