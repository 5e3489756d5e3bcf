"""Fixed plans and the noncentral-t factors behind them, against published tables."""

import json

import numpy as np
import pytest
from scipy import stats

from station.errors import UsageError
from station.judge.fixed_plans import Risks, fixed_attributes, fixed_variables, tolerance_factor, tolerance_factors
from tests.conftest import DATA

TABLES = {entry["name"]: entry for entry in json.loads((DATA / "tolerance_factors.json").read_text())["entries"]}
FIXED = json.loads((DATA / "decision_plan.json").read_text())["fixed"]
USUAL = Risks(0.001, 0.025, 0.01, 0.01)
QUARTER = Risks(0.001, 0.025, 0.0025, 0.01)


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_factors_of_the_tables(confidence: float) -> None:
    """One-sided factors as printed in ISO 16269-6 and Natrella's handbook table A-7, to three decimals (recalled, recomputed)."""
    for coverage, row in TABLES[f"one_sided_k_conf_{confidence}"]["published_figures"].items():
        for flicks, cell in row.items():
            assert round(tolerance_factor(int(flicks), float(coverage), confidence), 3) == pytest.approx(cell["printed"], abs=1e-9)


def test_factor_of_the_handbook_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % coverage, 99 % confidence, k = 1.8740."""
    assert round(tolerance_factor(43, 0.90, 0.99), 4) == 1.8740
    assert round(tolerance_factor(10, 0.95, 0.95), 3) == 2.911


def test_distribution_free_sizes() -> None:
    """Wilks: smallest n whose largest value covers a share with a confidence, which is a fixed plan that accepts no exceedance."""
    for key, flicks in TABLES["distribution_free_n_one_sided_max"]["expected"]["n"].items():
        coverage, confidence = (float(part) for part in key.split("/"))
        plan = fixed_attributes(Risks(1e-9, 1.0 - coverage, 0.01, round(1.0 - confidence, 9)))
        assert plan is not None
        assert (plan.flicks, plan.accept_most) == (flicks, 0)


def test_fixed_plans_at_the_usual_figures() -> None:
    plan, quarter = fixed_attributes(USUAL), fixed_attributes(QUARTER)
    assert plan is not None
    assert quarter is not None
    assert (plan.flicks, plan.accept_most) == (FIXED["attributes"]["flicks"], FIXED["attributes"]["accept_most"])
    assert (plan.producer, plan.consumer) == pytest.approx((FIXED["attributes"]["producer"], FIXED["attributes"]["consumer"]), abs=6e-6)
    assert (quarter.flicks, quarter.accept_most) == (399, 3)
    variables, tight = fixed_variables(USUAL), fixed_variables(QUARTER)
    assert variables is not None
    assert tight is not None
    assert variables.flicks == FIXED["variables"]["flicks"]
    assert (variables.k_low, variables.k_high) == pytest.approx((FIXED["variables"]["k_low"], FIXED["variables"]["k_high"]), abs=6e-5)
    assert tight.flicks == FIXED["variables_quarter_producer"]["flicks"]


@pytest.mark.parametrize("risks", [USUAL, Risks(0.01, 0.08, 0.05, 0.1)])
def test_fixed_plans_are_the_smallest(risks: Risks) -> None:
    plan, variables = fixed_attributes(risks), fixed_variables(risks)
    assert plan is not None
    assert variables is not None
    for most in range(plan.accept_most + 2):
        short = plan.flicks - 1
        assert (
            stats.binom.cdf(most, short, risks.share_bad) > risks.consumer or stats.binom.sf(most, short, risks.share_good) > risks.producer
        )
    n = variables.flicks
    for k in (variables.k_low, variables.k_high):
        good, bad = stats.norm.isf(risks.share_good), stats.norm.isf(risks.share_bad)
        assert stats.nct.cdf(k * np.sqrt(n), n - 1, good * np.sqrt(n)) <= risks.producer + 1e-9
        assert stats.nct.sf(k * np.sqrt(n), n - 1, bad * np.sqrt(n)) <= risks.consumer + 1e-9


def test_no_fixed_plan_of_so_few_flicks() -> None:
    assert fixed_attributes(USUAL, 333) is None
    assert fixed_variables(USUAL, 71) is None


def test_factor_where_the_library_gives_up() -> None:
    """scipy's quantile search returns NaN at isolated points such as this one; the distribution function does not."""
    confidence = 0.0005686566204523742
    found = tolerance_factors(np.array([3229]), 2.3263478740408408, np.array([confidence]))[0]
    assert stats.nct.cdf(found * np.sqrt(3229), 3228, 2.3263478740408408 * np.sqrt(3229)) == pytest.approx(confidence, abs=1e-8)


def test_factor_that_cannot_be_computed_is_refused() -> None:
    with pytest.raises(UsageError, match="tolerance factor of 8 flicks"):
        tolerance_factor(8, 0.975, 0.0)
