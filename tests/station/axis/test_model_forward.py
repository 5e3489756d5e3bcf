"""Forward model against closed forms, an adaptive integrator, and the cruder models it must beat."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from station.axis.model import node_from_wiper, source_resistance_ohm
from tests.station.axis.sticks import COUNT_V, SUPPLY_V, TRACK_OHM, Stick, adaptive, times

ENTRIES: dict[str, Any] = {
    entry["name"]: entry for entry in json.loads((Path(__file__).parents[2] / "data" / "rc_lowpass.json").read_text())["entries"]
}


def test_source_resistance_is_the_thevenin_value() -> None:
    """Source: Thevenin equivalent of a potentiometer wiper (rc_lowpass.json, derived)."""
    entry = ENTRIES["pot_source_resistance"]
    found = source_resistance_ohm(entry["inputs"]["a"], entry["inputs"]["R"], 0.0)
    assert found == pytest.approx(entry["expected"]["R_th"], rel=1e-9, abs=1e-9)
    assert source_resistance_ohm([-0.1, 1.1], 10_000.0, 47.0).tolist() == [47.0, 47.0]


def constant_tau(shape: np.ndarray, rate_hz: float, tau: float) -> np.ndarray:
    """Node of a low-pass of constant tau: a track so small that only the series resistor counts."""
    return node_from_wiper(shape, rate_hz, tau / 1000.0, 1.0, 1e-9, 1000.0, v0=0.0)


@pytest.mark.parametrize("rate_hz", [4_000.0, 100_000.0])
def test_ramp_response(rate_hz: float) -> None:
    """Source: closed form of the ramp response (rc_lowpass.json). A line between samples is exact at any rate."""
    entry = ENTRIES["ramp_response"]
    tau = entry["inputs"]["tau"]
    t = np.arange(round(0.002 * rate_hz) + 1) / rate_hz
    found = constant_tau(t, rate_hz, tau)
    expected = t - tau * (1.0 - np.exp(-t / tau))
    assert np.interp(entry["inputs"]["t"][-1], t, expected) == pytest.approx(entry["expected"]["v"][-1], rel=1e-9)
    assert found == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("rate_hz", "error"), [(4_000.0, 2e-4), (8_000.0, 2e-5), (100_000.0, 1e-8)])
def test_half_sine_response(rate_hz: float, error: float) -> None:
    """Source: closed form of the half-sine response (rc_lowpass.json); the pulse begins with a kink, so a rest precedes it."""
    entry = ENTRIES["half_sine_pulse_a"]
    width, tau = entry["inputs"]["width"], entry["inputs"]["tau"]
    t = np.arange(round(0.005 * rate_hz) + 1) / rate_hz
    found = constant_tau(np.sin(np.pi * t / width), rate_hz, tau)
    inside = [i for i, one in enumerate(entry["inputs"]["t"]) if one < width - 1e-9]
    at = np.round(np.array(entry["inputs"]["t"])[inside] * rate_hz).astype(int)
    assert found[at] == pytest.approx(np.array(entry["expected"]["v"])[inside], abs=error)


def test_released_wiper_with_series_resistor() -> None:
    """Source: constructed example, DOP853 rtol 1e-12 and Radau agreeing (rc_lowpass.json)."""
    entry = ENTRIES["pot_release_time_varying_R_a"]
    given = entry["inputs"]
    rate_hz = 8_000.0
    t = np.arange(round(0.04 * rate_hz) + 1) / rate_hz
    free = given["wn"] * np.sqrt(1.0 - given["zeta"] ** 2)
    wiper = 0.5 + given["A"] * np.exp(-given["zeta"] * given["wn"] * t) * np.cos(free * t)
    found = node_from_wiper(wiper, rate_hz, given["C"], 1.0, given["Rpot"], given["Rs"])
    at = np.round(np.array(given["t"]) * rate_hz).astype(int)
    assert found[at] == pytest.approx(np.array(entry["expected"]["v"]), abs=0.02 / 256)


def test_time_constant_that_grows_in_time() -> None:
    """Source: closed form 1 - (1 + beta t)**(-1/(beta tau0)) of a step through a growing tau (rc_lowpass.json).

    The wiper moves so that R*a*(1-a)*C is tau0*(1 + beta t); a capacitor charged to a million supplies hides the wiper's own movement.
    """
    entry = ENTRIES["time_varying_tau_closed_form"]
    tau0, beta = entry["inputs"]["tau0"], entry["inputs"]["beta"]
    rate_hz, farads = 4_000.0, 1e-7
    t = np.arange(5) / rate_hz
    tau = tau0 * (1.0 + beta * t)
    track = 4.5 * tau[-1] / farads
    wiper = 0.5 * (1.0 - np.sqrt(1.0 - 4.0 * tau / (farads * track)))
    found = node_from_wiper(wiper, rate_hz, farads, 1.0, track, 0.0, v0=wiper[0] + 1e6)
    assert 1.0 - (found[4] - wiper[4]) / 1e6 == pytest.approx(entry["expected"]["v"][0], abs=5e-5)


@pytest.mark.parametrize("farads", entry_farads := ENTRIES["opposite_peak_after_RC_a"]["inputs"]["C"])
def test_far_side_peak_after_the_filter(farads: float) -> None:
    """Source: closed form of a lag's answer to a decaying cosine, numerical minimum (rc_lowpass.json). Constant resistance as there."""
    entry = ENTRIES["opposite_peak_after_RC_a"]
    given = entry["inputs"]
    stick = Stick(given["wn"] / 2 / np.pi, given["zeta"], reach_counts=1.0, release_s=0.0)
    rate_hz = 8_000.0
    found = node_from_wiper(stick.deflection(times(rate_hz, 0.1)), rate_hz, farads, 1.0, 1e-9, given["R"])
    index = entry_farads.index(farads)
    assert -found.min() == pytest.approx(entry["expected"]["opposite_peak"][index], abs=2e-4)
    assert np.argmin(found) / rate_hz == pytest.approx(entry["expected"]["time_of_peak"][index], abs=1.01 / rate_hz)


