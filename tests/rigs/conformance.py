"""What every rig must do, whatever is behind its driver: one function a duty, over a connected Rig and somebody at its inputs.

A test of a driver runs each of CHECKS on a rig with a unit clamped. A real rig is put through them, with a person as the operator, by
`python -m tests.rigs.conformance PORT [RIG_ID]`. The finger moves: guard closed, hands out, emergency stop within reach; local rules and
the qualified person on the spot decide whether it may be done.
"""

import argparse
import itertools
import sys
import time
from collections.abc import Callable
from typing import Final, Protocol

import numpy as np

from rigs.driver.dialogue import RigDriver
from rigs.driver.transport import SerialTransport
from rigs.link.messages import DEAD_MAN_S, ENERGISED_MAX_S
from station.errors import RigFault, RigRefused
from station.ports import Clock, Rig
from station.ports.rig import Command, Done, Flick, Jog, Lamp, LampColour, Level, ReadLevel, ReadSupply, Reset, Sample, Unclamp
from station.quantities import GROUPS
from station.records import RigStatus
from tests.rigs.plugs import RealClock

SEEN_S: Final = 0.15  # an input or a fault is known to the station within it
REST_S: Final = 0.1  # from an order to rest until the finger is de-energised
HOLD_S: Final = 0.1
FREE_S: Final = 0.2


class Operator(Protocol):
    """Whoever works the rig's inputs: a person, or the emulated rig's panel."""

    def clamp(self, closed: bool) -> None: ...
    def guard(self, closed: bool) -> None: ...
    def stop(self, pressed: bool) -> None: ...
    def press_start(self) -> None: ...


Check = Callable[[Rig, Operator, Clock], None]


def make_ready(rig: Rig, operator: Operator, clock: Clock) -> RigStatus:
    """Unit clamped, guard closed, stop good, no fault latched, finger at rest."""
    operator.stop(False)
    operator.guard(True)
    operator.clamp(True)
    status = until(rig, clock, lambda one: one.inputs.stop_good and one.inputs.guard_closed and one.inputs.clamp_closed)
    if status.fault:
        rig.carry_out(Reset())
    return until(rig, clock, lambda one: not one.fault and not one.energised and one.state == "IDLE")


def until(rig: Rig, clock: Clock, good: Callable[[RigStatus], bool], limit_s: float = 1.0) -> RigStatus:
    """Poll until the status is good; it must be within limit_s."""
    end_s = clock.monotonic_s() + limit_s
    status = rig.poll(0.0)
    while not good(status):
        assert clock.monotonic_s() < end_s, f"not within {limit_s} s; last {status}"
        status = rig.poll(0.02)
    return status


def watch(rig: Rig, clock: Clock, seconds: float) -> list[RigStatus]:
    """Statuses of so many seconds of polling."""
    end_s = clock.monotonic_s() + seconds
    seen = []
    while clock.monotonic_s() < end_s:
        seen.append(rig.poll(0.02))
    return seen


def refusal_of(rig: Rig, command: Command) -> str:
    """Why the command is refused; it must be."""
    try:
        rig.carry_out(command)
    except RigRefused as refused:
        return str(refused.facts["refusal"])
    raise AssertionError(f"{command} was carried out; expected a refusal")


def flick_in_stream(rig: Rig, run_number: int, group: str) -> Done:
    return rig.carry_out(Flick(run_number, group, HOLD_S, FREE_S))


def identity_is_plausible(rig: Rig, operator: Operator, clock: Clock) -> None:
    rig.close()
    identity = rig.connect()
    assert identity.rig_id
    assert identity.firmware
    assert 8 <= identity.bits <= 12
    assert 4_000 <= identity.sample_rate_hz <= 100_000
    assert 1.0 < identity.reference_v < 6.0


