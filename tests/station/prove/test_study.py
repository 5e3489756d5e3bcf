"""A planned study of many figures: the classic study's published figures, acceptance, pictures, and known components recovered."""

import functools
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from station.errors import StudyUnreadable
from station.prove.gauge_study import parse_study
from station.prove.study import StudyRow, evaluate_study, peak_sentence, peak_u_counts, worst_peak
from station.prove.study_words import DOUBLED, StudyRule, Tolerance, tolerance_of
from station.records import Floats
from station.specification import Specification

DATA = Path(__file__).parents[2] / "data"
CLASSIC = parse_study((DATA / "gauge-classic.csv").read_text())
PUBLISHED: dict[str, Any] = {one["name"]: one["expected"] for one in json.loads((DATA / "gauge_rr.json").read_text())["entries"]}
X, Y = "main x+ peak_counts", "main y- peak_counts"


def rows_of(figures: Mapping[str, Floats]) -> list[StudyRow]:
    """Rows of values of shape (parts, operators, trials), by figure."""
    parts, operators, trials = next(iter(figures.values())).shape
    return [
        StudyRow(f"DN2-{p:03d}", "ABC"[o], str(r), {name: float(values[p, o, r]) for name, values in figures.items()})
        for p in range(parts)
        for o in range(operators)
        for r in range(trials)
    ]


def fixed(width: float | None) -> Any:
    return lambda name, mean: Tolerance(width, "given")


def simulated(rng: np.random.Generator, shape: tuple[int, int, int], sds: tuple[float, ...], mean: float = 15.0) -> Floats:
    """Measured values of known components: sds of part, operator, interaction, repeatability."""
    (p, o, r), (part, operator, mixed, error) = shape, sds
    values = mean + part * rng.standard_normal((p, 1, 1)) + operator * rng.standard_normal((1, o, 1))
    return np.asarray(values + mixed * rng.standard_normal((p, o, 1)) + error * rng.standard_normal((p, o, r)))


def test_the_classic_study_among_other_figures() -> None:
    """AIAG manual: published ANOVA with pooling and range figures; recomputed outside to ten digits (source beside each in the file)."""
    document = evaluate_study(rows_of({X: CLASSIC.values, Y: 2.0 * CLASSIC.values}), fixed(None))
    pooled, by_range = PUBLISHED["grr_aiag_anova_pooled"], PUBLISHED["grr_aiag_range_method"]
    figure = document["figures"][X]
    assert figure["anova"]["pooled"]
    for ours, theirs in (("part", "part"), ("operator", "appraiser"), ("interaction", "interaction"), ("repeatability", "repeatability")):
        assert figure["anova"]["lines"][ours]["ss"] == pytest.approx(pooled["SS"][theirs], rel=1e-9)
        assert figure["anova"]["lines"][ours]["df"] == pooled["df"][theirs]
    assert figure["anova"]["lines"]["part"]["f"] == pytest.approx(pooled["F_part"], rel=1e-9)
    assert figure["anova"]["lines"]["operator"]["p"] == pytest.approx(pooled["p_appraiser"], rel=1e-7)
    for ours, theirs in (("gauge", "grr"), ("part", "part"), ("total", "total"), ("reproducibility", "appraiser")):
        assert figure[f"{ours}_sd"] == pytest.approx(pooled["sd"][theirs], rel=1e-9)
        assert figure["percent_of_study"][ours] == pytest.approx(pooled["pct_of_total_sd"][theirs], rel=1e-9)
        assert figure["percent_of_variance"][ours] == pytest.approx(pooled["pct_contribution"][theirs], rel=1e-9)
    assert figure["raw_categories"] == pytest.approx(pooled["ndc_raw"], rel=1e-9)
    beside = figure["range_method"]
    for ours, theirs in (
        ("repeatability_sd", "EV"),
        ("reproducibility_sd", "AV"),
        ("gauge_sd", "GRR"),
        ("part_sd", "PV"),
        ("total_sd", "TV"),
    ):
        assert beside[ours] == pytest.approx(by_range[theirs], abs=1.5e-4)  # the form's factors have four decimals
    assert beside["distinct_categories"] == by_range["ndc"] == 5
    double = document["figures"][Y]
    assert double["gauge_sd"] == pytest.approx(2.0 * figure["gauge_sd"])
    assert worst_peak(document) == Y
    assert peak_u_counts(document) == double["gauge_sd"]
    assert "main y-, the worst" in peak_sentence(document)
    assert "0.605 counts" in peak_sentence(document)
    json.dumps(document, allow_nan=False)


