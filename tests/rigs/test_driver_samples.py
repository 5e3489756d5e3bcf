"""Samples put together: what is missing, doubled, stale, out of order or out of time is noticed, to the single sample."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigs.driver.clock_ratio import ClockRatio
from rigs.driver.dialogue import RigDriver
from rigs.driver.samples import PENDING_MAX, SampleStream
from rigs.link.messages import Refusal
from station.errors import RigFault, RigRefused
from station.ports.rig import Sample
from tests.rigs.scripted import RATE_HZ, TICK_HZ, HandClock, ScriptedRig, block, codes

STEP = TICK_HZ // RATE_HZ


def stream() -> SampleStream:
    made = SampleStream(RATE_HZ, TICK_HZ)
    made.begin(41, 0)
    return made


def add(to: SampleStream, first: int, count: int = 50, shift: int = 0) -> None:
    to.add(41, 0, first, 5_000 + first * STEP + shift, codes(first, count))


def sampling(run: int = 41) -> tuple[RigDriver, ScriptedRig, HandClock]:
    clock = HandClock()
    rig = ScriptedRig(clock)
    driver = RigDriver("north", rig, clock, nonce=lambda: 77)
    driver.connect()
    driver.carry_out(Sample(run, True))
    return driver, rig, clock


def read_all(driver: RigDriver, clock: HandClock, seconds: float = 0.1) -> None:
    end_s = clock.now_s + seconds
    while clock.now_s < end_s:
        driver.poll(0.02)


def test_samples_come_in_order_and_are_taken_once() -> None:
    driver, rig, clock = sampling()
    for first in range(0, 500, 50):
        rig.say(block(41, first))
    read_all(driver, clock)
    chunk = driver.take_samples()
    assert (chunk.run_number, chunk.first, chunk.contiguous) == (41, 0, True)
    np.testing.assert_array_equal(chunk.codes, codes(0, 500))
    assert chunk.codes.dtype == np.uint16
    assert chunk.tick_span_s == pytest.approx(499 / RATE_HZ)
    rig.say(block(41, 500))
    read_all(driver, clock)
    chunk = driver.take_samples()
    assert (chunk.first, len(chunk.codes), chunk.contiguous) == (500, 50, True)
    assert driver.take_samples().first == 550


def test_a_block_that_overtakes_the_acknowledgement_is_kept() -> None:
    clock = HandClock()
    rig = ScriptedRig(clock)
    driver = RigDriver("north", rig, clock)
    driver.connect()
    rig.say(block(41, 0), 0.0005)
    driver.carry_out(Sample(41, True))
    assert len(driver.take_samples().codes) == 50


@given(st.lists(st.integers(1, 75), min_size=1, max_size=40), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_blocks_of_any_length_join_without_a_seam(lengths: list[int], random: object) -> None:
    made = stream()
    first = 0
    for length in lengths:
        add(made, first, length)
        first += length
    chunk = made.take()
    assert chunk.contiguous
    np.testing.assert_array_equal(chunk.codes, codes(0, first))


def test_duplicates_are_dropped_and_counted() -> None:
    made = stream()
    for first in (0, 0, 50, 0, 50, 100):
        add(made, first)
    chunk = made.take()
    assert chunk.contiguous
    np.testing.assert_array_equal(chunk.codes, codes(0, 150))
    assert made.duplicates == 150


@pytest.mark.parametrize("missing", [1, 2, 49, 50, 1000])
def test_a_gap_of_any_length_is_noticed(missing: int) -> None:
    made = stream()
    add(made, 0)
    add(made, 50 + missing)
    add(made, 100 + missing)
    chunk = made.take()
    assert not chunk.contiguous
    assert len(chunk.codes) == 150
    add(made, 150 + missing)
    assert not made.take().contiguous  # for good


@pytest.mark.parametrize("missing", [-3, -1, 1, 2, 50])
def test_a_gap_hidden_by_good_numbers_is_noticed_by_the_clock(missing: int) -> None:
    """Samples were lost inside the rig and the numbers closed up: only the rig clock knows."""
    made = stream()
    add(made, 0)
    add(made, 50, shift=missing * STEP)
    assert not made.take().contiguous


@pytest.mark.parametrize("shift", [-49, 49])
def test_jitter_below_half_a_sample_is_no_gap(shift: int) -> None:
    made = stream()
    add(made, 0)
    add(made, 50, shift=shift)
    add(made, 100)
    assert made.take().contiguous


def test_a_rate_slightly_off_nominal_is_no_gap() -> None:
    """Half a per cent off, over a minute: told by the clock ratio of the run, not as a missing sample."""
    made = SampleStream(10_000, 1_000_000)
    made.begin(41, 0)
    for number in range(0, 60_000, 50):
        made.add(41, 0, number, round(number * 100.5), codes(number, 50))
    chunk = made.take()
    assert chunk.contiguous
    assert chunk.tick_span_s == pytest.approx(60_000 / 10_000 * 1.005, rel=1e-3)


def test_a_stream_that_does_not_begin_at_zero_is_not_whole() -> None:
    made = stream()
    add(made, 1)
    chunk = made.take()
    assert (chunk.first, chunk.contiguous) == (1, False)


def test_no_damaged_block_is_ever_part_of_the_samples() -> None:
    """One flipped bit in the second of three blocks, at every byte of it: the block is missing, never wrong."""
    good = [block(41, first) for first in (0, 50, 100)]
    for position in range(len(good[1])):
        driver, rig, clock = sampling()
        damaged = bytearray(good[1])
        damaged[position] ^= 1 << (position % 8)
        for data in (good[0], bytes(damaged), good[2]):
            rig.say(data)
        read_all(driver, clock, 0.01)
        chunk = driver.take_samples()
        numbers = chunk.codes[:, 0].tolist()
        assert numbers in (list(range(50)), [*range(50), *range(100, 150)])
        assert not (chunk.contiguous and len(numbers) > 50)


def test_overlapping_blocks_are_not_whole_but_count_no_sample_twice() -> None:
    made = stream()
    add(made, 0)
    add(made, 30)
    chunk = made.take()
    assert not chunk.contiguous
    np.testing.assert_array_equal(chunk.codes, codes(0, 80))


def test_blocks_out_of_order_are_noticed() -> None:
    made = stream()
    for first in (0, 100, 50, 150):
        add(made, first)
    assert not made.take().contiguous


def test_a_loss_evened_out_by_a_duplicate_is_noticed() -> None:
    made = stream()
    for first in (0, 50, 50, 150):
        add(made, first)
    assert not made.take().contiguous


def test_what_belongs_to_another_run_or_stick_is_discarded_and_counted() -> None:
    driver, rig, clock = sampling(run=42)
    rig.say(block(41, 0))
    rig.say(block(42, 0, stick=1))
    rig.say(block(42, 0, count=10))
    rig.say(block(0, 0))
    read_all(driver, clock)
    chunk = driver.take_samples()
    assert (chunk.run_number, len(chunk.codes), chunk.contiguous) == (42, 10, True)
    assert driver.figures()["stale_samples"] == 150


def test_the_tail_of_the_last_run_does_not_enter_the_next() -> None:
    driver, rig, clock = sampling(run=41)
    rig.say(block(41, 0))
    read_all(driver, clock)
    driver.carry_out(Sample(41, False))
    rig.say(block(41, 50))
    rig.say(block(41, 100), 0.005)
    driver.carry_out(Sample(42, True))
    rig.say(block(42, 0, tick=900_000))
    read_all(driver, clock)
    chunk = driver.take_samples()
    assert (chunk.run_number, chunk.first, len(chunk.codes), chunk.contiguous) == (42, 0, 50, True)
    assert driver.figures()["stale_samples"] == 100


def test_after_the_end_what_came_can_still_be_taken() -> None:
    driver, rig, clock = sampling()
    rig.say(block(41, 0))
    read_all(driver, clock)
    driver.carry_out(Sample(41, False))
    assert len(driver.take_samples().codes) == 50


def test_a_refused_stream_takes_nothing() -> None:
    clock = HandClock()
    rig = ScriptedRig(clock)
    driver = RigDriver("north", rig, clock)
    driver.connect()
    rig.refusals["SAMPLE"] = Refusal.BUSY
    with pytest.raises(RigRefused):
        driver.carry_out(Sample(41, True))
    rig.say(block(41, 0))
    read_all(driver, clock)
    assert len(driver.take_samples().codes) == 0


def test_a_flood_is_bounded_and_told() -> None:
    driver, rig, clock = sampling()
    for first in range(0, PENDING_MAX - 75, 75):
        rig.say(block(41, first, count=75))
        driver.poll(0.0)
    rig.say(block(41, first + 75, count=75))
    with pytest.raises(RigFault, match="samples waited to be taken") as caught:
        driver.poll(0.0)
    assert caught.value.facts == {"fault": "OVERRUN"}
    driver.poll(0.0)  # told once; the link is as good as before
    chunk = driver.take_samples()
    assert not chunk.contiguous
    assert len(chunk.codes) <= PENDING_MAX
    driver.carry_out(Sample(42, True))
    rig.say(block(42, 0))
    read_all(driver, clock)
    assert driver.take_samples().contiguous


def test_rig_ticks_may_wrap_inside_a_run() -> None:
    driver, rig, _ = sampling()
    rig.silent = True
    start = (1 << 32) - 120 * STEP
    rig.say(rig.status_frame(0.0, tick=start - 10))
    for first in range(0, 500, 50):
        rig.say(block(41, first, tick=start + first * STEP))
    for _ in range(11):
        driver.poll(0.0)
    chunk = driver.take_samples()
    assert chunk.contiguous
    assert chunk.tick_span_s == pytest.approx(499 / RATE_HZ, abs=1e-9)


@pytest.mark.parametrize("drift", [0.0, 0.001, -0.001, 0.005, 0.1, -0.1])
def test_the_clock_ratio_sees_drift_through_late_frames(drift: float) -> None:
    """Frames come 1 to 15 ms late; over ten seconds a drift of 0.1 % still shows to 0.03 %, a large one to 14 ms in nine seconds."""
    rng = np.random.default_rng(11)
    compared = ClockRatio()
    for k in range(201):
        true_s = k * 0.05
        compared.note(1000.0 + true_s + float(rng.uniform(0.001, 0.015)), 7.0 + true_s * (1 + drift))
    assert compared.ratio == pytest.approx(1 + drift, abs=3e-4 if abs(drift) < 0.01 else 0.014 / 9)
    assert compared.span_s > 8.0


def test_the_clock_ratio_is_unknown_at_first_and_begins_anew_with_sampling() -> None:
    driver, _, clock = sampling()
    assert driver.clock_ratio is None
    read_all(driver, clock, 5.0)
    assert driver.clock_ratio == pytest.approx(1.0, abs=1e-3)
    driver.carry_out(Sample(42, True))
    assert driver.clock_ratio is None
