"""What a recording tells of its rig, against what the emulated rig truly did."""

import math
import time
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from rigs.driver.dialogue import RigDriver
from rigs.emulated.bench import Bench, plain_unit
from rigs.emulated.hands import Hands
from rigs.emulated.ills import Ills
from rigs.emulated.laws import ServoLaw, changed
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.settings import FingerShape, FlickTiming, RigSettings
from rigs.emulated.virtual import LoopbackTransport, VirtualClock
from station.measure.health import health_of, health_pushes, jitter, pooled
from station.ports import Flick, ReadSupply, Sample
from station.proof import HEALTH
from station.quantities import GROUPS
from station.records import CommandedFlick, Floats, Recording
from station.service.trace import StickTrace
from station.specification import Specification

HOLD_S, FREE_S = 0.06, 0.15
SHAPE, LAW, TIMING = FingerShape(), ServoLaw(), FlickTiming()
STIFFER = {"ring_hz": 72.0}
MODEL_S = 0.00002  # what dry friction and the sampler's noise leave of an instant
COST_S = 0.005  # of a run of 60 flicks
HEALTHY_SEEDS = range(10, 15)


def recorded(
    flicks: int,
    seed: int = 3,
    settings: RigSettings | None = None,
    figures: dict[str, float] | None = None,
    servo: Mapping[str, float] = MappingProxyType({}),
) -> tuple[Recording, EmulatedRig]:
    """A stick's recording over the real chain in virtual time; groups in turn."""
    rig = EmulatedRig(seed, Bench([plain_unit("DN2-00001", figures, figures)], 1), settings)
    clock = VirtualClock()
    driver = RigDriver("rig-1", LoopbackTransport(rig, clock), clock)
    identity = driver.connect()
    Ills(rig).servo(**servo)
    Hands(rig).open_guard()
    Hands(rig).clamp()
    Hands(rig).close_guard()
    driver.poll(0.1)
    driver.poll(0.1)
    trace = StickTrace("main", identity, driver.carry_out(ReadSupply()).value)
    driver.carry_out(Sample(1, True))
    until_s = clock.monotonic_s() + 0.35
    while clock.monotonic_s() < until_s:
        driver.poll(0.02)
    trace.add(driver.take_samples())
    for number in range(flicks):
        done = driver.carry_out(Flick(1, GROUPS[number % 4], HOLD_S, FREE_S))
        trace.note_flick(GROUPS[number % 4], done.first_sample)
        trace.add(driver.take_samples())
    driver.carry_out(Sample(1, False))
    trace.add(driver.take_samples())
    driver.close()
    return trace.recording(), rig


def true_slips_s(rig: EmulatedRig) -> Floats:
    """From the firmware's order of each flick until the stick truly left the finger."""
    begun = [one.time_s for one in rig.log.since(0.0, "flick")]
    let_go = [one.time_s for one in rig.log.since(0.0, "released")]
    return np.asarray(let_go, dtype=np.float64) - np.asarray(begun, dtype=np.float64)


def expected(servo: ServoLaw) -> dict[str, float]:
    """From the emulated rig's geometry: angles over speed, after the latency. Orders are known to half a sample."""
    reached = SHAPE.touch_deg + servo.wear_deg + servo.backlash_deg / 2
    slips = SHAPE.release_deg - servo.wear_deg + servo.backlash_deg / 2
    instant = 1e-4 / math.sqrt(12.0)  # an order falls anywhere between two samples
    return {
        "push_latency_s": servo.latency_s + reached / servo.slew_deg_s,
        "push_jitter_s": math.hypot(servo.latency_jitter_s, instant),
        "push_s": 0.8 * (SHAPE.gate_deg - SHAPE.touch_deg) / servo.slew_deg_s,
        "release_s": TIMING.push_s + HOLD_S + servo.latency_s + (slips - SHAPE.hold_deg) / servo.slew_deg_s,
        "release_jitter_s": math.hypot(math.hypot(servo.latency_jitter_s, instant), servo.release_jitter_deg / servo.slew_deg_s),
    }