def test_the_classic_study_with_its_interaction_kept_is_in_the_table() -> None:
    """The same publication's table without pooling: lines of the interaction and of the error stand in the document either way."""
    kept = PUBLISHED["grr_aiag_anova_with_interaction"]
    lines = evaluate_study(rows_of({X: CLASSIC.values}), fixed(None))["figures"][X]["anova"]["lines"]
    assert lines["interaction"]["f"] == pytest.approx(kept["F_interaction"], rel=1e-9)
    assert lines["interaction"]["p"] == pytest.approx(kept["p_interaction"], rel=1e-9)
    assert lines["repeatability"]["ms"] == pytest.approx(kept["MS"]["repeatability"], rel=1e-9)


def test_pictures_of_the_classic_study() -> None:
    """Averages and ranges printed on the manual's form; chart factors of three trials, D4 = 2.574 and A2 = 1.023: ISO 7870-2 (memory)."""
    plots = evaluate_study(rows_of({X: CLASSIC.values}), fixed(6.0))["figures"][X]["plots"]
    form, marginals = PUBLISHED["grr_aiag_range_method"], PUBLISHED["grr_aiag_table_marginals"]
    assert [part["mean"] for part in plots["by_part"]] == pytest.approx(marginals["part_averages"])
    assert [operator["mean"] for operator in plots["by_operator"]] == pytest.approx(form["Xbar_by_appraiser"])
    assert [len(operator["values"]) for operator in plots["by_operator"]] == [30, 30, 30]
    ranges = plots["ranges"]
    assert [float(np.mean(operator["ranges"])) for operator in ranges["operators"]] == pytest.approx(form["Rbar_by_appraiser"])
    assert ranges["centre"] == pytest.approx(form["Rbarbar"])
    assert ranges["upper"] / ranges["centre"] == pytest.approx(2.574, abs=1e-3)
    assert ranges["lower"] == 0.0
    assert ranges["means"]["upper"] - ranges["means"]["centre"] == pytest.approx(1.023 * ranges["centre"], abs=1e-3)
    assert [(one["operator"], one["part"]) for one in ranges["beyond"]] == [("B", "DN2-003")]  # 0.01, 1.03, 0.20
    means = np.array(plots["interaction"]["means"])
    assert means.shape == (3, 10)
    assert means.mean(axis=0) == pytest.approx(marginals["part_averages"])
    bars = {bar["name"]: bar for bar in plots["components"]}
    assert bars["gauge"]["percent_of_tolerance"] == pytest.approx(100.0 * PUBLISHED["grr_aiag_anova_pooled"]["sd"]["grr"], rel=1e-9)


def test_acceptance_needs_both_limits_in_every_group() -> None:
    rng = np.random.default_rng(7)
    good, coarse = (simulated(rng, (10, 3, 3), (3.0, 0.1, 0.05, error)) for error in (0.2, 2.0))
    accepted = evaluate_study(rows_of({X: good, Y: good}), fixed(14.0))
    assert accepted["problems"] == []
    assert accepted["figures"][X]["standing"] == "accepted"
    assert "at most 30 %" in accepted["rule"]["in_words"]
    refused = evaluate_study(rows_of({X: good, Y: coarse}), fixed(14.0))
    assert refused["figures"][X]["problems"] == []
    assert [problem.split(":")[0] for problem in refused["problems"]] == [Y, Y]
    assert "% of the tolerance; expected at most 30 %" in refused["problems"][0]
    assert "categories of parts" in refused["problems"][1]
    free = evaluate_study(rows_of({X: coarse}), fixed(None))
    assert "of the study's variation" in free["problems"][0]
    lenient = StudyRule(gauge_percent_most=100.0, categories_least=1)
    assert evaluate_study(rows_of({X: coarse}), fixed(14.0), lenient)["problems"] == []


def test_figures_that_are_not_judged_are_shown() -> None:
    rng = np.random.default_rng(9)
    good, coarse = (simulated(rng, (10, 3, 3), (3.0, 0.1, 0.05, error)) for error in (0.2, 5.0))
    document = evaluate_study(rows_of({X: good, "main x+ settle_s": coarse}), fixed(None))
    assert document["problems"] == []
    assert document["figures"]["main x+ settle_s"]["standing"] == "shown"
    assert peak_u_counts(document) == document["figures"][X]["gauge_sd"]


