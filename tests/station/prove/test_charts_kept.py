"""Charts as the station keeps them: freezing, signals after the baseline, and what pages and the API show."""

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from station.errors import UsageError
from station.proof import Baseline, ChartKey, ChartPoint, Note
from station.prove.chart_rules import RULES, RUN_UP
from station.prove.chart_table import CHARTS, FAILED_UNITS, chart_line, title_of, unit_of
from station.prove.charted import BASELINE_MOST, document, frozen, rules_of, signals_of, stretch
from station.prove.charts import ChartKind

AT = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
NOISE = ChartKey("noise", rig="bench-1", figure="x")
SPEED = ChartKey("release-speed", rig="bench-1")
PEAK = ChartKey("peak", product="dunlin-2", lot="ML-2607", figure="x+")
FAILED = ChartKey("failed", product="dunlin-2")
REFERENCE = ChartKey("reference", rig="bench-1", figure="main x+ peak_counts")


def chart_points(samples: Sequence[Sequence[float]], begin: int = 1) -> list[ChartPoint]:
    return [ChartPoint(str(begin + k), AT + timedelta(minutes=k), tuple(sample)) for k, sample in enumerate(samples)]


def noise_points(later: Sequence[float] = (), count: int = 50) -> list[ChartPoint]:
    """A baseline of alternating pairs whose centre is 0.8 and whose sigma is close to 0.1, and points after it in sigmas."""
    rng = np.random.default_rng(8)
    base = rng.normal(0.8, 0.1, count)
    base = np.clip(base, 0.55, 1.05)
    scale = float(np.abs(np.diff(base)).mean() * math.sqrt(math.pi) / 2.0)
    return chart_points([(value,) for value in [*base.tolist(), *(float(base.mean()) + scale * z for z in later)]])


def baseline_of(key: ChartKey, points: Sequence[ChartPoint], rules: Sequence[str] = (), count: int = 50) -> Baseline:
    chosen = points[:count]
    return Baseline(key, chosen[0].key, chosen[-1].key, frozen(key, chosen), rules_of(key, rules), "Ines", AT)


@pytest.mark.parametrize("what", list(CHARTS))
def test_every_line_of_the_table_holds_together(what: str) -> None:
    line = CHARTS[what]
    assert line.what == what
    assert set(line.rules) <= set(RULES)
    assert line.least > RUN_UP  # so that no pattern after a baseline reaches back before it
    assert line.look.endswith(".")
    assert rules_of(ChartKey(what), ()) == line.rules
    assert 10 * line.least <= BASELINE_MOST


def test_titles_and_units() -> None:
    assert title_of(NOISE) == "Noise at rest, axis x, rig bench-1"
    assert title_of(PEAK) == "Peak, x+, product dunlin-2, lot ML-2607"
    assert title_of(FAILED) == "Failed units, product dunlin-2"
    assert title_of(SPEED) == "Release speed, rig bench-1"
    assert [unit_of(key) for key in (NOISE, PEAK, FAILED, SPEED, REFERENCE)] == ["counts", "counts", "share", "reach/s", "counts"]
    assert unit_of(replace(REFERENCE, figure="main finger push_jitter_s")) == "s"
    assert unit_of(replace(REFERENCE, figure="main supply supply_v")) == "V"


def test_an_unknown_chart_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="chart is 'humidity'; expected one of reference, release-speed"):
        chart_line(ChartKey("humidity"))


def test_a_stretch_is_cut_at_its_points() -> None:
    points = noise_points()
    assert [one.key for one in stretch(points, "7", "9")] == ["7", "8", "9"]
    with pytest.raises(UsageError, match="first point of the baseline is '77'; expected one of 1 to 50"):
        stretch(points, "77", "9")
    with pytest.raises(UsageError, match="first point of the baseline is 'x'; expected a point, and the chart has none"):
        stretch([], "x", "x")
    with pytest.raises(UsageError, match="begins with 9 and ends with 7, which is older"):
        stretch(points, "9", "7")


