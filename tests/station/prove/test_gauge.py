"""Gauge studies against the classic worked study, certified data, scipy, and known components recovered by simulation."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from station.errors import UsageError
from station.prove.gauge import evaluate, gauge_document
from station.prove.gauge_anova import POOLING_P, analyse, components
from station.prove.gauge_intervals import intervals
from station.prove.gauge_ranges import ranges
from station.prove.gauge_study import GaugeStudy, parse_study
from station.prove.range_constants import mean_range, rms_range
from station.records import Floats

DATA = Path(__file__).parents[2] / "data"
CLASSIC = parse_study((DATA / "gauge-classic.csv").read_text())
CERTIFIED = json.loads((DATA / "nist-anova.json").read_text())["sets"]


def study_of_values(values: Floats) -> GaugeStudy:
    parts, operators, _ = values.shape
    return GaugeStudy(values, tuple(map(str, range(parts))), tuple(map(str, range(operators))))


def test_the_classic_study_by_analysis_of_variance() -> None:
    """Printed in the AIAG Measurement Systems Analysis manual (3rd and 4th ed.), to the decimals printed there."""
    anova = analyse(CLASSIC)
    printed = {"part": (88.3619, 9.81799), "operator": (3.1673, 1.58363), "interaction": (0.3590, 0.01994), "error": (2.7589, 0.04598)}
    for name, (ss, ms) in printed.items():
        line = getattr(anova, name)
        assert line.ss == pytest.approx(ss, abs=5.1e-5)
        assert line.ms == pytest.approx(ms, abs=5.1e-6)
    assert [anova.part.df, anova.operator.df, anova.interaction.df, anova.error.df] == [9, 2, 18, 60]
    assert anova.interaction.f == pytest.approx(0.434, abs=5e-4)
    assert anova.interaction.p == pytest.approx(0.9741064043290463, rel=1e-9)  # statsmodels, recomputed outside
    assert anova.pooled is not None
    assert anova.pooled.df == 78
    sds = evaluate(CLASSIC).sds
    assert sds["repeatability"] == pytest.approx(0.199933, abs=5.1e-7)
    assert sds["reproducibility"] == pytest.approx(0.226838, abs=5.1e-7)
    assert sds["gauge"] == pytest.approx(0.302373, abs=2.1e-6)  # the printed figure is off by two in its last place
    assert sds["part"] == pytest.approx(1.042327, abs=5.1e-7)
    document = gauge_document(evaluate(CLASSIC))
    percents = {"repeatability": 18.4, "reproducibility": 20.9, "gauge": 27.9, "part": 96.0}
    for name, percent in percents.items():
        assert document["percent_of_study"][name] == pytest.approx(percent, abs=0.051)
    assert document["gauge_percent"] == pytest.approx(27.860650881142288, rel=1e-9)  # recomputed outside, statsmodels' sums
    assert document["distinct_categories"] == 4  # 1.41 * part / gauge = 4.86


def test_the_classic_study_by_ranges() -> None:
    """The same manual's average and range form: its factors are rounded to four decimals, hence 1e-4."""
    found = ranges(CLASSIC)
    assert found.mean_range == pytest.approx(0.3417, abs=5.1e-5)
    assert found.operators_range == pytest.approx(0.4447, abs=5.1e-5)
    assert found.parts_range == pytest.approx(3.511, abs=5.1e-4)
    document = gauge_document(evaluate(CLASSIC, "range"))
    printed = {"repeatability_sd": 0.20188, "reproducibility_sd": 0.22963, "gauge_sd": 0.30575, "part_sd": 1.1046, "total_sd": 1.14610}
    for name, sd in printed.items():
        assert document[name] == pytest.approx(sd, abs=1.5e-4)
    assert document["interaction_sd"] == 0.0
    assert document["distinct_categories"] == 5
    assert document["gauge_percent"] == pytest.approx(26.68, abs=0.01)


def test_range_constants_against_the_printed_tables() -> None:
    """1 / d2* of one group: AIAG manual, tables K2 and K3, recomputed outside to ten digits. d2: ASTM manual on control charts (memory)."""
    factors = [0.7071067811877507, 0.5231383035347784, 0.44665486225533324, 0.4030232753450446, 0.3741772109205929]
    factors += [0.3533816762479238, 0.3375091214941431, 0.32489368715202577, 0.31455983630129275]
    assert [1.0 / rms_range(size) for size in range(2, 11)] == pytest.approx(factors, rel=1e-9)
    assert [mean_range(size) for size in (2, 3, 4, 5, 10)] == pytest.approx([1.128, 1.693, 2.059, 2.326, 3.078], abs=5.1e-4)
    assert mean_range(2) == pytest.approx(2.0 / math.sqrt(math.pi), rel=1e-12)
    with pytest.raises(ValueError, match="at least two"):
        mean_range(1)


@pytest.mark.parametrize("name", [one["name"] for one in CERTIFIED])
@pytest.mark.parametrize("offset", [0.0, 1e6])
def test_sums_of_squares_against_certified_data(name: str, offset: float) -> None:
    """NIST Statistical Reference Datasets, analysis of variance. With one operator the study is one-way. An offset changes nothing
    (the harder sets of the collection are made that way), but for the rounding of the data themselves."""
    found = next(one for one in CERTIFIED if one["name"] == name)
    certified, digits = found["certified"], 1e-9 if offset == 0.0 else 1e-6
    anova = analyse(study_of_values(np.array(found["groups"])[:, None, :] + offset))
    assert anova.part.df == certified["df_between"]
    assert anova.error.df == certified["df_within"]
    assert anova.part.ss == pytest.approx(certified["SS_between"], rel=digits)
    assert anova.error.ss == pytest.approx(certified["SS_within"], rel=digits)
    assert anova.part.f == pytest.approx(certified["F"], rel=digits)
    assert math.sqrt(anova.error.ms) == pytest.approx(certified["residual_sd"], rel=digits)


