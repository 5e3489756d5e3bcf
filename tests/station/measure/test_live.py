"""One flick at a time in a live run, and the whole recording afterwards: the same figures, at a cost that does not grow."""

import time

import numpy as np
import pytest

from station.measure.baseline import baseline_of
from station.measure.flicks import LIVE, measure_flicks
from station.quantities import GROUPS
from station.records import Recording
from tests.campaign_accuracy import demo_specification
from tests.truth import Scene, Simulated, simulate

SPEC = demo_specification()


def stretch(made: Simulated, flick: int) -> Recording:
    """Samples from just before a push to just before the next, as a run has them when the flick is over."""
    rate = made.scene.rate_hz
    first, last = (round((made.push_s[flick] + offset) * rate) for offset in (-0.003, made.scene.interval_s - 0.005))
    whole = made.recording
    return Recording(rate, whole.x_v[first:last], whole.y_v[first:last], whole.supply_v, whole.quantum_v)


@pytest.mark.parametrize("rate_hz", [4800.0, 10_000.0, 50_000.0])
def test_live_and_batch_give_the_same_bytes(rate_hz: float) -> None:
    made = simulate(Scene(rate_hz=rate_hz, order=GROUPS * 4, lead_s=0.35, peak_counts={"x+": 25.0}), 3, with_truth=False)
    lead = round(0.35 * rate_hz)
    whole = made.recording
    early = baseline_of(Recording(rate_hz, whole.x_v[:lead], whole.y_v[:lead], whole.supply_v, whole.quantum_v), SPEC)
    assert early == baseline_of(whole, SPEC)
    batch = measure_flicks(whole, early, SPEC)
    for flick in range(16):
        live = measure_flicks(stretch(made, flick), early, SPEC, metrics=LIVE)
        assert len(live) == 1
        assert live.group[0] == batch.group[flick]
        for name in ("reach_counts", "peak_counts", "over_zone_s", "return_s"):
            assert live.columns[name][0] == batch.columns[name][flick], name


def test_figures_do_not_depend_on_the_other_flicks() -> None:
    made = simulate(Scene(order=GROUPS * 3), 4, with_truth=False)
    base = baseline_of(made.recording, SPEC)
    before = measure_flicks(made.recording, base, SPEC)
    x_v = made.recording.x_v.copy()
    x_v[: round(0.45 * 8000)] = base.rest_v[0]  # the first flick is wiped out
    after = measure_flicks(Recording(8000.0, x_v, made.recording.y_v, 3.3, made.recording.quantum_v), base, SPEC)
    assert len(after) == len(before) - 1
    for name, column in before.columns.items():
        np.testing.assert_array_equal(column[1:], after.columns[name], err_msg=name)


def test_one_more_flick_costs_little() -> None:
    """Under 2 ms is asked; the bound here leaves room for a busy machine."""
    made = simulate(Scene(rate_hz=10_000.0, order=GROUPS * 2, interval_s=0.35), 5, with_truth=False)
    base = baseline_of(made.recording, SPEC)
    one = stretch(made, 3)
    costs = []
    for _ in range(15):
        start = time.perf_counter()
        measure_flicks(one, base, SPEC, metrics=LIVE)
        costs.append(time.perf_counter() - start)
    assert min(costs) < 0.004
