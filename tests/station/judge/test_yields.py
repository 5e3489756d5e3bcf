"""Arithmetic of yield against worked examples, tables, and by simulation.

Sources: tests/data/yield.json and binomial_intervals.json name theirs. Garwood's limits of a Poisson mean: chi-square quantiles, tabled
in many handbooks (10 seen: 4.795 to 18.390; none seen: 3.689; from memory).
"""

import json
import math
from typing import Any

import numpy as np
import pytest

from station.errors import UsageError
from station.judge.yields import binomial_limits, ranked, rolled, rolled_yield, share, weighted_limits
from station.ports.yields import CauseTally, StepTally
from tests.conftest import DATA

GROUPS = ("x+", "x-", "y+", "y-")
YIELD = {entry["name"]: entry for entry in json.loads((DATA / "yield.json").read_text())["entries"]}
BINOMIAL = {entry["name"]: entry for entry in json.loads((DATA / "binomial_intervals.json").read_text())["entries"]}


def steps(units: int, failed: dict[str, int]) -> list[StepTally]:
    return [StepTally(group, units, units - failed.get(group, 0)) for group in GROUPS]


@pytest.mark.parametrize("name", ["rty_three_elements", "rty_from_dpu"])
def test_rolled_yield_is_the_product_of_the_shares(name: str) -> None:
    """The published figures of the second: a step with d defects a unit has the share exp(-d)."""
    inputs, expected = YIELD[name]["inputs"], YIELD[name]["expected"]
    shares = inputs.get("yields") or [math.exp(-dpu) for dpu in inputs["dpu_per_step"]]
    assert rolled_yield(shares) == pytest.approx(expected["RTY"], abs=1e-10)


def test_first_pass_rolled_and_final_yield_with_rework() -> None:
    """What is reworked counts against first pass and not against final."""
    inputs, expected = YIELD["fpy_with_rework"]["inputs"]["steps"], YIELD["fpy_with_rework"]["expected"]
    passed = [step["passed_first_time"] for step in inputs]
    shares = [share(count, step["entered"]).value for count, step in zip(passed, inputs, strict=True)]
    assert shares == pytest.approx(expected["FPY"], abs=1e-10)
    final = [share(step["entered"] - step["scrapped"], step["entered"]).value for step in inputs]
    assert final == pytest.approx(expected["final_yield_per_step"], abs=1e-10)
    found = rolled([StepTally(str(n), step["entered"], count) for n, (count, step) in enumerate(zip(passed, inputs, strict=True))], {})
    assert found is not None
    assert found[0] == pytest.approx(expected["RTY"], abs=1e-10)
    assert share(inputs[2]["entered"], inputs[0]["entered"]).value == pytest.approx(expected["overall_final_yield"])


def test_first_pass_of_30_000_with_300_defective() -> None:
    inputs = YIELD["dpmo_350_in_30000x15"]["inputs"]
    found = share(inputs["units"] - inputs["defective_units"], inputs["units"])
    assert found.value == pytest.approx(YIELD["dpmo_350_in_30000x15"]["expected"]["first_pass_yield"], abs=1e-12)


def exact_examples() -> list[Any]:
    """Two-sided Clopper-Pearson limits of the table."""
    found = []
    for name, entry in BINOMIAL.items():
        limits = entry["expected"].get("clopper_pearson") or (entry["expected"].get("interval") if "clopper" in name else None)
        if limits and {"x", "n", "conf"} <= set(entry["inputs"]):
            found.append(pytest.param(entry["inputs"], limits, id=name))
    return found


@pytest.mark.parametrize(("inputs", "limits"), exact_examples())
def test_exact_limits_of_a_share(inputs: dict[str, float], limits: list[float]) -> None:
    found = binomial_limits(int(inputs["x"]), int(inputs["n"]), tail=0.5 * (1.0 - inputs["conf"]))
    assert found == pytest.approx(limits, abs=1e-9)


def test_there_are_examples_of_limits() -> None:
    assert len(exact_examples()) >= 2


def test_a_share_of_all_none_and_of_nothing() -> None:
    for of in (1, 7, 250):
        none, every = share(0, of), share(of, of)
        assert (none.value, none.low, every.value, every.high) == (0.0, 0.0, 1.0, 1.0)
        assert every.low == pytest.approx(0.025 ** (1 / of))  # closed form: all of n
        assert none.high == pytest.approx(1 - 0.025 ** (1 / of))
    nothing = share(0, 0)
    assert (nothing.value, nothing.low, nothing.high) == (None, None, None)


