"""What a plan promises, in plain words for the page and the record."""

from typing import TYPE_CHECKING

from station.judge.fixed_plans import fixed_attributes, fixed_variables
from station.records import Verdict

if TYPE_CHECKING:
    from station.judge.plan import Plan
    from station.judge.watch import Outcome

SHAPES = "normal, uniform, t with 5 degrees, lognormal with skewness 1 and Gumbel"
WAY_ON = (
    "The operator on duty may flick this group alone once more, from the start; if it ends undecided again, the person in charge of the "
    "specification decides about the unit. Two tries at most double the stated chances."
)


def statement(plan: "Plan") -> str:
    """What the plan promises and what it cannot promise."""
    return " ".join([_promise(plan), _basis(plan), *limits(plan)])


def clean_chance(plan: "Plan", flicks: int) -> float:
    """Chance that a group at the bad share shows no exceedance in so many flicks, whatever the shape of its peaks."""
    return float((1.0 - plan.risks.share_bad) ** flicks)


def group_risk_of_unit(plan: "Plan", groups: int = 4) -> float:
    """Chance that a unit of so many independent groups, each just good, is failed by at least one of them."""
    return float(1.0 - (1.0 - plan.risks.producer) ** groups)


def _promise(plan: "Plan") -> str:
    risks = plan.risks
    return (
        f"Per group: with {_percent(risks.share_good)} of flicks beyond the neutral zone it is failed with a chance of at most "
        f"{_percent(risks.producer)}; with {_percent(risks.share_bad)} it is passed with a chance of at most {_percent(risks.consumer)}. "
        f"A unit of four such just good groups is failed with a chance of at most {_percent(group_risk_of_unit(plan))}; one bad group "
        f"fails a unit as surely as it fails alone."
    )


def _basis(plan: "Plan") -> str:
    if plan.normal is not None:
        return (
            "Both risks hold for normal peaks only: a statement about the normal model, not about units. Skewed peaks or rare big "
            "flicks can pass far more often."
        )
    if plan.gate is None or plan.gate.last < plan.gate.first:
        return "Both risks hold for any shape of peaks, as long as flicks are independent and alike."
    return (
        "The chance to fail a good group holds for any shape of peaks. The chance to pass a bad one holds for the shapes it was tried "
        f"on ({SHAPES}). No plan that accepts after a few clean flicks can promise it for every shape: of bad groups, "
        f"{_percent(clean_chance(plan, plan.gate.first))} show {plan.gate.first} clean flicks, "
        f"{_percent(clean_chance(plan, plan.gate.last))} show {plan.gate.last}. Groups whose usual peaks are small and of which a few "
        "flicks jump far out are left to the pooled monitor and the audited groups. Flicks are taken to be independent."
    )


def limits(plan: "Plan") -> tuple[str, ...]:
    """What this plan cannot do at these figures, one sentence each."""
    if plan.always_decides:
        return ()
    if plan.normal is not None:
        by_model = fixed_variables(plan.risks)
        needs = _needs(by_model.flicks if by_model else None)
        return (f"flicks_max {plan.flicks_max} is too small for both risks ({needs}): doubtful groups end undecided.",)
    way = "a group can pass through the early gate only, and else ends undecided or failed"
    if plan.gate is None or plan.gate.last < plan.gate.first:
        way = "no group can pass"
    by_count = fixed_attributes(plan.count_risks)
    needs = _needs(by_count.flicks if by_count else None)
    return (f"flicks_max {plan.flicks_max} is too small for the count plan's risks ({needs}): {way}.",)


def explain(plan: "Plan", outcome: "Outcome") -> str:
    """One outcome in plain words."""
    used, seen = outcome.flicks_used, outcome.exceedances
    told = f"{seen} of {used} flicks beyond the neutral zone."
    if outcome.verdict is Verdict.PASS:
        clean = f" Of bad groups, {_percent(clean_chance(plan, used))} would show as many clean flicks." if seen == 0 else ""
        return f"Accepted by: {outcome.accepted_by}. {told}{clean}"
    if outcome.verdict is Verdict.FAIL:
        return f"Rejected by: {outcome.rejected_by}. {told}"
    if outcome.final:
        return f"Undecided. {told} {WAY_ON}"
    return f"Undecided. {told} The operator on duty lets this group alone be flicked on: at most {outcome.still_wanted} more flicks."


def _needs(flicks: int | None) -> str:
    return "no fixed plan of a million flicks reaches them" if flicks is None else f"a fixed plan needs {flicks} flicks"


def _percent(share: float) -> str:
    return f"{100.0 * share:.3g} %"
