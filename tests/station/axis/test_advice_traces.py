"""Predicted traces for the pages."""

import json
from dataclasses import replace

import numpy as np
import pytest

from station.judge.advice import advise
from station.judge.advice_traces import POINTS, predicted_traces
from station.records import Fitted
from station.specification import Specification
from tests.truth import Scene, simulate


@pytest.mark.parametrize("rate_hz", [8_000.0, 100_000.0])
def test_the_farthest_flick_of_each_group_with_every_part(dunlin: Specification, rate_hz: float) -> None:
    scene = Scene(rate_hz=rate_hz, order=("x+", "x-", "y+") * 4, peak_counts={"x+": 24.0, "x-": 20.0}, ring_hz=80.0)
    recording = simulate(scene, 2, with_truth=False).recording
    shown = predicted_traces(recording, dunlin)
    json.dumps(shown, allow_nan=False)
    assert list(shown) == ["x+", "x-", "y+"]
    advice = advise(recording, dunlin)["axes"]["x"]["candidates"]
    for group in ("x+", "x-"):
        one = shown[group]
        assert len(one["t_s"]) == len(one["measured_counts"]) <= POINTS
        assert one["t_s"][0] == pytest.approx(-0.005, abs=0.001)
        at_release = float(np.interp(0.0, one["t_s"], one["measured_counts"]))
        assert at_release == pytest.approx(0.9 * 77.0, abs=1.0)
        for traced, figured in zip(one["candidates"], advice, strict=True):
            assert traced["capacitance_f"] == figured["capacitance_f"]
            assert -min(traced["counts"]) == pytest.approx(figured["groups"][group]["peak_counts"]["max"], abs=0.6)  # noise of one sample


def test_a_fitted_axis_shows_its_wiper_ahead_of_its_node(dunlin: Specification) -> None:
    scene = Scene(order=("y-",) * 3, capacitance_f=(0.0, 4.7e-7), peak_counts={"y-": 24.0})
    one = predicted_traces(simulate(scene, 3, with_truth=False).recording, dunlin, Fitted(0.0, 4.7e-7))["y-"]
    crossings = [float(np.interp(-0.5 * 77.0, -np.array(one[name]), one["t_s"])) for name in ("wiper_counts", "measured_counts")]
    assert crossings[1] - crossings[0] == pytest.approx(0.001, abs=0.0003)


def test_nothing_is_shown_of_a_recording_that_cannot_be_trusted(dunlin: Specification) -> None:
    recording = simulate(Scene(order=("x+",)), 1, with_truth=False).recording
    assert predicted_traces(replace(recording, distrust=("Samples are missing.",)), dunlin) == {}
