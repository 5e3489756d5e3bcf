"""Levels: certified data, known waveforms, coarse codes and outliers."""

import math

import numpy as np
import pytest

from station.judge.limits import mean_and_u
from station.measure.levels import quiet_mean, undithered
from tests.station.measure.analytic import entry


def level(values: object, sd: float = math.inf, step: float = 0.0) -> float:
    row = np.asarray(values, dtype=np.float64)[None, :]
    return float(quiet_mean(row, np.ones(row.shape, dtype=bool), sd, step)[0][0])


def certified(x: object) -> np.ndarray:
    """The data, or a description such as "1.2 then 500 pairs 1.1, 1.3" written out."""
    if not isinstance(x, str):
        return np.asarray(x, dtype=np.float64)
    first, rest = x.split(" then ")
    count, pair = rest.split(" pairs ")
    return np.array([float(first)] + [float(value) for value in pair.split(", ")] * int(count))


@pytest.mark.parametrize("name", ["univariate_Lew", "univariate_Mavro", "univariate_NumAcc1", "univariate_NumAcc2", "univariate_NumAcc4"])
def test_certified_means_and_sds(name: str) -> None:
    """NIST StRD univariate data (certified values): with no sample left out a level is the mean, and its scatter the certified sd."""
    data = entry("nist_strd.json", name)
    x = certified(data["inputs"]["x"])
    assert level(x) == pytest.approx(data["expected"]["mean"], rel=1e-12)
    mean, u = mean_and_u(x, np.zeros(len(x)))
    assert mean == pytest.approx(data["expected"]["mean"], rel=1e-12)
    assert u * math.sqrt(len(x)) == pytest.approx(data["expected"]["sd"], rel=1e-7)


def test_state_levels_of_a_step_are_means_inside_the_state() -> None:
    """Worked example of state levels in the spirit of IEC 60469:2013 (own wording; levels 0 and 10, verified by hand)."""
    data = entry("step_response.json", "state_levels_histogram_mode")
    x = np.asarray(data["inputs"]["x"])
    assert level(x[:16], sd=0.0, step=0.1) == data["expected"]["low_level_mean_in_bin"]
    assert level(x[16:], sd=0.0, step=0.1) == data["expected"]["high_level_mean_in_bin"]


@pytest.mark.parametrize("true", [100.0, 100.2, 100.4, 100.5, 100.7])
def test_coarse_codes_do_not_bias_a_dithered_level(true: float) -> None:
    rng = np.random.default_rng(int(10 * true))
    codes = np.rint(true + rng.normal(0, 0.6, 4000))
    assert level(codes, sd=0.67, step=1.0) == pytest.approx(true, abs=0.04)


def test_samples_of_a_movement_are_left_out() -> None:
    rng = np.random.default_rng(3)
    moving = np.concatenate([np.linspace(40, 70, 60), 77 + rng.normal(0, 0.2, 140)])
    assert level(moving, sd=0.2) == pytest.approx(77, abs=0.05)


def test_masked_samples_do_not_count_and_an_empty_row_is_unknown() -> None:
    values = np.array([[1.0, 2.0, 300.0], [1.0, 1.0, 1.0]])
    valid = np.array([[True, True, False], [False, False, False]])
    means, count = quiet_mean(values, valid, 10.0, 0.0)
    assert means[0] == 1.5
    assert count.tolist() == [2.0, 0.0]
    assert np.isnan(means[1])


def test_what_quantisation_leaves() -> None:
    """Without noise the rectangle's sd, step / sqrt(12) (JCGM 100:2008, F.2.2.1); gone once noise spans the steps."""
    assert undithered(0.0, 1.0) == pytest.approx(1 / math.sqrt(12))
    assert undithered(1.0, 1.0) < 1e-6
    assert undithered(1.0, 0.0) == 0.0
