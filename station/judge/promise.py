"""What a verdict rests on beside the flicks: the rule, its guard band and risks, and whether the flicks bear the rule's assumption."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from station.judge.monitor import lag_one
from station.judge.plan import plan_for
from station.judge.words import group_risk_of_unit
from station.quantities import GROUPS
from station.specification import Specification


def rule_document(spec: Specification, modes: Mapping[str, str]) -> dict[str, Any]:
    """Rule, guard band (JCGM 106:2012; it shifts the early acceptance only) and risks per group and per unit, JSON-ready.

    statements: in plain words, by the modes that were used. A unit has as many groups as its sticks have together.
    """
    decision = spec.decision
    plans = {plan.mode: plan for plan in (plan_for(decision, modes.get(group)) for group in GROUPS)}
    groups = len(GROUPS) * len(spec.stick.names)
    return {
        "guard_band_counts": decision.guard_band_counts,
        "group_risk_good_failed": decision.producer_risk,
        "group_risk_bad_passed": decision.consumer_risk,
        "unit_risk_good_failed": group_risk_of_unit(next(iter(plans.values())), groups),
        "unit_risk_bad_passed": decision.consumer_risk,
        "statements": {mode: plan.statement for mode, plan in plans.items()},
    }


def correlation_document(used_peaks_counts: Sequence[NDArray[np.float64]]) -> dict[str, Any] | None:
    """Lag-1 correlation of the used peaks within groups, JSON-ready; None when there are too few to tell."""
    found = lag_one(used_peaks_counts)
    if found is None:
        return None
    figures = {"value": found.value, "lower": found.lower, "upper": found.upper, "flicks": found.flicks}
    return {**figures, "beyond_assumption": found.beyond_assumption, "in_words": found.sentence}