@pytest.fixture(scope="module")
def healthy(dunlin: Specification) -> list[dict[str, float]]:
    """Health of some runs of a healthy rig, each with another unit."""
    return [health_of(recorded(60, seed=seed, figures={"ring_hz": 55.0 + 2.0 * seed % 20.0})[0], dunlin) for seed in HEALTHY_SEEDS]


@pytest.mark.parametrize(
    "ill", [{}, {"latency_s": 0.009}, {"slew_deg_s": 1000.0}, {"wear_deg": 0.6}, {"release_jitter_deg": 0.4, "latency_jitter_s": 0.0004}]
)
def test_health_is_what_the_finger_truly_did(dunlin: Specification, ill: dict[str, float]) -> None:
    """Standard error of a median of n normal values: 1.2533 sd / sqrt(n); of a standard deviation: 1 / sqrt(2 (n - 4)) of itself."""
    flicks = 60
    found = health_of(recorded(flicks, servo=ill)[0], dunlin)
    assert set(found) == set(HEALTH)
    true = expected(changed(LAW, ill))
    for name, value in true.items():
        median_s = 1.2533 * true["release_jitter_s"] / math.sqrt(flicks)
        allowed = 3.0 * value / math.sqrt(2.0 * (flicks - 4)) if "jitter" in name else 3.0 * median_s + MODEL_S
        assert found[name] == pytest.approx(value, abs=allowed), name


def test_noise_is_the_samplers(dunlin: Specification) -> None:
    """0.0015 V rms and the converter's step of 3.3 V / 4096, whose error is uniform: step / sqrt(12) (Widrow)."""
    found = health_of(recorded(4)[0], dunlin)
    true_counts = math.hypot(0.0015, 3.3 / 4096 / math.sqrt(12.0)) / (3.302 / 256)
    assert found["noise_x_counts"] == pytest.approx(true_counts, rel=0.06)
    assert found["noise_y_counts"] == pytest.approx(true_counts, rel=0.06)


@pytest.mark.parametrize(("damping", "ring_hz"), [(0.35, 65.0), (0.47, 50.0), (0.47, 80.0), (0.6, 60.0)])
def test_units_of_other_stiffness_and_damping_tell_the_same_release(dunlin: Specification, damping: float, ring_hz: float) -> None:
    figures = {"damping_plus": damping, "damping_minus": damping, "ring_hz": ring_hz}
    recording, rig = recorded(40, figures=figures)
    found = health_pushes(recording, dunlin)
    assert found is not None
    off_s = found.release_s - true_slips_s(rig)
    assert abs(float(off_s.mean())) < 0.00008
    assert float(off_s.std()) < 0.00005


def test_largest_speed_is_that_of_a_damped_swing(dunlin: Specification) -> None:
    """Of a mass on a damped spring let go at rest: w exp(-z / sqrt(1 - z^2) atan(sqrt(1 - z^2) / z)) (textbook vibration, closed form)."""
    zeta, ring_hz = 0.47, 65.0
    still = {
        "damping_plus": zeta, "damping_minus": zeta, "ring_hz": ring_hz, "damping_spread": 0.0, "ring_spread": 0.0, "friction_counts": 0.0,
        "stiction_counts": 0.0, "friction_spread": 0.0, "warm_up": 0.0, "rough_counts": 0.0,
    }  # fmt: skip
    root = math.sqrt(1.0 - zeta**2)
    fastest = 2.0 * math.pi * ring_hz / root * math.exp(-zeta / root * math.atan2(root, zeta))
    assert health_of(recorded(40, figures=still)[0], dunlin)["release_speed_share_s"] == pytest.approx(fastest, rel=0.01)