def test_freezing_names_the_chart_the_count_and_what_was_expected() -> None:
    with pytest.raises(UsageError, match=r"Noise at rest, axis x, rig bench-1: the baseline has 49 points; expected at least 50"):
        frozen(NOISE, noise_points(count=49))
    with pytest.raises(UsageError, match="has 49 points"):  # one of fifty could not be measured
        frozen(NOISE, [*noise_points()[:49], ChartPoint("50", AT, (math.nan,))])
    with pytest.raises(UsageError, match=r"does not vary \(centre 0.8\)"):
        frozen(NOISE, chart_points([(0.8,)] * 60))


def test_frozen_limits_are_json() -> None:
    limits = frozen(NOISE, noise_points())
    assert json.loads(json.dumps(limits)) == limits
    assert limits["kind"] == "i-mr"
    assert limits["count"] == 50


def test_a_rule_of_the_spread_is_refused_where_there_is_none() -> None:
    assert rules_of(PEAK, ["spread"]) == ("spread",)
    with pytest.raises(UsageError, match="'spread'; expected another: Failed units, product dunlin-2 has no chart of the spread"):
        rules_of(FAILED, ["beyond", "spread"])


def test_a_point_beyond_its_limit_is_told_with_value_limit_and_what_to_do() -> None:
    points = noise_points([0.5, 4.0, -0.3])
    (signal,) = signals_of(baseline_of(NOISE, points), points, AT)
    assert (signal.chart, signal.point, signal.rule, signal.points, signal.at) == (NOISE, "52", "beyond", ("52",), AT)
    limits = frozen(NOISE, points[:50])
    upper, value = limits["centre"] + 3 * limits["sigma"], limits["centre"] + 4 * limits["sigma"]
    assert signal.sentence == (
        f"Noise at rest, axis x, rig bench-1: run 52 is at {value:.4g} counts, above its upper limit {upper:.4g} counts "
        f"(centre {limits['centre']:.4g} counts). Look at the probes, their cable and its ground, then check the reference unit. "
        "Then note cause and action on the chart."
    )


def test_a_key_that_names_what_it_is_is_not_named_twice() -> None:
    points = [replace(one, key=f"run {one.key}") for one in noise_points([4.0])]
    (signal,) = signals_of(baseline_of(NOISE, points), points, AT)
    assert "bench-1: run 51 is at" in signal.sentence


def test_a_signal_of_a_rule_that_has_left_the_table_is_still_shown() -> None:
    points = noise_points([4.0])
    base = baseline_of(NOISE, points)
    old = replace(signals_of(base, points, AT)[0], rule="antique")
    assert document(NOISE, points, base, [old], [])["points"][-1]["rules"] == ["beyond", "antique"]


def test_a_low_point_is_told_by_its_lower_limit() -> None:
    points = noise_points([-3.5])
    (signal,) = signals_of(baseline_of(NOISE, points), points, AT)
    assert "below its lower limit" in signal.sentence


def test_a_run_is_one_signal_however_long_and_may_rest_on_the_baseline() -> None:
    points = noise_points([0.0, *([0.7] * 14), -0.5])
    base = baseline_of(NOISE, points)
    (signal,) = signals_of(base, points, AT)
    assert (signal.rule, signal.point, signal.points) == ("one-side", "60", tuple(map(str, range(52, 61))))
    assert "nine points in a row on one side of the centre (52 to 60); run 60 is at" in signal.sentence
    shown = document(NOISE, points, base, [signal], [])
    assert [one["key"] for one in shown["points"] if one["rules"]] == [str(k) for k in range(60, 66)]


