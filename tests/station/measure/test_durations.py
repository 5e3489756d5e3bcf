"""Transition durations, settling and overshoot of waveforms in closed form."""

import math

import numpy as np
import pytest

from tests.station.measure.analytic import REACH_COUNTS, RELEASE_S, Array, entry, measured, released, second_order
from tests.truth import filtered


@pytest.mark.parametrize("fall_s", [0.003, 0.008, 0.02])
def test_trapezoid(fall_s: float) -> None:
    """IEC 60469:2013: 90 % to 10 % of a straight transition is 0.8 of it, and begins 0.1 of it after its corner."""
    table = measured(released(lambda t: np.maximum(1 - t / fall_s, 0.0)))
    assert table.columns["return_s"][0] == pytest.approx(0.8 * fall_s, rel=2e-3)
    assert table.columns["t_release_s"][0] == pytest.approx(RELEASE_S + 0.1 * fall_s, abs=3e-6)
    assert table.columns["peak_counts"][0] < 0.4  # the corner at rest, which no stick makes, is rounded by half a percent


@pytest.mark.parametrize("rate_hz", [8000.0, 24_000.0])
def test_exponential(rate_hz: float) -> None:
    """A first-order fall takes ln 9 = 2.197 time constants from 90 % to 10 % (closed form; IEC 60469 reference levels)."""
    tau = 0.002
    expected = entry("step_response.json", "transition_duration_exponential")["expected"]
    table = measured(released(lambda t: np.exp(-t / tau), rate_hz))
    assert table.columns["return_s"][0] == pytest.approx(expected["t_10_90"] * tau, rel=0.01)
    assert table.columns["rings"][0] == 0


def test_rc_node() -> None:
    """A step through R and C: 2.197 RC at the sampled node (closed form, reference entry rc_basics)."""
    rc = (
        entry("rc_lowpass.json", "rc_basics")
        if _has("rc_basics")
        else {"inputs": {"R": 2500.0, "C": 2.2e-07}, "expected": {"tau": 0.00055}}
    )
    tau = 4 * rc["expected"]["tau"]
    rate = 16_000.0
    recording = released(lambda t: np.exp(-t / tau), rate)
    assert measured(recording).columns["return_s"][0] == pytest.approx(math.log(9) * tau, rel=0.01)


def _has(name: str) -> bool:
    try:
        entry("rc_lowpass.json", name)
    except StopIteration:
        return False
    return True


@pytest.mark.parametrize(("k", "zeta"), list(enumerate([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7])))
def test_second_order_rise_times(k: int, zeta: float) -> None:
    """Normalised 10 % to 90 % times of second-order systems (table seen in class notes, Nise; recomputed by root finding)."""
    expected = entry("step_response.json", "normalised_rise_time_10_90")["expected"]["rise"][k]
    wn = 2 * math.pi * 60
    table = measured(released(second_order(zeta, wn), free_s=0.6))
    assert table.columns["return_s"][0] == pytest.approx(expected / wn, rel=4e-3)


@pytest.mark.parametrize(("k", "zeta"), list(enumerate([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])))
def test_second_order_overshoot(k: int, zeta: float) -> None:
    """Overshoot exp(-pi zeta / sqrt(1 - zeta^2)) (Ogata, Nise; closed form)."""
    expected = entry("step_response.json", "overshoot_vs_damping")["expected"]["percent"][k] / 100
    assert expected == pytest.approx(math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2)), rel=1e-9)
    table = measured(released(second_order(zeta, 2 * math.pi * 60), free_s=0.6))
    assert table.columns["peak_counts"][0] == pytest.approx(REACH_COUNTS * expected, abs=0.06)


def test_second_order_settling() -> None:
    """Last entry into the 5 % band for zeta 0.5: 5.28909 / wn after the step (root finding on the closed form)."""
    expected = entry("step_response.json", "settling_zeta_0.5")["expected"]["exact"][1]
    wn = 2 * math.pi * 50
    band = 4.0 / REACH_COUNTS  # the specification's settle band as a share of the reach
    t = np.arange(0, 0.1, 1e-6)
    outside = np.flatnonzero(np.abs(second_order(0.5, wn)(t)) > band)
    assert band == pytest.approx(0.05, abs=0.002)
    table = measured(released(second_order(0.5, wn)))
    settled = table.columns["t_release_s"][0] + table.columns["settle_s"][0] - RELEASE_S
    assert settled == pytest.approx(t[outside[-1]], abs=2e-5)
    assert settled == pytest.approx(expected / wn, rel=0.02)


def test_dry_friction() -> None:
    """Each half cycle loses twice friction / stiffness and the motion stops off centre (standard vibration texts)."""
    data = entry("step_response.json", "coulomb_friction_return")
    peaks = [p / 10.0 for p in data["expected"]["successive_peaks"]]
    half = 0.008

    def response(t: Array) -> Array:
        n = np.minimum((t / half).astype(int), len(peaks) - 2)
        inside = np.minimum(t / half - n, 1.0)
        a, b = np.asarray(peaks)[n], np.asarray(peaks)[n + 1]
        return np.asarray(0.5 * (a + b) + 0.5 * (a - b) * np.cos(np.pi * inside))

    table = measured(released(response))
    assert table.columns["peak_counts"][0] == pytest.approx(-REACH_COUNTS * peaks[1], abs=0.6)  # the turn has a kink in its curvature
    assert table.columns["rest_shift_counts"][0] == pytest.approx(REACH_COUNTS * peaks[-1], abs=0.01)


def test_added_lag_of_a_known_capacitor() -> None:
    """The lag put in by integrating the circuit is the lag found, within 0.05 ms."""
    from station.measure.baseline import baseline_of
    from station.measure.flicks import measure_flicks
    from station.records import Fitted, Recording
    from tests.campaign_accuracy import demo_specification

    rate, farads = 8000.0, 4.7e-7
    fine = released(second_order(0.45, 2 * math.pi * 60), rate * 8)
    node = filtered(fine.x_v, rate * 8, farads, 3.3, 10_000.0, 0.0)
    lag = _half_crossing(node, rate * 8) - _half_crossing(fine.x_v, rate * 8)
    spec = demo_specification()
    recording = Recording(rate, node[::8].copy(), fine.y_v[::8].copy(), 3.3)
    table = measure_flicks(recording, baseline_of(recording, spec), spec, Fitted(farads, 0.0))
    assert lag > 0.0009
    assert table.columns["added_lag_s"][0] == pytest.approx(lag, abs=5e-5)


def _half_crossing(volts: Array, rate: float) -> float:
    d = (volts - volts[0]) / volts[0]
    level = 0.5 * REACH_COUNTS / 128.0
    k = int(np.flatnonzero(d > level)[-1])
    return float((k + (d[k] - level) / (d[k] - d[k + 1])) / rate)
