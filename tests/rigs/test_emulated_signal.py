"""What arrives as codes: known sticks and circuits measured back through finger, wiper, capacitor, sampler, converter and frames."""

import math
from typing import Any

import numpy as np
import pytest

from rigs.emulated.bench import plain_unit
from rigs.emulated.laws import ConverterLaw
from rigs.emulated.settings import RigSettings
from rigs.emulated.stick import overshoot
from rigs.link.messages import Reference
from tests.rigs.emulated_host import Host, ready_host

IDEAL = {
    "damping_spread": 0.0,
    "ring_spread": 0.0,
    "friction_counts": 0.0,
    "stiction_counts": 0.0,
    "friction_spread": 0.0,
    "warm_up": 0.0,
    "rough_counts": 0.0,
}
AT_TAU = 0.6321205588285577  # 1 - 1/e, standard RC theory
RISE_OVER_TAU = 2.1972245773362196  # ln 9, standard RC theory


def host_with(x: dict[str, Any], rate_hz: int = 10_000, bits: int = 12, **rest: Any) -> Host:
    """One ideal unit with these figures on x; a converter without noise, fine enough to look through."""
    unit = plain_unit("DN2-00001", {**IDEAL, **x}, IDEAL)
    ideal: dict[str, Any] = {"input_ohm": 1e12, "supply_v": 3.3, "noise_v": 0.0, **rest}
    settings = RigSettings(sample_rate_hz=rate_hz, bits=bits, **ideal)
    return ready_host([unit], settings=settings)


def deflection(host: Host, group: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and counts of one flick of the group's axis, held side positive, from the release on."""
    host.sample(True)
    host.wait(0.05)
    host.flick(group)
    host.finish()
    host.sample(False)
    scale = 3.3 / 2**host.rig.settings.bits / (host.rig.plant.sampler.law.supply_v / 256)
    counts = host.codes()[:, group // 2] * scale
    counts = (counts - counts[: host.rig.settings.sample_rate_hz // 25].mean()) * (1 if group % 2 == 0 else -1)
    released = host.rig.log.last("released")
    assert released is not None
    clock = host.rig.plant.sampler.clock
    times_s = clock.begin_s + np.arange(len(counts)) * clock.period_s - released.time_s
    return times_s, counts


@pytest.mark.parametrize("zeta", [0.3, 0.4, 0.5, 0.6])
@pytest.mark.parametrize("group", [0, 1])
def test_the_far_side_peak_is_the_closed_form_overshoot(zeta: float, group: int) -> None:
    """Second-order step response: exp(-pi zeta / sqrt(1 - zeta^2)) of the initial deflection (standard vibration theory)."""
    host = host_with({"damping_plus": zeta, "damping_minus": zeta, "ring_hz": 60.0})
    times_s, counts = deflection(host, group)
    after = counts[times_s > 0]
    assert counts[(times_s < -0.002) & (times_s > -0.03)].mean() == pytest.approx(77.0, abs=0.03)
    assert -after.min() == pytest.approx(77.0 * overshoot(zeta), abs=0.06)
    falls_s = times_s[times_s > 0][np.argmin(after)]
    assert falls_s == pytest.approx(1 / 60.0 / 2, abs=4e-4)  # half a ring period; the valley is flat, codes are 0.0625 counts wide


def test_dry_friction_makes_the_tabulated_peaks() -> None:
    """Coulomb friction alone (hand arithmetic): of 10, with friction over stiffness 0.8: -8.4, 6.8, -5.2, 3.6, stops at 0.4."""
    figures = {"damping_plus": 0.0, "friction_counts": 3.2, "reach_plus_counts": 40.0, "ring_hz": 50.0}
    host = host_with(figures)
    times_s, counts = deflection(host)
    lies = host.rig.plant.mechanism.paths[0]
    extremes = [counts[(times_s > (n - 0.5) / 100) & (times_s < (n + 0.5) / 100)] for n in range(1, 5)]
    found = [piece.min() if n % 2 else piece.max() for n, piece in enumerate(extremes, 1)]
    held = counts[(times_s < -0.002) & (times_s > -0.03)].mean()  # counts are from where the stick lay before, not from neutral
    swings = np.abs(np.diff([held, *found]))
    assert swings == pytest.approx([4 * 18.4, 4 * 15.2, 4 * 12.0, 4 * 8.8], abs=0.2)
    assert abs(lies.state(host.rig.now_s)[0]) == pytest.approx(1.6, abs=1e-6)


def step_host(capacitance_f: float) -> Host:
    """A wiper that jumps: so quick a stick that its swing is over within a sample; a resistor that dwarfs the track's part."""
    quick = {"ring_hz": 40_000.0, "damping_plus": 0.9, "track_ohm": 40.0, "series_ohm": 10_000.0, "capacitance_f": capacitance_f}
    return host_with(quick, rate_hz=24_000)


@pytest.mark.parametrize("capacitance_f", [1e-7, 2.2e-7, 4.7e-7])
def test_the_sampled_node_falls_63_percent_in_one_tau(capacitance_f: float) -> None:
    tau_s = 10_010.0 * capacitance_f
    times_s, counts = deflection(step_host(capacitance_f))
    tail = counts[-100:].mean()
    held = counts[(times_s < -0.002) & (times_s > -0.03)].mean()
    share = (held - counts) / (held - tail)
    falling = (times_s > -1e-4) & (times_s < 6 * tau_s)
    reached = np.interp([0.1, AT_TAU, 0.9], share[falling], times_s[falling])
    assert reached[1] == pytest.approx(tau_s, rel=0.01, abs=2e-5)
    assert reached[2] - reached[0] == pytest.approx(RISE_OVER_TAU * tau_s, rel=0.015, abs=2e-5)


def test_the_capacitor_sees_the_source_resistance_of_the_wiper() -> None:
    """R a (1 - a): a bare 10 k track at its middle is 2.5 k, whatever direction the current has (Thevenin, closed form)."""
    host = host_with({"ring_hz": 40_000.0, "damping_plus": 0.9, "reach_plus_counts": 2.0, "capacitance_f": 1e-6}, rate_hz=24_000)
    times_s, counts = deflection(host)
    falling = (times_s > 0) & (times_s < 0.012)
    share = (2.0 - counts[falling]) / 2.0
    assert np.interp(AT_TAU, share, times_s[falling]) == pytest.approx(2.5e-3, rel=0.05)


def test_every_sample_rate_and_width_is_served() -> None:
    for rate_hz, bits in ((4_800, 10), (8_000, 8), (10_000, 12)):
        host = host_with({}, rate_hz=rate_hz, bits=bits)
        identity = host.last("IDENTITY").fields
        assert (identity["sample_rate"], identity["bits"]) == (rate_hz, bits)
        times_s, counts = deflection(host)
        assert host.codes().max() < 2**bits
        assert counts[(times_s < -0.002) & (times_s > -0.03)].mean() == pytest.approx(77.0, abs=0.6 if bits == 8 else 0.15)


def test_coupling_and_wiring_show_as_they_are() -> None:
    host = host_with({})
    host.ills.unit("DN2-00001", coupling_y=0.1)
    times_s, _ = deflection(host)
    y = host.codes()[:, 1] / 16.0
    assert y[(times_s < -0.002) & (times_s > -0.03)].mean() - y[:400].mean() == pytest.approx(7.7, abs=0.05)
    for wiring, axis, sign in (("swapped", 1, 1), ("reversed_x", 0, -1)):
        host = host_with({})
        host.ills.unit("DN2-00001", "main", "", **{wiring: True})
        times_s, _ = deflection(host)
        seen = host.codes()[:, axis] / 16.0
        assert seen[(times_s < -0.002) & (times_s > -0.03)].mean() - seen[:400].mean() == pytest.approx(77.0 * sign, abs=0.05)


def test_dropouts_are_short_and_come_only_while_the_stick_moves() -> None:
    host = host_with({"dropout_hz": 300.0}, input_ohm=10e6)
    times_s, counts = deflection(host)
    lost = counts < -100.0
    assert lost.any()
    assert not lost[times_s < -0.15].any()
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], lost.astype(int), [0]]))))[::2]
    assert runs.max() <= 8  # a lift is one to four samples at 10 kS/s; two may touch


