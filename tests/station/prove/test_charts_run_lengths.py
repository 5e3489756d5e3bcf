"""How long charts run until they speak: exactly, by Markov chain, and by the rules themselves on seeded normal values.

The chain knows nothing of the rules' code. It is itself held against the published run lengths of Champ and Woodall (1987).
"""

import json
import math
from collections import deque
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from station.proof import ChartPoint
from station.prove.chart_constants import mean_sd, sd_of_range, sd_of_sd
from station.prove.chart_rules import firings
from station.prove.chart_table import CHARTS, INDIVIDUAL_RULES, LEAST_RUNS, PEAK_UNITS
from station.prove.charts import ChartKind, limits_from, place
from station.prove.range_constants import mean_range
from station.records import Floats
from tests.station.prove.test_charts import singles

ENTRIES: dict[str, dict[str, Any]] = json.loads((Path(__file__).parents[2] / "data" / "control_charts.json").read_text())["entries"]
UNLIKELY: Final = 1e-5  # chance that a correct count is called wrong, two-sided, each
State = tuple[int, tuple[int, ...], tuple[int, ...]]


def next_state(state: State, zone: int, rules: frozenset[str], run: int) -> State | None:
    """After a point in zone 1 to 4 (within one, two, three sigma, beyond) on the side of its sign; None when a rule fires."""
    side = 1 if zone > 0 else -1
    length = state[0] + side if state[0] * side > 0 else side
    far, off = side * (abs(zone) >= 3), side * (abs(zone) >= 2)
    speaks = {
        "beyond": abs(zone) == 4,
        "one-side": abs(length) >= run,
        "two-far": far != 0 and far in state[1],
        "four-off": off != 0 and state[2].count(off) >= 3,
    }
    if any(speaks[rule] for rule in rules):
        return None
    kept = (length if "one-side" in rules else 0, (*state[1], far)[1:], (*state[2], off)[1:])
    return kept[0], kept[1] if "two-far" in rules else (0, 0), kept[2] if "four-off" in rules else (0, 0, 0, 0)


def chain(rules: frozenset[str], shift: float = 0.0, run: int = 9) -> Floats:
    """Chances to go from state to state without a signal, start first."""
    borders = (-math.inf, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, math.inf)
    chances = [float(ndtr(high - shift) - ndtr(low - shift)) for low, high in pairwise(borders)]
    states: dict[State, int] = {(0, (0, 0), (0, 0, 0, 0)): 0}
    due, moves = deque(states), []
    while due:
        state = due.popleft()
        for zone, chance in zip((-4, -3, -2, -1, 1, 2, 3, 4), chances, strict=True):
            then = next_state(state, zone, rules, run)
            if then is not None:
                if then not in states:
                    states[then] = len(states)
                    due.append(then)
                moves.append((states[state], states[then], chance))
    out = np.zeros((len(states), len(states)))
    for begin, end, chance in moves:
        out[begin, end] += chance
    return out


def mean_length(moves: Floats) -> float:
    return float(np.linalg.solve(np.eye(len(moves)) - moves, np.ones(len(moves)))[0])


def chance_within(moves: Floats, points: int) -> float:
    return 1.0 - float(np.linalg.matrix_power(moves, points)[0].sum())


def median_length(moves: Floats) -> int:
    return next(points for points in range(1, 10_000) if chance_within(moves, points) >= 0.5)


def assert_plausible(count: int, of: int, chance: float) -> None:
    low, high = (float(stats.binom.ppf(tail, of, chance)) for tail in (UNLIKELY / 2, 1.0 - UNLIKELY / 2))
    assert low <= count <= high, f"{count} of {of} at chance {chance:.4f}; expected {low:.0f} to {high:.0f}"


PUBLISHED = {"1": "beyond", "2": "two-far", "3": "four-off", "4": "one-side"}


@pytest.mark.parametrize("numbers", list(ENTRIES["champ_woodall_run_rules"]["expected"]["ARL0"]))
def test_the_chain_gives_the_published_run_lengths(numbers: str) -> None:
    """Champ and Woodall, Technometrics 29, 1987, in control, with runs of eight; figures from memory, met to their last digit."""
    found = mean_length(chain(frozenset(PUBLISHED[number] for number in numbers), run=8))
    assert found == pytest.approx(ENTRIES["champ_woodall_run_rules"]["expected"]["ARL0"][numbers], abs=0.0051)


@pytest.mark.parametrize(
    ("key", "shift"), [("ARL0", 0.0), ("ARL_shift_1_sigma", 1.0), ("ARL_shift_2_sigma", 2.0), ("ARL_shift_3_sigma", 3.0)]
)
def test_the_chain_gives_the_run_lengths_of_one_point_beyond(key: str, shift: float) -> None:
    assert mean_length(chain(frozenset({"beyond"}), shift)) == pytest.approx(ENTRIES["arl_3sigma"]["expected"][key], rel=1e-9)


