"""Capability against published examples, the noncentral t law of scipy.stats, and coverage by simulation."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from station.errors import UsageError
from station.prove.capability import BISSELL, EXACT_UP_TO, NONCENTRAL_T, bissell_bounds, capability, capability_of, exact_bounds

# Sources stand beside every entry of the file: NIST/SEMATECH e-Handbook 6.1.6, Montgomery's worked examples, Bissell (1990).
PUBLISHED: dict[str, Any] = {
    entry["name"]: entry for entry in json.loads((Path(__file__).parents[2] / "data" / "capability.json").read_text())["entries"]
}


def inputs(name: str) -> dict[str, Any]:
    return dict(PUBLISHED[name]["inputs"])


def expected(name: str) -> dict[str, Any]:
    return dict(PUBLISHED[name]["expected"])


def test_indices_of_the_handbook_example() -> None:
    given, wanted = inputs("nist_cp_cpk"), expected("nist_cp_cpk")
    found = capability(50, given["mean"], given["s"], given["LSL"], given["USL"])
    assert (found.cp, found.cpk) == pytest.approx((wanted["Cp"], wanted["Cpk"]), rel=1e-12)
    assert (found.upper_index, found.lower_index) == pytest.approx((wanted["Cpu"], wanted["Cpl"]), rel=1e-12)


def test_interval_of_cp() -> None:
    given, wanted = inputs("cp_confidence_interval"), expected("cp_confidence_interval")
    found = capability(given["n"], 50.0, given["s"], given["LSL"], given["USL"], given["conf"])
    assert (found.cp, found.cp_low, found.cp_high) == pytest.approx((wanted["Cp"], wanted["lower"], wanted["upper"]), rel=1e-10)


def test_intervals_by_the_normal_approximation() -> None:
    given, wanted = inputs("cpk_interval_bissell_n20_1p33"), expected("cpk_interval_bissell_n20_1p33")
    assert bissell_bounds(given["Cpk"], given["n"], given["conf"]) == pytest.approx((wanted["lower"], wanted["upper"]), rel=1e-10)
    given, wanted = inputs("cpk_interval_exercise_n30"), expected("cpk_interval_exercise_n30")
    found = capability(given["n"], given["mean"], given["s"], given["LSL"], given["USL"], given["conf"])
    assert found.method == BISSELL
    assert (found.cpk, found.low, found.high) == pytest.approx(
        (wanted["Cpk"], wanted["two_sided_lower"], wanted["two_sided_upper"]), rel=1e-10
    )
    assert found.least == pytest.approx(wanted["one_sided_lower"], rel=1e-10)


def test_exact_lower_bounds_of_an_index_against_one_limit() -> None:
    cases, wanted = inputs("cpu_exact_lower_bound")["cases"], expected("cpu_exact_lower_bound")
    for (index, n, confidence), lower, approximate in zip(cases, wanted["lower"], wanted["bissell_one_sided"], strict=True):
        found = capability(n, 0.0, 1.0 / (3.0 * index), upper=1.0, confidence=confidence)
        assert found.method == NONCENTRAL_T
        assert found.cpk == pytest.approx(index, rel=1e-12)
        assert found.least == pytest.approx(lower, abs=1e-7)
        assert bissell_bounds(index, n, 2.0 * confidence - 1.0)[0] == pytest.approx(approximate, rel=1e-10)


@pytest.mark.parametrize(("index", "count"), [(1.33, 30), (0.4, 5), (-0.3, 12), (2.0, 2), (1.1, 800)])
def test_exact_bounds_satisfy_the_tail_equations(index: float, count: int) -> None:
    low, high = exact_bounds(index, count, 0.95)
    scale = 3.0 * np.sqrt(count)
    assert stats.nct.cdf(scale * index, count - 1, scale * low) == pytest.approx(0.975, abs=5e-6)
    assert stats.nct.cdf(scale * index, count - 1, scale * high) == pytest.approx(0.025, abs=5e-6)


def test_both_formulas_agree_where_one_takes_over() -> None:
    for index in (0.5, 1.33, 3.0):
        assert exact_bounds(index, EXACT_UP_TO, 0.95) == pytest.approx(bissell_bounds(index, EXACT_UP_TO, 0.95), abs=2e-5)
    assert capability(EXACT_UP_TO + 1, 0.0, 1.0, upper=3.0).method == BISSELL


def test_parts_a_million() -> None:
    for name, index in (("Cpk_1", 1.0), ("Cpk_4/3", 4 / 3), ("Cpk_5/3", 5 / 3), ("Cpk_2", 2.0)):
        wanted = expected("ppm_equivalents")[name]
        centred = capability(30, 0.0, 1.0 / (3.0 * index), -1.0, 1.0)
        assert centred.ppm == pytest.approx(wanted["two_tail_ppm"], rel=1e-9)
        assert capability(30, 0.0, 1.0 / (3.0 * index), lower=-1.0).ppm == pytest.approx(wanted["one_tail_ppm"], rel=1e-9)


def test_values_and_their_summary_say_the_same() -> None:
    values = np.random.default_rng(3).normal(15.0, 2.0, 40)
    assert capability_of(values.tolist(), upper=22.0) == capability(40, float(values.mean()), float(values.std(ddof=1)), upper=22.0)


def test_coverage_of_the_bounds() -> None:
    """20,000 samples: 0.95 +- 0.0046 at three sigma. Against one limit exact. Against two, by Bissell's
    formula: 0.945 to 0.954 found for n from 10 to 100."""
    rng = np.random.default_rng(17)
    n, samples, true = 50, 20_000, 4.0 / 3.0
    drawn = rng.standard_normal((samples, n))
    means, sds = drawn.mean(axis=1), drawn.std(axis=1, ddof=1)
    one = [exact_bounds(float(index), n, 0.95) for index in ((3.0 * true - means) / (3.0 * sds))[:3_000]]
    share = float(np.mean([low <= true <= high for low, high in one]))
    assert share == pytest.approx(0.95, abs=0.012)
    cpk = (3.0 * true - np.abs(means)) / (3.0 * sds)
    half = 1.959964 * np.sqrt(1.0 / (9.0 * n) + cpk**2 / (2.0 * (n - 1)))
    assert float(np.mean(np.abs(cpk - true) <= half)) == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize(
    ("count", "mean", "sd", "lower", "upper", "words"),
    [
        (1, 1.0, 1.0, 0.0, 2.0, "at least two"),
        (5, 1.0, 0.0, 0.0, 2.0, "some spread"),
        (5, float("nan"), 1.0, 0.0, 2.0, "finite mean"),
        (5, 1.0, 1.0, None, None, "one finite limit"),
        (5, 1.0, 1.0, None, float("inf"), "one finite limit"),
        (5, 1.0, 1.0, 2.0, 2.0, "in order"),
    ],
)
def test_what_cannot_be_told_is_refused(count: int, mean: float, sd: float, lower: float | None, upper: float | None, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        capability(count, mean, sd, lower, upper)
    with pytest.raises(UsageError, match="confidence"):
        capability(5, 1.0, 1.0, 0.0, 2.0, confidence=95.0)
    with pytest.raises(UsageError, match="1 values"):
        capability_of([1.0], 0.0, 2.0)
