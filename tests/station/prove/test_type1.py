"""Type 1 study against scipy's t test and regression, certified data, hand-worked indices, and its own false-alarm rate."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from station.errors import UsageError
from station.prove.type1 import Type1Rule, type_1_figure, type_1_study

CERTIFIED = {one["name"]: one for one in json.loads((Path(__file__).parents[2] / "data" / "nist_strd.json").read_text())["entries"]}
NAME = "main x+ peak_counts"


def repeats(seed: int = 1, n: int = 50, mean: float = 20.1, sd: float = 0.2) -> list[float]:
    return [float(value) for value in np.random.default_rng(seed).normal(mean, sd, n)]


def test_bias_drift_and_spread_against_scipy() -> None:
    values = repeats()
    found = type_1_figure(values, 20.0, 10.0)
    test = stats.ttest_1samp(values, 20.0)
    assert (found["bias"]["t"], found["bias"]["p"]) == pytest.approx((test.statistic, test.pvalue), rel=1e-9)
    interval = test.confidence_interval(0.95)
    assert (found["bias"]["lower"], found["bias"]["upper"]) == pytest.approx((interval.low - 20.0, interval.high - 20.0), rel=1e-9)
    line = stats.linregress(np.arange(50.0), values)
    assert (found["drift"]["per_trial"], found["drift"]["p"]) == pytest.approx((line.slope, line.pvalue), rel=1e-9)
    low, high = float(stats.chi2.ppf(0.975, 49)), float(stats.chi2.ppf(0.025, 49))
    spread = found["repeatability_sd_interval"]
    assert spread["lower"] == pytest.approx(np.std(values, ddof=1) * math.sqrt(49 / low), rel=1e-9)
    assert spread["upper"] == pytest.approx(np.std(values, ddof=1) * math.sqrt(49 / high), rel=1e-9)


def test_mean_and_spread_against_certified_data() -> None:
    """NIST Statistical Reference Datasets, univariate: Mavro and NumAcc1 (certified mean and standard deviation)."""
    for name in ("univariate_Mavro", "univariate_NumAcc1"):
        one = CERTIFIED[name]
        found = type_1_figure(one["inputs"]["x"], 0.0, None)
        assert found["mean"] == pytest.approx(one["expected"]["mean"], rel=1e-13)
        assert found["repeatability_sd"] == pytest.approx(one["expected"]["sd"], rel=1e-9)


def test_indices_by_hand() -> None:
    """s = 1 exactly, bias 0.5: Cg = 0.2 * 60 / 6 = 2, Cgk = (6 - 0.5) / 3 = 1.8333; with share 0.15 and 4 s: 2.25 and 2."""
    values = [10.5 + sign * math.sqrt(29 / 30) for sign in (-1, 1)] * 15
    found = type_1_figure(values, 10.0, 60.0)
    assert found["repeatability_sd"] == pytest.approx(1.0)
    assert (found["cg"], found["cgk"]) == pytest.approx((2.0, 5.5 / 3.0))
    assert found["problems"] == []
    other = type_1_figure(values, 10.0, 60.0, Type1Rule(share_of_tolerance=0.15, spread_sd=4.0))
    assert (other["cg"], other["cgk"]) == pytest.approx((2.25, 2.0))


def test_the_least_number_of_repeats_is_what_its_reason_says() -> None:
    """-22 %, +39 % at 25 and -31 %, +83 % at ten repeats, by the chi-square law of scipy.stats; Cg of 1.33 then means above 0.9."""
    for n, low, high in ((25, -0.22, 0.39), (10, -0.31, 0.83)):
        bounds = np.sqrt((n - 1) / stats.chi2.ppf([0.975, 0.025], n - 1)) - 1.0
        assert bounds == pytest.approx([low, high], abs=0.005)
    assert 1.33 / 1.39 > 0.9


def test_problems_are_told_in_sentences() -> None:
    few = type_1_figure(repeats(n=24), 20.1, 10.0)
    assert "24 repeats; expected at least 25" in few["problems"][0]
    wide = type_1_figure(repeats(sd=0.5), 20.1, 10.0)
    assert any(problem.startswith("Cg is 0.") for problem in wide["problems"])
    off = type_1_figure(repeats(mean=20.6), 20.0, 10.0)
    assert any(problem.startswith("Cgk is ") for problem in off["problems"])
    assert not any(problem.startswith("Cg is ") for problem in off["problems"])
    assert "differs from zero" in off["notes"][0]
    still = type_1_figure([5.0] * 30, 5.0, 1.0)
    assert still["cg"] is None
    assert "all repeats are equal" in still["problems"][0]


def test_a_drift_is_flagged() -> None:
    drifting = [value + 0.01 * trial for trial, value in enumerate(repeats())]
    found = type_1_figure(drifting, 20.3, 20.0)
    assert found["drift"]["flagged"]
    assert any("drift by +0.4" in problem for problem in found["problems"])


def test_a_reference_that_does_not_drift_is_flagged_as_seldom_as_stated() -> None:
    """3,000 steady references: 0.01 +- 0.0055 at three sigma."""
    rng = np.random.default_rng(5)
    flagged = [type_1_figure(rng.normal(size=25).tolist(), 0.0, 40.0)["drift"]["flagged"] for _ in range(3_000)]
    assert float(np.mean(flagged)) == pytest.approx(0.01, abs=0.0055)


def test_many_figures_at_once() -> None:
    measured = {NAME: repeats(), "main y- peak_counts": repeats(2, sd=0.9), "main x+ rings": repeats(3)}
    found = type_1_study(measured, dict.fromkeys(measured, 20.1), {NAME: 10.0, "main y- peak_counts": 10.0})
    json.dumps(found, allow_nan=False)
    assert found["problems"]
    assert all(problem.startswith("main y- peak_counts: ") for problem in found["problems"])
    assert "not judged" in found["figures"]["main x+ rings"]["notes"][-1]
    assert "at least 1.33" in found["rule"]["in_words"]
    assert "no figure has a tolerance" in type_1_study(measured, dict.fromkeys(measured, 20.1), {})["problems"][0]


@pytest.mark.parametrize(
    ("values", "reference", "tolerance", "words"),
    [
        ([1.0], 1.0, 1.0, "1 times"),
        ([1.0, math.nan, 2.0], 1.0, 1.0, "repeat 2, could not be measured"),
        ([1.0, 2.0], math.nan, 1.0, "reference value"),
        ([1.0, 2.0], 1.0, 0.0, "tolerance"),
    ],
)
def test_what_cannot_be_evaluated_is_refused(values: list[float], reference: float, tolerance: float, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        type_1_figure(values, reference, tolerance)
    with pytest.raises(UsageError, match="is missing"):
        type_1_study({NAME: [1.0, 2.0]}, {}, {})
