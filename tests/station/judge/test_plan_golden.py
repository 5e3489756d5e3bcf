"""Exact vectors for what simulation cannot see. Values follow from the rule's description at the usual figures."""

from collections.abc import Sequence

import numpy as np
import pytest

from station.errors import UsageError
from station.judge.plan import Plan, plan_for
from station.records import Verdict
from station.specification import Specification
from tests.station.judge import reference_plan

LIMIT = 22.0
WIDE = [0.0, 21.9]  # a spread that never passes the gate, without any exceedance


@pytest.fixture(scope="module")
def guarded(dunlin: Specification) -> Plan:
    return plan_for(dunlin.decision)


def peaks(length: int, over_at: Sequence[int] = (), base: Sequence[float] = WIDE) -> np.ndarray:
    """`length` peaks within the limit, beyond it at the flicks (from 1) in over_at."""
    made = np.resize(np.array(base), length)
    made[[n - 1 for n in over_at]] = 30.0
    return made


@pytest.mark.parametrize(
    ("length", "over_at", "verdict", "used", "by"),
    [
        (200, (), "undecided", 200, ""),
        (440, (), "pass", 201, "count, 201 flicks"),
        (399, (70,), "undecided", 399, ""),
        (440, (70,), "pass", 400, "count, 400 flicks"),
        (439, (70, 300), "undecided", 439, ""),
        (440, (70, 300), "pass", 440, "count, 440 flicks"),
        (440, (1, 60), "fail", 60, "2 exceedances by flick 60"),
        (440, (1, 61), "pass", 440, "count, 440 flicks"),
        (440, (1, 61, 439), "fail", 439, "3 exceedances by flick 439"),
        (440, (1, 61, 440), "fail", 440, "3 exceedances by flick 440"),
        (2, (1, 2), "fail", 2, "2 exceedances by flick 2"),
        (201, (201,), "undecided", 201, ""),
        (0, (), "undecided", 0, ""),
    ],
)
def test_count_ends_at_exact_flicks(guarded: Plan, length: int, over_at: tuple[int, ...], verdict: str, used: int, by: str) -> None:
    outcome = guarded.decide(peaks(length, over_at), LIMIT)
    assert (str(outcome.verdict), outcome.flicks_used, outcome.accepted_by or outcome.rejected_by) == (verdict, used, by)
    assert outcome.exceedances == sum(n <= used for n in over_at)


@pytest.mark.parametrize(
    ("level", "used"),
    # floor 0.29: K_8 = 12.288, K_9 = 10.980, K_10 = 10.046 leave room for equal peaks up to 18.4365, 18.8158, 19.0867
    [(10.0, 8), (18.436, 8), (18.437, 9), (18.815, 9), (18.816, 10), (19.086, 10), (19.087, 11)],
)
def test_equal_peaks_are_decided_by_the_floor(guarded: Plan, level: float, used: int) -> None:
    outcome = guarded.decide(np.full(20, level), LIMIT)
    assert (outcome.verdict, outcome.flicks_used, outcome.accepted_by) == (Verdict.PASS, used, f"gate at flick {used}")


def test_no_look_before_flick_8(guarded: Plan) -> None:
    outcome = guarded.decide(np.zeros(7), LIMIT)
    assert (outcome.verdict, outcome.path, outcome.still_wanted) == (Verdict.UNDECIDED, (), 433)


def test_one_exceedance_closes_the_gate_for_good(guarded: Plan) -> None:
    outcome = guarded.decide(peaks(440, over_at=(3,), base=[1.0, 1.5]), LIMIT)
    assert outcome.accepted_by == "count, 400 flicks"


def test_peak_equal_to_the_limit_is_within(guarded: Plan) -> None:
    at_limit, beyond = guarded.decide(np.full(201, LIMIT), LIMIT), guarded.decide(np.full(201, np.nextafter(LIMIT, 99.0)), LIMIT)
    assert (at_limit.verdict, at_limit.exceedances, at_limit.flicks_used) == (Verdict.PASS, 0, 201)
    assert (beyond.verdict, beyond.exceedances, beyond.flicks_used) == (Verdict.FAIL, 2, 2)


def test_no_floor_and_no_spread_say_nothing(dunlin: Specification) -> None:
    bare = plan_for(dunlin.decision.model_copy(update={"sd_floor_counts": 0.0}))
    outcome = bare.decide(np.full(201, 1.0), LIMIT)
    assert outcome.accepted_by == "count, 201 flicks"
    assert outcome.path[0] == {"flick": 8, "exceedances": 0, "statistic": None, "bound": pytest.approx(12.2878, abs=1e-4)}


def test_guard_band_shifts_the_gate_only(guarded: Plan) -> None:
    calm, wide = np.full(30, 18.4), peaks(201)
    wide[5] = 21.95
    assert guarded.decide(calm, LIMIT).flicks_used == 8
    assert guarded.decide(calm, LIMIT, guard_band_counts=0.1).flicks_used == 9
    assert guarded.decide(wide, LIMIT, guard_band_counts=0.1).accepted_by == "count, 201 flicks"


@pytest.mark.parametrize("missed", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("mode", ["guarded", "count", "normal-model"])
def test_a_missed_flick_is_never_a_pass(dunlin: Specification, mode: str, missed: float) -> None:
    plan = plan_for(dunlin.decision, mode)
    with pytest.raises(UsageError, match=r"peak of flick 3 is -?(nan|inf); expected a number"):
        plan.decide(np.array([1.0, 2.0, missed, 1.0]), LIMIT)


def test_flicks_after_the_decision_are_not_looked_at(guarded: Plan) -> None:
    outcome = guarded.decide(np.array([*[10.0] * 8, np.nan, 99.0, 99.0]), LIMIT)
    assert (outcome.verdict, outcome.flicks_used, outcome.exceedances, outcome.still_wanted) == (Verdict.PASS, 8, 0, 0)


def test_path_holds_every_look(guarded: Plan) -> None:
    made = np.array([16.0, 17.0] * 6)
    outcome = guarded.decide(made, LIMIT)
    assert [look["flick"] for look in outcome.path] == [8, 9, 10]
    last = outcome.path[-1]
    assert last["statistic"] == pytest.approx((LIMIT - made[:10].mean()) / made[:10].std(ddof=1))
    assert last["statistic"] >= last["bound"] == pytest.approx(10.046, abs=5e-4)


def test_the_order_of_flicks_matters_only_up_to_the_decision(guarded: Plan) -> None:
    assert guarded.decide(peaks(60, (59, 60)), LIMIT).flicks_used == 60
    assert guarded.decide(peaks(60, (1, 2)), LIMIT).flicks_used == 2


@pytest.mark.parametrize("guard", [0.0, 0.7])
def test_agrees_with_the_plain_second_reading(guarded: Plan, guard: float) -> None:
    random = np.random.default_rng(20)
    for trial in range(60):
        margin = random.uniform(-1.0, 12.0)
        made = LIMIT - margin + random.standard_normal(440)
        made = np.round(made) if trial % 5 == 0 else made
        outcome = guarded.decide(made, LIMIT, guard)
        assert (str(outcome.verdict), outcome.flicks_used) == reference_plan.decide(made, LIMIT, 0.29, guard)
