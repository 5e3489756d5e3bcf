"""Errors of sampler and clocks from readings of known levels and pairs of times."""

import json
import math

import numpy as np
import pytest

from rigs.link.messages import BLOCK_MAX_SAMPLES, REFERENCE_SHARES, SOURCE_OHM, Reference
from station.errors import UsageError
from station.ports import Level
from station.prove import calibration_sampler
from station.prove.calibration_figures import Measured
from station.prove.calibration_sampler import clock_error, gain_of, largest_change, sample_clock_error, sampler_figures
from tests.conftest import DATA

NIST = {one["name"]: one for one in json.loads((DATA / "nist_strd.json").read_text())["entries"]}
REFERENCE_V, TOLERANCE = 3.3, 0.001


def readings(
    random: np.random.Generator, gain: float = 1.0, offset_v: float = 0.0, bow: float = 0.0, input_ohm: float = 1e7, noise_v: float = 0.0
) -> dict[str, list[float]]:
    """24 readings of each level by a converter with these errors (definitions of offset, gain and bow; Ohm's law for the load)."""
    made = {}
    for name, share in {**calibration_sampler.LEVEL_SHARES, "half-source": 0.5 * input_ohm / (input_ohm + 10_000)}.items():
        level = share * gain + offset_v / REFERENCE_V
        level += 4 * bow * level * (1 - level)
        made[name] = list(REFERENCE_V * level + noise_v * random.standard_normal(24))
    return made


def test_station_and_link_mean_the_same_levels() -> None:
    shares = {level.value: REFERENCE_SHARES[Reference[level.name]] for level in Level}
    assert shares == {**calibration_sampler.LEVEL_SHARES, "half-source": calibration_sampler.LEVEL_SHARES["half"]}
    assert (calibration_sampler.SOURCE_OHM, calibration_sampler.BLOCK_SAMPLES) == (SOURCE_OHM, BLOCK_MAX_SAMPLES)


@pytest.mark.parametrize(("gain", "offset_v"), [(1.0, 0.0), (1.01, -0.02), (0.97, 0.03)])
def test_gain_and_offset_are_recovered(gain: float, offset_v: float) -> None:
    figures = sampler_figures(readings(np.random.default_rng(1), gain, offset_v), REFERENCE_V, TOLERANCE)
    assert figures["gain_error"].value == pytest.approx(gain - 1, abs=1e-12)
    assert figures["offset_v"].value == pytest.approx(offset_v, abs=1e-12)
    assert figures["bow"].value == pytest.approx(0.0, abs=1e-12)
    assert figures["gain_error"].u == pytest.approx(TOLERANCE / math.sqrt(3), rel=1e-6)  # a rectangular distribution: JCGM 100, 4.3.7


def test_a_bend_shows_as_a_bend() -> None:
    figures = sampler_figures(readings(np.random.default_rng(1), bow=0.004), REFERENCE_V, TOLERANCE)
    assert figures["bow"].value == pytest.approx(0.004, abs=1e-6)
    assert figures["gain_error"].value == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("input_ohm", [5e4, 1e6, 1e7])
def test_the_input_is_told_by_its_load(input_ohm: float) -> None:
    figures = sampler_figures(readings(np.random.default_rng(1), 1.02, 0.004, input_ohm=input_ohm), REFERENCE_V, TOLERANCE)
    assert figures["input_ohm"].value == pytest.approx(input_ohm, rel=1e-6)
    assert figures["load_s"].value == pytest.approx(1 / input_ohm, rel=1e-6)


def test_a_load_that_cannot_be_told_from_none_has_no_resistance() -> None:
    figures = sampler_figures(readings(np.random.default_rng(3), input_ohm=1e12, noise_v=2e-4), REFERENCE_V, TOLERANCE)
    assert math.isnan(figures["input_ohm"].value)
    assert abs(figures["load_s"].value) < 4 * figures["load_s"].u


@pytest.mark.parametrize(("name", "truth"), [("offset_v", 0.003), ("bow", 0.0), ("load_s", 1e-7)])
def test_the_uncertainties_cover(name: str, truth: float) -> None:
    random = np.random.default_rng(6)
    found = [sampler_figures(readings(random, 1.002, 0.003, noise_v=2e-4), REFERENCE_V, TOLERANCE)[name] for _ in range(300)]
    inside = np.mean([abs(one.value - truth) <= 2 * one.u for one in found])
    assert 0.91 <= inside <= 0.985


def test_the_largest_change_is_against_the_first() -> None:
    gains = [gain_of(readings(np.random.default_rng(1), gain), REFERENCE_V) for gain in (1.0, 1.001, 0.996, 1.002)]
    assert largest_change(gains).value == pytest.approx(-0.004, abs=1e-9)
    assert math.isnan(largest_change([Measured(1.0)]).value)


def test_the_clock_s_slope_is_the_certified_one() -> None:
    """NIST Statistical Reference Datasets, linear regression, Norris: slope and its standard deviation."""
    case = NIST["linear_Norris"]
    found = clock_error(list(zip(case["inputs"]["x"], case["inputs"]["y"], strict=True)), 0.0)
    assert found.value + 1 == pytest.approx(case["expected"]["slope"], rel=1e-12)
    assert found.u == pytest.approx(case["expected"]["se_slope"], rel=1e-9)


def test_the_clock_s_uncertainty_covers_rounding_to_ticks_and_delays() -> None:
    random = np.random.default_rng(7)
    for delay_s in (0.0, 1e-4):
        ratios = []
        for _ in range(300):
            host_s = np.arange(24) * 0.5 + random.uniform(0.0, 1e-3)
            rig_s = np.round((host_s * 1.00002 + random.uniform(0, 1)) * 1e6) / 1e6
            found = clock_error(list(zip(host_s + random.exponential(delay_s, 24), rig_s, strict=True)), 1e-6)
            ratios.append((found.value - 2e-5) / found.u)
        assert np.mean(np.abs(ratios) <= 2.0) >= 0.91


def test_few_pairs_tell_no_clock() -> None:
    with pytest.raises(UsageError, match="3 pairs of times; expected at least 8"):
        clock_error([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)], 1e-6)


def test_the_sample_clock_is_held_against_the_ticks() -> None:
    found = sample_clock_error(120_001, 10_000.0, 12.0 / 1.001, 1e-6)
    assert found.value == pytest.approx(0.001, rel=1e-6)
    assert found.u < 1e-6