def test_still_figures_and_missing_values() -> None:
    good = simulated(np.random.default_rng(9), (10, 3, 3), (3.0, 0.1, 0.05, 0.2))
    one_group = evaluate_study(rows_of({X: good, Y: np.zeros_like(good)}), fixed(14.0))
    assert one_group["problems"] == []
    assert one_group["figures"][Y]["standing"] == "still"
    assert any("peaks are 0" in note for note in one_group["figures"][Y]["notes"])
    none = evaluate_study(rows_of({Y: np.zeros_like(good)}), fixed(14.0))
    assert "no peak_counts shows any spread" in none["problems"][0]
    assert math.isnan(peak_u_counts(none))
    assert "no uncertainty" in peak_sentence(none)
    holed = good.copy()
    holed[4, 1, 2] = math.nan
    lacking = evaluate_study(rows_of({X: good, Y: holed}), fixed(14.0))
    assert lacking["problems"] == [
        f"{Y}: 1 of 90 values could not be measured (first: part DN2-004, operator B, trial 2); measure these trials again"
    ]
    assert peak_u_counts(lacking) == lacking["figures"][X]["gauge_sd"]


def test_unbalanced_or_empty_studies_are_refused() -> None:
    good = simulated(np.random.default_rng(9), (4, 2, 2), (3.0, 0.1, 0.05, 0.2))
    with pytest.raises(StudyUnreadable, match="not balanced"):
        evaluate_study(rows_of({X: good})[:-1], fixed(None))
    with pytest.raises(StudyUnreadable, match="no figure"):
        evaluate_study([], fixed(None))


def test_tolerances_of_the_specification(dunlin: Specification) -> None:
    assert tolerance_of(X, dunlin, 15.0) == Tolerance(14.0, f"{DOUBLED}, host.neutral_zone_counts (22)")
    assert tolerance_of("main x reach_counts", dunlin, 77.0) == Tolerance(16.0, "limits.reach_error_counts on both sides")
    assert tolerance_of("main x+ rest_shift_counts", dunlin, 0.3).width == 4.0
    assert tolerance_of("main x+ return_s", dunlin, 0.004).width == pytest.approx(0.016)
    assert tolerance_of("main x noise_counts", dunlin, 0.3).width == pytest.approx(2.4)
    beyond = tolerance_of(X, dunlin, 23.0)
    assert beyond.width is None
    assert "no room" in beyond.source
    assert tolerance_of("main x+ rings", dunlin, 3.0) == Tolerance(None, "no limit is set on rings")
    document = evaluate_study(rows_of({X: CLASSIC.values + 15.0}), functools.partial(_by_specification, dunlin))
    assert document["figures"][X]["percent_of_tolerance"]["gauge"] == pytest.approx(600.0 * 0.302372 / 13.997, rel=1e-4)


def _by_specification(spec: Specification, name: str, mean: float) -> Tolerance:
    return tolerance_of(name, spec, mean)


@pytest.mark.parametrize("sds", [(3.0, 0.3, 0.2, 0.4), (2.0, 0.0, 0.0, 0.5)], ids=["all", "repeatability-alone"])
def test_a_rig_of_known_components_is_recovered(sds: tuple[float, ...]) -> None:
    """1,000 studies of 10 parts, 3 operators, 3 trials. Mean of the variances is the truth within four standard errors, and the 95 %
    interval of the gauge's percentage of the tolerance holds the truth as often as stated, or more: 0.95 - 0.0207 at three sigma below."""
    rng, true = np.random.default_rng(41), math.sqrt(sum(sd**2 for sd in sds[1:]))
    inside, variances = [], []
    for _ in range(1_000):
        figure = evaluate_study(rows_of({X: simulated(rng, (10, 3, 3), sds)}), fixed(14.0))["figures"][X]
        interval = figure["intervals"]["percent_of_tolerance"]
        inside.append(interval["lower"] <= 100.0 * 6.0 * true / 14.0 <= interval["upper"])
        variances.append((figure["gauge_sd"] ** 2, figure["part_sd"] ** 2))
    share = float(np.mean(inside))
    assert stats.binom.cdf(sum(inside), 1_000, 0.95) > 0.001, share
    gauge, part = np.mean(variances, axis=0)
    error = np.std(variances, axis=0) / math.sqrt(1_000)
    assert part == pytest.approx(sds[0] ** 2, abs=4.0 * error[1])
    if sds[1]:
        assert gauge == pytest.approx(true**2, abs=4.0 * error[0] + 0.01 * true**2)  # zeroed negative components: at most a hundredth
