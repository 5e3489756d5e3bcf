"""The pieces of the retest's check, against closed forms and scipy."""

import math

import numpy as np
import pytest
from scipy import stats

from station.axis.predict import Circuit, node_with
from station.judge.retest_evidence import Evidence, Measured
from station.judge.retest_figures import BACK, PEAK, RETURN, TO_BACK, TO_PEAK
from station.judge.retest_flicks import returns_of
from station.judge.retest_predict import Predictions, part_grid, predict
from station.judge.retest_stick import DAMPING_SPAN, NODES, RINGING_SPAN, changed_wipers, nodes, ringing_of
from station.judge.retest_weigh import AS_RECORDED, weigh
from station.records import Fitted
from station.specification import Specification
from tests.truth import Scene, damping_for, simulate

X = ("x+", "x-")
RING_HZ, PEAK_COUNTS, REACH = 70.0, 24.0, 77.0


def scene(**changes: object) -> Scene:
    given = {
        "order": X * 4,
        "peak_counts": dict.fromkeys(X, PEAK_COUNTS),
        "peak_sd_counts": 0.0,
        "ring_hz": RING_HZ,
        "noise_v": 0.0,
        "bits": 0,
    }
    return Scene(**{**given, **changes})  # type: ignore[arg-type]


def peak_with(decay_factor: float) -> float:
    """Overshoot reach * exp(-pi * decay / rate), with another decay at the same rate."""
    return REACH * math.exp(-decay_factor * math.log(REACH / PEAK_COUNTS))


def returns(dunlin: Specification, one: Scene, fitted: Fitted | None = None):  # type: ignore[no-untyped-def]
    return returns_of(simulate(one, 1, with_truth=False).recording, dunlin, fitted or Fitted())


@pytest.fixture(scope="module")
def predictions(dunlin: Specification) -> Predictions:
    return predict(returns(dunlin, scene()).axes["x"], Circuit(3.3, 10_000.0, 0.0), 3.3e-7, np.array([0, 1]))


def test_figures_are_those_of_a_damped_cosine(predictions: Predictions) -> None:
    """Closed form of free vibration: swings half a period apart, each smaller by exp(-pi * decay / rate)."""
    share = PEAK_COUNTS / REACH
    for row in predictions.as_before:
        assert row[PEAK] == pytest.approx(PEAK_COUNTS, abs=0.05)
        assert row[BACK] == pytest.approx(PEAK_COUNTS * share, abs=0.1)
        assert row[TO_BACK] == pytest.approx(0.5 / RING_HZ, abs=3e-5)
        zeta = float(damping_for(np.array(share)))
        t = np.linspace(0.0, 0.5 / RING_HZ, 20_001)
        rate, decay = 2 * math.pi * RING_HZ, zeta / math.sqrt(1 - zeta**2) * 2 * math.pi * RING_HZ
        d = np.exp(-decay * t) * (np.cos(rate * t) + decay / rate * np.sin(rate * t))
        high, low = np.interp([-0.9, -0.1], -d, t)
        assert row[RETURN] == pytest.approx(low - high, abs=2e-5)
        assert row[TO_PEAK] == pytest.approx(0.5 / RING_HZ - low, abs=3e-5)


@pytest.mark.parametrize("farads", [1e-7, 3.3e-7, 1e-6])
def test_every_part_is_predicted_as_it_would_be_measured(dunlin: Specification, predictions: Predictions, farads: float) -> None:
    """Against the integrator of the test's own circuit."""
    fitted = returns(dunlin, scene(capacitance_f=(farads, 0.0)), Fitted(farads))
    measured = predict(fitted.axes["x"], Circuit(3.3, 10_000.0, 0.0, farads), farads, np.array([0, 1])).as_before
    shares = np.log(predictions.parts_f[1:])
    for group in (0, 1):
        found = [float(np.interp(math.log(farads), shares, predictions.by_part[1:, group, k])) for k in range(5)]
        assert np.abs(np.array(found[:2]) - measured[group, :2]).max() < 0.15
        assert np.abs(np.array(found[2:]) - measured[group, 2:]).max() < 5e-5


def test_track_and_part_act_together(predictions: Predictions) -> None:
    """With no series resistance and no part before, only their product counts."""
    for group in (0, 1):
        assert predictions.recorded_track[group, PEAK] == pytest.approx(predictions.recorded_part[group, PEAK], rel=0.02)
        assert predictions.recorded_part[group, PEAK] < -1.0


