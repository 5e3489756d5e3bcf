"""The retest's findings on emulated sticks whose part, joint and damping are known."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rigs.emulated.characters import CHARACTERS
from rigs.emulated.units import StickProperties
from station.judge.advice import Track
from station.judge.retest import FORMAT, check_retest
from station.records import Fitted, Recording
from station.specification import Specification
from tests.station.judge.emulated_returns import damped, recorded, stick_of, with_parts

PART_F, WRONG_F = 4.7e-7, 1.0e-7
X = ("x+", "x-")
SEEDS = 5


def drawn(seed: int) -> tuple[StickProperties, float]:
    """A stick just beyond the zone, and what a part of 10 % tolerance may be in truth, as a share of its value."""
    random = np.random.default_rng(seed)
    return stick_of(random, random.uniform(23.6, 24.6), random.uniform(84.0, 90.0)), random.uniform(0.9, 1.1)


def checked(
    dunlin: Specification, stick: StickProperties, after: StickProperties, seed: int, before: int = 8, retest: int = 8, **named: Any
) -> dict[str, Any]:
    """The check of x. named: fitted_before, fitted_recorded, track."""
    first = recorded(stick, X * before, 2 * seed, 8000.0 if seed % 2 else 10_000.0)
    second = recorded(after, X * retest, 2 * seed + 1, 8000.0 if seed % 2 else 10_000.0)
    parts = {"fitted_before": Fitted(), "fitted_recorded": Fitted(PART_F), **named}
    document = check_retest(first, second, dunlin, **parts)
    axis: dict[str, Any] = document["axes"]["x"]
    return axis


def weights(axis: dict[str, Any]) -> dict[str, float]:
    return {one["finding"]: one["weight"] for one in axis["likelihoods"]}


@pytest.mark.parametrize("seed", range(SEEDS))
@pytest.mark.parametrize("truth", ["not-acting", "other-value", "as-recorded", "changed-stick"])
def test_each_truth_is_found(dunlin: Specification, truth: str, seed: int) -> None:
    """At least 95 % of cases are asked for: see campaign_retest beside this file for many more seeds."""
    stick, share = drawn(seed)
    acts = {"not-acting": 0.0, "other-value": WRONG_F * share}.get(truth, PART_F * share)
    damping = {"changed-stick": 1.25 if seed % 2 else 0.75}.get(truth, 1.0)
    axis = checked(dunlin, stick, with_parts(damped(stick, damping), acts), seed)
    assert axis["finding"] == truth
    assert weights(axis)[truth] >= 0.9
    if truth == "other-value":
        estimate = axis["estimate"]
        assert estimate["capacitance_f"] == pytest.approx(acts, rel=0.15)
        assert estimate["low_f"] < acts < estimate["high_f"]
        assert (estimate["nearest_stock_f"], estimate["nearest_stock_marking"]) == (1e-7, "104")
    if truth == "changed-stick":  # decay over ringing is zeta / sqrt(1 - zeta^2), the closed form of free vibration
        zeta = stick.x.damping_plus
        decay = damping * np.sqrt((1.0 - zeta**2) / (1.0 - (damping * zeta) ** 2))
        assert axis["stick_change"]["decay"]["factor"] == pytest.approx(decay, rel=0.05)
        assert axis["stick_change"]["ringing"]["factor"] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("before_f", "recorded_f", "acts_f", "finding", "said"),
    [
        (0.0, 0.0, 0.0, "as-recorded", "Nothing was recorded as changed on x, and it acts as before."),
        (0.0, 0.0, 4.7e-7, "other-value", "No part is recorded on x, but one acts"),
        (1e-7, 4.7e-7, 1e-7, "not-acting", "the earlier 0.1 uF acts alone"),
        (1e-7, 4.7e-7, 4.7e-7, "as-recorded", "acts as recorded: 0.47 uF"),
        (1e-7, 4.7e-7, 0.0, "not-acting", "as without any"),
        (4.7e-7, 0.0, 0.0, "as-recorded", "without a part"),
        (4.7e-7, 0.0, 4.7e-7, "not-acting", "recorded as removed, but 0.47 uF acts as before"),
        (4.7e-7, 4.7e-7, 4.7e-7, "as-recorded", "Nothing was recorded as changed on x"),
    ],
)
def test_whatever_was_fitted_before(
    dunlin: Specification, before_f: float, recorded_f: float, acts_f: float, finding: str, said: str
) -> None:
    stick = drawn(3)[0]
    axis = checked(
        dunlin,
        with_parts(stick, before_f),
        with_parts(stick, acts_f),
        4,
        before=10,
        retest=10,
        fitted_before=Fitted(before_f),
        fitted_recorded=Fitted(recorded_f),
    )
    assert axis["finding"] == finding
    assert said in axis["in_words"]
    assert ("not-acting" in weights(axis)) == (before_f > 0.0 or recorded_f > 0.0)


def test_a_known_track_tells_neighbouring_values_apart(dunlin: Specification) -> None:
    """Track and part act together: within +-20 % of track 0.33 and 0.47 uF cannot be told apart for sure, within 5 % they can."""
    stick = drawn(5)[0]
    stick = replace(stick, x=replace(stick.x, track_ohm=10_000.0))
    wide = checked(dunlin, stick, with_parts(stick, 3.3e-7), 6)
    narrow = checked(dunlin, stick, with_parts(stick, 3.3e-7), 6, track=Track(10_000.0, 0.05, "lot ML-2607"))
    assert weights(wide)["as-recorded"] > 10.0 * weights(narrow)["as-recorded"]
    assert wide["finding"] == "cannot-tell"
    assert narrow["finding"] == "other-value"
    assert narrow["estimate"]["nearest_stock_marking"] == "334"
    assert narrow["estimate"]["high_f"] / narrow["estimate"]["low_f"] < wide["estimate"]["high_f"] / wide["estimate"]["low_f"]


@pytest.mark.parametrize("seed", range(4))
def test_two_flicks_say_less(dunlin: Specification, seed: int) -> None:
    """A failing run may have two flicks a direction: weights are weaker, the interval wider, and both are said."""
    stick, share = drawn(seed)
    after = with_parts(stick, WRONG_F * share)
    few, many = checked(dunlin, stick, after, seed, 2, 2), checked(dunlin, stick, after, seed, 10, 10)
    assert few["few_flicks"]
    assert not many["few_flicks"]
    assert any("only 2 flicks" in one for one in few["further"])
    assert few["finding"] in ("other-value", "cannot-tell")
    ratio = {name: one["estimate"]["high_f"] / one["estimate"]["low_f"] for name, one in (("few", few), ("many", many))}
    assert ratio["few"] > 1.1 * ratio["many"]
    gap = {name: _log_odds(one) for name, one in (("few", few), ("many", many))}
    assert gap["few"] < gap["many"]


def _log_odds(axis: dict[str, Any]) -> float:
    known = {one["finding"]: one["log_likelihood"] for one in axis["likelihoods"]}
    return float(known["other-value"] - known["as-recorded"])


def test_what_no_explanation_fits_is_said(dunlin: Specification) -> None:
    """Another module: one direction swings far less, the other far more than any part or common change would make it."""
    stick = drawn(1)[0]
    odd = replace(stick, x=replace(stick.x, damping_plus=0.20, damping_minus=0.75, ring_hz=55.0, capacitance_f=PART_F))
    axis = checked(dunlin, stick, odd, 2, 12, 12)
    assert axis["finding"] == "unexplained"
    assert all(one["fit"] < 0.001 for one in axis["likelihoods"])
    assert "no explanation fits" in axis["in_words"]


def test_the_part_of_one_axis_on_the_pads_of_the_other(dunlin: Specification) -> None:
    stick, groups = drawn(2)[0], ("x+", "x-", "y+", "y-") * 8
    first, second = recorded(stick, groups, 1), recorded(with_parts(stick, y_f=PART_F), groups, 2)
    document = check_retest(first, second, dunlin, Fitted(), Fitted(PART_F))
    assert (document["axes"]["x"]["finding"], document["axes"]["y"]["finding"]) == ("not-acting", "other-value")
    assert document["wrong_pad"] == "The 0.47 uF recorded on x seems to sit on the pads of y."


def test_the_document(dunlin: Specification) -> None:
    """JSON-ready; only the axis that was flicked is spoken of; likelihoods add up; Bayes' rule holds between the figures shown."""
    stick = drawn(0)[0]
    first, second = recorded(stick, X * 8, 1), recorded(with_parts(stick, PART_F), X * 8, 2)
    document = check_retest(first, second, dunlin, Fitted(), Fitted(PART_F))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert (document["format"], document["spec"], document["wrong_pad"]) == (FORMAT, "dunlin-2 A", None)
    x, y = document["axes"]["x"], document["axes"]["y"]
    assert (y["finding"], y["likelihoods"], y["estimate"]) == ("not-measured", [], None)
    assert "no complete flick of y" in y["in_words"]
    shown = x["likelihoods"]
    assert sum(one["weight"] for one in shown) == pytest.approx(1.0)
    assert sum(one["prior"] for one in shown) == pytest.approx(1.0)
    assert [one["weight"] for one in shown] == sorted((one["weight"] for one in shown), reverse=True)
    odds = shown[0]["weight"] / shown[1]["weight"]
    by_rule = shown[0]["prior"] / shown[1]["prior"] * np.exp(shown[0]["log_likelihood"] - shown[1]["log_likelihood"])
    assert odds == pytest.approx(by_rule, rel=1e-6)
    for group in X:
        peak = x["figures"][group]["peak_counts"]
        assert peak["residual"] == pytest.approx(peak["measured"] - peak["predicted"])
        assert abs(peak["residual"]) < 3.0 * peak["u"]
    assert x["added_lag_s"]["measured"] == pytest.approx(x["added_lag_s"]["predicted"], rel=0.1)


