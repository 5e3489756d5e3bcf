"""What repeated flicks tell: servo figures through a known map, the correlation and warm-up of their peaks."""

import json
import math

import numpy as np
import pytest

from station.prove.calibration_figures import Measured
from station.prove.calibration_fit import MapFit, Sweep, fit_map
from station.prove.calibration_flicks import SETTLED, Series, lag1, servo_figures, warm_up
from tests.conftest import DATA

NIST = {one["name"]: one for one in json.loads((DATA / "nist_strd.json").read_text())["entries"]}


def known_map() -> MapFit:
    angle = np.arange(0.5, 48.0, 0.5)
    return fit_map([Sweep(angle, np.clip(0.012 * (angle - 10.15), 0.0, 0.3), 48.15)])


def series(count: int, random: np.random.Generator, jitter_s: float = 2e-4, clamp_deg: float = 0.0) -> Series:
    """Flicks of a servo with latency 6 ms and slew 1200 deg/s, whose unit lies clamp_deg further at one sd."""
    latency_s = 0.006 + jitter_s * random.standard_normal(count)
    lies_s = clamp_deg * random.standard_normal(count) / 1200
    return Series(
        begin_s=latency_s + lies_s + 10.15 / 1200,
        rate_s=np.full(count, 1200 / 25.0),
        release_s=0.1228 + lies_s + jitter_s * random.standard_normal(count),
        hold=np.full(count, 0.3),
        peak=0.18 + 0.008 * random.standard_normal(count),
    )


def test_latency_slew_and_jitter_come_back_through_the_map() -> None:
    figures = servo_figures(series(4000, np.random.default_rng(1)), known_map(), Measured(10.15, 0.0), 0.0, 0.0)
    assert figures["latency_s"].value == pytest.approx(0.006, abs=4 * figures["latency_s"].u)
    assert figures["slew_deg_s"].value == pytest.approx(1200.0, rel=1e-9)
    assert figures["latency_jitter_s"].value == pytest.approx(2e-4, abs=4 * figures["latency_jitter_s"].u)
    assert figures["latency_jitter_s"].u == pytest.approx(2e-4 / math.sqrt(2 * 4000), rel=0.05)
    assert figures["push_s"].value == pytest.approx(0.8 * 25 / 1200, rel=1e-9)
    assert figures["flick_reach"].value == pytest.approx(1.0, rel=1e-9)


def test_the_clamp_s_part_is_taken_out_of_the_jitter() -> None:
    loose = series(4000, np.random.default_rng(2), clamp_deg=0.4)
    figures = servo_figures(loose, known_map(), Measured(10.15, 0.0), 0.4, 0.0)
    assert np.std(loose.begin_s) > 3.6e-4
    for name in ("latency_jitter_s", "release_jitter_s"):
        assert figures[name].value == pytest.approx(2e-4, rel=0.1)


def test_a_series_is_told_from_the_map_s_own_rest() -> None:
    """A stick that lies half a degree of the map to the held side is touched half a degree early."""
    kept = {"begin_s": [0.0], "rate_s": [48.0], "release_s": [0.1], "hold": [0.3], "peak": [0.18], "rest": 0.5}
    for sign in (1, -1):
        moved = Series.of({**kept, "rest": 0.5 + sign * 0.006}, sign, 0.5)
        assert moved.begin_s[0] == pytest.approx(-0.5 / 1200)


@pytest.mark.parametrize("name", ["univariate_Lew", "univariate_Mavro"])
def test_the_correlation_is_the_certified_one(name: str) -> None:
    """NIST Statistical Reference Datasets, univariate summary statistics; before the known shortfall of 1 / n is put back."""
    values = np.array(NIST[name]["inputs"]["x"], dtype=np.float64)
    found = lag1([np.concatenate([np.zeros(SETTLED), values])])
    assert found.value - 1.0 / (len(values) - 1) == pytest.approx(NIST[name]["expected"]["lag1"], abs=1e-12)


def peaks(random: np.random.Generator, count: int, rho: float, warm: float = 0.0) -> np.ndarray:
    """A first-order autoregression about 0.18 with standard deviation 0.008; `warm` of the first fades by e each two flicks."""
    noise = random.standard_normal(count)
    off = np.empty(count)
    off[0] = noise[0]
    for k in range(1, count):
        off[k] = rho * off[k - 1] + math.sqrt(1 - rho**2) * noise[k]
    return np.asarray(0.18 * (1 + warm * np.exp(-np.arange(count) / 2)) + 0.008 * off)


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_the_correlation_s_uncertainty_covers(rho: float) -> None:
    random = np.random.default_rng(4)
    found = [lag1([peaks(random, 30, rho) for _ in range(4)]) for _ in range(300)]
    ratios = np.array([(one.value - rho) / one.u for one in found])
    assert np.mean(np.abs(ratios) <= 2.0) >= 0.90
    assert abs(np.mean([one.value for one in found]) - rho) < 0.01 + 4 * rho / 30


def test_the_warm_up_s_uncertainty_covers() -> None:
    random = np.random.default_rng(5)
    truth = -0.03 * (1 + math.exp(-0.5)) / 2
    found = [warm_up([peaks(random, 30, 0.0, -0.03) for _ in range(4)]) for _ in range(300)]
    ratios = np.array([(one.value - truth) / one.u for one in found])
    assert 0.91 <= np.mean(np.abs(ratios) <= 2.0) <= 0.985


def test_peaks_that_are_none_tell_nothing() -> None:
    assert math.isnan(lag1([np.full(30, 0.2)]).value)
    assert math.isnan(warm_up([np.zeros(30)]).value)
    assert math.isnan(warm_up([]).value)
