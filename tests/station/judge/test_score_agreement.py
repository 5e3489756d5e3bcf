"""The product's scorer and a second, plain one agree on random recordings; and the product's is much faster."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from station.judge.score import score_recording
from station.quantities import GROUPS
from tests.bench_scoring import measure_speed
from tests.campaign_accuracy import demo_specification
from tests.slow_scorer import slow_score
from tests.truth import Scene, simulate

SPEC = demo_specification()
# both see the same samples: they may differ by a fraction of the noise, mainly by where windows begin
CLOSE = {
    "t_release_s": 1e-4,
    "reach_counts": 0.1,
    "peak_counts": 0.2,
    "return_s": 1.5e-4,
    "rest_shift_counts": 0.1,
    "cross_axis_counts": 0.2,
}


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.sampled_from([4000.0, 5000.0, 8000.0, 10_000.0, 16_000.0]),
    st.floats(40, 90),
    st.floats(0.0008, 0.004),
    st.lists(st.floats(1, 45), min_size=4, max_size=4),
    st.permutations(list(GROUPS) * 2),
    st.floats(0, 12),
    st.integers(0, 10_000),
)
def test_two_scorers_agree(rate: float, ring: float, noise: float, peaks: list[float], order: list[str], bump: float, seed: int) -> None:
    scene = Scene(
        rate_hz=rate, ring_hz=ring, noise_v=noise, peak_counts=dict(zip(GROUPS, peaks, strict=True)), order=order, bump_counts=bump
    )
    recording = simulate(scene, seed, with_truth=False).recording
    score = score_recording(recording, SPEC)
    slow = slow_score(recording, SPEC)
    assert [GROUPS[int(g)] for g in score.flicks.group] == [one.group for one in slow]
    for name, close in CLOSE.items():
        plain = np.array([getattr(one, name) for one in slow])
        np.testing.assert_allclose(score.flicks.columns[name], plain, atol=close, err_msg=name)
    for name in ("over_zone_s", "misread_probability", "settle_s"):
        plain = np.array([getattr(one, name) for one in slow])
        close_by = 3 * score.flicks.columns[f"u_{name}"] + 0.0002
        assert np.all(np.abs(score.flicks.columns[name] - plain) <= close_by), name


def test_speed_beside_the_plain_scorer() -> None:
    """At least 12 times the plain loop and at most 30 times three bare passes are asked; one flick of a live run under 2 ms.

    The bounds here leave room for a busy machine; `python -m tests.bench_scoring` prints the figures.
    """
    speed = measure_speed(times=4)
    assert speed.times_faster > 12
    assert speed.times_bare_passes < 60
    assert speed.live_s < 0.006
