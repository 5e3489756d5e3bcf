"""One flick's figures from its samples, against closed forms of the second-order step response."""

import math

import numpy as np
import pytest

from station.errors import UsageError
from station.prove.calibration_signal import LEAVES_U_S, leaves_s, sd_of, shape_of

HOLD, BEGIN_S, RATE_S, RELEASE_S = 0.3, 0.0141, 48.0, 0.1228


def flick(zeta: float, ring_hz: float, rate_hz: float = 10_000.0, noise: float = 0.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Push at equal speed, hold, and the free decay from rest: standard theory of the damped oscillator."""
    times_s = np.arange(0.0, 0.33, 1.0 / rate_hz)
    natural = 2 * math.pi * ring_hz / math.sqrt(1 - zeta**2)
    ring, decay = 2 * math.pi * ring_hz, zeta * natural
    after = np.maximum(0.0, times_s - RELEASE_S)
    free = np.exp(-decay * after) * (np.cos(ring * after) + decay / ring * np.sin(ring * after))
    push = np.clip(RATE_S * (times_s - BEGIN_S), 0.0, 1.0)
    shape = np.where(times_s < RELEASE_S, push, free)
    return HOLD * shape + noise * np.random.default_rng(seed).standard_normal(len(times_s)), times_s


@pytest.mark.parametrize("zeta", [0.35, 0.47, 0.6])
@pytest.mark.parametrize("ring_hz", [48.0, 65.0, 88.0])
def test_a_flick_s_figures_are_the_closed_form_s(zeta: float, ring_hz: float) -> None:
    shape = shape_of(*flick(zeta, ring_hz))
    assert shape.begin_s == pytest.approx(BEGIN_S, abs=1e-9)
    assert shape.rate_s == pytest.approx(RATE_S, rel=1e-9)
    assert shape.hold == pytest.approx(HOLD, rel=1e-9)
    assert shape.release_s == pytest.approx(RELEASE_S, abs=1.6 * LEAVES_U_S)
    assert shape.peak == pytest.approx(math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2)), abs=0.003)  # overshoot, from memory


@pytest.mark.parametrize("rate_hz", [4_800.0, 10_000.0])
def test_noise_moves_the_figures_little_and_to_neither_side(rate_hz: float) -> None:
    shapes = [shape_of(*flick(0.47, 65.0, rate_hz, noise=5e-4, seed=seed)) for seed in range(60)]
    clean = shape_of(*flick(0.47, 65.0, rate_hz))
    for name, sd in (("begin_s", 2e-5), ("release_s", 8e-5), ("peak", 2e-3)):
        values = np.array([getattr(one, name) for one in shapes])
        assert values.std(ddof=1) < sd, name
        assert abs(values.mean() - getattr(clean, name)) < 4 * values.std(ddof=1) / math.sqrt(60) + 0.1 * sd, name


@pytest.mark.parametrize("seed", range(8))
def test_a_noisy_hold_is_not_taken_for_a_release(seed: int) -> None:
    """Three times the noise that a calibration accepts, and single samples astray."""
    random = np.random.default_rng(seed)
    deflection, times_s = flick(0.47, 65.0, noise=0.0045, seed=seed)
    deflection[random.integers(600, 1200, 3)] *= 0.68  # between the shares at which a stick counts as leaving
    assert shape_of(deflection, times_s).release_s == pytest.approx(RELEASE_S, abs=1e-3)


def test_a_stick_quicker_than_the_samples_is_let_go_between_two() -> None:
    times_s = np.linspace(0.0, 4e-3, 40, endpoint=False)
    deflection = np.where(times_s < 0.00205, 0.3, 0.0)
    assert leaves_s(deflection, times_s, 0.3) == pytest.approx(0.00205, abs=1e-4)


def test_what_is_no_flick_is_refused() -> None:
    deflection, times_s = flick(0.47, 65.0)
    held = times_s < RELEASE_S
    with pytest.raises(UsageError, match="let go"):
        leaves_s(deflection[held][500:], times_s[held][500:], HOLD)
    with pytest.raises(UsageError, match="push, hold and release"):
        shape_of(deflection[held], times_s[held])
    with pytest.raises(UsageError, match="four samples"):
        shape_of(np.where(held, np.where(times_s < 0.02, 0.0, HOLD), deflection), times_s)


def test_a_standard_deviation_needs_two_values() -> None:
    assert math.isnan(sd_of(np.array([1.0])))
    assert sd_of(np.array([1.0, 3.0])) == pytest.approx(math.sqrt(2))
