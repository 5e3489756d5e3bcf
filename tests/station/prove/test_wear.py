"""Wear of a rig from its health: each ill of the emulated rig's laws named, in how many runs, false alarms, forecasts, and words."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from rigs.emulated.laws import ServoLaw
from rigs.emulated.settings import FingerShape, FlickTiming
from station.errors import UsageError
from station.proof import HEALTH, Deviation, HealthRow, ReferenceValue
from station.prove.wear import HealthLimit, wear
from station.prove.wear_causes import PATTERNS, SPEAKS, common_scale

BEGAN = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)
STEP = timedelta(minutes=6)
NEW, SHAPE, TIMING = ServoLaw(), FingerShape(), FlickTiming()
FLICKS = 48

Ageing = Callable[[float], ServoLaw]


def run_figures(law: ServoLaw, rng: np.random.Generator) -> dict[str, float]:
    """Health of one run of 48 flicks, by what the emulated servo does: angles over speed, latency, and their jitter."""
    lies = rng.uniform(-1.0, 1.0, FLICKS) * law.clamp_play_deg
    late = law.latency_s + law.latency_jitter_s * rng.standard_normal((2, FLICKS))
    slip = law.release_jitter_deg * rng.standard_normal(FLICKS)
    half = law.backlash_deg / 2
    push = late[0] + (SHAPE.touch_deg + law.wear_deg + lies + half) / law.slew_deg_s
    release = TIMING.push_s + 0.06 + late[1] + (SHAPE.release_deg - law.wear_deg + lies + half + slip - SHAPE.hold_deg) / law.slew_deg_s
    return {
        "push_latency_s": float(np.median(push)),
        "push_jitter_s": float(push.std(ddof=4)),
        "push_s": 0.8 * (SHAPE.gate_deg - SHAPE.touch_deg) / law.slew_deg_s + 2e-5 * float(rng.standard_normal()),
        "release_s": float(np.median(release)),
        "release_jitter_s": float(release.std(ddof=4)),
        "release_speed_share_s": 260.0 + 12.0 * float(rng.standard_normal()),
        "noise_x_counts": 0.12 + 0.003 * float(rng.standard_normal()),
        "noise_y_counts": 0.12 + 0.003 * float(rng.standard_normal()),
    }


def history(runs: int, ageing: Ageing, seed: int = 1) -> list[HealthRow]:
    """One run every six minutes; ageing: the law after a share of 200 runs."""
    rng = np.random.default_rng(seed)
    return [HealthRow(2 * number + 7, BEGAN + number * STEP, run_figures(ageing(number / 200.0), rng)) for number in range(runs)]


def now_of(rows: list[HealthRow]) -> datetime:
    return rows[-1].at


AGEINGS: dict[str, Ageing] = {
    "worn-finger": lambda age: replace(NEW, wear_deg=0.5 * age),
    "slow-servo": lambda age: replace(NEW, slew_deg_s=1200.0 * (1.0 - 0.10 * age)),
    "late-servo": lambda age: replace(NEW, latency_s=0.006 + 0.0005 * age),
    "loose-clamp": lambda age: replace(NEW, clamp_play_deg=0.6 * age),
    "uneven-release": lambda age: replace(NEW, release_jitter_deg=0.1 + 0.3 * age),
}


@pytest.mark.parametrize("name", AGEINGS)
def test_each_ill_is_named_and_no_other(name: str) -> None:
    """After 200 runs of slow ageing, ten histories each: the ill's name stands first, always."""
    for seed in range(10):
        rows = history(200, AGEINGS[name], seed)
        found = wear(rows, {}, now_of(rows))
        assert [cause["name"] for cause in found["causes"]][:1] == [name], (seed, found["causes"])
        assert "What to do:" in found["causes"][0]["sentence"]


@pytest.mark.parametrize(
    ("name", "runs"), [("worn-finger", 80), ("slow-servo", 60), ("late-servo", 80), ("loose-clamp", 120), ("uneven-release", 120)]
)
def test_it_is_found_within_so_many_runs(name: str, runs: int) -> None:
    """At least nine of ten histories name the ill after this many runs of the ageing above."""
    found = [wear(rows, {}, now_of(rows))["causes"] for rows in (history(runs, AGEINGS[name], seed) for seed in range(10))]
    assert sum(any(cause["name"] == name for cause in causes) for causes in found) >= 9


def test_a_rig_that_does_not_age_raises_hardly_an_alarm() -> None:
    """600 histories of 60 runs, all eight figures: 1 % stated; at most 15 alarms (binomial 0.999 point of 0.01)."""
    alarms = 0
    for seed in range(600):
        rows = history(60, lambda age: NEW, 1_000 + seed)
        found = wear(rows, {}, now_of(rows))
        alarms += any(figure["sign"] for figure in found["figures"].values())
    assert alarms <= 15


def test_the_forecast_meets_the_truth() -> None:
    """Latency rises by 2.5 us a run from 14.5 ms; a limit 1 ms higher is met at run 400. 200 histories of 150 runs: 95 % hold it."""
    start = NEW.latency_s + (SHAPE.touch_deg + NEW.backlash_deg / 2) / NEW.slew_deg_s
    held = []
    for seed in range(200):
        rows = history(150, AGEINGS["late-servo"], seed)
        figure = wear(rows, {"push_latency_s": HealthLimit(high=start + 0.001)}, now_of(rows))["figures"]["push_latency_s"]
        assert figure["standing"] == "approaching"
        held.append(figure["forecast"]["runs_low"] <= 400.0 - 149.0 <= figure["forecast"]["runs_high"])
    assert 0.90 <= float(np.mean(held)) <= 0.99


