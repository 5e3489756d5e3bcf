"""Constants and limits of control charts against factor tables and worked examples from outside, and by properties."""

import json
import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from station.errors import UsageError
from station.proof import ChartPoint
from station.prove.chart_constants import mean_sd, sd_of_range, sd_of_sd
from station.prove.charts import LEAST, ChartKind, Limits, chance_beyond, limits_from, place, usable
from station.prove.range_constants import mean_range

ENTRIES: dict[str, dict[str, Any]] = json.loads((Path(__file__).parents[2] / "data" / "control_charts.json").read_text())["entries"]
BEGUN = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)
TABLE = ENTRIES["shewhart_constants_n2_to_10"]


def points_of(samples: Sequence[Sequence[float]]) -> tuple[ChartPoint, ...]:
    return tuple(ChartPoint(str(k), BEGUN + timedelta(minutes=k), tuple(sample)) for k, sample in enumerate(samples))


def singles(values: Sequence[float]) -> tuple[ChartPoint, ...]:
    return points_of([(value,) for value in values])


def factors(n: int) -> dict[str, float]:
    """As the factor tables define them, from our own constants."""
    d2, d3, c4, spread = mean_range(n), sd_of_range(n), mean_sd(n), sd_of_sd(n)
    return {
        "d2": d2,
        "d3": d3,
        "c4": c4,
        "A2": 3.0 / (d2 * math.sqrt(n)),
        "A3": 3.0 / (c4 * math.sqrt(n)),
        "B3": max(0.0, 1.0 - 3.0 * spread / c4),
        "B4": 1.0 + 3.0 * spread / c4,
        "D3": max(0.0, 1.0 - 3.0 * d3 / d2),
        "D4": 1.0 + 3.0 * d3 / d2,
    }


@pytest.mark.parametrize("n", range(2, 11))
def test_constants_of_the_factor_tables(n: int) -> None:
    """Integrated by another route, eight digits; and as ASTM Manual 7 and Montgomery print them, to a unit of their last place where a
    printed figure is known not to be the rounded exact one (D4 of three: 2.574 for 2.5746)."""
    ours = factors(n)
    for name, value in TABLE["expected"][str(n)].items():
        assert ours[name] == pytest.approx(value, rel=1e-8, abs=1e-9), name
    for key, figure in TABLE["published_figures"].items():
        size, name = key.split(".")
        if int(size) == n:
            places = 10.0 ** -figure["decimals"]
            assert abs(ours[name] - figure["printed"]) <= (0.5 if figure["reproduced"] else 1.0) * places + 1e-12, name


@pytest.mark.parametrize("n", [2, 5, 25, 400])
def test_mean_and_scatter_of_a_standard_deviation(n: int) -> None:
    """scipy's chi distribution with n - 1 degrees of freedom, over sqrt(n - 1)."""
    chi = stats.chi(n - 1, scale=1.0 / math.sqrt(n - 1))
    assert mean_sd(n) == pytest.approx(float(chi.mean()), rel=1e-9)
    assert sd_of_sd(n) == pytest.approx(float(chi.std()), rel=1e-6)


def test_a_standard_deviation_needs_two_values() -> None:
    with pytest.raises(ValueError, match="at least two values, not 1"):
        mean_sd(1)