def test_the_noise_is_the_law_s_noise() -> None:
    host = ready_host([plain_unit("DN2-00001", {**IDEAL}, IDEAL)], settings=RigSettings(noise_v=0.002))
    host.sample(True)
    host.wait(1.0)
    host.sample(False)
    rms_v = host.codes()[:, 0].astype(float).std() * 3.3 / 4096
    assert rms_v == pytest.approx(math.hypot(0.002, 3.3 / 4096 / math.sqrt(12)), rel=0.03)


def test_levels_are_read_with_the_converter_s_own_errors() -> None:
    host = ready_host(settings=RigSettings(supply_v=3.31, noise_v=0.0))
    read = [host.carry_out("READ_LEVEL", what=what)["value"] for what in range(4)]
    assert read == pytest.approx([3_310_000, 206_250, 1_650_000, 3_093_750], abs=2)
    host.rig.plant.set_converter(host.rig.now_s, ConverterLaw(noise_v=0.0, gain_error=0.01, reference_error=0.02, supply_v=3.31))
    read = [host.carry_out("READ_LEVEL", what=what)["value"] for what in (0, 2)]
    assert read == pytest.approx([3_310_000 * 1.01 / 1.02, 1_650_000 * 1.01 / 1.02], rel=1e-6)


@pytest.mark.parametrize("input_ohm", [10e6, 1e6, 90e3])
def test_the_input_loads_the_level_behind_the_resistor(input_ohm: float) -> None:
    """A source of 10 kilohm under a load is a divider (Ohm's law)."""
    host = ready_host(settings=RigSettings(noise_v=0.0, input_ohm=input_ohm))
    half, loaded = (host.carry_out("READ_LEVEL", what=what)["value"] for what in (Reference.HALF, Reference.HALF_SOURCE))
    assert half == 1_650_000
    assert loaded == pytest.approx(1_650_000 * input_ohm / (input_ohm + 10_000), abs=1)
