"""The map of a direction: known maps recovered, uncertainties that cover, maps that are none refused."""

import math

import numpy as np
import pytest
from scipy.stats import linregress

from station.errors import UsageError
from station.prove.calibration_fit import MapFit, Sweep, fit_map, residuals

SLOPE, CONTACT_DEG, FULL_DEG, RELEASE_DEG, PLAY_DEG = 0.012, 10.15, 35.15, 48.1, 0.3
FULL = SLOPE * (FULL_DEG - CONTACT_DEG)
NOISE = 2e-4  # of a settled reading, share of supply: what the emulated track's unevenness leaves


def sweep(
    shift_deg: float, random: np.random.Generator, noise: float = NOISE, moved_deg: float = 0.0, contact_deg: float = CONTACT_DEG
) -> Sweep:
    """A sweep by whole degrees. The unevenness of the one place at the gate is one draw."""
    angle = shift_deg + np.arange(1.0, 48.0)
    at_gate = angle >= FULL_DEG + moved_deg
    deflection = np.clip(SLOPE * (angle - contact_deg - moved_deg), 0.0, FULL)
    deflection = deflection + np.where(at_gate, noise * random.standard_normal(), noise * random.standard_normal(len(angle)))
    back = (20.0, SLOPE * (20.0 + PLAY_DEG - contact_deg - moved_deg))
    return Sweep(angle, deflection, RELEASE_DEG + moved_deg, back)


def five(random: np.random.Generator, noise: float = NOISE, moved_deg: float = 0.0) -> list[Sweep]:
    return [sweep(0.2 * k, random, noise, moved_deg * float(random.uniform(-1, 1))) for k in range(5)]


def test_a_map_without_noise_is_recovered_to_the_last_digits() -> None:
    fit = fit_map(five(np.random.default_rng(1), noise=0.0))
    assert fit.slope.value == pytest.approx(SLOPE, rel=1e-12)
    assert fit.contact_deg.value == pytest.approx(CONTACT_DEG, abs=1e-10)
    assert fit.full_deg.value == pytest.approx(FULL_DEG, abs=1e-10)
    assert fit.full == pytest.approx(FULL, rel=1e-12)
    assert fit.backlashes_deg == pytest.approx(np.full(5, PLAY_DEG), abs=1e-9)
    assert fit.releases_deg == pytest.approx(np.full(5, RELEASE_DEG))
    assert max(np.abs(values).max() for values in residuals(fit, five(np.random.default_rng(1), noise=0.0))) < 1e-12


def test_the_rise_is_the_least_squares_line_with_its_standard_error() -> None:
    """scipy.stats.linregress over the same points."""
    one = sweep(0.0, np.random.default_rng(2), noise=3e-3)
    fit = fit_map([one])
    inside = (one.angle_deg > fit.contact_deg.value + 0.3) & (one.angle_deg < fit.full_deg.value - 0.3)
    line = linregress(one.angle_deg[inside], one.deflection[inside])
    assert (fit.slope.value, fit.slope.u) == pytest.approx((line.slope, line.stderr), rel=1e-9)
    assert fit.contact_deg.value == pytest.approx(-line.intercept / line.slope, rel=1e-9)


def test_the_stated_uncertainties_cover() -> None:
    """400 noisy maps: 2 u hold at least 93 % of the errors, and 1 u not nearly all of them."""
    random = np.random.default_rng(3)
    u_rest = 1e-4
    errors: dict[str, list[float]] = {"slope": [], "contact_deg": [], "full_deg": []}
    for _ in range(400):
        rest = random.normal(0.0, u_rest)
        place = NOISE * random.standard_normal()  # of the one place where the stick lies
        sweeps = five(random)
        top = NOISE * random.standard_normal()  # of the one place at the gate, the same for all sweeps
        raised = [
            Sweep(one.angle_deg, np.where(one.angle_deg >= FULL_DEG, FULL + top, one.deflection) - rest - place, one.release_deg)
            for one in sweeps
        ]
        fit = fit_map(raised, u_rest)
        for name, truth in (("slope", SLOPE), ("contact_deg", CONTACT_DEG), ("full_deg", FULL_DEG)):
            found = getattr(fit, name)
            errors[name].append((found.value - truth) / found.u)
    for name, ratios in errors.items():
        inside = np.abs(ratios)
        assert np.mean(inside <= 2.0) >= 0.93, name
        assert np.mean(inside <= 1.0) <= 0.80, name


def test_a_unit_that_lies_elsewhere_at_every_push_shows_in_the_contacts_and_not_in_the_slope() -> None:
    fit = fit_map(five(np.random.default_rng(4), noise=0.0, moved_deg=0.6))
    assert fit.slope.value == pytest.approx(SLOPE, rel=1e-9)
    assert np.std(fit.releases_deg - fit.contacts_deg) < 1e-9
    assert 0.1 < np.std(fit.contacts_deg, ddof=1) < 0.7


def no_gate(angle: np.ndarray) -> np.ndarray:
    return np.maximum(0.0, SLOPE * (angle - CONTACT_DEG))


@pytest.mark.parametrize(
    ("deflection", "says"),
    [
        (no_gate, "full deflection before the finger lets go"),
        (lambda angle: no_gate(angle) * -1.0, "follow|readings"),
        (lambda angle: np.where(angle > 20.0, 0.3, 0.0), "readings lie on the rise"),
        (lambda angle: np.minimum(no_gate(angle), 0.3) + np.maximum(0.0, angle - 38.0) * 0.004, "still moves"),
    ],
    ids=["no gate", "the other way", "a jump", "a gate that gives"],
)
def test_what_is_no_map_is_refused(deflection: "object", says: str) -> None:
    angle = np.arange(1.0, 48.0)
    assert callable(deflection)
    with pytest.raises(UsageError, match=says):
        fit_map([Sweep(angle, deflection(angle), RELEASE_DEG)])


def test_the_model_is_rest_rise_and_gate() -> None:
    fit: MapFit = fit_map(five(np.random.default_rng(5), noise=0.0))
    found = fit.model(np.array([0.0, CONTACT_DEG, 20.15, FULL_DEG, 60.0]), CONTACT_DEG)
    assert found == pytest.approx([0.0, 0.0, 10 * SLOPE, FULL, FULL], abs=1e-12)
    assert math.isclose(fit.residual_sd, 0.0, abs_tol=1e-12)