def test_a_changed_stick_is_the_closed_form(dunlin: Specification) -> None:
    """Every node of damping and ringing, on the wiper, against a stick simulated so."""
    flicks = returns(dunlin, scene()).axes["x"][0]
    wiper = flicks.traces.own
    measured = predict((flicks,), Circuit(3.3, 1e4, 0.0), 0.0, np.array([0, 1]))
    bare = np.repeat(measured.as_before, 4, axis=0)
    ringing = ringing_of(bare, flicks.reach, np.repeat([0, 1], 4).astype(np.int8))
    assert ringing.rate == pytest.approx(2 * math.pi * RING_HZ, rel=0.01)
    assert ringing.decay == pytest.approx(2 * RING_HZ * math.log(REACH / PEAK_COUNTS), rel=0.01)
    traces = changed_wipers(wiper, flicks.traces, ringing)[:, :, : int(flicks.traces.end.min())]
    assert len(traces) == 1 + NODES * NODES
    for i, damping in enumerate(nodes(DAMPING_SPAN)):
        for j, faster in enumerate(nodes(RINGING_SPAN)):
            peak = float(-traces[1 + i * NODES + j].min(axis=1).mean())
            assert peak == pytest.approx(peak_with(math.exp(damping)), abs=0.35), (damping, faster)
    slow, fast = (float(np.argmin(traces[1 + 2 * NODES + j][0])) for j in (0, NODES - 1))
    released = np.argmax(traces[0][0] < 0.98 * REACH)
    assert (slow - released) / (fast - released) == pytest.approx(math.exp(2 * nodes(RINGING_SPAN)[-1]), rel=0.05)


def test_the_grid_of_parts_begins_with_none() -> None:
    grid = part_grid()
    assert grid[0] == 0.0
    ratio = grid[2:] / grid[1:-1]
    assert ratio == pytest.approx(ratio[0])


def test_the_node_behind_no_part_is_the_wiper() -> None:
    wiper = 1.65 + 0.5 * np.sin(np.linspace(0.0, 6.0, 60))[None]
    assert node_with(wiper, 8000.0, np.array([0.0]), Circuit(3.3, 1e4, 0.0))[0] == pytest.approx(wiper)


def test_the_likelihood_is_scipys_multivariate_t(predictions: Predictions) -> None:
    random = np.random.default_rng(5)
    deviations = random.standard_normal((20, 5)) * np.array([0.7, 0.4, 3e-5, 3e-5, 6e-5])
    measured = Measured(predictions.recorded + 0.2 * np.array([1.0, 0.5, 1e-5, 1e-5, 1e-5]), np.array([10, 10]), deviations)
    evidence = Evidence(predictions, measured, 0.05, 0.01)
    mean, scale = evidence.recorded(0.1 / math.sqrt(3.0))
    expected = stats.multivariate_t.logpdf(evidence.measured, loc=mean, shape=scale, df=evidence.freedom)  # type: ignore[arg-type]  # its law takes real numbers
    found = {one.finding: one for one in weigh(evidence, 0.0, 3.3e-7, (1e-7, 3.3e-7), 0.1).explanations}
    assert found[AS_RECORDED].log_likelihood == pytest.approx(float(expected), abs=1e-6)
    off = evidence.measured - mean
    distance = float(off @ np.linalg.solve(scale, off)) / len(off)
    assert found[AS_RECORDED].fit == pytest.approx(stats.f.sf(distance, len(off), evidence.freedom), abs=1e-9)


def test_wider_tolerances_and_fewer_flicks_widen_the_scale(predictions: Predictions) -> None:
    deviations = np.random.default_rng(5).standard_normal((40, 5)) * np.array([0.7, 0.4, 3e-5, 3e-5, 6e-5])
    many, few = (Evidence(predictions, Measured(predictions.recorded, np.array([n, n]), deviations), 0.05, 0.0) for n in (20, 2))
    assert np.all(few.u_figures(0.05)[:, PEAK] > many.u_figures(0.05)[:, PEAK])
    narrow, wide = (Evidence(predictions, Measured(predictions.recorded, np.array([20, 20]), deviations), u, 0.0) for u in (0.02, 0.12))
    grown = wide.u_figures(0.05)[:, PEAK] ** 2 - narrow.u_figures(0.05)[:, PEAK] ** 2
    assert grown == pytest.approx(predictions.recorded_track[:, PEAK] ** 2 * (0.12**2 - 0.02**2))
    assert narrow.u_mean_peak(0.05) == pytest.approx(wide.u_mean_peak(0.05))
