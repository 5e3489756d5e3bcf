"""Backward model and added lag on samples of known truth: noisy, quantised, any part, 4 to 100 kS/s."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from station.axis.lag import added_lag_s, half_crossing_s
from station.axis.model import node_from_wiper, wiper_from_node
from station.axis.smoothing import smooth_and_slope
from tests.station.axis.sticks import COUNT_V, COUNTS, SUPPLY_V, TRACK_OHM, Stick, sampled, times

FINE_HZ = 100_000.0


def flicks(stick: Stick, rate_hz: float, farads: float, count: int, seed: int, bits: int, noise_v: float) -> tuple[np.ndarray, np.ndarray]:
    """Sampled node voltages of `count` flicks with release instants between samples, and the true wiper at the same samples."""
    rng = np.random.default_rng(seed)
    over = max(1, round(FINE_HZ / rate_hz))
    t = times(rate_hz * over, 0.085)
    sticks = [replace(stick, release_s=0.025 + rng.uniform(0.0, 1.0 / rate_hz)) for _ in range(count)]
    wiper = np.array([one.wiper(t) for one in sticks])
    node = node_from_wiper(wiper, rate_hz * over, farads, SUPPLY_V, TRACK_OHM, 0.0)
    return sampled(node[:, ::over], rng, bits, noise_v), wiper[:, ::over]


@cache
def true_lag_s(stick: Stick, farads: float) -> float:
    a = stick.wiper(times(FINE_HZ, 0.08))
    node = node_from_wiper(a, FINE_HZ, farads, SUPPLY_V, TRACK_OHM, 0.0)
    shares = np.array([node / COUNT_V, a * COUNTS]) - stick.rest_counts
    crossing = half_crossing_s(shares / (stick.side * stick.reach_counts), FINE_HZ)
    return float(crossing[0] - crossing[1])


SETUPS = [(4_000.0, 10, 0.002, 1.0), (8_000.0, 12, 0.002, 0.4), (100_000.0, 12, 0.002, 0.2)]


@pytest.mark.parametrize(("rate_hz", "bits", "noise_v", "spread"), SETUPS)
@pytest.mark.parametrize("farads", [1e-7, 3.3e-7, 6.8e-7])
@pytest.mark.parametrize("stick", [Stick(40.0, 0.3), Stick(60.0, 0.35, side=-1), Stick(90.0, 0.3)], ids=["slow", "middle", "quick"])
def test_wiper_from_a_fitted_node(stick: Stick, farads: float, rate_hz: float, bits: int, noise_v: float, spread: float) -> None:
    count = 4 if rate_hz > 50_000 else 24
    node, wiper = flicks(stick, rate_hz, farads, count, 7, bits, noise_v)
    error = COUNTS * (wiper_from_node(node, rate_hz, farads, SUPPLY_V, TRACK_OHM, 0.0) - wiper)
    assert np.std(error) < spread
    around = np.argmin(stick.side * wiper, axis=1)[:, None] + np.arange(-2, 3)
    at_peak = np.take_along_axis(error, around, axis=1).mean()
    assert abs(at_peak) < 0.15


@pytest.mark.parametrize(("rate_hz", "bits", "noise_v"), [setup[:3] for setup in SETUPS])
@pytest.mark.parametrize("farads", [1e-7, 3.3e-7, 6.8e-7])
@pytest.mark.parametrize("stick", [Stick(40.0, 0.3), Stick(60.0, 0.35, side=-1), Stick(90.0, 0.3)], ids=["slow", "middle", "quick"])
def test_added_lag_within_a_fiftieth_of_a_millisecond(stick: Stick, farads: float, rate_hz: float, bits: int, noise_v: float) -> None:
    node, _ = flicks(stick, rate_hz, farads, 4 if rate_hz > 50_000 else 24, 11, bits, noise_v)
    rest, hold = np.full(len(node), 128.0 * COUNT_V), np.full(len(node), (128.0 + stick.side * 77.0) * COUNT_V)
    lag = added_lag_s(node, rate_hz, farads, SUPPLY_V, TRACK_OHM, 0.0, rest, hold)
    assert lag.mean() == pytest.approx(true_lag_s(stick, farads), abs=2e-5)


def test_lag_is_near_the_time_constant_of_a_ramp() -> None:
    """Source: closed form, a ramp leaves a low-pass one time constant late (rc_lowpass.json, steady_lag)."""
    lag = true_lag_s(Stick(20.0, 0.9), 1e-7)
    assert lag == pytest.approx(1e-7 * TRACK_OHM * 0.65 * 0.35, rel=0.1)


def test_no_capacitor_is_no_lag_and_no_change() -> None:
    node, _ = flicks(Stick(), 8_000.0, 0.0, 2, 3, 12, 0.002)
    assert wiper_from_node(node, 8_000.0, 0.0, SUPPLY_V, TRACK_OHM, 0.0) == pytest.approx(node / SUPPLY_V, abs=0)
    assert added_lag_s(node, 8_000.0, 0.0, SUPPLY_V, TRACK_OHM, 0.0, np.full(2, 1.65), np.full(2, 2.6)).tolist() == [0.0, 0.0]


def test_back_and_forth_gives_the_node_again() -> None:
    stick = Stick(60.0, 0.35)
    for farads in (1e-7, 6.8e-7):
        node, _ = flicks(stick, 20_000.0, farads, 2, 5, 16, 0.0)
        wiper = wiper_from_node(node, 20_000.0, farads, SUPPLY_V, TRACK_OHM, 220.0)
        again = node_from_wiper(wiper, 20_000.0, farads, SUPPLY_V, TRACK_OHM, 220.0, v0=node[:, 0])
        free = slice(round(0.029 * 20_000), round(0.08 * 20_000))
        assert np.abs(again - node)[:, free].max() / COUNT_V < 0.05


def test_many_tracks_at_once() -> None:
    node, _ = flicks(Stick(), 8_000.0, 3.3e-7, 2, 9, 12, 0.002)
    tracks = np.array([8_000.0, 10_000.0, 12_000.0])
    together = wiper_from_node(node, 8_000.0, 3.3e-7, SUPPLY_V, tracks[:, None, None], 0.0)
    assert together.shape == (3, *node.shape)
    assert together[2] == pytest.approx(wiper_from_node(node, 8_000.0, 3.3e-7, SUPPLY_V, 12_000.0, 0.0), abs=1e-12)


def test_local_polynomials_reproduce_a_quintic() -> None:
    """Savitzky and Golay: a polynomial of the fitted degree passes unchanged, slope included, up to the edges."""
    t = np.arange(200) / 8_000.0
    x = 80.0 * (t - 0.0125)
    level, slope = smooth_and_slope(x**5 - x**2 + 3.0, 8_000.0, 0.003)
    assert level == pytest.approx(x**5 - x**2 + 3.0, abs=1e-9)
    assert slope == pytest.approx(80.0 * (5.0 * x**4 - 2.0 * x), abs=1e-6)


def test_half_crossing_of_a_line_and_of_no_fall() -> None:
    t = np.arange(400) / 8_000.0
    falls = np.clip(1.0 - (t - 0.0201) / 0.008, 0.0, 1.0)
    stays = np.ones_like(t)
    found = half_crossing_s(np.array([falls, stays]), 8_000.0)
    assert found[0] == pytest.approx(0.0241, abs=1e-9)
    assert np.isnan(found[1])