def test_individuals_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rates: printed limits were made with d2 = 1.128, ours with 2 / sqrt(pi)."""
    printed, exact = ENTRIES["imr_nist_flow_rate"], ENTRIES["imr_nist_flow_rate_exact_constants"]
    points = singles(printed["inputs"]["x"])
    limits = limits_from(ChartKind.INDIVIDUALS, points, least=10)
    placed = place(limits, points)
    level, spread = placed[1].level, placed[1].spread
    assert spread is not None
    assert placed[0].spread is None
    figures = {"mean": level.centre, "mr_bar": spread.centre, "UCL": level.upper, "LCL": level.lower, "UCL_mr": spread.upper, "LCL_mr": 0.0}
    assert {name: pytest.approx(value, rel=1e-9) for name, value in exact["expected"].items() if name != "mr"} == figures
    assert spread.lower == 0.0
    assert [one.spread.value for one in placed if one.spread] == pytest.approx(exact["expected"]["mr"])
    for name, figure in printed["published_figures"].items():
        rounding = abs(figure["printed"] - level.centre) * 4e-4 if name in ("UCL", "LCL") else 0.0  # 1.128 for 1.128379
        assert figures[name] == pytest.approx(figure["printed"], abs=0.51 * 10.0 ** -figure["decimals"] + rounding), name


def test_shares_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.2, wafers: thirty samples of 50."""
    entry = ENTRIES["pchart_nist_wafers"]
    points = points_of([(count, entry["inputs"]["n_per_sample"]) for count in entry["inputs"]["defectives"]])
    limits = limits_from(ChartKind.SHARE, points)
    placed = place(limits, points)
    assert limits.centre == pytest.approx(entry["expected"]["pbar"], rel=1e-12)
    for one in placed:
        assert (one.level.upper, one.level.lower) == pytest.approx((entry["expected"]["UCL"], entry["expected"]["LCL"]), rel=1e-9)
        assert one.spread is None
    outside = entry["expected"]["points_outside"]
    assert [k for k, one in enumerate(placed) if one.level.zone > 3.0] == outside
    assert limits.beyond == tuple(map(str, outside))
    for name, value in (("pbar", limits.centre), ("UCL", placed[0].level.upper), ("LCL", placed[0].level.lower)):
        assert value == pytest.approx(entry["published_figures"][name]["printed"], abs=0.51e-4)


def test_means_and_ranges_of_the_hard_bake_example() -> None:
    """Montgomery's flow widths, by the range; the factors printed there are rounded to three decimals."""
    entry, ours = ENTRIES["xbar_r_hard_bake"], factors(5)
    centre, mean = entry["inputs"]["xbarbar"], entry["inputs"]["Rbar"]
    found = {"UCL_x": centre + ours["A2"] * mean, "LCL_x": centre - ours["A2"] * mean, "UCL_R": ours["D4"] * mean}
    for name, value in found.items():
        assert value == pytest.approx(entry["expected"][name], abs=5.1e-4 * mean), name
    assert mean / ours["d2"] == pytest.approx(entry["expected"]["sigma_hat_d2_2.326"], rel=1e-4)


def test_means_and_standard_deviations_by_the_factor_table() -> None:
    """Samples of five made so that their mean and standard deviation are chosen ones: limits are A3, B3, B4 of the table times s-bar."""
    rng = np.random.default_rng(7)
    rows = rng.normal(20.0, 1.5, (25, 5))
    points = points_of(rows.tolist())
    limits = limits_from(ChartKind.MEANS, points)
    s_bar, centre, table = float(rows.std(axis=1, ddof=1).mean()), float(rows.mean()), TABLE["expected"]["5"]
    assert limits.sigma == pytest.approx(s_bar / table["c4"], rel=1e-8)
    for one, row in zip(place(limits, points), rows, strict=True):
        assert one.spread is not None
        assert (one.level.lower, one.level.centre, one.level.upper) == pytest.approx(
            (centre - table["A3"] * s_bar, centre, centre + table["A3"] * s_bar), rel=1e-8
        )
        assert (one.spread.lower, one.spread.centre, one.spread.upper) == pytest.approx((0.0, s_bar, table["B4"] * s_bar), rel=1e-8)
        assert (one.level.value, one.spread.value) == pytest.approx((row.mean(), row.std(ddof=1)))


def test_the_lower_limit_of_a_standard_deviation_of_ten() -> None:
    limits = Limits(ChartKind.MEANS, 20, 0.0, 1.0)
    spread = place(limits, points_of([np.linspace(-1.0, 1.0, 10).tolist()]))[0].spread
    assert spread is not None
    table = TABLE["expected"]["10"]
    assert spread.lower == pytest.approx(table["B3"] * table["c4"], rel=1e-8)


