"""What the plans do, against figures computed beforehand by an independent program, and both risks over many shapes of peaks."""

import json

import numpy as np
import pytest
from scipy import special, stats

from station.judge import oc, shapes
from station.judge.plan import MODES, Plan, plan_for
from station.records import Verdict
from station.specification import Decision, Specification
from tests.conftest import DATA

KNOWN = json.loads((DATA / "decision_plan.json").read_text())
GROUPS = 20_000
RISK_BOUND = int(stats.binom.isf(0.001, GROUPS, 0.01))  # 245: a true risk of 0.01 exceeds it once in a thousand campaigns
CODES = {oc.OPEN: Verdict.UNDECIDED, oc.PASSED: Verdict.PASS, oc.FAILED: Verdict.FAIL}


@pytest.fixture(scope="module")
def guarded(dunlin: Specification) -> Plan:
    return plan_for(dunlin.decision)


@pytest.fixture(scope="module")
def bare(dunlin: Specification) -> Plan:
    """Without a floor, as the known figures were computed."""
    return plan_for(dunlin.decision.model_copy(update={"sd_floor_counts": 0.0}))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("guard", [0.0, 0.5])
def test_many_at_once_are_each_decided_as_alone(dunlin: Specification, mode: str, guard: float) -> None:
    plan, random = plan_for(dunlin.decision, mode), np.random.default_rng(8)
    margins = random.uniform(-2.0, 12.0, (500, 1))
    peaks = 22.0 - margins + random.standard_normal((500, 445))
    peaks[::5] = np.round(peaks[::5])  # ties, equal readings, peaks on the limit
    peaks[3::7] = np.minimum(peaks[3::7], 21.5)
    for length in (445, 50, 9):
        many = oc.decide_all(plan, peaks[:, :length], 22.0, guard)
        for row, code, used, seen in zip(peaks[:, :length], many.verdict, many.flicks, many.exceedances, strict=True):
            alone = plan.decide(row, 22.0, guard)
            assert (alone.verdict, alone.flicks_used, alone.exceedances) == (CODES[code], used, seen)


@pytest.mark.parametrize("mode", MODES)
def test_other_figures_are_decided_alike_too(mode: str) -> None:
    decision = Decision(over_share_good=0.02, over_share_bad=0.15, producer_risk=0.05, consumer_risk=0.1, flicks_max=30, mode=mode)
    plan, random = plan_for(decision), np.random.default_rng(9)
    peaks = 22.0 - random.uniform(-2.0, 9.0, (400, 1)) + random.standard_normal((400, 30))
    many = oc.decide_all(plan, peaks, 22.0)
    for row, code, used in zip(peaks, many.verdict, many.flicks, strict=True):
        alone = plan.decide(row, 22.0)
        assert (alone.verdict, alone.flicks_used) == (CODES[code], used)


def test_guarded_mean_flicks_and_acceptance_on_normal_peaks(guarded: Plan) -> None:
    known = KNOWN["guarded_normal"]
    shares = [float(special.ndtr(-margin)) for margin in known["margin_sd"]]
    found = oc.operating_characteristic(guarded, shares, groups=40_000, seed=11)
    for margin, accept, mean, point in zip(known["margin_sd"], known["accept"], known["mean_flicks"], found, strict=True):
        within = 0.02 * mean + 0.06  # two percent and the rounding of the known figure
        assert point.mean_flicks == pytest.approx(mean, abs=within), margin
        assert point.accept == pytest.approx(accept, abs=4 * np.sqrt(accept * (1 - accept) / 40_000) + 6e-4), margin


def test_simulation_of_every_flick_agrees_with_the_exact_end(guarded: Plan) -> None:
    """Whole runs, no exact part, at margins where gate, count and both matter."""
    for margin in (8.0, 5.0, 2.5):
        share = float(special.ndtr(-margin))
        whole, half = oc.simulate(guarded, shapes.NORMAL, share, GROUPS, seed=5), oc.operating_characteristic(guarded, [share], seed=6)[0]
        assert whole.mean_flicks == pytest.approx(half.mean_flicks, abs=6 * whole.mean_flicks_se)
        assert whole.passed / GROUPS == pytest.approx(half.accept, abs=6 * np.sqrt(half.accept * (1 - half.accept) / GROUPS) + 1e-4)


@pytest.mark.parametrize("shape", shapes.FAMILY, ids=lambda shape: shape.name)
def test_both_risks_hold_for_the_family(guarded: Plan, shape: shapes.Shape) -> None:
    assert RISK_BOUND == 245
    assert oc.simulate(guarded, shape, 0.025, GROUPS, seed=41).passed <= RISK_BOUND
    assert oc.simulate(guarded, shape, 0.001, GROUPS, seed=42).failed <= RISK_BOUND


def test_count_mode_holds_its_risks_where_a_gate_cannot(dunlin: Specification) -> None:
    """Peaks of two values, zero or far beyond the limit: no spread to see, only exceedances."""
    plan, random = plan_for(dunlin.decision, "count"), np.random.default_rng(43)
    bad = oc.tally(plan, lambda _n, who: 99.0 * (random.random(len(who)) < 0.025), 22.0, GROUPS)
    good = oc.tally(plan, lambda _n, who: 99.0 * (random.random(len(who)) < 0.001), 22.0, GROUPS)
    assert bad.passed <= RISK_BOUND
    assert good.failed <= RISK_BOUND
    assert good.mean_flicks == pytest.approx(plan.count.characteristic(0.001).mean_flicks, abs=5 * good.mean_flicks_se)


