"""The gate's factors and rule, and the figures it may be built for."""

import json

import numpy as np
import pytest
from scipy import stats

from station.judge.fixed_plans import Risks
from station.judge.gate import coverage, coverage_z, gate_for, margin_sd
from station.judge.plan import MODES, plan_for
from station.specification import Decision, Specification
from tests.conftest import DATA

FACTORS = json.loads((DATA / "decision_plan.json").read_text())["gate_factors"]
USUAL = Risks(0.001, 0.025, 0.01, 0.01)


def test_factors_at_the_usual_figures() -> None:
    gate = gate_for(USUAL, 201)
    assert (gate.first, gate.last, gate.confidence) == (8, 60, 0.999)
    assert gate.z == pytest.approx(3.5, abs=1e-12)
    assert coverage(gate) == pytest.approx(0.99977, abs=5e-6)
    for flicks, factor in FACTORS.items():
        assert round(gate.bound(int(flicks)), 3) == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize("share_bad", [0.005, 0.05, 0.2])
@pytest.mark.parametrize("consumer", [0.002, 0.1])
def test_factors_are_tolerance_factors_at_other_figures(share_bad: float, consumer: float) -> None:
    gate = gate_for(Risks(0.001, share_bad, 0.01, consumer), 1000)
    for n in (8, 23, 60):
        expected = stats.nct.ppf(1.0 - consumer / 10.0, n - 1, coverage_z(share_bad) * np.sqrt(n)) / np.sqrt(n)
        assert gate.bound(n) == pytest.approx(expected, rel=1e-9)


def test_coverage_always_asks_more_than_the_bad_share() -> None:
    shares = np.geomspace(1e-6, 0.45, 40)
    asked = np.array([coverage_z(share) for share in shares])
    assert np.all(asked > stats.norm.isf(shares))
    assert np.all(np.diff(asked) < 0)


def test_no_look_at_or_after_the_count_plan_accepts() -> None:
    assert gate_for(Risks(0.01, 0.2, 0.05, 0.05), 15).last == 14
    shut = gate_for(Risks(0.05, 0.5, 0.05, 0.05), 6)
    assert (shut.factors, shut.passes(8, 0.0, 1.0, 100.0)) == ((), False)


def test_margin_without_spread() -> None:
    assert (margin_sd(1.0, 0.0, 2.0), margin_sd(3.0, 0.0, 2.0), margin_sd(1.0, 0.5, 2.0)) == (np.inf, -np.inf, 2.0)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(
    "figures",
    [
        {"over_share_good": 0.01, "over_share_bad": 0.1, "producer_risk": 0.05, "consumer_risk": 0.1, "flicks_max": 200},
        {"over_share_good": 1e-9, "over_share_bad": 0.9, "producer_risk": 0.4, "consumer_risk": 0.4, "flicks_max": 1},
        {"over_share_good": 0.0001, "over_share_bad": 0.00011, "producer_risk": 0.001, "consumer_risk": 0.001, "flicks_max": 450},
        {"over_share_good": 0.2, "over_share_bad": 0.6, "producer_risk": 0.01, "consumer_risk": 1e-9, "flicks_max": 900},
        {"over_share_good": 1e-15, "over_share_bad": 1e-14, "producer_risk": 0.49, "consumer_risk": 0.49, "flicks_max": 100},
    ],
)
def test_every_admissible_decision_has_a_plan_that_speaks(mode: str, figures: dict[str, float]) -> None:
    decision = Decision.model_validate({**figures, "mode": mode})
    plan = plan_for(decision)
    watch = plan.watch(22.0)
    for _ in range(plan.last):
        watch.add(30.0)
    assert plan.last <= decision.flicks_max
    assert str(watch.outcome().verdict) in {"fail", "undecided"}
    assert plan.always_decides is (plan.limits == ())
    assert all("flicks_max" in sentence for sentence in plan.limits)
    assert "Per group" in plan.statement
    assert "e+" not in plan.statement


def test_too_small_flicks_max_is_said_and_leaves_the_gate(dunlin: Specification) -> None:
    short = plan_for(dunlin.decision.model_copy(update={"flicks_max": 100}))
    assert short.limits == (
        "flicks_max 100 is too small for the count plan's risks (a fixed plan needs 351 flicks): a group can pass through the early gate "
        "only, and else ends undecided or failed.",
    )
    assert short.decide(np.full(100, 10.0), 22.0).accepted_by == "gate at flick 8"
    doubtful = short.decide(np.full(100, 21.9), 22.0)
    assert (str(doubtful.verdict), doubtful.flicks_used, doubtful.final) == ("undecided", 100, True)
    assert "person in charge" in short.explain(doubtful)
    assert short.decide(np.array([23.0, 23.0]), 22.0).rejected_by == "2 exceedances by flick 2"


def test_plans_are_made_once(dunlin: Specification) -> None:
    assert plan_for(dunlin.decision) is plan_for(dunlin.decision.model_copy())
    assert plan_for(dunlin.decision, "count").gate is None