@pytest.mark.parametrize("rate_hz", [4_000, 4_800, 24_000])
def test_other_sampling_rates_tell_the_same(dunlin: Specification, rate_hz: int) -> None:
    found = health_of(recorded(40, settings=RigSettings(sample_rate_hz=rate_hz))[0], dunlin)
    for name in ("push_latency_s", "push_s", "release_s"):
        assert found[name] == pytest.approx(expected(LAW)[name], abs=0.00015), name


def test_a_dead_axis_leaves_the_other_to_tell(dunlin: Specification) -> None:
    recording, _ = recorded(40)
    dead = replace(recording, y_v=np.full(len(recording.y_v), 1.65))
    found, whole = health_of(dead, dunlin), health_of(recording, dunlin)
    assert found["push_latency_s"] == pytest.approx(whole["push_latency_s"], abs=0.0001)
    assert found["noise_y_counts"] == 0.0


@pytest.mark.parametrize("what", ["nothing", "numbers", "short", "no orders", "far orders", "other side"])
def test_what_cannot_be_known_is_no_number_and_nothing_is_raised(dunlin: Specification, what: str) -> None:
    recording, _ = recorded(8)
    cases = {
        "nothing": replace(recording, x_v=np.zeros(0), y_v=np.zeros(0)),
        "numbers": replace(recording, x_v=np.full(len(recording.x_v), np.nan), y_v=np.full(len(recording.y_v), np.nan)),
        "short": replace(recording, x_v=recording.x_v[:40], y_v=recording.y_v[:40]),
        "no orders": replace(recording, commanded=None),
        "far orders": replace(recording, commanded=(CommandedFlick("x+", 10**9),)),
        "other side": replace(recording, x_v=3.3 - recording.x_v, y_v=3.3 - recording.y_v),
    }
    found = health_of(cases[what], dunlin)
    assert set(found) == set(HEALTH)
    assert math.isnan(found["push_s"])
    assert math.isnan(found["release_jitter_s"])


def test_jitter_is_about_the_groups_own_means() -> None:
    values = np.array([1.0, 3.0, 11.0, 13.0, np.nan])
    assert jitter(values, np.array([0, 0, 3, 3, 1])) == pytest.approx(math.sqrt(2.0))
    assert math.isnan(jitter(values[:1], np.array([0])))


def test_sticks_are_pooled_over_those_that_know() -> None:
    one, other = dict.fromkeys(HEALTH, 1.0), dict.fromkeys(HEALTH, 3.0) | {"push_s": math.nan}
    assert pooled([one, other]) == dict.fromkeys(HEALTH, 2.0) | {"push_s": 1.0}
    assert all(math.isnan(value) for value in pooled([]).values())


def test_health_of_a_long_run_costs_little(dunlin: Specification) -> None:
    recording, _ = recorded(60)
    spent = []
    for _ in range(5):
        began = time.perf_counter()
        health_of(recording, dunlin)
        spent.append(time.perf_counter() - began)
    assert min(spent) < COST_S


@pytest.mark.parametrize(
    ("ill", "figure"),
    [
        ({"wear_deg": 0.5}, "push_latency_s"),
        ({"wear_deg": 0.5}, "release_s"),
        ({"slew_deg_s": 1150.0}, "push_s"),
        ({"latency_s": 0.0065}, "push_latency_s"),
        ({"clamp_play_deg": 0.9}, "push_jitter_s"),
        ({"release_jitter_deg": 0.5}, "release_jitter_s"),
    ],
)
def test_wear_shows_beside_what_healthy_runs_scatter(
    dunlin: Specification, healthy: list[dict[str, float]], ill: dict[str, float], figure: str
) -> None:
    """Against the mean of healthy runs, five of their standard deviations; runs of 60 flicks, units of other stiffness."""
    found = [one[figure] for one in healthy]
    ill_one = health_of(recorded(60, seed=90, figures=STIFFER, servo=ill)[0], dunlin)[figure]
    assert abs(ill_one - float(np.mean(found))) > 5.0 * float(np.std(found, ddof=1))