def status_keeps_coming(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    seen = watch(rig, clock, 1.0)
    ticks_s = np.unique([one.tick_s for one in seen])
    assert len(ticks_s) >= 15
    assert np.diff(ticks_s).max() < 0.1
    assert not any(one.energised for one in seen)


def inputs_are_seen(rig: Rig, operator: Operator, clock: Clock) -> None:
    before = make_ready(rig, operator, clock).inputs
    operator.guard(False)
    until(rig, clock, lambda one: not one.inputs.guard_closed, SEEN_S)
    operator.guard(True)
    until(rig, clock, lambda one: one.inputs.guard_closed, SEEN_S)
    operator.press_start()
    after = until(rig, clock, lambda one: one.inputs.start_presses == before.start_presses + 1, SEEN_S).inputs
    assert after.guard_openings == before.guard_openings + 1
    assert (after.stop_events, after.clamp_openings) == (before.stop_events, before.clamp_openings)


def a_flick_is_done_and_sampled_whole(rig: Rig, operator: Operator, clock: Clock) -> None:
    identity = rig.connect()
    make_ready(rig, operator, clock)
    rig.carry_out(Sample(71, True))
    flicks = [flick_in_stream(rig, 71, group) for group in GROUPS]
    end = rig.carry_out(Sample(71, False))
    chunk = rig.take_samples()
    assert (chunk.run_number, chunk.first, chunk.contiguous) == (71, 0, True)
    assert len(chunk.codes) == end.last_sample + 1
    assert chunk.codes.max() < 2**identity.bits
    step_s = chunk.tick_span_s / (len(chunk.codes) - 1)
    assert abs(step_s * identity.sample_rate_hz - 1) < 0.01
    for one in flicks:
        assert HOLD_S + FREE_S < one.end_s - one.begin_s < ENERGISED_MAX_S + FREE_S + 0.5
        sampled_s = (one.last_sample - one.first_sample) * step_s
        assert abs(sampled_s - (one.end_s - one.begin_s)) < 0.01
        assert one.last_sample <= end.last_sample
    assert all(earlier.last_sample <= later.first_sample for earlier, later in itertools.pairwise(flicks))
    assert not until(rig, clock, lambda one: one.state == "IDLE").energised


def each_stream_begins_at_zero(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    for run_number in (72, 73):
        rig.carry_out(Sample(run_number, True))
        watch(rig, clock, 0.2)
        end = rig.carry_out(Sample(run_number, False))
        chunk = rig.take_samples()
        assert (chunk.run_number, chunk.first, chunk.contiguous) == (run_number, 0, True)
        assert len(chunk.codes) == end.last_sample + 1 > 0.15 * 4_000


def a_flick_needs_its_stream(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    assert refusal_of(rig, Flick(74, "x+", HOLD_S, FREE_S)) == "WRONG_RUN"
    rig.carry_out(Sample(74, True))
    assert refusal_of(rig, Flick(75, "x+", HOLD_S, FREE_S)) == "WRONG_RUN"
    rig.carry_out(Sample(74, False))


def nothing_moves_without_clamp_and_guard(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    operator.guard(False)
    until(rig, clock, lambda one: not one.inputs.guard_closed, SEEN_S)
    assert refusal_of(rig, Jog("x+", 2.0, 20.0)) == "GUARD_OPEN"
    make_ready(rig, operator, clock)
    operator.clamp(False)
    until(rig, clock, lambda one: not one.inputs.clamp_closed, SEEN_S)
    assert refusal_of(rig, Jog("x+", 2.0, 20.0)) == "CLAMP_OPEN"
    make_ready(rig, operator, clock)


def the_stop_latches_until_reset(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    operator.stop(True)
    until(rig, clock, lambda one: one.fault == "STOP" and not one.energised, SEEN_S)
    assert refusal_of(rig, Jog("x+", 2.0, 20.0)) in ("FAULT_LATCHED", "STOP_OPEN")
    assert refusal_of(rig, Reset()) == "CAUSE_PRESENT"
    operator.stop(False)
    until(rig, clock, lambda one: one.inputs.stop_good, SEEN_S)
    assert rig.poll(0.02).fault == "STOP"
    assert refusal_of(rig, Jog("x+", 2.0, 20.0)) == "FAULT_LATCHED"
    rig.carry_out(Reset())
    seen = watch(rig, clock, 0.3)
    assert not seen[-1].fault
    assert not any(one.energised for one in seen)  # a reset moves nothing


def the_guard_latches_while_sampling(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    rig.carry_out(Sample(76, True))
    operator.guard(False)
    until(rig, clock, lambda one: one.fault == "GUARD" and not one.energised, SEEN_S)
    operator.guard(True)
    until(rig, clock, lambda one: one.inputs.guard_closed, SEEN_S)
    rig.carry_out(Reset())
    rig.carry_out(Sample(76, False))
    make_ready(rig, operator, clock)


def a_jog_holds_until_halted(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    for angle_deg in (4.0, 8.0, 4.0):
        rig.carry_out(Jog("y-", angle_deg, 40.0))
        assert until(rig, clock, lambda one: one.energised, SEEN_S).state == "MOVING"
    rig.halt()
    status = until(rig, clock, lambda one: not one.energised, REST_S)
    assert not status.fault


def a_jog_that_is_not_renewed_ends_in_a_fault(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    rig.carry_out(Jog("x+", 2.0, 40.0))
    until(rig, clock, lambda one: one.fault == "ENERGISED_TOO_LONG" and not one.energised, ENERGISED_MAX_S + SEEN_S)
    make_ready(rig, operator, clock)


def a_jog_beyond_the_limits_is_refused(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    for beyond in (Jog("x+", 5.1, 40.0), Jog("x+", 61.0, 40.0), Jog("x+", 2.0, 61.0)):
        assert refusal_of(rig, beyond) == "ANGLE_RANGE"
    assert refusal_of(rig, Jog("x+", 5.0, 5.0)) == "TIME_RANGE"  # a whole second
    assert not rig.poll(0.02).energised


def a_station_that_hangs_ends_in_rest(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    rig.carry_out(Jog("x-", 2.0, 40.0))
    clock.sleep(DEAD_MAN_S + 0.05)
    until(rig, clock, lambda one: one.fault == "DEAD_MAN" and not one.energised, SEEN_S)
    make_ready(rig, operator, clock)


def a_halt_asked_for_ends_what_comes_next(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    rig.request_halt()
    try:
        rig.carry_out(Jog("x+", 2.0, 40.0))
    except RigFault:
        assert not rig.poll(0.02).energised
    else:
        raise AssertionError("the jog was carried out although a halt had been asked for")
    for _ in range(3):
        rig.halt()  # at rest already: nothing changes
    assert not make_ready(rig, operator, clock).fault


def the_supply_is_measured(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    levels_v = [rig.carry_out(ReadSupply()).value for _ in range(5)]
    assert 1.0 < min(levels_v) <= max(levels_v) < 6.0
    assert max(levels_v) - min(levels_v) < 0.05


def the_levels_are_measured(rig: Rig, operator: Operator, clock: Clock) -> None:
    identity = rig.connect()
    make_ready(rig, operator, clock)
    low_v, half_v, full_v, loaded_v = (rig.carry_out(ReadLevel(level)).value for level in Level)
    shares = [level_v / identity.reference_v for level_v in (low_v, half_v, full_v)]
    assert max(abs(share - due) for share, due in zip(shares, (1 / 16, 1 / 2, 15 / 16), strict=True)) < 0.05
    assert 0.5 * half_v < loaded_v < 1.01 * half_v  # an input below 10 kilohm could not look at a wiper


def the_lamp_shows_every_colour(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    for colour in LampColour:
        rig.carry_out(Lamp(colour))


def the_unit_is_given_back_at_rest_only(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    rig.carry_out(Jog("y+", 2.0, 40.0))
    assert refusal_of(rig, Unclamp()) == "NOT_AT_REST"
    rig.halt()
    until(rig, clock, lambda one: not one.energised, REST_S)
    watch(rig, clock, 0.3)
    rig.carry_out(Unclamp())
    until(rig, clock, lambda one: not one.inputs.clamp_closed, SEEN_S)
    make_ready(rig, operator, clock)


def connecting_again_is_harmless(rig: Rig, operator: Operator, clock: Clock) -> None:
    make_ready(rig, operator, clock)
    first = rig.connect()
    second = rig.connect()
    assert first.rig_id == second.rig_id
    make_ready(rig, operator, clock)


CHECKS: Final[tuple[Check, ...]] = (
    identity_is_plausible,
    status_keeps_coming,
    inputs_are_seen,
    a_flick_is_done_and_sampled_whole,
    each_stream_begins_at_zero,
    a_flick_needs_its_stream,
    nothing_moves_without_clamp_and_guard,
    the_stop_latches_until_reset,
    the_guard_latches_while_sampling,
    a_jog_holds_until_halted,
    a_jog_that_is_not_renewed_ends_in_a_fault,
    a_jog_beyond_the_limits_is_refused,
    a_station_that_hangs_ends_in_rest,
    a_halt_asked_for_ends_what_comes_next,
    the_supply_is_measured,
    the_levels_are_measured,
    the_lamp_shows_every_colour,
    the_unit_is_given_back_at_rest_only,
    connecting_again_is_harmless,
)


class Person:
    """A person at the rig, asked in the terminal; the rig is polled until it has seen what was asked for."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def clamp(self, closed: bool) -> None:
        self._ask(f"{'close' if closed else 'open'} the clamp", lambda one: one.inputs.clamp_closed == closed)

    def guard(self, closed: bool) -> None:
        self._ask(f"{'close' if closed else 'open'} the guard", lambda one: one.inputs.guard_closed == closed)

    def stop(self, pressed: bool) -> None:
        self._ask(f"{'press' if pressed else 'release'} the emergency stop", lambda one: one.inputs.stop_good != pressed)

    def press_start(self) -> None:
        presses = self._rig.poll(0.0).inputs.start_presses
        self._ask("press the start button once", lambda one: one.inputs.start_presses > presses)

    def _ask(self, what: str, seen: Callable[[RigStatus], bool]) -> None:
        if seen(self._rig.poll(0.0)):
            return
        print(f"   please {what}")
        while not seen(self._rig.poll(0.02)):
            self._rig.take_samples()


def run_on_a_real_rig(port: str, rig_id: str | None) -> int:
    """Every check in turn; the number of those not passed."""
    clock = RealClock()
    rig = RigDriver("under-test", SerialTransport(port), clock, rig_id)
    failed = 0
    for check in CHECKS:
        print(check.__name__.replace("_", " "))
        begin_s = time.monotonic()
        try:
            rig.connect()
            check(rig, Person(rig), clock)
            print(f"   passed in {time.monotonic() - begin_s:.1f} s")
        except AssertionError as problem:
            failed += 1
            print(f"   NOT PASSED: {problem}")
        finally:
            rig.halt()
            rig.close()
    return failed


if __name__ == "__main__":
    arguments = argparse.ArgumentParser(description="Put a real rig through the duties of every rig. The finger moves: mind your hands.")
    arguments.add_argument("port")
    arguments.add_argument("rig_id", nargs="?")
    given = arguments.parse_args()
    sys.exit(min(run_on_a_real_rig(given.port, given.rig_id), 1))
