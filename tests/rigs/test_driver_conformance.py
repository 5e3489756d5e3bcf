"""The driver with the emulated rig behind it does every duty of a rig, in virtual time; a rig without laws is found out."""

import pytest

from rigs.driver.dialogue import RigDriver
from rigs.emulated.bench import Bench, plain_unit
from rigs.emulated.hands import Hands
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.virtual import LoopbackTransport, VirtualClock
from tests.rigs import conformance
from tests.rigs.conformance import CHECKS, Check
from tests.rigs.scripted import INPUTS_GOOD, HandClock, ScriptedRig


class EmulatedPerson:
    """The conformance suite's operator at the emulated bench."""

    def __init__(self, rig: EmulatedRig) -> None:
        self._hands = Hands(rig)
        self._rig = rig

    def clamp(self, closed: bool) -> None:
        if not closed:
            self._hands.unclamp()
        elif not self._rig.plant.panel.clamp_closed:
            self._hands.open_guard()
            self._hands.clamp()
            self._hands.close_guard()

    def guard(self, closed: bool) -> None:
        if closed:
            self._hands.close_guard()
        else:
            self._hands.open_guard()

    def stop(self, pressed: bool) -> None:
        if pressed:
            self._hands.press_stop()
        else:
            self._hands.release_stop()

    def press_start(self) -> None:
        self._hands.press_start()


@pytest.mark.parametrize("check", CHECKS, ids=lambda one: one.__name__)
def test_the_emulated_rig_does_every_duty(check: Check) -> None:
    clock = VirtualClock()
    rig = EmulatedRig(5, Bench([plain_unit(f"MG-{number:04d}") for number in range(4)], 5))
    driver = RigDriver("north", LoopbackTransport(rig, clock), clock)
    driver.connect()
    check(driver, EmulatedPerson(rig), clock)
    driver.halt()
    assert driver.halts_unconfirmed == 0
    driver.close()


class Careless:
    """An operator whose deeds reach the scripted rig's input bits and nothing else: it keeps no law at all."""

    def __init__(self, rig: ScriptedRig) -> None:
        self._rig = rig

    def clamp(self, closed: bool) -> None:
        self._set(1, closed)

    def guard(self, closed: bool) -> None:
        self._set(2, closed)

    def stop(self, pressed: bool) -> None:
        self._set(4, not pressed)

    def press_start(self) -> None:
        self._rig.status["start_presses"] += 1

    def _set(self, bit: int, on: bool) -> None:
        self._rig.status["inputs"] = (self._rig.status["inputs"] & ~bit) | (bit if on else 0)


LAWLESS = [
    conformance.inputs_are_seen,  # it counts no edge
    conformance.a_flick_needs_its_stream,
    conformance.each_stream_begins_at_zero,
    conformance.nothing_moves_without_clamp_and_guard,
    conformance.the_stop_latches_until_reset,
    conformance.the_guard_latches_while_sampling,
    conformance.a_jog_holds_until_halted,
    conformance.a_jog_that_is_not_renewed_ends_in_a_fault,
    conformance.a_jog_beyond_the_limits_is_refused,
    conformance.a_station_that_hangs_ends_in_rest,
    conformance.the_supply_is_measured,
    conformance.the_levels_are_measured,
    conformance.the_unit_is_given_back_at_rest_only,
]


@pytest.mark.parametrize("check", LAWLESS, ids=lambda one: one.__name__)
def test_a_rig_without_laws_is_found_out(check: Check) -> None:
    clock = HandClock()
    rig = ScriptedRig(clock)
    rig.status["inputs"] = INPUTS_GOOD
    driver = RigDriver("north", rig, clock)
    driver.connect()
    with pytest.raises(AssertionError):
        check(driver, Careless(rig), clock)