def test_points_of_the_baseline_and_before_it_raise_no_signal() -> None:
    points = noise_points([5.0])
    early = replace(points[5], sample=(9.0,))
    base = baseline_of(NOISE, points)
    signals = signals_of(base, [*points[:5], early, *points[6:]], AT)
    assert [one.point for one in signals] == ["51"]
    older = [ChartPoint(f"old-{k}", AT - timedelta(hours=1), (9.0,)) for k in range(30)]
    assert [one.point for one in signals_of(base, [*older, *points], AT)] == ["51"]


@pytest.mark.parametrize("begin", [0, 20, 49, 60, 70])
def test_signals_do_not_depend_on_how_many_points_are_looked_at(begin: int) -> None:
    """Within what has its run-up: the same signals from all points and from the newest alone."""
    later = [0.4, *([0.7] * 20), -0.4, 3.6, *([0.2, -0.3] * 10), 2.4, 0.1, 2.6, 0.3]
    points = noise_points(later)
    base = baseline_of(NOISE, points, [*CHARTS["noise"].rules, "two-far", "zigzag"])
    everything = {(one.point, one.rule, one.points) for one in signals_of(base, points, AT)}
    assert {rule for _, rule, _ in everything} == {"beyond", "one-side", "two-far", "zigzag"}
    reach = max(51, begin + RUN_UP + 1)
    newest = {(one.point, one.rule, one.points) for one in signals_of(base, points[begin:], AT)}
    assert newest == {one for one in everything if int(one[0]) >= (reach if begin else 51)}


def test_a_spread_is_told_on_means() -> None:
    rng = np.random.default_rng(4)
    rows = rng.normal(15.0, 0.5, (20, 5)).tolist()
    points = chart_points([*rows, [12.0, 18.0, 15.0, 13.0, 17.0]])
    base = baseline_of(PEAK, points, count=20)
    (signal,) = signals_of(base, points, AT)
    assert (signal.point, signal.rule) == ("21", "spread")
    assert "the standard deviation of the sample up to run 21 is 2.55 counts, above its upper limit" in signal.sentence


def test_a_sample_with_many_failed_units_is_told_in_percent() -> None:
    points = chart_points([*[(4.0, 90.0), (6.0, 110.0)] * 10, (15.0, 100.0), (15.0, 60.0)])
    (first, second) = signals_of(baseline_of(FAILED, points, count=20), points, AT)
    assert "sample up to run 21 is at 15 %, above its upper limit 11.54 % (centre 5 %)" in first.sentence
    assert "sample up to run 22 is at 25 %, above its upper limit 13.44 %" in second.sentence  # 5 % + 3 sqrt(0.05 * 0.95 / 60)


def test_a_reference_figure_in_seconds_is_told_in_milliseconds() -> None:
    key = replace(REFERENCE, figure="main x+ return_s")
    points = chart_points([(0.0042 + 0.0001 * (-1) ** k,) for k in range(25)] + [(0.0071,)])
    signals = signals_of(baseline_of(key, points, count=25), points, AT)
    assert "check 26 is at 7.1 ms, above its upper limit" in signals[0].sentence


def test_the_document_of_a_frozen_chart() -> None:
    points = noise_points([4.0])
    base = baseline_of(NOISE, points)
    signals = signals_of(base, points, AT)
    note = Note(NOISE, "51", "a loose ground", "tightened", "Ines", AT)
    shown = document(NOISE, points, base, signals, [note])
    assert json.loads(json.dumps(shown, allow_nan=False)) == shown
    assert (shown["title"], shown["unit"], shown["kind"]) == ("Noise at rest, axis x, rig bench-1", "counts", "i-mr")
    assert (shown["limits"], shown["spread"], shown["least_points"]) == ("frozen", "moving range", 50)
    assert (shown["baseline"]["first"], shown["baseline"]["last"], shown["baseline"]["at"]) == ("1", "50", "2026-11-25T06:00:00.000Z")
    assert [one["name"] for one in shown["rules"] if one["chosen"]] == ["beyond", "one-side"]
    last = shown["points"][-1]
    assert (last["key"], last["at"], last["rules"]) == ("51", "2026-11-25T06:50:00.000Z", ["beyond"])
    assert last["zone"] == pytest.approx(4.0)
    assert last["upper"] == pytest.approx(base.limits["centre"] + 3.0 * base.limits["sigma"])
    assert last["notes"] == [{"cause": "a loose ground", "action": "tightened", "by": "Ines", "at": "2026-11-25T06:00:00.000Z"}]
    assert last["spread"]["value"] == pytest.approx(abs(points[-1].sample[0] - points[-2].sample[0]))
    assert shown["points"][0]["spread"] is None
    assert shown["signals"][0]["sentence"] == signals[0].sentence
    assert shown["remarks"] == []


