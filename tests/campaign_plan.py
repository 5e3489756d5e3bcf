"""The decision plans at full length: 200,000 groups a point, every flick simulated. Run as `python -m tests.campaign_plan [GROUPS]`.

Prints one line per point and ends with code 1 when a risk is exceeded beyond chance (one-sided, false alarm 0.001) or a mean is off by
more than 2 %. Known figures: tests/data/decision_plan.json.
"""

import json
import sys
import time

from scipy import special, stats

from station.judge import oc, shapes
from station.judge.plan import plan_for
from station.specification import Decision, parse_specification
from tests.conftest import DATA

GROUPS = 200_000


def risks(decision: Decision, groups: int) -> bool:
    """Both risks of guarded mode over the family, and of count mode over all shapes."""
    good = True
    for mode, tried in (("guarded", shapes.FAMILY), ("count", (*shapes.FAMILY, shapes.EXPONENTIAL, shapes.mixture(0.05, 4.0)))):
        plan = plan_for(decision, mode)
        for shape in tried:
            bad = oc.simulate(plan, shape, decision.over_share_bad, groups, seed=101).passed
            fine = oc.simulate(plan, shape, decision.over_share_good, groups, seed=102).failed
            for name, count, risk in (("passed bad", bad, decision.consumer_risk), ("failed good", fine, decision.producer_risk)):
                bound = stats.binom.isf(0.001, groups, risk)
                upper = stats.beta.ppf(0.95, count + 1, groups - count)
                held = bool(count <= bound)
                good &= held
                told = f"{count / groups:.5f} (95 % below {upper:.5f})"
                print(f"{mode:8} {shape.name:24} {name:12} {told} {'ok' if held else 'TOO MANY'}", flush=True)
    return good


def means(decision: Decision, groups: int) -> bool:
    """Mean flicks of guarded mode on normal peaks."""
    good, plan = True, plan_for(decision)
    known = json.loads((DATA / "decision_plan.json").read_text())["guarded_normal"]
    for margin, mean in zip(known["margin_sd"], known["mean_flicks"], strict=True):
        found = oc.simulate(plan, shapes.NORMAL, float(special.ndtr(-margin)), groups, seed=103)
        near = abs(found.mean_flicks - mean) <= 0.02 * mean + 0.06
        good &= near
        print(f"margin {margin:5}: {found.mean_flicks:7.2f} flicks, passed {found.passed / groups:.5f} {'ok' if near else 'OFF'}")
    return good


def main() -> int:
    groups = int(sys.argv[1]) if len(sys.argv) > 1 else GROUPS
    decision, began = parse_specification((DATA / "dunlin-2-A.toml").read_text()).decision, time.perf_counter()
    good = [risks(decision, groups), means(decision, groups)]
    print(f"{groups} groups a point, {time.perf_counter() - began:.0f} s")
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