def test_samples_of_many_sizes_tell_one_sigma_without_bias() -> None:
    """Sizes 2 to 9, sigma 3: the mean of 600 estimates is within four standard errors, and they scatter less than plain means."""
    rng = np.random.default_rng(11)
    sizes = [2 + k % 8 for k in range(24)]
    found, plain = [], []
    for _ in range(600):
        samples = [rng.normal(50.0, 3.0, size).tolist() for size in sizes]
        found.append(limits_from(ChartKind.MEANS, points_of(samples)).sigma)
        plain.append(np.mean([np.std(sample, ddof=1) / mean_sd(len(sample)) for sample in samples]))
    assert abs(np.mean(found) - 3.0) < 4.0 * np.std(found) / math.sqrt(600)
    assert np.std(found) < np.std(plain)


def test_the_centre_of_samples_of_many_sizes_is_the_mean_of_all_values() -> None:
    samples = [(1.0, 3.0), (5.0, 6.0, 7.0, 6.0), *([(4.0, 5.0, 6.0)] * 18)]
    values = [value for sample in samples for value in sample]
    assert limits_from(ChartKind.MEANS, points_of(samples)).centre == pytest.approx(sum(values) / len(values))


def test_a_baseline_tells_of_samples_with_a_wild_spread_but_of_no_moving_range() -> None:
    rows = np.random.default_rng(4).normal(15.0, 0.5, (24, 5)).tolist()
    assert limits_from(ChartKind.MEANS, points_of([*rows, [12.0, 18.0, 15.0, 13.0, 17.0]])).beyond == ("24",)
    steps = singles([0.1, 0.0, -0.1, 0.0] * 10 + [0.2, -0.2] + [0.1, 0.0, -0.1, 0.0] * 2)
    limits = limits_from(ChartKind.INDIVIDUALS, steps)
    assert any(one.spread is not None and one.spread.zone > 3.0 for one in place(limits, steps))
    assert limits.beyond == ()


def test_limits_follow_the_size_of_every_point() -> None:
    """Closed form: p +- 3 sqrt(p (1 - p) / n), within 0 and 1; mean +- 3 sigma / sqrt(n)."""
    shares = place(Limits(ChartKind.SHARE, 20, 0.1, 0.3), points_of([(3.0, 25.0), (40.0, 400.0)]))
    assert (shares[0].level.lower, shares[0].level.upper) == pytest.approx((0.0, 0.28))
    assert (shares[1].level.lower, shares[1].level.upper) == pytest.approx((0.055, 0.145))
    assert [one.size for one in shares] == [25, 400]
    means = place(Limits(ChartKind.MEANS, 20, 10.0, 2.0), points_of([(10.0, 11.0), (1.0,) * 16]))
    assert [one.level.upper for one in means] == pytest.approx([10.0 + 6.0 / math.sqrt(2), 11.5])
    assert means[1].level.zone == pytest.approx(-18.0)


def test_an_upper_limit_of_a_share_is_never_above_one() -> None:
    level = place(Limits(ChartKind.SHARE, 20, 0.9, 0.3), points_of([(4.0, 4.0)]))[0].level
    assert (level.upper, level.value) == (1.0, 1.0)
    assert level.zone <= 3.0


@pytest.mark.parametrize("kind", list(ChartKind))
def test_too_few_points_are_refused(kind: ChartKind) -> None:
    samples = {ChartKind.INDIVIDUALS: (1.0,), ChartKind.MEANS: (1.0, 2.0), ChartKind.SHARE: (1.0, 50.0)}
    with pytest.raises(UsageError, match=rf"baseline has {LEAST - 1} points; expected at least {LEAST}"):
        limits_from(kind, points_of([samples[kind]] * (LEAST - 1)))


@pytest.mark.parametrize(
    ("kind", "sample"),
    [
        (ChartKind.INDIVIDUALS, (0.1,)),
        (ChartKind.MEANS, (0.1, 0.1, 0.1)),  # whose standard deviation is not zero in floating point
        (ChartKind.SHARE, (0.0, 40.0)),
        (ChartKind.SHARE, (40.0, 40.0)),
    ],
)
def test_a_baseline_without_variation_is_refused(kind: ChartKind, sample: tuple[float, ...]) -> None:
    with pytest.raises(UsageError, match="does not vary"):
        limits_from(kind, points_of([sample] * 30))


