"""The free stick against closed forms of vibration theory, and against an integrator that knows none of them."""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rigs.emulated.release import thrown
from rigs.emulated.stick import Dynamics, Segment, Still, Swing, damping_for, free_motion, overshoot, position_at, swing_from

OGATA = {  # overshoot in percent by damping ratio: second-order step response, textbook table (Ogata, Nise), recalled and recomputed
    0.1: 72.9247614287671,
    0.2: 52.66205993303031,
    0.3: 37.232610492658644,
    0.4: 25.38267219801087,
    0.5: 16.303353482158048,
    0.6: 9.478022484215485,
    0.7: 4.598791026026775,
    0.8: 1.5164619864546562,
    0.9: 0.15237558205194096,
}


def peaks(segments: tuple[Segment, ...]) -> list[float]:
    """Positions at the reversals, the begin of each segment."""
    return [position_at(one, one.begin_s) for one in segments]


def at(segments: tuple[Segment, ...], times_s: np.ndarray) -> np.ndarray:
    begins = [one.begin_s for one in segments]
    which = np.searchsorted(begins, times_s, side="right") - 1
    return np.array([position_at(segments[index], time_s) for index, time_s in zip(which, times_s, strict=True)])


@pytest.mark.parametrize(("zeta", "percent"), OGATA.items())
def test_frictionless_far_side_peak_is_the_textbook_overshoot(zeta: float, percent: float) -> None:
    swing = free_motion(0.0, 100.0, 0.0, Dynamics(300.0, zeta))[0]
    assert isinstance(swing, Swing)
    assert -position_at(swing, swing.turns_after_s()) == pytest.approx(percent, rel=1e-9)
    assert 100.0 * overshoot(zeta) == pytest.approx(percent, rel=1e-12)
    assert damping_for(overshoot(zeta)) == pytest.approx(zeta, rel=1e-12)


def test_example_of_a_stick_with_zeta_06() -> None:
    """Ogata, Modern Control Engineering, example 5-1 (recalled): zeta 0.6, natural frequency 5 rad/s: peak time 0.785 s, 9.5 %."""
    swing = swing_from(0.0, 0.0, 1.0, 0.0, Dynamics(5.0, 0.6))
    assert isinstance(swing, Swing)
    assert swing.turns_after_s() == pytest.approx(0.7853981633974483, rel=1e-12)
    assert -position_at(swing, 0.7853981633974483) == pytest.approx(0.09478022484215485, rel=1e-9)


def test_dry_friction_takes_twice_its_share_each_half_swing_and_stops_off_centre() -> None:
    """Free vibration with dry friction (standard vibration texts, hand arithmetic): 10, -8.4, 6.8 ... stops at 0.4, half period pi/100."""
    segments = free_motion(0.0, 10.0, 0.0, Dynamics(100.0, 0.0, 0.8, 0.8))
    assert peaks(segments) == pytest.approx([10.0, -8.4, 6.8, -5.2, 3.6, -2.0, 0.4], abs=1e-9)
    assert isinstance(segments[-1], Still)
    assert segments[-1].counts == pytest.approx(0.4, abs=1e-9)
    halves = np.diff([one.begin_s for one in segments])
    assert halves == pytest.approx(np.full(6, 0.031415926535897934), rel=1e-9)


def test_static_friction_above_the_kinetic_stops_it_earlier() -> None:
    segments = free_motion(0.0, 10.0, 0.0, Dynamics(100.0, 0.0, 0.8, 2.5))
    assert peaks(segments)[-1] == pytest.approx(-2.0, abs=1e-9)


@pytest.mark.parametrize("zeta", [0.05, 0.2, 0.4])
def test_successive_peaks_shrink_by_the_logarithmic_decrement(zeta: float) -> None:
    """delta = 2 pi zeta / sqrt(1 - zeta^2) (standard vibration theory); a half cycle shrinks by exp(-delta / 2)."""
    swing = free_motion(0.0, 50.0, 0.0, Dynamics(250.0, zeta))[0]
    half_s = math.pi / (250.0 * math.sqrt(1.0 - zeta**2))
    sizes = [abs(position_at(swing, number * half_s)) for number in range(5)]
    ratio = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))
    assert [later / sooner for sooner, later in itertools.pairwise(sizes)] == pytest.approx([ratio] * 4, rel=1e-9)


@pytest.mark.parametrize("zeta", [0.15, 0.5, 1.0, 1.6])
@pytest.mark.parametrize(("counts", "velocity"), [(70.0, 0.0), (5.0, -9000.0), (-20.0, -4000.0)])
@pytest.mark.parametrize("friction", [0.0, 1.5])
def test_agrees_with_an_integrator(zeta: float, counts: float, velocity: float, friction: float) -> None:
    omega = 350.0
    segments = free_motion(0.0, counts, velocity, Dynamics(omega, zeta, friction, friction))

    def force(time_s: float, state: np.ndarray) -> list[float]:
        q, v = state
        return [v, -(omega**2) * (q + friction * np.tanh(v / 1e-1)) - 2 * zeta * omega * v]

    end_s = min(0.05, segments[-1].begin_s) if isinstance(segments[-1], Still) else 0.05
    times_s = np.linspace(0.0, end_s, 200)
    solved = solve_ivp(force, (0.0, end_s), [counts, velocity], method="LSODA", t_eval=times_s, rtol=1e-9, atol=1e-9, max_step=1e-4)
    assert at(segments, times_s) == pytest.approx(solved.y[0], abs=5e-3)


def test_velocity_is_the_slope_of_position() -> None:
    for zeta in (0.3, 1.4):
        for segment in free_motion(0.0, 60.0, 1000.0, Dynamics(400.0, zeta, 0.5, 0.5)):
            time_s = segment.begin_s + 0.002
            slope = (position_at(segment, time_s + 1e-7) - position_at(segment, time_s - 1e-7)) / 2e-7
            assert segment.velocity(time_s) == pytest.approx(slope, abs=1e-2)


def test_a_thrown_finger_slows_the_stick_until_it_is_past_centre() -> None:
    dynamics = Dynamics(400.0, 0.4, 0.1, 0.1)
    freely, laden = free_motion(0.0, 77.0, 0.0, dynamics), thrown(0.0, 77.0, dynamics)
    crosses_s = laden[1].begin_s
    assert position_at(laden[0], crosses_s) == pytest.approx(0.1, abs=1e-9)
    assert laden[0].velocity(crosses_s) == pytest.approx(laden[1].velocity(crosses_s), rel=1e-9)
    assert at(laden, np.array([0.003]))[0] > at(freely, np.array([0.003]))[0] + 5.0
    assert thrown(0.0, 0.05, dynamics) == (Still(0.0, 0.05),)
