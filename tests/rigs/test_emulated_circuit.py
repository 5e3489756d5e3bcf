"""The emulated circuit against closed forms, tabulated responses and an adaptive integrator; the converter against arithmetic."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rigs.emulated.circuit import OPEN_OHM, STEP_MAX_S, Axis, chain, node, source, substeps
from rigs.emulated.converter import coded, converted
from rigs.emulated.laws import ConverterLaw, SignalLaw

ENTRIES = {one["name"]: one for one in json.loads((Path(__file__).parents[1] / "data" / "rc_lowpass.json").read_text())["entries"]}
NO_LOAD_OHM = 1e15
AT_TAU = 0.6321205588285577  # 1 - 1/e, standard RC theory
RISE_OVER_TAU = 2.1972245773362196  # ln 9, standard RC theory


def axis(track_ohm: float = 10_000.0, series_ohm: float = 0.0, capacitance_f: float = 0.0, input_ohm: float = NO_LOAD_OHM) -> Axis:
    return Axis(track_ohm, series_ohm, capacitance_f, input_ohm)


def test_the_wiper_is_a_source_behind_r_a_one_minus_a() -> None:
    """Thevenin equivalent of a potentiometer wiper (closed form; figures in the file)."""
    entry = ENTRIES["pot_source_resistance"]
    share = np.array(entry["inputs"]["a"], dtype=float)
    volts, ohm = source(axis(entry["inputs"]["R"]), share, 1.0)
    assert ohm == pytest.approx(entry["expected"]["R_th"], abs=1e-6)
    assert volts == pytest.approx(share, abs=1e-9)


def test_a_sampler_loads_the_wiper() -> None:
    volts, ohm = source(axis(series_ohm=500.0, input_ohm=1e6), np.array([0.5]), 3.3)
    assert volts[0] == pytest.approx(1.65 * 1e6 / (1e6 + 3000.0), rel=1e-12)
    assert ohm[0] == pytest.approx(1 / (1 / 3000.0 + 1 / 1e6), rel=1e-12)


def test_a_lifted_wiper_leaves_the_node_to_the_sampler() -> None:
    volts, ohm = source(axis(input_ohm=1e6), np.array([0.5, 0.5]), 3.3, np.array([False, True]))
    assert volts[1] == pytest.approx(1.65 * 1e6 / OPEN_OHM, rel=1e-3)
    assert ohm[1] == pytest.approx(1e6, rel=1e-5)


def steps(tau_s: float, begin_v: float, end_v: np.ndarray, step_s: float) -> np.ndarray:
    """Node behind a constant resistance: a track so small that only the series resistor counts."""
    r = 2500.0
    return node(axis(capacitance_f=tau_s / r), np.concatenate([[begin_v], end_v]), np.full(len(end_v) + 1, r), step_s, 0.0)


def test_step_response_reaches_63_percent_at_tau() -> None:
    """Standard RC theory, tabulated in the file: 0.632 at tau."""
    entry = ENTRIES["step_response"]
    v = steps(entry["inputs"]["tau"], 1.0, np.ones(20), 1e-4)
    assert v == pytest.approx(entry["expected"]["v"], abs=1e-12)
    assert steps(1e-3, 1.0, np.ones(1), 1e-3)[0] == pytest.approx(AT_TAU, abs=1e-12)


def test_ramp_response_is_exact() -> None:
    entry = ENTRIES["ramp_response"]
    times_s = np.array(entry["inputs"]["t"])
    assert steps(entry["inputs"]["tau"], 0.0, times_s, 1e-4) == pytest.approx(entry["expected"]["v"], abs=1e-14)


def test_rise_from_10_to_90_percent_takes_ln_9_tau() -> None:
    tau_s, step_s = 5.5e-4, 1e-6
    v = steps(tau_s, 1.0, np.ones(3000), step_s)
    rise_s = (np.searchsorted(v, 0.9) - np.searchsorted(v, 0.1)) * step_s
    assert rise_s / tau_s == pytest.approx(RISE_OVER_TAU, abs=2 * step_s / tau_s)


def test_a_resistance_that_moves_with_the_stick() -> None:
    """Tabulated solution of two integrators (file: pot_release_time_varying_R_a), at the step width the rig uses."""
    entry: dict[str, Any] = ENTRIES["pot_release_time_varying_R_a"]
    given = entry["inputs"]
    electric = axis(given["Rpot"], given["Rs"], given["C"])
    grid_s = np.arange(0, 0.04 + STEP_MAX_S / 2, STEP_MAX_S)
    share = 0.5 + given["A"] * np.exp(-given["zeta"] * given["wn"] * grid_s) * np.cos(
        given["wn"] * math.sqrt(1 - given["zeta"] ** 2) * grid_s
    )
    volts, ohm = source(electric, share, 1.0)
    v = node(electric, volts, ohm, STEP_MAX_S, float(volts[0]))
    counts_off = 256 * np.abs(np.interp(given["t"], grid_s[1:], v) - entry["expected"]["v"])
    assert counts_off.max() < 0.003


@pytest.mark.parametrize("capacitance_f", [1e-8, 1e-7, 4.7e-7, 4.7e-6])
def test_agrees_with_an_adaptive_integrator_at_the_fastest_ring(capacitance_f: float) -> None:
    ring, decay = 2 * math.pi * 90.0, 200.0

    def share(t: Any) -> Any:
        return 0.5 + 0.3 * np.exp(-decay * t) * np.cos(ring * t)

    def slope(t: float, v: np.ndarray) -> Any:
        a = share(t)
        return (a - v) / (capacitance_f * 10_000.0 * a * (1 - a))

    grid_s = np.arange(0, 0.02, STEP_MAX_S)
    electric = axis(capacitance_f=capacitance_f)
    volts, ohm = source(electric, share(grid_s), 1.0)
    v = node(electric, volts, ohm, STEP_MAX_S, float(volts[0]))
    solved = solve_ivp(slope, (0.0, grid_s[-1]), [volts[0]], method="Radau", t_eval=grid_s[1:], rtol=1e-9, atol=1e-11, max_step=2e-4)
    assert 256 * np.abs(v - solved.y[0]).max() < 0.01


def test_chain_is_the_plain_recurrence() -> None:
    random = np.random.default_rng(4)
    gain, offset = random.uniform(0, 1, 77), random.normal(size=77)
    value, expected = 0.3, []
    for g, o in zip(gain, offset, strict=True):
        value = g * value + o
        expected.append(value)
    assert chain(gain, offset, 0.3) == pytest.approx(expected, rel=1e-12)


def test_substeps_keep_the_step_small_enough() -> None:
    for rate_hz in (4_800, 8_000, 10_000, 24_000):
        assert 1 / rate_hz / substeps(1 / rate_hz) <= STEP_MAX_S * (1 + 1e-9)


def test_codes_round_clip_and_follow_the_laws() -> None:
    volts = np.array([0.0, 1.65, 3.2999, 5.0])
    codes = converted(ConverterLaw(), volts, 3.3, 12, 0.0)
    both = np.stack([codes, codes], axis=1)
    assert coded((), both, 12)[:, 0].tolist() == [0, 2048, 4095, 4095]
    assert coded((SignalLaw("negated", "x"),), both, 12)[:, 0].tolist() == [4095, 2047, 0, 0]
    assert coded((SignalLaw("negated", "x"),), both, 12)[:, 1].tolist() == [0, 2048, 4095, 4095]
    assert coded((SignalLaw("clipped", "", 0.25),), both, 12)[:, 0].tolist() == [0, 1024, 1024, 1024]
    assert coded((SignalLaw("toggling", "y"),), both, 12)[:, 1].tolist() == [2048, 2049, 2048, 2049]
    swapped = coded((SignalLaw("swapped"),), np.stack([codes, 0 * codes], axis=1), 12)
    assert swapped[:, 1].tolist() == [0, 2048, 4095, 4095]
    assert converted(ConverterLaw(gain_error=0.01, offset_v=0.033), np.array([1.65]), 3.3, 8, 0.0)[0] == pytest.approx(256 * 0.515)
    assert converted(ConverterLaw(bow_share=0.001), np.array([1.65]), 3.3, 12, 0.0)[0] == pytest.approx(4096 * 0.501)