@pytest.mark.parametrize(("shift", "mean", "median"), [(0.0, 216.7, 151), (1.0, 17.05, 13), (1.5, 8.51, 9), (2.0, 5.14, 5), (3.0, 2.0, 1)])
def test_run_lengths_of_the_default_rules(shift: float, mean: float, median: int) -> None:
    """The figures that stand beside the table of charts."""
    moves = chain(frozenset(INDIVIDUAL_RULES), shift)
    assert mean_length(moves) == pytest.approx(mean, abs=0.06 if mean > 100 else 0.006)
    assert median_length(moves) == median


def spoke_within(rules: tuple[str, ...], z: Floats) -> int:
    """Sequences, one a row, in which a rule fired."""
    quiet = [math.nan] * z.shape[1]
    return sum(bool(firings(row, quiet, rules)) for row in z.tolist())


@pytest.mark.parametrize(
    ("rules", "shift", "points"),
    [
        (("beyond",), 0.0, 100),
        (("beyond",), 1.0, 30),
        (INDIVIDUAL_RULES, 0.0, 100),
        (INDIVIDUAL_RULES, 1.0, 13),
        (INDIVIDUAL_RULES, 1.5, 9),
        (INDIVIDUAL_RULES, 2.0, 5),
        (INDIVIDUAL_RULES, 3.0, 1),
        (("beyond", "one-side", "two-far", "four-off"), 0.0, 60),
    ],
)
def test_the_rules_speak_as_often_as_the_chain_says(rules: tuple[str, ...], shift: float, points: int) -> None:
    """2,000 seeded sequences; the number of those with a signal is binomial, its bounds left by chance once in 100,000."""
    z = np.random.default_rng(20261125).normal(shift, 1.0, (2000, points))
    assert_plausible(spoke_within(rules, z), 2000, chance_within(chain(frozenset(rules), shift), points))


@pytest.mark.parametrize(("rule", "points"), [("slope", 6), ("zigzag", 14), ("hugging", 15), ("shunning", 8)])
def test_the_other_patterns_come_as_often_as_counted(rule: str, points: int) -> None:
    """One window each: 2 / 6! orders rise or fall; up-down numbers for the zigzag (OEIS A000111: 199360981 of 14!, twice); powers of the
    normal's weights for the others."""
    inside = math.erf(1.0 / math.sqrt(2.0))
    chances = {
        "slope": 2.0 / math.factorial(6),
        "zigzag": 2.0 * 199360981 / math.factorial(14),
        "hugging": inside**15,
        "shunning": (1.0 - inside) ** 8 * (1.0 - 2.0 / 2**8),
    }
    count = 20_000
    z = np.random.default_rng(5).standard_normal((count, points))
    assert_plausible(spoke_within((rule,), z), count, chances[rule])


def test_the_spread_speaks_by_chance_as_stated() -> None:
    """Chi-squared with four degrees of freedom: one in 256; the difference of two values: one in 109."""
    five = (mean_sd(PEAK_UNITS) + 3.0 * sd_of_sd(PEAK_UNITS)) ** 2 * (PEAK_UNITS - 1)
    assert 1.0 / stats.chi2.sf(five, PEAK_UNITS - 1) == pytest.approx(256, abs=1)
    two = (mean_range(2) + 3.0 * sd_of_range(2)) / math.sqrt(2.0)
    assert 1.0 / (2.0 * stats.norm.sf(two)) == pytest.approx(109, abs=1)
    rng = np.random.default_rng(3)
    baseline = limits_from(ChartKind.MEANS, rows_of(rng.normal(20.0, 2.0, (5000, PEAK_UNITS))))
    placed = place(baseline, rows_of(rng.normal(20.0, 2.0, (6000, PEAK_UNITS))))
    found = firings([one.level.zone for one in placed], [one.spread.zone for one in placed if one.spread], ("spread",))
    assert_plausible(len(found), 6000, float(stats.chi2.sf(five, PEAK_UNITS - 1)))


def rows_of(rows: Floats) -> tuple[ChartPoint, ...]:
    return tuple(ChartPoint(str(k), singles([0.0])[0].at, tuple(row)) for k, row in enumerate(rows.tolist()))


def test_limits_from_a_baseline_of_the_least_length_speak_not_much_more_often() -> None:
    """500 charts with limits from 50 individuals each: 0.478 of them had a false signal within 100 points in 4,000 simulated by other
    code, 0.366 with known limits (exact)."""
    rng = np.random.default_rng(12)
    spoke = 0
    for _ in range(500):
        values = rng.standard_normal(LEAST_RUNS + 100)
        limits = limits_from(ChartKind.INDIVIDUALS, singles(values[:LEAST_RUNS].tolist()), LEAST_RUNS)
        zones = (values[LEAST_RUNS:] - limits.centre) / limits.sigma
        spoke += spoke_within(INDIVIDUAL_RULES, zones[None, :])
    assert chance_within(chain(frozenset(INDIVIDUAL_RULES)), 100) == pytest.approx(0.366, abs=0.001)
    assert_plausible(spoke, 500, 0.478)


def test_no_chart_asks_for_fewer_points_than_its_rules_look_back() -> None:
    assert all(line.least >= 20 for line in CHARTS.values())
