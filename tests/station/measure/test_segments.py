"""No flick missed, none invented."""

from dataclasses import replace

import numpy as np
import pytest

from station.measure.baseline import baseline_of
from station.measure.flicks import measure_flicks, search
from station.quantities import GROUPS
from tests.campaign_accuracy import demo_specification
from tests.station.measure.analytic import measured, released, second_order
from tests.truth import Scene, simulate

SPEC = demo_specification()


def seen(scene: Scene, seed: int = 0) -> list[str]:
    recording = simulate(scene, seed, with_truth=False).recording
    return [GROUPS[int(g)] for g in measure_flicks(recording, baseline_of(recording, SPEC), SPEC).group]


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"rate_hz": 1000.0, "bits": 10, "noise_v": 0.004},
        {"rate_hz": 2000.0},
        {"rate_hz": 48_000.0, "bits": 16},
        {"rate_hz": 100_000.0, "bits": 8},
        {"bits": 8, "noise_v": 0.0},
        {"bits": 0, "noise_v": 0.0},
        {"noise_v": 0.02},
        {"hold_s": 0.034, "interval_s": 0.12},
        {"hold_s": 0.5, "interval_s": 0.8},
        {"push_s": 0.08, "interval_s": 0.3},
        {"push_s": 0.002},
        {"lead_s": 0.2},
        {"interval_s": 2.0},
        {"peak_counts": dict.fromkeys(GROUPS, 45.0), "ring_hz": 40.0},
        {"peak_counts": dict.fromkeys(GROUPS, 45.0), "ring_hz": 90.0},
        {"coupling": 0.4},
        {"supply_v": 5.0, "reference_v": 5.0},
    ],
    ids=str,
)
def test_every_flick_once(changes: dict[str, object]) -> None:
    order = GROUPS[::-1] * 3 + ("x+",) * 3 + ("y-", "x+", "y-")
    scene = replace(Scene(order=order), **changes)  # type: ignore[arg-type]
    assert seen(scene) == list(order)


def test_a_swing_above_half_of_the_reach_is_no_flick() -> None:
    """Overshoot of 60 % swings to 46 counts on the far side and back to 28: not held, so not counted."""
    table = measured(released(second_order(0.16, 2 * np.pi * 40), free_s=0.5))
    assert len(table) == 1
    assert table.columns["peak_counts"][0] > 0.5 * SPEC.stick.reach_counts


@pytest.mark.parametrize(("hold_s", "expected"), [(0.015, 0), (0.024, 0), (0.034, 8)])
def test_a_push_counts_from_thirty_milliseconds(hold_s: float, expected: int) -> None:
    assert len(seen(Scene(order=GROUPS * 2, push_s=0.006, hold_s=hold_s))) == expected


def test_diagonal_holds_count_in_both_groups_and_are_flagged() -> None:
    recording = simulate(Scene(order=("x+", "x-") * 3, diagonal=True), 1, with_truth=False).recording
    table = measure_flicks(recording, baseline_of(recording, SPEC), SPEC)
    assert sorted(GROUPS[int(g)] for g in table.group) == sorted(["x+", "x-", "y+", "y-"] * 3)
    assert all("diagonal" in words for words in table.flags)


def test_free_interval_ends_where_the_next_push_leaves_its_band() -> None:
    scene = Scene(order=("x+", "y+", "y+", "x-"), rate_hz=8000.0, noise_v=0.001, push_s=0.02)
    made = simulate(scene, 2, with_truth=False)
    recording = made.recording
    free_s = search(recording, baseline_of(recording, SPEC), SPEC).flicks.free_end / scene.rate_hz
    leaves = made.push_s[1:] + np.arccos(1 - 2 * 4.0 / 77.0) / np.pi * scene.push_s
    assert np.all(free_s[:3] <= leaves)
    assert np.all(free_s[:3] >= leaves - 0.004)
    assert free_s[3] == pytest.approx(len(recording.x_v) / scene.rate_hz)


def test_a_flick_cut_short_has_no_peak() -> None:
    """The recording ends 5 ms after the last release: nothing is said of its far side, unless it has been seen beyond the zone."""
    made = simulate(Scene(order=GROUPS * 2), 3, with_truth=False)
    last = round((made.release_s[-1] + 0.005) * 8000)
    recording = replace(made.recording, x_v=made.recording.x_v[:last], y_v=made.recording.y_v[:last])
    table = measure_flicks(recording, baseline_of(recording, SPEC), SPEC)
    assert len(table) == 8
    assert np.isnan(table.columns["peak_counts"][-1])
    assert "cut-short" in table.flags[-1]
    assert not np.isnan(table.columns["peak_counts"][:-1]).any()
