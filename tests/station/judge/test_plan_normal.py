"""The normal-model plan: its factors, its calibration at other figures, its rule."""

import json

import numpy as np
import pytest

from station.judge.fixed_plans import Risks, fixed_variables
from station.judge.normal_plan import USUAL, calibrated, looks_until, margins_of_streams, normal_plan
from station.judge.oc import simulate
from station.judge.plan import plan_for
from station.judge.shapes import NORMAL
from station.records import Verdict
from station.specification import Decision, Specification
from tests.conftest import DATA

KNOWN = json.loads((DATA / "decision_plan.json").read_text())["normal_model"]


def test_factors_at_the_usual_figures() -> None:
    plan = normal_plan(USUAL, 450)
    assert (plan.last, plan.last_factor, plan.decides) == (100, 2.579, True)
    for flicks, factor in KNOWN["accept_factors"].items():
        assert plan.bound(int(flicks)) == pytest.approx(factor, abs=0.011)
    for flicks, factor in KNOWN["reject_factors"].items():
        assert plan.reject_factors[int(flicks) - 1] == pytest.approx(factor, abs=0.0051)
    assert not np.isfinite(plan.accept_factors[3])
    assert not np.isfinite(plan.reject_factors[1])


def test_calibration_finds_the_usual_plan_again() -> None:
    """Found anew from 40,000 streams, two standard errors inside the risks, it may only be a little more careful."""
    plan, usual = calibrated(USUAL, 100), normal_plan(USUAL, 450)
    assert plan is not None
    assert plan.last_factor == pytest.approx(usual.last_factor, abs=0.02)
    for n in (8, 20, 60):
        assert usual.accept_factors[n - 1] <= plan.accept_factors[n - 1] <= 1.06 * usual.accept_factors[n - 1]
        assert 0.94 * usual.reject_factors[n - 1] <= plan.reject_factors[n - 1] <= usual.reject_factors[n - 1]


OTHER = [(0.01, 0.05, 0.05, 0.05, 1000), (0.05, 0.3, 0.05, 0.02, 100), (0.001, 0.025, 0.01, 0.01, 75), (0.002, 0.01, 0.02, 0.1, 5000)]


@pytest.mark.parametrize("figures", OTHER)
def test_other_figures_hold_their_risks_on_normal_peaks(figures: tuple[float, float, float, float, int]) -> None:
    names = ("over_share_good", "over_share_bad", "producer_risk", "consumer_risk", "flicks_max")
    decision = Decision.model_validate({**dict(zip(names, figures, strict=True)), "mode": "normal-model", "sd_floor_counts": 0.0})
    plan, groups = plan_for(decision), 20_000
    good = simulate(plan, NORMAL, decision.over_share_good, groups, seed=31)
    bad = simulate(plan, NORMAL, decision.over_share_bad, groups, seed=32)
    for count, risk in ((good.failed, decision.producer_risk), (bad.passed, decision.consumer_risk)):
        assert count <= risk * groups + 3.1 * np.sqrt(risk * groups)
    fixed = fixed_variables(plan.risks)
    assert fixed is not None
    assert good.passed + good.failed == bad.passed + bad.failed == groups
    assert good.mean_flicks <= fixed.flicks
    assert bad.mean_flicks <= fixed.flicks


def test_a_risk_too_small_to_simulate_leaves_the_fixed_plan() -> None:
    risks = Risks(0.01, 0.2, 0.01, 1e-9)
    plan, fixed = normal_plan(risks, 500), fixed_variables(risks)
    assert fixed is not None
    assert calibrated(risks, 150) is None
    assert (plan.last, plan.decides) == (fixed.flicks, True)
    assert fixed.k_low <= plan.last_factor <= fixed.k_high
    assert not np.any(np.isfinite(plan.accept_factors))


def test_too_few_flicks_end_undecided(dunlin: Specification) -> None:
    plan = plan_for(dunlin.decision.model_copy(update={"flicks_max": 40}), "normal-model")
    assert plan.limits == ("flicks_max 40 is too small for both risks (a fixed plan needs 72 flicks): doubtful groups end undecided.",)
    spread = np.resize([18.0, 20.0], 40)
    assert plan.decide(spread - 0.2, 22.0).verdict is Verdict.UNDECIDED
    assert plan.decide(spread - 9.0, 22.0).verdict is Verdict.PASS
    assert plan.decide(spread + 2.0, 22.0).verdict is Verdict.FAIL


def test_the_guard_band_leaves_rejection_and_the_last_look_alone() -> None:
    plan = normal_plan(USUAL, 450)
    assert plan.verdict(20, 4.2, 4.0) is Verdict.UNDECIDED
    assert plan.verdict(20, 4.2, 4.1) is Verdict.PASS
    assert plan.verdict(20, 1.9, 1.8) is Verdict.UNDECIDED
    assert plan.verdict(20, 1.8, 1.7) is Verdict.FAIL
    assert plan.verdict(100, 2.58, 2.50) is Verdict.PASS
    assert plan.verdict(100, 2.57, 2.57) is Verdict.FAIL


def test_looks_of_long_plans_are_few_and_end_at_the_last() -> None:
    looks = looks_until(10_000)
    assert len(looks) < 400
    assert looks[-1] == 10_000
    assert np.all(np.diff(looks) > 0)


def test_streams_that_jump_between_looks_have_the_right_law() -> None:
    """Margins at a look 200 flicks on, drawn by jumps: mean square of T sqrt-n against the noncentral t's first two moments."""
    looks = looks_until(300)
    margins = margins_of_streams(0.01, looks, seed=3)[-1].astype(float)
    drawn = np.random.default_rng(4).standard_normal((20_000, 300))
    direct = (2.3263478740408408 - drawn.mean(axis=1)) / drawn.std(axis=1, ddof=1)
    assert margins.mean() == pytest.approx(direct.mean(), abs=5 * direct.std() / np.sqrt(20_000))
    assert margins.std() == pytest.approx(direct.std(), rel=0.03)


def test_usual_risks_are_the_ones_of_the_specification(dunlin: Specification) -> None:
    assert plan_for(dunlin.decision).risks == USUAL == Risks(0.001, 0.025, 0.01, 0.01)