@pytest.mark.parametrize(("count", "of"), [(-1, 3), (4, 3), (1, 0)])
def test_a_share_that_cannot_be_is_refused(count: int, of: int) -> None:
    with pytest.raises(UsageError, match=f"a share of {count} of {of}"):
        share(count, of)


def test_limits_of_one_weight_are_those_of_a_poisson_count() -> None:
    assert weighted_limits([(1.0, 10)], most=1.0) == pytest.approx((4.7954, 18.3904), abs=1e-4)
    assert weighted_limits([], most=1.0) == pytest.approx((0.0, 3.6889), abs=1e-4)
    assert weighted_limits([(0.01, 10)], most=0.01) == pytest.approx((0.047954, 0.183904), abs=1e-6)


def test_what_fails_together_widens_the_interval() -> None:
    failed = dict.fromkeys(GROUPS, 40)
    alone = rolled(steps(1000, failed), {(group,): 40 for group in GROUPS})
    together = rolled(steps(1000, failed), {GROUPS: 40})
    assert alone is not None
    assert together is not None
    assert alone[0] == together[0] == pytest.approx(0.96**4)
    assert together[2] - together[1] > 1.5 * (alone[2] - alone[1])


def test_rolled_yield_without_failures_without_passes_and_without_groups() -> None:
    perfect = rolled(steps(100, {}), {})
    assert perfect is not None
    assert (perfect[0], perfect[2]) == (1.0, 1.0)
    assert perfect[1] == pytest.approx(math.exp(-4 * 3.6889 / 100), abs=1e-4)  # four groups that fail together, none seen in a hundred
    dead = rolled(steps(10, {"x+": 10}), {("x+",): 10})
    assert dead is not None
    assert dead[:2] == (0.0, 0.0)
    assert dead[2] == pytest.approx(1 - 0.025**0.1)
    assert rolled([], {}) is None
    assert rolled([StepTally("x+", 0, 0, undecided=3)], {}) is None
    some = rolled([StepTally("x+", 0, 0, undecided=3), StepTally("x-", 10, 9)], {("x-",): 1})
    assert some is not None
    assert some[0] == pytest.approx(0.9)


@pytest.mark.parametrize("together", [0.0, 0.5, 1.0], ids=["apart", "half", "together"])
@pytest.mark.parametrize(("units", "bad"), [(40, 0.05), (200, 0.01), (200, 0.1), (1000, 0.03), (1000, 0.25)])
def test_the_interval_of_rolled_yield_covers(units: int, bad: float, together: float) -> None:
    """together: chance that a unit's groups share one fate. 1,000 simulated months; 0.936 leaves two of their standard errors."""
    rng = np.random.default_rng(int(1e4 * bad) + units)
    covered, trials, truth = 0, 1000, (1.0 - bad) ** 4
    for _ in range(trials):
        fails = rng.random((units, 4)) < bad
        same = rng.random(units) < together
        fails[same] = fails[same][:, :1]
        patterns, counts = np.unique(fails, axis=0, return_counts=True)
        failing = {
            tuple(group for group, bad_one in zip(GROUPS, pattern, strict=True) if bad_one): int(count)
            for pattern, count in zip(patterns, counts, strict=True)
            if pattern.any()
        }
        found = rolled(steps(units, dict(zip(GROUPS, map(int, fails.sum(axis=0)), strict=True))), failing)
        assert found is not None
        covered += found[1] <= truth <= found[2]
    assert covered / trials >= 0.936


def test_causes_are_ranked_largest_first_and_ties_by_units_then_name() -> None:
    causes = [
        CauseTally("sluggish", "x+", "", 3, 3),
        CauseTally("snapback", "x+", "", 9, 5),
        CauseTally("off-centre", "y", "", 3, 2),
        CauseTally("cross-axis", "x+", "", 3, 3),
        CauseTally("snapback", "y+", "", 2, 2),
    ]
    found = ranked(causes)
    assert [(one.code, one.part) for one in found] == [
        ("snapback", "x+"),
        ("cross-axis", "x+"),
        ("sluggish", "x+"),
        ("off-centre", "y"),
        ("snapback", "y+"),
    ]
    assert [one.share for one in found] == pytest.approx([9 / 20, 3 / 20, 3 / 20, 3 / 20, 2 / 20])
    assert [one.cumulative for one in found] == pytest.approx([0.45, 0.6, 0.75, 0.9, 1.0])
    assert ranked(list(reversed(causes))) == found
    assert ranked([]) == ()
