"""Over-zone intervals and the chance of a misread."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.measure.zone import folded_share
from tests.station.measure.analytic import REACH_COUNTS, Array, measured, released, second_order

ZONE, INTERVAL_S = 22.0, 0.008


@pytest.mark.parametrize(("tau", "share"), [(0.0, 0.0), (0.002, 0.25), (0.008, 1.0), (0.02, 1.0)])
def test_one_interval(tau: float, share: float) -> None:
    assert folded_share(np.array([0.0031]), np.array([0.0031 + tau]), INTERVAL_S) == pytest.approx(share)


def test_union_of_folded_intervals() -> None:
    """Two intervals a report interval apart cover the same phases; half an interval apart they add."""
    starts = np.array([0.001, 0.009])
    assert folded_share(starts, starts + 0.002, 0.008) == pytest.approx(0.25)
    starts = np.array([0.001, 0.005])
    assert folded_share(starts, starts + 0.002, 0.008) == pytest.approx(0.5)
    assert folded_share(np.array([0.007]), np.array([0.010]), 0.008) == pytest.approx(3 / 8)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(0, 0.05), st.floats(0, 0.01)), min_size=1, max_size=4), st.floats(0.001, 0.02))
def test_folding_agrees_with_counting_phases(pieces: list[tuple[float, float]], period: float) -> None:
    """Outside check by brute force: the share of phases at which some reading falls inside."""
    starts = np.array([a for a, _ in pieces])
    ends = starts + np.array([length for _, length in pieces])
    phases = (np.arange(5000) + 0.5) / 5000 * period
    first = np.ceil((starts[:, None] - phases) / period) * period + phases
    hit = np.any(first < ends[:, None], axis=0)
    assert folded_share(starts, ends, period) == pytest.approx(float(np.mean(hit)), abs=0.002)


def over_zone_of(zeta: float, wn: float) -> float:
    t = np.arange(0, 0.2, 1e-6)
    return float(np.sum(-REACH_COUNTS * second_order(zeta, wn)(t) > ZONE) * 1e-6)


@pytest.mark.parametrize("zeta", [0.1, 0.25, 0.33])
def test_over_zone_time_in_closed_form(zeta: float) -> None:
    wn = 2 * math.pi * 60
    table = measured(released(second_order(zeta, wn), free_s=0.4))
    assert table.columns["over_zone_s"][0] == pytest.approx(over_zone_of(zeta, wn), abs=3e-5)
    assert 0 < table.columns["misread_probability"][0] <= 1


def test_two_lobes_are_folded() -> None:
    """With light damping the second far-side swing is beyond the zone too; both are folded onto the report interval."""
    wn, zeta = 2 * math.pi * 45, 0.05
    t = np.arange(0, 0.2, 1e-6)
    beyond = -REACH_COUNTS * second_order(zeta, wn)(t) > ZONE
    edges = np.flatnonzero(np.diff(beyond.astype(int)))
    starts, ends = t[edges[::2]], t[edges[1::2]]
    assert len(starts) > 1
    table = measured(released(second_order(zeta, wn), free_s=0.6))
    assert table.columns["misread_probability"][0] == pytest.approx(folded_share(starts, ends, INTERVAL_S), abs=0.01)


def test_a_stick_that_lies_beyond_the_zone_is_always_misread() -> None:
    def hangs(t: Array) -> Array:
        return np.asarray(np.exp(-t / 0.002) * 1.35 - 0.35)

    table = measured(released(hangs))
    assert table.columns["misread_probability"][0] == 1.0
    assert table.columns["over_zone_s"][0] == pytest.approx(0.3, abs=0.02)


def test_rings_on_the_held_side_are_no_misread() -> None:
    def back(t: Array) -> Array:
        return np.asarray(
            np.exp(-t / 0.02) * np.cos(np.minimum(t * 2 * np.pi * 60, 0.5 * np.pi)) + 0.4 * np.exp(-(((t - 0.03) / 0.003) ** 2))
        )

    table = measured(released(back))
    assert table.columns["over_zone_s"][0] == 0.0
    assert table.columns["misread_probability"][0] == 0.0
