"""What makes a recording untrustworthy, and what must not."""

from dataclasses import replace

import numpy as np
import pytest

from station.measure.baseline import baseline_of, quantum_of, robust_noise
from station.measure.flicks import search
from station.measure.trust import doubts, standing_level, still_length
from station.quantities import GROUPS
from station.records import Recording
from tests.campaign_accuracy import demo_specification
from tests.truth import Scene, simulate

SPEC = demo_specification()


def said(recording: Recording) -> list[str]:
    base = baseline_of(recording, SPEC)
    return doubts(recording, base, search(recording, base, SPEC))


@pytest.mark.parametrize(
    "changes",
    [
        {"bits": 8, "noise_v": 0.0},
        {"bits": 10, "noise_v": 0.0005},
        {"bits": 10, "noise_v": 0.0015, "reference_v": 5.0},
        {"bits": 0, "noise_v": 0.0, "push_s": 0.04},
        {"bits": 12, "noise_v": 0.004},
        {"shift_counts": {"x+": 1.5, "y-": -1.5}},
        {"lead_s": 0.2},
    ],
    ids=str,
)
def test_good_recordings_are_trusted(changes: dict[str, object]) -> None:
    """Also constant codes at rest, which are legal."""
    scene = replace(Scene(order=GROUPS * 4), **changes)  # type: ignore[arg-type]
    for seed in range(3):
        assert said(simulate(scene, seed, with_truth=False).recording) == []


def test_rest_and_noise_come_from_the_quiet_stretch() -> None:
    made = simulate(Scene(lead_s=0.21, push_s=0.05, noise_v=0.003, bits=14), 4, with_truth=False)
    base = baseline_of(made.recording, SPEC)
    assert base.quiet
    assert 0.18 * 8000 <= base.samples <= 0.23 * 8000
    assert base.rest_counts == pytest.approx((128.1, 127.6), abs=0.03)
    assert base.noise_v == pytest.approx((0.003, 0.003), rel=0.08)


def test_rest_covers_its_uncertainty() -> None:
    z = []
    for seed in range(60):
        base = baseline_of(simulate(Scene(order=("x+",), noise_v=0.003, bits=10), seed, with_truth=False).recording, SPEC)
        z += [(base.rest_counts[k] - (128.1, 127.6)[k]) / base.u_rest_counts[k] for k in (0, 1)]
    assert 0.88 <= np.mean(np.abs(z) <= 2) <= 1.0


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_the_step_of_an_unknown_sampler(bits: int) -> None:
    values = simulate(Scene(bits=bits, order=("x+",)), 1, with_truth=False).recording.x_v
    assert quantum_of(values) == pytest.approx(3.3 / 2**bits, rel=1e-6)
    assert quantum_of(np.random.default_rng(1).normal(size=3000)) == 0.0


def test_noise_does_not_see_spikes() -> None:
    values = np.random.default_rng(1).normal(0, 1.0, 4000)
    values[::100] += 500
    assert robust_noise(values) == pytest.approx(1.0, rel=0.1)


def test_runs_of_equal_samples() -> None:
    rng = np.random.default_rng(2)
    values = np.rint(rng.normal(0, 1.0, 600_000)) / 100 + 1.0
    length = still_length(0.01, 0.01)
    assert length is not None
    assert standing_level(values, length, 0.0, 3.0) is None
    for first in (10, 262_130, 599_900):
        frozen = values.copy()
        frozen[first : first + length] = 1.02
        assert standing_level(frozen, length, 0.0, 3.0) == 1.02
        frozen[first + length // 2] = 1.01
        assert standing_level(frozen, length, 0.0, 3.0) is None
    assert still_length(0.002, 0.01) is None


def test_sentences_name_the_reading_and_what_was_expected() -> None:
    made = simulate(Scene(order=GROUPS * 2), 1, with_truth=False)
    high = made.recording.x_v.copy()
    high[5000] = 3.6
    (sentence,) = said(replace(made.recording, x_v=high))
    assert "Axis x" in sentence
    assert "3.600 V" in sentence
    assert "expected" in sentence


def test_hum_of_a_coloured_rest_widens_the_uncertainty() -> None:
    made = simulate(Scene(order=("x+",), noise_v=0.002), 1, with_truth=False)
    hum = 0.006 * np.sin(2 * np.pi * 50 * np.arange(len(made.recording.x_v)) / 8000.0)
    white = baseline_of(made.recording, SPEC)
    coloured = baseline_of(replace(made.recording, x_v=made.recording.x_v + hum), SPEC)
    assert coloured.colour[0] > 3
    assert coloured.u_rest_v[0] > 5 * white.u_rest_v[0]
