"""Scores: defects and their reasons, limits with their uncertainty, precedence, the document."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from station.judge.groups import upper_bound
from station.judge.limits import Check, Standing, mean_and_u
from station.judge.reasons import MEANINGS, code_of, listed
from station.judge.score import score_document, score_recording
from station.quantities import GROUPS
from station.records import Recording, Score, Verdict
from station.specification import Specification, specification_from
from tests.campaign_accuracy import demo_specification
from tests.campaign_scoring import campaign
from tests.defects import LIBRARY, Defect, good
from tests.truth import Scene, simulate

SPEC = demo_specification()


def changed(**limits: float) -> Specification:
    return specification_from(SPEC.model_dump(mode="json") | {"limits": SPEC.limits.model_dump() | limits})


@pytest.mark.parametrize("defect", LIBRARY, ids=lambda one: one.name)
def test_each_defect_has_its_reason(defect: Defect) -> None:
    score = score_recording(defect.make(np.random.default_rng(21)), SPEC, defect.fitted)
    assert score.verdict == defect.verdict
    assert set(defect.reasons) <= set(score.reasons)
    assert defect.snapback or "snapback" not in {code_of(reason) for reason in score.reasons}


def test_the_library_is_large_and_its_names_differ() -> None:
    assert len(LIBRARY) >= 40
    assert len({defect.name for defect in LIBRARY}) == len(LIBRARY)
    assert {code_of(reason) for defect in LIBRARY for reason in defect.reasons} == set(MEANINGS)


def test_no_faulty_recording_passes() -> None:
    """Short form of python -m tests.campaign_scoring: n = 500, so 0 passes bound the share below 0.6 % (95 %, exact binomial)."""
    tally = campaign(500, seed=5)
    assert tally.passed == []
    assert sum(tally.other.values()) <= 5
    assert tally.bound == pytest.approx(3 / 500, rel=0.01)


@pytest.mark.parametrize("seed", range(12))
def test_good_sticks_pass(seed: int) -> None:
    score = score_recording(good(np.random.default_rng(seed)), SPEC)
    assert score.verdict is Verdict.PASS
    assert score.reasons == ()
    assert list(score.groups) == list(GROUPS)
    assert all(one["decision"]["accepted_by"] for one in score.groups.values())


def test_scoring_again_gives_the_same_bytes() -> None:
    recording = good(np.random.default_rng(1))
    first, second = (json.dumps(score_document(score_recording(recording, SPEC), SPEC), sort_keys=True) for _ in range(2))
    assert first == second


@pytest.mark.parametrize(
    ("value", "standing"),
    [
        (10.0, Standing.DOUBTFUL),
        (10.0 + 2 * 0.1, Standing.DOUBTFUL),
        (math.nextafter(10.2, 11), Standing.BROKEN),
        (10.0 - 2 * 0.1, Standing.MET),
        (math.nextafter(9.8, 10), Standing.DOUBTFUL),
        (math.nan, Standing.UNKNOWN),
        (math.inf, Standing.BROKEN),
        (-0.0, Standing.MET),
    ],
)
def test_a_figure_against_its_limit(value: float, standing: Standing) -> None:
    """Fail beyond limit + U, undecided within, else met; U = 2 u."""
    assert Check("name", "sluggish", "s", value, 0.1, 10.0).standing is standing


def test_unknown_uncertainty_counts_as_none() -> None:
    assert Check("name", "sluggish", "s", 10.0, math.nan, 10.0).standing is Standing.MET
    assert Check("name", "sluggish", "s", math.nextafter(10.0, 11), math.nan, 10.0).standing is Standing.BROKEN


def test_what_flicks_share_is_not_averaged_away() -> None:
    mean, u = mean_and_u(np.array([1.0, 1.0, 1.0, 1.0]), np.full(4, math.hypot(0.2, 0.1)), common_u=0.1)
    assert mean == 1.0
    assert u == pytest.approx(math.hypot(0.2 / 2, 0.1))
    assert all(math.isnan(v) for v in mean_and_u(np.array([np.nan]), np.array([0.1])))


def test_a_limit_within_the_uncertainty_is_undecided() -> None:
    recording = good(np.random.default_rng(3))
    measured = {name: one["return_s"] for name, one in score_recording(recording, SPEC).groups.items()}
    slowest = max(measured, key=lambda name: measured[name])
    score = score_recording(recording, changed(return_s=measured[slowest]))
    assert score.verdict is Verdict.UNDECIDED
    assert f"sluggish:{slowest}" in score.reasons
    assert f"sluggish:{slowest}" in score.figures["doubtful"]
    assert score_recording(recording, changed(return_s=0.9 * measured[slowest])).verdict is Verdict.FAIL


def test_fail_goes_before_undecided_and_invalid_before_all() -> None:
    made = simulate(replace(Scene(), order=("x+", "x-", "y+") * 12, peak_counts={"x+": 28.0}), 1, with_truth=False)
    score = score_recording(made.recording, SPEC)
    assert score.verdict is Verdict.FAIL
    assert score.reasons == ("snapback:x+", "missing-group:y-")
    score = score_recording(replace(made.recording, distrust=("The clock is off by 3 %.",)), SPEC)
    assert score.verdict is Verdict.INVALID
    assert score.reasons == ("bad-recording",)
    assert score.figures["explanation"] == ["The clock is off by 3 %."]
    assert score.groups == {}


@pytest.mark.parametrize("n", [0, 1, 15, 16, 100, 1599])
def test_short_recordings_are_invalid(n: int) -> None:
    score = score_recording(Recording(8000.0, np.full(n, 1.65), np.full(n, 1.65), 3.3), SPEC)
    assert (score.verdict, score.reasons) == (Verdict.INVALID, ("bad-recording",))
    json.dumps(score_document(score, SPEC), allow_nan=False)


def test_a_peak_at_the_zone_is_not_beyond() -> None:
    recording = good(np.random.default_rng(4))
    largest = max(one["peak_counts"]["max"] for one in score_recording(recording, SPEC).groups.values())
    at = specification_from(SPEC.model_dump(mode="json") | {"host": SPEC.host.model_dump() | {"neutral_zone_counts": largest}})
    assert sum(one["over_zone"] for one in score_recording(recording, at).groups.values()) == 0
    below = math.nextafter(largest, 0.0)
    at = specification_from(SPEC.model_dump(mode="json") | {"host": SPEC.host.model_dump() | {"neutral_zone_counts": below}})
    assert sum(one["over_zone"] for one in score_recording(recording, at).groups.values()) == 1


def test_flicks_after_the_decision_are_reported_not_used() -> None:
    """Ten quiet flicks accept through the gate; two big ones afterwards change nothing but are flagged."""
    order = ("x+",) * 30
    small = simulate(Scene(order=order, peak_counts={"x+": 8.0}, peak_sd_counts=0.3), 7, with_truth=False)
    large = simulate(Scene(order=order, peak_counts={"x+": 30.0}, peak_sd_counts=0.3), 7, with_truth=False)
    late = round((small.push_s[28] - 0.01) * 8000)
    x_v = np.concatenate([small.recording.x_v[:late], large.recording.x_v[late:]])
    score = score_recording(replace(small.recording, x_v=x_v), SPEC)
    group = score.groups["x+"]
    assert group["verdict"] == "pass"
    assert group["flicks"] == 30
    assert group["flicks_used"] < 20
    assert group["late_exceedances"] == 2
    assert [k for k, words in enumerate(score.flicks.flags) if "late-exceedance" in words] == [28, 29]


def test_the_mode_of_a_group_can_be_overridden() -> None:
    score = score_recording(good(np.random.default_rng(5)), SPEC, modes={"x+": "count", "y-": "count"})
    assert score.verdict is Verdict.UNDECIDED
    assert [one["decision"]["mode"] for one in score.groups.values()] == ["count", "guarded", "guarded", "count"]
    assert [one["verdict"] for one in score.groups.values()] == ["undecided", "pass", "pass", "undecided"]


def test_warm_up_flicks_before_the_first_order_are_not_counted() -> None:
    made = simulate(Scene(order=GROUPS * 13, peak_counts=dict.fromkeys(GROUPS, 8.0), peak_sd_counts=0.3), 2, with_truth=False)
    recording = made.commanded()
    assert recording.commanded is not None
    score = score_recording(replace(recording, commanded=recording.commanded[4:]), SPEC)
    assert [one["flicks"] for one in score.groups.values()] == [12] * 4
    assert score.verdict is Verdict.PASS


def test_axes_wired_together_fail_in_a_run() -> None:
    """Each order is answered by both axes."""
    made = simulate(Scene(order=("x+", "x-") * 12, diagonal=True), 3, with_truth=False)
    score = score_recording(made.commanded(), SPEC)
    assert score.verdict is Verdict.FAIL
    assert "cross-axis:x+" in score.reasons


def document(score: Score) -> dict[str, object]:
    return json.loads(json.dumps(score_document(score, SPEC), allow_nan=False))  # type: ignore[no-any-return]


def test_the_document_has_the_fields_others_rely_on() -> None:
    shown = document(score_recording(simulate(Scene(peak_counts={"x+": 23.5}), 1, with_truth=False).recording, SPEC))
    assert shown["format"] == "restpoint-score/1"
    assert shown["spec"] == "dunlin-2 A"
    assert shown["verdict"] == "fail"
    assert shown["reasons"] == ["snapback:x+"]
    assert set(shown["rest_counts"]) == set(shown["noise_counts"]) == {"x", "y"}  # type: ignore[call-overload]
    group = shown["groups"]["x+"]  # type: ignore[index]
    asked = "verdict flicks flicks_used peak_counts misread_probability return_s settle_s reach_counts added_lag_s"
    assert set(asked.split()) <= set(group)
    assert set(group["peak_counts"]) == {"mean", "sd", "max", "u"}
    assert set(group["misread_probability"]) == {"mean", "upper"}
    asked = (
        "group t_release_s reach_counts peak_counts over_zone_s misread_probability return_s settle_s rings "
        "rest_shift_counts cross_axis_counts flags"
    )
    flicks = shown["flicks"]
    assert isinstance(flicks, list)
    assert len(flicks) == 40
    assert set(asked.split()) <= set(flicks[0])
    assert isinstance(flicks[0]["rings"], int)
    assert flicks[0]["flags"] == []


def test_unknown_figures_are_null() -> None:
    made = simulate(Scene(order=GROUPS * 2), 3, with_truth=False)
    last = round((made.release_s[-1] + 0.005) * 8000)
    shown = document(score_recording(replace(made.recording, x_v=made.recording.x_v[:last], y_v=made.recording.y_v[:last]), SPEC))
    flicks = shown["flicks"]
    assert isinstance(flicks, list)
    assert flicks[-1]["peak_counts"] is None


def test_slow_sampling_is_noted() -> None:
    score = score_recording(simulate(Scene(rate_hz=2000.0), 1, with_truth=False).recording, SPEC)
    assert any("4 kS/s" in note for note in score.figures["notes"])


def test_upper_bound_of_the_misread_probability() -> None:
    """One-sided 95 % Student bound: t(0.95, 3) = 2.3534 (table value, from memory)."""
    values = np.array([0.1, 0.2, 0.3, 0.2])
    assert upper_bound(values) == pytest.approx(0.2 + 2.3534 * np.std(values, ddof=1) / 2, abs=1e-4)
    assert upper_bound(values[:1]) is None
    assert upper_bound(np.ones(5)) == 1.0


def test_reasons_are_listed_once_causes_first() -> None:
    assert listed(["sluggish:x+", "snapback:y-", "snapback:x+", "stuck-low:y", "snapback:x+"]) == (
        "stuck-low:y",
        "snapback:x+",
        "snapback:y-",
        "sluggish:x+",
    )
