"""The estimate of a lot's track against conjugate formulas, numerical integration and simulated lots."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from station.judge.learning_estimate import HALF, PRIOR_FREEDOM, combine

PRIOR = 0.2 / math.sqrt(3.0)


def test_exact_readings_of_one_value_are_that_value() -> None:
    mean, u, spread = combine(np.full(200, 0.1), np.full(200, 0.001), PRIOR)
    assert mean == pytest.approx(0.1, abs=0.002)
    assert u < 0.003
    assert spread < 0.02


def test_very_unclear_readings_leave_the_prior() -> None:
    mean, u, _ = combine(np.array([0.3, -0.2]), np.array([50.0, 50.0]), PRIOR)
    assert mean == pytest.approx(0.0, abs=1e-4)
    assert u == pytest.approx(PRIOR * math.sqrt(HALF), rel=1e-3)


def test_no_tolerance_leaves_nothing_open() -> None:
    assert combine(np.array([0.1]), np.array([0.1]), 0.0) == (0.0, 0.0, 0.0)


def test_the_conjugate_normal_formula_where_the_spread_hardly_matters() -> None:
    """Textbook (Gelman et al., section 2.5): precisions add, means weigh by precision. u = 1 swamps any spread the prior allows."""
    readings, u = np.array([0.5, -0.1, 0.3, 0.2]), np.full(4, 1.0)
    mean, found_u, spread = combine(readings, u, PRIOR)
    variance = u[0] ** 2 + spread**2
    precision = 1.0 / (HALF * PRIOR**2) + 4.0 / variance
    assert mean == pytest.approx(readings.sum() / variance / precision, rel=0.01)
    assert found_u == pytest.approx(precision**-0.5, rel=0.001)


@pytest.mark.parametrize("seed", range(1))
def test_the_sum_over_the_spread_is_the_double_integral(seed: int) -> None:
    """Posterior moments by scipy's adaptive integration over mean and spread, with scipy's own densities."""
    random = np.random.default_rng(seed)
    readings, u = random.normal(0.08, 0.1, 6), random.uniform(0.05, 0.12, 6)
    scale = (1.0 - HALF) * PRIOR**2 * (PRIOR_FREEDOM - 2.0) / PRIOR_FREEDOM
    prior_m = stats.norm(0.0, PRIOR * math.sqrt(HALF))
    prior_v = stats.invgamma(PRIOR_FREEDOM / 2.0, scale=PRIOR_FREEDOM * scale / 2.0)  # scaled inverse chi-square of s^2

    def density(m: float, s: float) -> float:
        likelihood = np.prod(stats.norm.pdf(readings, m, np.hypot(u, s)))
        return float(likelihood * prior_m.pdf(m) * prior_v.pdf(s * s) * 2.0 * s)

    m, s = np.linspace(-0.35, 0.45, 161), np.geomspace(0.002, 0.6, 161)
    table = np.array([[density(a, b) for a in m] for b in s])
    total = integrate.simpson(integrate.simpson(table, x=m, axis=1), x=s)
    first = integrate.simpson(integrate.simpson(table * m, x=m, axis=1), x=s) / total
    second = integrate.simpson(integrate.simpson(table * m**2, x=m, axis=1), x=s) / total
    squares = integrate.simpson(integrate.simpson(table, x=m, axis=1) * s**2, x=s) / total
    mean, found_u, spread = combine(readings, u, PRIOR)
    assert mean == pytest.approx(first, abs=2e-4)
    assert found_u == pytest.approx(math.sqrt(second - first**2), rel=0.01)
    assert spread == pytest.approx(math.sqrt(squares), rel=0.02)


def lots(count: int, retests: int, seed: int, mean: float | None, spread: float | None, u: float = 0.09) -> np.ndarray:
    """Errors of simulated lots' estimates in units of their stated uncertainty. mean, spread None: drawn from the prior."""
    random, out = np.random.default_rng(seed), []
    for _ in range(count):
        m = random.normal(0.0, PRIOR * math.sqrt(HALF)) if mean is None else mean
        scale = (1.0 - HALF) * PRIOR**2 * (PRIOR_FREEDOM - 2.0)
        s = math.sqrt(scale / random.chisquare(PRIOR_FREEDOM)) if spread is None else spread
        readings = m + s * random.standard_normal(retests) + u * random.standard_normal(retests)
        found, found_u, _ = combine(readings, np.full(retests, u), PRIOR)
        out.append((found - m) / found_u)
    return np.array(out)


@pytest.mark.parametrize("retests", [1, 8, 30])
def test_intervals_cover_as_they_say_over_the_prior(retests: int) -> None:
    """Bayes' rule: over lots drawn from the prior, 95 % intervals cover 95 %; 800 lots leave a standard error of 0.8 %."""
    errors = lots(800, retests, 3, None, None)
    assert np.mean(np.abs(errors) < 1.96) == pytest.approx(0.95, abs=0.025)


@pytest.mark.parametrize(("mean", "spread"), [(0.0, 0.04), (0.1, 0.04), (-0.1, 0.08), (0.15, 0.03)])
def test_intervals_cover_for_given_lots(mean: float, spread: float) -> None:
    """Known true track values come back from the stated number of retests on; far ones are drawn in a little."""
    assert np.mean(np.abs(lots(400, 12, 4, mean, spread)) < 1.96) > 0.88


def test_more_retests_say_more() -> None:
    random = np.random.default_rng(6)
    readings = 0.1 + 0.1 * random.standard_normal(60)
    found = [combine(readings[:n], np.full(n, 0.09), PRIOR) for n in (2, 8, 60)]
    assert found[0][1] > found[1][1] > found[2][1]
    assert abs(found[0][0]) < abs(readings[:2].mean())
    assert found[2][0] == pytest.approx(0.1, abs=0.03)
