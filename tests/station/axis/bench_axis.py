"""Speed of the axis model and of advice: `python -m tests.station.axis.bench_axis`. Figures are of one core, best of several rounds."""

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from station.axis.model import node_from_wiper
from tests.station.axis.sticks import COUNT_V, SUPPLY_V, TRACK_OHM, Stick, times

FARADS = np.array([0.0, 1e-7, 1.5e-7, 2.2e-7, 3.3e-7, 4.7e-7, 6.8e-7])
FLICKS, RATE_HZ, LENGTH_S = 80, 8_000.0, 0.18


def best_s(work: Callable[[], Any], rounds: int) -> float:
    """Shortest processor time of a call."""
    times_s = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        times_s.append(time.process_time() - begin)
    return min(times_s)


def model_against_integrator(rounds: int = 5) -> dict[str, float]:
    """Flick-candidates per second of the model and of scipy's solve_ivp (default method, rtol 1e-10), and their largest difference."""
    rng = np.random.default_rng(1)
    t = times(RATE_HZ, LENGTH_S)
    wipers = np.array([Stick(60.0, 0.35, release_s=0.03 + rng.uniform(0.0, 0.001)).wiper(t) for _ in range(FLICKS)])

    def forward() -> np.ndarray:
        return node_from_wiper(wipers, RATE_HZ, FARADS[:, None], SUPPLY_V, TRACK_OHM, 0.0)

    curve = CubicSpline(t, wipers[0])

    def slope(s: float, v: np.ndarray) -> np.ndarray:
        a = curve(s)
        return (SUPPLY_V * a - v) / (FARADS[4] * TRACK_OHM * a * (1.0 - a))

    def integrate() -> np.ndarray:
        start = [SUPPLY_V * wipers[0, 0]]
        return solve_ivp(slope, (t[0], t[-1]), start, rtol=1e-10, atol=1e-12, t_eval=t).y[0]

    ours_s = best_s(forward, rounds) / (FLICKS * len(FARADS))
    theirs_s = best_s(integrate, max(rounds - 2, 1))
    error = float(np.abs(forward()[4, 0] - integrate()).max() / COUNT_V)
    return {"model_per_s": 1.0 / ours_s, "solve_ivp_per_s": 1.0 / theirs_s, "ratio": theirs_s / ours_s, "difference_counts": error}


def advice_for_a_unit(rounds: int = 5, fitted_f: float = 0.0) -> float:
    """Seconds for advice on 80 flicks and 7 candidates; tolerances, measuring and retests included."""
    from station.judge.advice import advise
    from station.records import Fitted
    from station.specification import parse_specification
    from tests.conftest import DATA
    from tests.truth import Scene, simulate

    spec = parse_specification((DATA / "dunlin-2-A.toml").read_text())
    order = ("x+", "x-", "y+", "y-") * (FLICKS // 4)
    peaks = dict.fromkeys(order[:4], 24.0)
    scene = Scene(order=order, peak_counts=peaks, ring_hz=80.0, capacitance_f=(fitted_f, fitted_f))
    recording = simulate(scene, 1, with_truth=False).recording
    return best_s(lambda: advise(recording, spec, Fitted(fitted_f, fitted_f)), rounds)


if __name__ == "__main__":
    print("axis model", {key: float(f"{value:.4g}") for key, value in model_against_integrator().items()})
    print("advice", {"bare_s": round(advice_for_a_unit(), 3), "fitted_s": round(advice_for_a_unit(fitted_f=3.3e-7), 3)})