def test_one_operator_equals_the_one_way_analysis_of_scipy() -> None:
    values = np.random.default_rng(2).normal(size=(7, 1, 4))
    anova = analyse(study_of_values(values))
    expected = stats.f_oneway(*values[:, 0, :])
    assert anova.part.f == pytest.approx(expected.statistic, rel=1e-10)
    assert anova.part.p == pytest.approx(expected.pvalue, rel=1e-9)


def test_tails_and_sums_against_plain_formulas() -> None:
    """Sums of squares by the textbook's definition in plain loops; tails by scipy.stats."""
    values = np.random.default_rng(8).normal(size=(4, 3, 2))
    anova = analyse(study_of_values(values))
    grand = values.mean()
    interaction = sum(2 * (values[i, j].mean() - values[i].mean() - values[:, j].mean() + grand) ** 2 for i in range(4) for j in range(3))
    assert anova.interaction.ss == pytest.approx(interaction, rel=1e-10)
    assert anova.interaction.f is not None
    assert anova.interaction.p == pytest.approx(stats.f.sf(anova.interaction.f, 6, 12), rel=1e-10)
    total = anova.part.ss + anova.operator.ss + anova.interaction.ss + anova.error.ss
    assert total == pytest.approx(float(((values - grand) ** 2).sum()), rel=1e-12)


def test_the_interaction_is_pooled_only_above_its_limit() -> None:
    kept = pooled = 0
    rng = np.random.default_rng(11)
    for _ in range(200):
        anova = analyse(study_of_values(rng.normal(size=(5, 3, 2))))
        assert anova.interaction.p is not None
        assert (anova.pooled is not None) is (anova.interaction.p > POOLING_P)
        parts = components(anova)
        assert min(parts.repeatability, parts.operator, parts.interaction, parts.part) >= 0.0
        kept += anova.pooled is None
        pooled += anova.pooled is not None
    assert kept > 20
    assert pooled > 100


@pytest.mark.parametrize(
    ("shape", "sds"),
    [
        ((10, 3, 3), (1.0, 0.3, 0.3, 0.2)),
        ((20, 6, 3), (1.0, 0.3, 0.1, 0.2)),
        ((10, 3, 2), (1.0, 1.0, 0.5, 0.3)),
        ((8, 1, 3), (1.0, 0.0, 0.0, 0.3)),
    ],
)
def test_known_components_lie_in_their_intervals_as_often_as_stated(shape: tuple[int, int, int], sds: tuple[float, ...]) -> None:
    """Simulated measuring chains with known components: coverage of the 95 % intervals. 1,500 studies: 0.95 +- 0.017 at three sigma;
    the ratio's and the total's are known to cover more than stated."""
    part, operator, mixed, error = sds
    gauge = math.sqrt(operator**2 + mixed**2 + error**2)
    true = {"repeatability_sd": error, "reproducibility_sd": operator, "interaction_sd": mixed, "gauge_sd": gauge, "part_sd": part}
    true |= {"total_sd": math.hypot(gauge, part), "ratio": (part / gauge) ** 2}
    hits: dict[str, list[bool]] = {name: [] for name in true}
    rng = np.random.default_rng(31)
    p, o, _ = shape
    for _ in range(1_500):
        values = part * rng.standard_normal((p, 1, 1)) + operator * rng.standard_normal((1, o, 1))
        values = values + mixed * rng.standard_normal((p, o, 1)) + error * rng.standard_normal(shape)
        found = intervals(analyse(study_of_values(values)))
        for name, value in true.items():
            interval = getattr(found, name)
            if interval is not None:
                hits[name].append(interval[0] <= value <= interval[1])
    for name, one in hits.items():
        if len(one) > 1_000:
            assert 0.93 <= float(np.mean(one)) <= 0.99, name
    assert len(hits["gauge_sd"]) == 1_500


def test_a_tolerance_gives_percentages_of_six_deviations() -> None:
    document = gauge_document(evaluate(CLASSIC, tolerance=6.0))
    assert document["percent_of_tolerance"]["gauge"] == pytest.approx(100.0 * document["gauge_sd"], rel=1e-12)
    for width in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(UsageError, match="tolerance"):
            evaluate(CLASSIC, tolerance=width)


def test_studies_without_spread_still_answer() -> None:
    still = gauge_document(evaluate(study_of_values(np.full((3, 2, 2), 1.5)), tolerance=1.0))
    assert still["gauge_sd"] == still["total_sd"] == 0.0
    assert still["gauge_percent"] is None
    assert still["distinct_categories"] is None
    parts_only = gauge_document(evaluate(study_of_values(np.broadcast_to(np.arange(3.0)[:, None, None], (3, 2, 2)).copy())))
    assert parts_only["part_sd"] == pytest.approx(1.0)
    assert parts_only["gauge_percent"] == 0.0
    assert parts_only["distinct_categories"] is None
    for document in (still, parts_only):
        json.dumps(document["notes"], allow_nan=False)
        assert any("no spread" in note for note in document["notes"])


def test_one_operator_is_answered_with_a_warning() -> None:
    document = gauge_document(evaluate(study_of_values(np.random.default_rng(4).normal(size=(6, 1, 3)))))
    assert document["reproducibility_sd"] == 0.0
    assert document["gauge_sd"] == document["repeatability_sd"]
    assert any("one operator" in note for note in document["notes"])