@pytest.mark.parametrize("shape", [*shapes.FAMILY, shapes.EXPONENTIAL, shapes.mixture(0.05, 4.0)], ids=lambda shape: shape.name)
def test_known_consumer_risks_per_shape(bare: Plan, shape: shapes.Shape) -> None:
    """Also the known escapes: a plan that let through much less of them would not be this plan."""
    known, groups = KNOWN["guarded_consumer"][shape.name], 100_000
    found = oc.operating_characteristic(bare, [0.025], shape, groups, seed=12)[0]
    assert found.accept == pytest.approx(known, abs=4 * np.sqrt(known / groups) * 1.3 + 1e-4)


def test_clean_core_with_rare_far_flicks_escapes_as_known(guarded: Plan) -> None:
    """2.5 % of flicks 20 sd up, limit half way: about three of four such groups pass early. Only the pooled monitor sees them."""
    random = np.random.default_rng(13)
    escaped = oc.tally(guarded, lambda _n, who: random.standard_normal(len(who)) + 20.0 * (random.random(len(who)) < 0.025), 10.0, GROUPS)
    assert escaped.passed / GROUPS == pytest.approx(0.770, abs=0.015)


def test_rounded_readings_need_the_floor(dunlin: Specification, bare: Plan) -> None:
    """Spread of 0.3 count read in whole counts: equal readings look perfect without a floor (limit half a count up, as integers ask)."""

    def passed(plan: Plan) -> int:
        random = np.random.default_rng(14)
        level = 20.5 - 0.3 * shapes.NORMAL.level(0.025)
        return oc.tally(plan, lambda _n, who: np.round(level + 0.3 * random.standard_normal(len(who))), 20.5, GROUPS).passed

    assert passed(plan_for(dunlin.decision)) <= RISK_BOUND
    assert passed(plan_for(dunlin.decision.model_copy(update={"sd_floor_counts": 1e-3}))) > 0.3 * GROUPS
    assert bare.sd_floor_counts == 0.0


def test_normal_model_figures(dunlin: Specification) -> None:
    plan = plan_for(dunlin.decision.model_copy(update={"sd_floor_counts": 0.0}), "normal-model")
    known = KNOWN["normal_model"]
    for margin, accept, mean in zip(known["margin_sd"], known["accept"], known["mean_flicks"], strict=True):
        found = oc.simulate(plan, shapes.NORMAL, float(special.ndtr(-margin)), GROUPS, seed=15)
        assert found.mean_flicks == pytest.approx(mean, abs=4 * found.mean_flicks_se + 0.06)
        assert found.passed / GROUPS == pytest.approx(accept, abs=4 * np.sqrt(max(accept * (1 - accept), 1e-4) / GROUPS) + 5e-4)


OTHER = [
    {"over_share_good": 0.002, "over_share_bad": 0.05, "producer_risk": 0.02, "consumer_risk": 0.05, "flicks_max": 400},
    {"over_share_good": 0.0005, "over_share_bad": 0.01, "producer_risk": 0.01, "consumer_risk": 0.01, "flicks_max": 2000},
    {"over_share_good": 0.01, "over_share_bad": 0.1, "producer_risk": 0.05, "consumer_risk": 0.02, "flicks_max": 300},
]


@pytest.mark.parametrize("figures", OTHER)
@pytest.mark.parametrize("shape", shapes.FAMILY, ids=lambda shape: shape.name)
def test_the_gate_scales_with_the_figures(figures: dict[str, float], shape: shapes.Shape) -> None:
    decision = Decision.model_validate({**figures, "mode": "guarded"})
    plan, groups = plan_for(decision), 40_000
    bad, good = oc.operating_characteristic(plan, [decision.over_share_bad, decision.over_share_good], shape, groups, seed=16)
    assert bad.accept <= decision.consumer_risk + 3.1 * np.sqrt(0.3 * decision.consumer_risk / groups)
    assert good.reject <= decision.producer_risk + 3.1 * np.sqrt(decision.producer_risk / groups)


@pytest.mark.parametrize(
    ("shape", "law"),
    [
        (shapes.NORMAL, stats.norm),
        (shapes.student(5), stats.t(5)),
        (shapes.LOGNORMAL, stats.lognorm(shapes.SIGMA)),
        (shapes.GUMBEL, stats.gumbel_r),
        (shapes.UNIFORM, stats.uniform),
        (shapes.EXPONENTIAL, stats.expon),
    ],
    ids=lambda one: getattr(one, "name", ""),
)
def test_shapes_are_the_laws_they_say(shape: shapes.Shape, law: object) -> None:
    assert shape.level(0.025) == pytest.approx(law.isf(0.025) / law.std(), rel=1e-9)
    drawn = shape.draw(np.random.default_rng(17), 100_000)
    assert np.mean(drawn > shape.level(0.025)) == pytest.approx(0.025, abs=5 * np.sqrt(0.025 / 100_000))
    assert stats.lognorm(shapes.SIGMA).stats("s") == pytest.approx(1.0, abs=1e-9)


def test_level_of_a_mixture() -> None:
    shape = shapes.mixture(0.05, 4.0)
    level = shape.level(0.025)
    assert 0.95 * stats.norm.sf(level) + 0.05 * stats.norm.sf(level - 4.0) == pytest.approx(0.025, rel=1e-9)
    drawn = shape.draw(np.random.default_rng(18), 100_000)
    assert np.mean(drawn > level) == pytest.approx(0.025, abs=5 * np.sqrt(0.025 / 100_000))
