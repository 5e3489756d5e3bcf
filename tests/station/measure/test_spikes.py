"""Broken contacts: found, bridged, and never taken for anything the stick did."""

from dataclasses import replace

import numpy as np
import pytest

from station.measure.baseline import baseline_of
from station.measure.flicks import measure_flicks, search
from station.measure.spikes import bridged
from station.quantities import GROUPS
from station.records import Recording
from tests.campaign_accuracy import demo_specification
from tests.truth import Scene, Simulated, simulate

SPEC = demo_specification()


def broken(made: Simulated, first: int, samples: int, level_v: float) -> Recording:
    x_v = made.recording.x_v.copy()
    x_v[first : first + samples] = level_v
    return replace(made.recording, x_v=x_v)


@pytest.mark.parametrize("rate_hz", [4000.0, 8000.0, 24_000.0])
@pytest.mark.parametrize("samples", [1, 2, 3])
@pytest.mark.parametrize("after_s", [-0.03, 0.0015, 0.008, 0.02, 0.06])
def test_dropouts_are_found_and_leave_the_figures_alone(rate_hz: float, samples: int, after_s: float) -> None:
    made = simulate(Scene(rate_hz=rate_hz, order=GROUPS * 2), 5, with_truth=False)
    base = baseline_of(made.recording, SPEC)
    clean = measure_flicks(made.recording, base, SPEC)
    recording = broken(made, round((made.release_s[0] + after_s) * rate_hz), samples, 0.0)
    table = measure_flicks(recording, base, SPEC)
    assert "dropout" in table.flags[0]
    assert not any(table.flags[1:])
    assert table.columns["peak_counts"][0] == pytest.approx(clean.columns["peak_counts"][0], abs=0.25)
    assert table.columns["reach_counts"][0] == pytest.approx(clean.columns["reach_counts"][0], abs=0.05)
    assert table.columns["over_zone_s"][0] == 0.0


@pytest.mark.parametrize("rate_hz", [1000.0, 4000.0, 8000.0, 100_000.0])
def test_a_true_peak_is_no_dropout(rate_hz: float) -> None:
    made = simulate(Scene(rate_hz=rate_hz, ring_hz=90.0, peak_counts=dict.fromkeys(GROUPS, 45.0), order=GROUPS * 5, noise_v=0.004), 2)
    found = search(made.recording, baseline_of(made.recording, SPEC), SPEC)
    assert all(contact.clean for contact in found.contacts)


def test_a_contact_lost_for_milliseconds_is_bridged_and_its_flick_not_decided_on() -> None:
    made = simulate(Scene(order=GROUPS * 2), 5, with_truth=False)
    recording = broken(made, round((made.release_s[0] - 0.02) * 8000), 40, 0.0)
    table = measure_flicks(recording, baseline_of(recording, SPEC), SPEC)
    assert len(table) == 8
    assert "contact-loss" in table.flags[0]
    assert np.isnan(table.columns["peak_counts"][0])


def test_noise_alone_is_never_a_dropout() -> None:
    made = simulate(Scene(noise_v=0.03, order=GROUPS * 10), 6, with_truth=False)
    found = search(made.recording, baseline_of(made.recording, SPEC), SPEC)
    assert all(len(contact.dropouts) == 0 for contact in found.contacts)


def test_bridging_is_a_straight_line_in_a_copy() -> None:
    values = np.array([0.0, 1.0, 9.0, 9.0, 4.0, 5.0])
    assert bridged(values, np.array([[2, 2]])).tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert values[2] == 9.0
