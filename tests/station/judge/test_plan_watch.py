"""A group watched flick by flick, and the words about it."""

import json
import time

import numpy as np
import pytest

from station.errors import UsageError
from station.judge.plan import MODES, Plan, plan_for
from station.judge.words import clean_chance, group_risk_of_unit
from station.records import Verdict
from station.specification import Specification

LIMIT = 22.0


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("margin", [9.0, 4.0, 2.2, 0.5])
def test_flick_by_flick_is_all_at_once(dunlin: Specification, mode: str, margin: float) -> None:
    plan = plan_for(dunlin.decision, mode)
    peaks = LIMIT - margin + np.random.default_rng(int(10 * margin)).standard_normal(450)
    watch = plan.watch(LIMIT, 0.2)
    for n, peak in enumerate(peaks, start=1):
        watch.add(float(peak))
        outcome = watch.outcome()
        assert outcome == plan.decide(peaks[:n], LIMIT, 0.2)
        assert outcome.still_wanted == (0 if watch.final else plan.last - n)
        assert n + outcome.still_wanted <= dunlin.decision.flicks_max
        if watch.final:
            break
    assert outcome.verdict is not Verdict.UNDECIDED
    watch.add(1e9)
    assert watch.outcome() == outcome


def test_outcomes_are_json_ready(dunlin: Specification) -> None:
    for mode in MODES:
        outcome = plan_for(dunlin.decision, mode).decide(np.full(450, 21.9), LIMIT)
        assert json.loads(json.dumps(outcome.path, allow_nan=False)) == list(outcome.path)


def test_one_more_flick_costs_the_same_at_the_end(dunlin: Specification) -> None:
    """The last hundred flicks of a long group take no longer than the first hundred do (three times, to stand a busy machine)."""
    plan = plan_for(dunlin.decision, "count")
    spent = []
    for _ in range(30):
        watch, times = plan.watch(LIMIT), [0.0, 0.0]
        for n in range(400):
            began = time.perf_counter()
            watch.add(22.5 if n == 0 else 5.0)
            times[n >= 300] += (time.perf_counter() - began) * (n < 100 or n >= 300)
        spent.append(times)
    first, last = np.median(np.array(spent), axis=0)
    assert last < 3.0 * first


@pytest.fixture(scope="module")
def guarded(dunlin: Specification) -> Plan:
    return plan_for(dunlin.decision)


def test_the_statement_says_what_cannot_be_promised(dunlin: Specification, guarded: Plan) -> None:
    assert "for any shape of peaks" in guarded.statement
    assert "81.7 % show 8 clean flicks, 21.9 % show 60" in guarded.statement
    assert "normal peaks only" in plan_for(dunlin.decision, "normal-model").statement
    assert "any shape of peaks" in plan_for(dunlin.decision, "count").statement


@pytest.mark.parametrize(("flicks", "chance"), [(10, 0.78), (20, 0.60), (40, 0.36), (120, 0.05), (182, 0.01)])
def test_chance_of_clean_flicks(guarded: Plan, flicks: int, chance: float) -> None:
    assert clean_chance(guarded, flicks) == pytest.approx(chance, abs=5.1e-3)


def test_risk_of_a_unit(guarded: Plan) -> None:
    assert group_risk_of_unit(guarded) == pytest.approx(1 - 0.99**4)


def test_outcomes_in_words(guarded: Plan) -> None:
    passed = guarded.decide(np.full(20, 10.0), LIMIT)
    assert guarded.explain(passed) == (
        "Accepted by: gate at flick 8. 0 of 8 flicks beyond the neutral zone. Of bad groups, 81.7 % would show as many clean flicks."
    )
    failed = guarded.decide(np.full(20, 30.0), LIMIT)
    assert guarded.explain(failed) == "Rejected by: 2 exceedances by flick 2. 2 of 2 flicks beyond the neutral zone."
    short = guarded.decide(np.full(3, 10.0), LIMIT)
    assert guarded.explain(short).endswith("flicked on: at most 437 more flicks.")


def test_unknown_mode(dunlin: Specification) -> None:
    with pytest.raises(UsageError, match="mode is 'fast'; expected one of guarded, count, normal-model"):
        plan_for(dunlin.decision, "fast")
