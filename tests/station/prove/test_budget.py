"""Uncertainty budgets against the GUM's own example, sensitivities worked by hand, and Monte Carlo (JCGM 101) over the axis model."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from rigs.emulated import circuit
from station.axis.lag import added_lag_s, half_crossing_s
from station.axis.model import node_from_wiper
from station.errors import UsageError
from station.prove.budget import Law, Line, budget_table, combine
from station.prove.budget_lag import LagErrors, measured_lag_s, model_return
from station.prove.budget_point import OperatingPoint, source_ohm
from station.prove.budget_sources import BudgetInputs, PeakErrors, budget_document, lag_lines, measured_peak_counts, peak_lines, with_study
from station.prove.gauge_study import parse_study
from station.prove.study import StudyRow, evaluate_study
from station.prove.study_words import Tolerance

CLASSIC = Path(__file__).parents[2] / "data" / "gauge-classic.csv"
POINT = OperatingPoint(
    bits=8, supply_v=3.302, reference_v=3.3, rest_counts=128.0, reach_counts=77.0, peak_counts=20.0, return_s=0.004, rate_hz=10_000.0,
    track_ohm=10_000.0, series_ohm=0.0, input_ohm=10e6, fitted_f=4.7e-7,
)  # fmt: skip
INPUTS = BudgetInputs(
    point=POINT, supply_u_v=0.004, gain_u_share=0.001, offset_u_v=0.002, bow_half_width_share=0.001, reference_half_width_share=0.001,
    clock_half_width_share=1e-4, quantum_v=3.3 / 4096, noise_counts=0.3, noise_gain=0.25, release_sd_counts=0.6, flicks=1,
    track_half_width_share=0.20, part_half_width_share=0.10, lag_sd_s=3e-5,
)  # fmt: skip
APART = replace(POINT, same_converter=False)


def lines_by_source(lines: list[Line]) -> dict[str, Line]:
    return {line.source: line for line in lines}


def gum_lines(comparator_df: float) -> list[Line]:
    return [
        Line("standard", Law.NORMAL, 25.0, "nm", 1.0, "certificate", 18.0),
        Line("comparator", Law.NORMAL, 9.7, "nm", 1.0, "repeats and certificate", comparator_df),
        Line("difference of expansion", Law.RECTANGULAR, 1e-6, "1/K", 5e6, "judgement", 50.0),
        Line("difference of temperature", Law.RECTANGULAR, 0.05, "K", 575.0, "judgement", 2.0),
    ]


def test_end_gauge_calibration_of_the_gum() -> None:
    """JCGM 100:2008, annex H.1 (from memory): components 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom
    (expansion within 1e-6 / K at 0.1 K of 50 mm, temperature within 0.05 K at 11.5e-6 / K);
    u_c = 32 nm (square 1002 nm2), 16 effective degrees of freedom, t_99 = 2.92, U_99 = 93 nm."""
    parts = [
        Line(name, Law.NORMAL, u, "nm", 1.0, "", df) for name, u, df in (("repeats", 5.8, 24.0), ("random", 3.9, 5.0), ("other", 6.7, 8.0))
    ]
    comparator = combine(parts)
    assert comparator.u == pytest.approx(9.7, abs=0.05)
    assert comparator.effective_df == pytest.approx(25.6, abs=0.5)
    found = combine(gum_lines(25.6))
    assert found.u**2 == pytest.approx(1002.0, abs=2.0)
    assert math.floor(found.effective_df) == 16
    assert round(float(stats.t.ppf(0.995, 16)) * round(found.u)) == 93
    assert found.student_factor == pytest.approx(stats.t.ppf(0.5 + 0.5 * 0.9545, 16), rel=1e-9)  # 2.17 in table G.2
    assert found.student_factor == pytest.approx(2.17, abs=0.005)


def test_divisors_shares_and_lines_held_elsewhere() -> None:
    lines = [
        Line("a", Law.RECTANGULAR, 3.0, "V", -2.0, "x"),
        Line("b", Law.NORMAL, 2.0, "V", 1.0, "y"),
        Line("c", Law.NORMAL, 50.0, "V", 1.0, "z", counted=False),
    ]
    table = budget_table("peak_counts", "counts", 20.0, lines)
    json.dumps(table, allow_nan=False)
    assert [line["u"] for line in table["lines"]] == pytest.approx([math.sqrt(3.0), 2.0, 50.0])
    assert table["combined_u"] == pytest.approx(4.0)
    assert table["expanded_u"] == pytest.approx(8.0)
    assert [line["share"] for line in table["lines"]] == pytest.approx([0.75, 0.25, 0.0])
    assert table["effective_df"] is None
    assert table["student_factor"] == 2.0


@pytest.mark.parametrize("same", [True, False])
def test_sensitivities_of_a_peak_worked_by_hand(same: bool) -> None:
    """With peak p, supply V, divider 2, shares r and f of rest and far side, S = V / reference. Same converter: gain and reference cancel,
    an offset o lifts the supply reading by 2 o; bow b adds 4 b s (1 - s) to a share s of full scale. Else they act on the peak alone."""
    point = replace(POINT, same_converter=same)
    p, v, full = point.peak_counts, point.supply_v, point.reference_v
    rest, far = (counts / 256.0 * v / full for counts in (128.0, 108.0))
    bend = 256.0 * 4.0 * (rest * (1.0 - rest) - far * (1.0 - far)) * full / v
    half = 0.5 * v / full
    supply_bend = 2.0 * full * 4.0 * half * (1.0 - half) / v
    by_hand = {
        "supply reading": -p / v,
        "gain of the converter": 0.0 if same else p,
        "reference of the converter": 0.0 if same else -p,
        "offset of the converter": -2.0 * p / v if same else 0.0,
        "bow of the converter": bend - (p * supply_bend if same else 0.0),
        "quantisation": 256.0 / v,
        "sample clock": 0.0,
        "noise after the estimator": 0.25,
        "variation of the release": 1.0,
    }
    r_rest, r_far = source_ohm(point, 0.5), source_ohm(point, 108.0 / 256.0)
    by_hand["loading of the wiper, not corrected"] = -(128.0 * r_rest - 108.0 * r_far)
    found = lines_by_source(peak_lines(replace(INPUTS, point=point)))
    assert found.keys() == by_hand.keys()
    for source, sensitivity in by_hand.items():
        assert found[source].sensitivity == pytest.approx(sensitivity, rel=1e-5, abs=1e-8), source


def test_loading_of_the_wiper_against_the_emulated_circuit() -> None:
    """The emulated rig's electric model, written apart from the station's: a peak of 20 counts through an input of 10 megohm."""
    axis = circuit.Axis(POINT.track_ohm, POINT.series_ohm, 0.0, POINT.input_ohm)
    volts, _ = circuit.source(axis, np.array([128.0, 108.0]) / 256.0, POINT.supply_v)
    loaded = 256.0 * float(volts[0] - volts[1]) / POINT.supply_v
    assert measured_peak_counts(POINT, PeakErrors(load_s=1.0 / POINT.input_ohm)) == pytest.approx(loaded, rel=1e-12)
    assert loaded < POINT.peak_counts


@pytest.mark.parametrize("point", [POINT, APART], ids=["same-converter", "apart"])
def test_peak_by_monte_carlo(point: OperatingPoint) -> None:
    """JCGM 101: 20,000 draws of every source through the measurement equation. The sd is known to 0.5 %."""
    inputs, rng, n = replace(INPUTS, point=point), np.random.default_rng(3), 20_000
    draws: dict[str, Any] = {
        "supply_v": rng.normal(0.0, inputs.supply_u_v, n),
        "gain_share": rng.normal(0.0, inputs.gain_u_share, n),
        "offset_v": rng.normal(0.0, inputs.offset_u_v, n),
        "bow_share": rng.uniform(-1.0, 1.0, n) * inputs.bow_half_width_share,
        "reference_share": rng.uniform(-1.0, 1.0, n) * inputs.reference_half_width_share,
        "load_s": rng.uniform(-1.0, 1.0, n) / point.input_ohm,
    }
    errors = [PeakErrors(**{key: float(values[i]) for key, values in draws.items()}) for i in range(n)]
    systematic = np.array([measured_peak_counts(point, one) for one in errors])
    systematic += rng.uniform(-0.5, 0.5, n) * inputs.quantum_v * 256.0 / point.supply_v
    still = replace(inputs, release_sd_counts=0.0, noise_counts=0.0)
    assert float(systematic.std()) == pytest.approx(combine(peak_lines(still)).u, rel=0.02)
    whole = systematic + rng.normal(0.0, inputs.noise_gain * inputs.noise_counts, n) + rng.normal(0.0, inputs.release_sd_counts, n)
    assert float(whole.std()) == pytest.approx(combine(peak_lines(inputs)).u, rel=0.02)
    assert float(systematic.mean()) == pytest.approx(point.peak_counts, abs=0.01)


def test_the_model_return_is_what_it_says() -> None:
    wiper = model_return(POINT) * 256.0
    assert wiper[0] == pytest.approx(205.0)
    assert wiper.min() == pytest.approx(108.0, abs=0.05)
    deflection = (wiper - 128.0) / 77.0
    high, low = (np.interp(-share, -deflection[: int(np.argmin(wiper))], np.arange(int(np.argmin(wiper)))) for share in (0.9, 0.1))
    assert (low - high) / POINT.rate_hz == pytest.approx(POINT.return_s, rel=0.005)


def test_the_measured_lag_is_the_stations_own() -> None:
    """The same as station.axis.lag on the same node, and near the true shift of the half crossing."""
    wiper = model_return(POINT)
    node = node_from_wiper(wiper, POINT.rate_hz, POINT.fitted_f, POINT.supply_v, POINT.track_ohm, 0.0)
    rest_v, hold_v = POINT.supply_v * 0.5, POINT.supply_v * 205.0 / 256.0
    own = added_lag_s(node, POINT.rate_hz, POINT.fitted_f, POINT.supply_v, POINT.track_ohm, 0.0, rest_v, hold_v, POINT.return_s)
    found = measured_lag_s(POINT, LagErrors())
    assert found == pytest.approx(float(own), rel=1e-9)
    assert found == pytest.approx(true_lag_s(POINT), abs=1.5e-5)


def true_lag_s(point: OperatingPoint) -> float:
    wiper = model_return(point)
    node = node_from_wiper(wiper, point.rate_hz, point.fitted_f, point.supply_v, point.track_ohm, point.series_ohm)
    shares = (np.stack([node / point.supply_v, wiper]) * 256.0 - point.rest_counts) / point.reach_counts
    node_s, wiper_s = half_crossing_s(shares, point.rate_hz)
    return float(node_s - wiper_s)


@pytest.mark.parametrize("name", ["track_share", "part_share", "supply_share", "clock_share"])
def test_sensitivities_of_a_lag_by_other_differences(name: str) -> None:
    """Five-point differences with another step."""
    step, source = 0.004, {"track_share": "track of the stick", "part_share": "fitted part", "supply_share": "supply reading"}
    f = [measured_lag_s(POINT, LagErrors(**{name: k * step})) for k in (-2, -1, 1, 2)]
    slope = (f[0] - 8.0 * f[1] + 8.0 * f[2] - f[3]) / (12.0 * step)
    line = lines_by_source(lag_lines(INPUTS))[source.get(name, "sample clock")]
    assert line.sensitivity == pytest.approx(slope, rel=0.01, abs=2e-7)


def test_a_lag_goes_with_track_and_part_alike() -> None:
    """Without series resistance only the product R C stands in the equation; for a time constant small against the return the lag is
    proportional to it, so the sensitivity is the lag itself."""
    small = replace(INPUTS, point=replace(POINT, fitted_f=5e-8))
    lines = lines_by_source(lag_lines(small))
    assert lines["track of the stick"].sensitivity == pytest.approx(lines["fitted part"].sensitivity, rel=1e-9)
    assert lines["fitted part"].sensitivity == pytest.approx(measured_lag_s(small.point, LagErrors()), rel=0.05)


def test_lag_by_monte_carlo_over_the_axis_model() -> None:
    """JCGM 101 the other way round: 1,500 true sticks and parts drawn, their returns by the axis model, measured with nominal figures."""
    rng, errors = np.random.default_rng(8), []
    wiper = model_return(POINT)
    rest_v, hold_v = POINT.supply_v * 0.5, POINT.supply_v * 205.0 / 256.0
    for _ in range(1_500):
        track = POINT.track_ohm * (1.0 + 0.20 * rng.uniform(-1.0, 1.0))
        part = POINT.fitted_f * (1.0 + 0.10 * rng.uniform(-1.0, 1.0))
        node = node_from_wiper(wiper, POINT.rate_hz, part, POINT.supply_v, track, 0.0)
        stated = added_lag_s(node, POINT.rate_hz, POINT.fitted_f, POINT.supply_v, POINT.track_ohm, 0.0, rest_v, hold_v, POINT.return_s)
        node_s, wiper_s = half_crossing_s((np.stack([node, POINT.supply_v * wiper]) - rest_v) / (hold_v - rest_v), POINT.rate_hz)
        errors.append(float(stated) - float(node_s - wiper_s))
    bare = replace(INPUTS, supply_u_v=0.0, clock_half_width_share=0.0, lag_sd_s=0.0, point=replace(POINT, input_ohm=1e15))
    combined = combine(lag_lines(bare))
    assert float(np.std(errors)) == pytest.approx(combined.u, rel=0.06)
    assert float(np.mean(np.abs(np.array(errors) - np.mean(errors)) <= combined.expanded)) > 0.93


def test_what_a_study_adds() -> None:
    """With a study, noise and release are inside its repeatability: shown, not added again."""
    classic = parse_study(CLASSIC.read_text())
    rows = [
        StudyRow(str(p), str(o), str(r), {"main x+ peak_counts": float(classic.values[p, o, r])})
        for p in range(10) for o in range(3) for r in range(3)
    ]  # fmt: skip
    inputs = with_study(INPUTS, evaluate_study(rows, lambda name, mean: Tolerance(None, "none")))
    assert (inputs.repeatability_sd_counts, inputs.repeatability_df) == pytest.approx((0.199933, 78.0), rel=1e-5)
    assert (inputs.reproducibility_sd_counts, inputs.reproducibility_df) == pytest.approx((0.226838, 2.0), rel=1e-5)
    lines = lines_by_source(peak_lines(inputs))
    assert lines["variation of the release"].contribution == 0.0
    assert "held in the repeatability" in lines["noise after the estimator"].origin
    document = budget_document(inputs)
    json.dumps(document, allow_nan=False)
    assert document["peak"]["combined_u"] == pytest.approx(0.3024, abs=0.01)
    assert document["peak"]["effective_df"] < 10.0
    assert document["peak"]["student_factor"] > 2.2
    alone = budget_document(INPUTS)
    assert any("no accepted gauge study" in note for note in alone["peak"]["notes"])
    still = evaluate_study([replace(row, values={"main x+ peak_counts": 0.0}) for row in rows], lambda name, mean: Tolerance(None, "none"))
    assert with_study(INPUTS, still) is INPUTS


def test_more_flicks_lessen_only_what_scatters() -> None:
    one, many = (budget_document(replace(INPUTS, flicks=flicks)) for flicks in (1, 16))
    by = [{line["source"]: line["contribution"] for line in document["peak"]["lines"]} for document in (one, many)]
    assert by[0]["variation of the release"] == pytest.approx(4.0 * by[1]["variation of the release"])
    assert by[0]["supply reading"] == by[1]["supply reading"]
    assert many["added_lag"]["combined_u"] < one["added_lag"]["combined_u"]


def test_without_a_part_there_is_no_lag() -> None:
    bare = replace(INPUTS, point=replace(POINT, fitted_f=0.0))
    assert budget_document(bare)["added_lag"] is None
    with pytest.raises(UsageError, match="fitted_f is 0"):
        lag_lines(bare)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"supply_u_v": -1.0}, "supply_u_v is -1.0; expected 0 or more"),
        ({"noise_counts": math.nan}, "noise_counts is nan"),
        ({"flicks": 0}, "flicks is 0; expected 1 or more"),
        ({"gain_df": 0.5}, "gain_df is 0.5"),
    ],
)
def test_figures_that_cannot_be(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        replace(INPUTS, **changes)
    with pytest.raises(UsageError, match=r"track_ohm is 0\.0; expected more than 0"):
        replace(POINT, track_ohm=0.0)
    with pytest.raises(UsageError, match="peak_counts is 80"):
        replace(POINT, peak_counts=80.0)