@pytest.mark.parametrize("rate_hz", [4_000.0, 8_000.0, 100_000.0])
@pytest.mark.parametrize("farads", [1e-9, 1e-7, 3.3e-7, 6.8e-7, 2e-6])
@pytest.mark.parametrize("stick", [Stick(40.0, 0.3), Stick(90.0, 0.3, side=-1, release_s=0.0301)], ids=["slow", "quick"])
def test_within_a_twentieth_of_a_count_of_an_adaptive_integrator(stick: Stick, farads: float, rate_hz: float) -> None:
    t = times(rate_hz, 0.09)
    found = node_from_wiper(stick.wiper(t), rate_hz, farads, SUPPLY_V, TRACK_OHM, 0.0)
    assert np.abs(found - adaptive(stick.wiper, farads, t)).max() / COUNT_V < 0.05


def euler(a: np.ndarray, rate_hz: float, farads: float) -> np.ndarray:
    v = np.full_like(a, SUPPLY_V * a[0])
    for i in range(len(a) - 1):
        v[i + 1] = v[i] + (SUPPLY_V * a[i] - v[i]) / (rate_hz * farads * TRACK_OHM * a[i] * (1.0 - a[i]))
    return v


def test_cruder_models_are_not_good_enough() -> None:
    """Forward Euler and a source resistance frozen at rest miss by far more than the allowed 0.05 counts; the model does not."""
    stick, rate_hz, farads = Stick(90.0, 0.3), 4_000.0, 3.3e-7
    t = times(rate_hz, 0.09)
    a = stick.wiper(t)
    reference = adaptive(stick.wiper, farads, t)
    frozen = node_from_wiper(a, rate_hz, farads, SUPPLY_V, 1e-9, TRACK_OHM / 4.0)
    model = node_from_wiper(a, rate_hz, farads, SUPPLY_V, TRACK_OHM, 0.0)
    assert np.abs(euler(a, rate_hz, farads) - reference).max() / COUNT_V > 0.5
    assert np.abs(frozen - reference).max() / COUNT_V > 0.5
    assert np.abs(model - reference).max() / COUNT_V < 0.05


def test_frozen_resistance_misses_the_peak_too() -> None:
    stick, rate_hz, farads = Stick(90.0, 0.35), 8_000.0, 6.8e-7
    a = stick.wiper(times(rate_hz, 0.09))
    true = -(node_from_wiper(a, rate_hz, farads, SUPPLY_V, TRACK_OHM, 0.0) / COUNT_V - 128.0).min()
    frozen = -(node_from_wiper(a, rate_hz, farads, SUPPLY_V, 1e-9, TRACK_OHM / 4.0) / COUNT_V - 128.0).min()
    assert abs(true - frozen) > 0.15


def test_candidates_and_flicks_at_once_equal_one_by_one() -> None:
    rate_hz = 8_000.0
    a = np.array([Stick(hz, 0.35).wiper(times(rate_hz, 0.06)) for hz in (45.0, 60.0, 80.0)])
    farads = np.array([[0.0], [1e-7], [6.8e-7]])
    together = node_from_wiper(a, rate_hz, farads, SUPPLY_V, TRACK_OHM, 100.0)
    assert together.shape == (3, 3, a.shape[1])
    for k in range(3):
        for m in range(3):
            alone = node_from_wiper(a[m], rate_hz, farads[k, 0], SUPPLY_V, TRACK_OHM, 100.0)
            assert together[k, m] == pytest.approx(alone, abs=1e-12)
    assert together[0] == pytest.approx(SUPPLY_V * a, abs=1e-9)


def test_starts_from_the_given_voltage_and_survives_the_rails() -> None:
    t = times(8_000.0, 0.03)
    charged = node_from_wiper(np.full_like(t, 0.5), 8_000.0, 2.2e-7, SUPPLY_V, TRACK_OHM, 0.0, v0=0.0)
    tau = 2.2e-7 * TRACK_OHM / 4.0
    assert charged == pytest.approx(SUPPLY_V / 2.0 * (1.0 - np.exp(-t / tau)), abs=1e-9)
    railed = node_from_wiper(np.clip(1.2 - 20.0 * t, 0.0, 1.0), 8_000.0, 2.2e-7, SUPPLY_V, TRACK_OHM, 0.0)
    assert np.all(np.isfinite(railed))
    assert railed.min() > -0.01
    assert railed.max() < SUPPLY_V + 0.01