@pytest.mark.parametrize(
    ("kind", "sample", "expected"),
    [
        (ChartKind.INDIVIDUALS, (1.0, 2.0), "one finite value"),
        (ChartKind.INDIVIDUALS, (math.nan,), "one finite value"),
        (ChartKind.MEANS, (1.0,), "at least two"),
        (ChartKind.MEANS, (1.0, math.inf), "at least two"),
        (ChartKind.SHARE, (5.0, 4.0), "a count and of how many"),
        (ChartKind.SHARE, (0.0, 0.0), "a count and of how many"),
        (ChartKind.SHARE, (1.0,), "a count and of how many"),
    ],
)
def test_a_sample_that_does_not_suit_is_refused_by_its_key(kind: ChartKind, sample: tuple[float, ...], expected: str) -> None:
    bad = points_of([sample])
    with pytest.raises(UsageError, match=f"point 0 is .*{expected}"):
        place(Limits(kind, 20, 0.5, 0.5), bad)
    with pytest.raises(UsageError, match=f"point 0 is .*{expected}"):
        limits_from(kind, bad, least=1)
    assert usable(kind, bad) == ()


@pytest.mark.parametrize("kind", list(ChartKind))
def test_limits_survive_their_document(kind: ChartKind) -> None:
    limits = Limits(kind, 33, 0.1 + 0.2, 1.0 / 3.0, ("12", "14"))
    assert Limits.from_document(json.loads(json.dumps(limits.document()))) == limits


@pytest.mark.parametrize("change", [{"kind": "u"}, {"sigma": 0.0}, {"sigma": math.nan}])
def test_a_document_that_is_none_of_limits_is_refused(change: dict[str, Any]) -> None:
    good = Limits(ChartKind.SHARE, 20, 0.1, 0.3).document()
    with pytest.raises(UsageError, match="expected kind, count, centre, sigma"):
        Limits.from_document({**good, **change})
    with pytest.raises(UsageError, match="expected kind, count, centre, sigma"):
        Limits.from_document({name: value for name, value in good.items() if name != "centre"})


@settings(deadline=None, derandomize=True)
@given(st.integers(1, 400), st.floats(0.002, 0.998))
def test_chance_of_a_share_beyond_its_limits(size: int, share: float) -> None:
    """Against the sum of scipy's binomial probabilities of all counts that lie beyond by their zone."""
    sigma = math.sqrt(share * (1.0 - share))
    zones = np.abs((np.arange(size + 1) / size - share) / (sigma / math.sqrt(size)))
    near = np.abs(zones - 3.0) < 1e-9  # rounding may put it on either side
    weights = stats.binom.pmf(np.arange(size + 1), size, share)
    least, most = weights[(zones > 3.0) & ~near].sum(), weights[(zones > 3.0) | near].sum()
    assert least - 1e-9 <= chance_beyond(Limits(ChartKind.SHARE, 20, share, sigma), size) <= most + 1e-9


@settings(deadline=None, derandomize=True)
@given(st.lists(st.floats(-1e3, 1e3), min_size=20, max_size=40), st.floats(0.1, 10.0), st.floats(-100.0, 100.0))
def test_zones_do_not_depend_on_unit_and_origin(values: list[float], scale: float, origin: float) -> None:
    if max(values) - min(values) < 1.0:
        values = [*values, max(values) + 5.0]
    first, other = singles(values), singles([origin + scale * value for value in values])
    zones = [one.level.zone for one in place(limits_from(ChartKind.INDIVIDUALS, first), first)]
    moved = [one.level.zone for one in place(limits_from(ChartKind.INDIVIDUALS, other), other)]
    assert moved == pytest.approx(zones, rel=1e-6, abs=1e-6)
    assert sum(zones) == pytest.approx(0.0, abs=1e-6 * len(zones) + 1e-9 * sum(map(abs, zones)))
