"""Scoring, the axis model and advice, and what the decision plan saves, each beside a plain way of doing the same."""

from scipy.special import ndtr

from station.judge.fixed_plans import Risks, fixed_attributes, fixed_variables
from station.judge.oc import simulate
from station.judge.plan import plan_for
from station.judge.shapes import NORMAL
from station.specification import parse_specification
from tests.bench.report import Line
from tests.bench_scoring import measure_speed
from tests.conftest import DATA
from tests.station.axis.bench_axis import advice_for_a_unit, model_against_integrator

FLICK_S = 0.35
TRIALS = 20_000


def scoring() -> list[Line]:
    """Flicks per second against the plain scorer, bare passes, and one live flick."""
    speed = measure_speed()
    rate, slow = 1 / speed.fast_s_per_flick, 1 / speed.slow_s_per_flick
    return [
        Line(
            "scoring, one core",
            f"{rate:.0f} flicks/s",
            f"plain loop over scipy calls: {slow:.0f} flicks/s",
            f"{speed.times_faster:.0f}",
            "at least 12",
        ),
        Line(
            "scoring against the memory",
            f"{1e6 * speed.fast_s_per_flick:.0f} us a flick",
            f"three bare passes: {1e6 * speed.passes_s_per_flick:.1f} us a flick",
            f"{speed.times_bare_passes:.1f}",
            "at most 30",
        ),
        Line("one more flick in a live run", f"{1e3 * speed.live_s:.2f} ms", "-", "-", "under 2 ms"),
    ]


def axis() -> list[Line]:
    """The axis model and advice."""
    model = model_against_integrator()
    return [
        Line(
            "axis model, flick-candidates per second",
            f"{model['ratio']:.0f} times as many, {model['difference_counts']:.4f} counts apart",
            "scipy solve_ivp, rtol 1e-10",
            f"{model['ratio']:.0f}",
            "at least 1000",
        ),
        Line("advice for a unit, 80 flicks, 7 candidates", f"{advice_for_a_unit(rounds=3):.2f} s", "-", "-", "under 0.5 s"),
    ]


def deciding() -> list[Line]:
    """Mean flicks a group and seconds a unit at three margins, beside fixed plans of equal risks."""
    specification = parse_specification((DATA / "dunlin-2-A.toml").read_text())
    decision = specification.decision
    risks = Risks(decision.over_share_good, decision.over_share_bad, decision.producer_risk, decision.consumer_risk)
    attributes, variables = fixed_attributes(risks), fixed_variables(risks)
    assert attributes is not None
    assert variables is not None
    lines = []
    for margin in (10, 8, 6, 0, -2):
        flicks = simulate(plan_for(decision), NORMAL, float(ndtr(-margin)), TRIALS, seed=11).mean_flicks
        fixed = f"fixed attributes plan {attributes.flicks}, fixed variables plan {variables.flicks}"
        unit = f"{flicks:.1f} ({4 * FLICK_S * flicks:.1f} s a unit)"
        lines.append(Line(f"mean flicks a group at margin {margin}", unit, fixed, f"{flicks / attributes.flicks:.3f}", ""))
    return lines