def test_a_recording_that_cannot_be_trusted_says_nothing(dunlin: Specification) -> None:
    good: Recording = recorded(drawn(0)[0], X * 3, 1)
    document = check_retest(good, replace(good, distrust=("Samples are missing.",)), dunlin, Fitted(), Fitted(PART_F))
    assert {one["finding"] for one in document["axes"].values()} == {"not-measured"}
    assert "bad-recording" in document["axes"]["x"]["in_words"]


def test_directions_flicked_only_once_are_left_out(dunlin: Specification) -> None:
    stick = drawn(0)[0]
    first, second = recorded(stick, ("x+",) * 8 + ("x-",) * 8, 1), recorded(with_parts(stick, PART_F), ("x+",) * 8, 2)
    x = check_retest(first, second, dunlin, Fitted(), Fitted(PART_F))["axes"]["x"]
    assert list(x["figures"]) == ["x+"]
    assert any("one direction" in one for one in x["further"])
    assert x["finding"] == "as-recorded"
    other = check_retest(recorded(stick, ("x-",) * 4, 3), second, dunlin, Fitted(), Fitted(PART_F))["axes"]["x"]
    assert (other["finding"], other["in_words"]) == ("not-measured", "Nothing can be said of x: no direction was flicked both times.")


@pytest.mark.parametrize("character", sorted(CHARACTERS))
def test_every_kind_of_stick_gets_an_answer(dunlin: Specification, character: str) -> None:
    """Whatever the unit is like, each axis has a finding and a sentence, and all figures are numbers."""
    stick, groups = CHARACTERS[character](np.random.default_rng(7)), ("x+", "x-", "y+", "y-") * 2
    first = recorded(with_parts(stick), groups, 1)
    second = recorded(with_parts(stick, PART_F), groups, 2)
    document = check_retest(first, second, dunlin, Fitted(), Fitted(PART_F))
    json.dumps(document, allow_nan=False)
    for axis in document["axes"].values():
        assert axis["in_words"].endswith(".")
        assert axis["finding"] == "not-measured" or sum(one["weight"] for one in axis["likelihoods"]) == pytest.approx(1.0)
    if character == "dead-channel":
        assert document["axes"]["x"]["finding"] == "not-measured"


def test_long_runs_are_worked_in_batches(dunlin: Specification) -> None:
    """70 flicks a direction before and after, more than are worked on at once: the mean is that of all of them."""
    stick = drawn(0)[0]
    axis = checked(dunlin, stick, with_parts(stick, PART_F), 1, 70, 70)
    assert axis["finding"] == "as-recorded"
    assert {(one["flicks_before"], one["flicks_after"]) for one in axis["figures"].values()} == {(70, 70)}
    few = checked(dunlin, stick, with_parts(stick, PART_F), 1, 8, 8)
    for group in X:
        assert axis["figures"][group]["peak_counts"]["u"] < few["figures"][group]["peak_counts"]["u"]