def test_dates_follow_the_pace() -> None:
    rows = history(150, AGEINGS["late-servo"])
    limits = {"push_latency_s": HealthLimit(high=0.0154)}
    found = wear(rows, limits, now_of(rows))
    assert found["runs_per_day"] == pytest.approx(240.0)
    forecast = found["figures"]["push_latency_s"]["forecast"]
    expected = now_of(rows) + timedelta(days=forecast["runs"] / 240.0)
    assert abs(datetime.fromisoformat(forecast["at"]) - expected) < timedelta(seconds=2)
    assert forecast["at_low"] < forecast["at"] < forecast["at_high"]
    assert forecast["at"].endswith("Z")
    sentence = found["figures"]["push_latency_s"]["sentence"]
    assert "rises by 2.5 ms in 1000 runs" in sentence or "rises by 2." in sentence
    assert "the limit 15.4 ms will be met in about" in sentence
    assert forecast["at"][:10] in sentence
    json.dumps(found, allow_nan=False)


def test_limits_decide_the_standing() -> None:
    rows = history(150, AGEINGS["late-servo"])

    def standing(limit: HealthLimit) -> tuple[str, bool]:
        figure = wear(rows, {"push_latency_s": limit}, now_of(rows))["figures"]["push_latency_s"]
        return figure["standing"], figure["forecast"] is not None

    assert standing(HealthLimit()) == ("trend", False)
    assert standing(HealthLimit(low=0.010)) == ("trend", False)  # it goes the other way
    assert standing(HealthLimit(high=0.0146)) == ("beyond", False)
    assert standing(HealthLimit(high=0.0160)) == ("approaching", True)
    far = wear(rows, {"push_latency_s": HealthLimit(high=0.030)}, now_of(rows))["figures"]["push_latency_s"]
    assert far["forecast"]["runs"] is None
    assert far["forecast"]["at"] is None
    assert "not before 1490 more runs" in far["sentence"]
    steady = wear(rows, {"push_s": HealthLimit(high=0.001)}, now_of(rows))["figures"]["push_s"]
    assert steady["standing"] == "beyond"
    assert "beyond its limit" in steady["sentence"]


def test_little_or_nothing_known() -> None:
    empty = wear([], {}, BEGAN)
    assert empty["runs"] == 0
    assert empty["causes"] == []
    assert set(empty["figures"]) == set(HEALTH)
    rows = [HealthRow(one.run_number, one.at, {**one.figures, "push_s": math.nan}) for one in history(40, AGEINGS["late-servo"])]
    figure = wear(rows, {}, now_of(rows))["figures"]["push_s"]
    assert (figure["standing"], figure["count"], figure["level"]) == ("too-few", 0, None)
    assert "0 runs tell it; expected at least 30" in figure["sentence"]
    still = [replace(one, figures={**one.figures, "push_s": 0.017}) for one in rows]
    assert "the same value" in wear(still, {}, now_of(rows))["figures"]["push_s"]["sentence"]
    json.dumps(wear(rows, {}, now_of(rows)), allow_nan=False)


def test_a_drifting_supply_reading_speaks_of_the_sampler() -> None:
    rows = [
        replace(one, figures={**one.figures, "supply_v": 3.302 + 2e-5 * i + 2e-4 * math.sin(i)})
        for i, one in enumerate(history(100, lambda age: NEW))
    ]
    found = wear(rows, {}, now_of(rows))
    assert "drifting-sampler" in [cause["name"] for cause in found["causes"]]
    assert "reference of the sampler" in found["figures"]["supply_v"]["speaks_of"]


def test_every_figure_speaks_of_a_part_and_every_pattern_of_figures() -> None:
    assert set(SPEAKS) == {*HEALTH, "supply_v"}
    for pattern in PATTERNS:
        assert {*pattern.signs, *pattern.without} <= set(SPEAKS)


def deviations(factor: float, spread: float = 0.002, seed: int = 1) -> list[Deviation]:
    rng = np.random.default_rng(seed)
    found = [
        Deviation("main", place, "reach_counts", 77.0 * factor * (1.0 + spread * rng.standard_normal()), ReferenceValue(77.0, 0.8))
        for place in ("x+", "x-", "y+", "y-")
    ]
    found += [
        Deviation("main", place, "peak_counts", 20.0 * factor * (1.0 + spread * rng.standard_normal()), ReferenceValue(20.0, 0.6))
        for place in ("x+", "x-")
    ]
    return [
        *found,
        Deviation("main", "x", "noise_counts", 0.3, ReferenceValue(0.3, 0.2)),
        Deviation("main", "x+", "return_s", 0.004, ReferenceValue(0.004, 1e-4)),
    ]


def test_reference_figures_that_scale_together() -> None:
    found = common_scale(deviations(1.02))
    assert found is not None
    assert found.factor == pytest.approx(1.02, abs=3.0 * found.u)
    assert "all too large by 2" in found.sentence
    assert "not the unit" in found.sentence
    assert common_scale(deviations(1.0)) is None
    assert common_scale(deviations(1.02)[:3]) is None
    one_side = deviations(1.0)
    one_side[0] = replace(one_side[0], measured=72.0)
    assert common_scale(one_side) is None
    false = [common_scale(deviations(1.0, 0.005, seed)) for seed in range(500)]
    assert sum(one is not None for one in false) <= 8


@pytest.mark.parametrize(("low", "high"), [(2.0, 1.0), (math.nan, None), (None, math.inf)])
def test_bounds_that_cannot_be(low: float | None, high: float | None) -> None:
    with pytest.raises(UsageError, match="health limits"):
        HealthLimit(low, high)