def test_times_are_given_in_utc() -> None:
    point = ChartPoint("1", datetime(2026, 11, 25, 8, 0, tzinfo=timezone(timedelta(hours=1))), (0.8,))
    assert document(NOISE, [point], None, [], [])["points"][0]["at"] == "2026-11-25T07:00:00.000Z"


def test_without_a_baseline_limits_are_provisional_and_no_rule_fires() -> None:
    points = noise_points([6.0])
    shown = document(NOISE, points, None, [], [])
    assert (shown["limits"], shown["baseline"]) == ("provisional", None)
    assert shown["points"][-1]["upper"] < shown["points"][-1]["value"]
    assert all(not one["rules"] for one in shown["points"])
    assert "provisional" in shown["remarks"][0]
    assert "at least 50 points" in shown["remarks"][0]


@pytest.mark.parametrize("values", [[], [0.8], [0.8, 0.8, 0.8]])
def test_points_that_tell_no_limits_are_shown_without(values: list[float]) -> None:
    shown = document(NOISE, chart_points([(value,) for value in values]), None, [], [])
    assert shown["limits"] == "none"
    assert [one["value"] for one in shown["points"]] == values
    assert all(one["upper"] is None and one["zone"] is None for one in shown["points"])
    assert shown["remarks"][0].startswith("There are no limits: the baseline")


def test_points_that_could_not_be_measured_are_left_out_and_said() -> None:
    points = noise_points([0.1])
    shown = document(NOISE, [*points, ChartPoint("52", AT, (math.nan,))], baseline_of(NOISE, points), [], [])
    assert len(shown["points"]) == 51
    assert shown["remarks"] == ["1 point is left out: the figure could not be measured there."]
    assert signals_of(baseline_of(NOISE, points), [*points, ChartPoint("52", AT, (math.nan,))], AT) == ()


def test_a_baseline_that_is_not_in_control_says_so() -> None:
    points = noise_points()
    points[30] = replace(points[30], sample=(2.5,))
    shown = document(NOISE, points, baseline_of(NOISE, points), [], [])
    assert shown["remarks"][0].startswith("Of the baseline 31 lies beyond the limits made from it")


def test_few_failed_units_a_point_are_said_to_be_coarse() -> None:
    """Ten units a point, 5 %: three or more failed lie beyond; binomial tail 0.0115, one in 87."""
    points = chart_points([(0.0, 10.0), (1.0, 10.0)] * 10)
    shown = document(FAILED, points, baseline_of(FAILED, points, count=20), [], [])
    assert shown["kind"] == ChartKind.SHARE.value
    assert shown["spread"] is None
    assert "one point in 87 lies beyond a limit by chance alone" in shown["remarks"][0]
    usual = chart_points([(0.0, float(FAILED_UNITS)), (2.0, float(FAILED_UNITS))] * 10)
    assert "one point in 56 " in document(FAILED, usual, baseline_of(FAILED, usual, count=20), [], [])["remarks"][0]
    many = chart_points([(90.0, 500.0), (110.0, 500.0)] * 10)
    assert document(FAILED, many, baseline_of(FAILED, many, count=20), [], [])["remarks"] == []
