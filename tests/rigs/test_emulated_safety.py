"""Three ways to rest, each with the others out of action, by the rig's own log. Times are the link's: 250, 500 and 20 ms."""

import numpy as np
import pytest

from rigs.link.messages import FaultCode, Inputs, Outcome, Refusal, State
from tests.rigs.emulated_host import Host, ready_host, rest_after_s

DEAD_MAN_REST_S = 0.250
ENERGISED_REST_S = 0.500
CHAIN_REST_S = 0.020


def flicking(after_s: float = 0.07, hold_ms: int = 200, **ills: object) -> Host:
    """A rig that holds the stick at full deflection."""
    host = ready_host()
    if ills:
        host.ills.servo(**ills)
    host.sample(True)
    assert host.flick(hold_ms=hold_ms) is Refusal.ACCEPTED
    host.wait(after_s)
    assert host.rig.plant.torque
    return host


@pytest.mark.parametrize("after_s", np.linspace(0.001, 0.26, 14))
def test_a_host_that_falls_silent_is_a_rest_within_250_ms(after_s: float) -> None:
    host = flicking(after_s)
    host.say("HEARTBEAT", counter=9)
    silent_s = host.rig.now_s
    host.beating = False
    host.wait(0.6)
    assert rest_after_s(host.rig, silent_s) <= DEAD_MAN_REST_S
    assert host.rig.plant.at_rest(host.rig.now_s)


def test_the_dead_man_latches_and_says_so() -> None:
    host = flicking(0.001)
    host.beating = False
    host.wait(0.3)
    assert host.last("FAULT").fields["fault"] is FaultCode.DEAD_MAN
    assert host.last("DONE").fields["outcome"] is Outcome.FAULTED
    status = host.last("STATUS").fields
    assert (status["state"], status["fault"], status["energised"]) == (State.FAULT, FaultCode.DEAD_MAN, 0)
    host.beating = True
    assert host.flick() is Refusal.FAULT_LATCHED
    assert host.order("RESET") is Refusal.ACCEPTED
    assert not host.rig.plant.torque


def test_without_any_heartbeat_the_finger_gets_no_time_at_all() -> None:
    host = ready_host()
    host.sample(True)
    host.beating = False
    host.wait(0.3)
    host.flick()
    host.wait(0.1)
    energised, rest = host.rig.log.last("energised"), host.rig.log.last("rest")
    assert energised is not None
    assert rest is not None
    assert rest.time_s == energised.time_s
    assert host.last("STATUS").fields["fault"] is FaultCode.DEAD_MAN


def test_a_servo_that_hears_no_stop_loses_its_power_after_500_ms() -> None:
    host = flicking(0.001, ill="ignores-rest")
    begun = host.rig.log.last("energised")
    assert begun is not None
    assert host.order("REST") is Refusal.ACCEPTED
    host.wait(0.6)
    assert rest_after_s(host.rig, begun.time_s) <= ENERGISED_REST_S + 1e-6
    assert host.last("STATUS").fields["fault"] is FaultCode.ENERGISED_TOO_LONG


def test_no_flick_keeps_torque_longer_than_half_of_the_limit_and_a_bit() -> None:
    host = ready_host()
    host.sample(True)
    assert host.flick(hold_ms=200, free_ms=300) is Refusal.ACCEPTED
    assert host.finish()["outcome"] is Outcome.DONE
    on, off = host.rig.log.last("energised"), host.rig.log.last("de-energised")
    assert on is not None
    assert off is not None
    assert off.time_s - on.time_s == pytest.approx(0.275, abs=1e-6)


@pytest.mark.parametrize("after_s", np.linspace(0.002, 0.27, 12))
@pytest.mark.parametrize("cause", ["stop", "guard"])
def test_the_chain_takes_torque_away_within_20_ms_while_the_firmware_hangs(after_s: float, cause: str) -> None:
    host = flicking(after_s)
    host.ills.freeze(watchdog=False)
    pressed_s = host.rig.now_s
    if cause == "stop":
        host.hands.press_stop()
    else:
        host.hands.open_guard()
    host.rig.advance(pressed_s + 0.5)
    assert rest_after_s(host.rig, pressed_s) <= CHAIN_REST_S
    assert host.rig.frozen


def test_a_guard_that_closes_again_gives_a_hung_firmware_no_torque() -> None:
    host = flicking()
    host.ills.freeze(watchdog=False)
    host.hands.open_guard()
    host.rig.advance(host.rig.now_s + 0.1)
    host.hands.close_guard()
    host.rig.advance(host.rig.now_s + 0.1)
    host.ills.thaw()
    host.wait(0.2)
    assert not host.rig.plant.torque
    assert host.last("STATUS").fields["fault"] is FaultCode.GUARD
    assert host.order("RESET") is Refusal.ACCEPTED


@pytest.mark.parametrize(("deed", "fault"), [("press_stop", FaultCode.STOP), ("open_guard", FaultCode.GUARD), ("unclamp", FaultCode.CLAMP)])
def test_living_firmware_rests_at_once_and_latches(deed: str, fault: FaultCode) -> None:
    host = flicking()
    begun_s = host.rig.now_s
    getattr(host.hands, deed)()
    host.listen()
    assert rest_after_s(host.rig, begun_s) == 0.0
    assert host.last("FAULT").fields["fault"] is fault
    assert host.order("RESET") is Refusal.CAUSE_PRESENT
    host.wait(0.1)
    assert host.rig.plant.at_rest(host.rig.now_s)


def test_a_released_stop_moves_nothing_until_reset_and_a_new_command() -> None:
    host = flicking()
    host.hands.press_stop()
    host.wait(0.1)
    host.hands.release_stop()
    host.wait(0.2)
    assert not host.rig.plant.torque
    assert host.flick() is Refusal.FAULT_LATCHED
    assert host.order("RESET") is Refusal.ACCEPTED
    host.wait(0.3)
    assert not host.rig.plant.torque
    host.sample(True)
    assert host.flick() is Refusal.ACCEPTED


@pytest.mark.parametrize("bounce_ms", [1, 5, 20, 50])
def test_a_chattering_stop_is_never_missed(bounce_ms: int) -> None:
    host = flicking(0.03)
    events = host.last("STATUS").fields["stop_events"]
    for _ in range(3):
        host.hands.press_stop()
        host.rig.advance(host.rig.now_s + bounce_ms / 1000)
        host.hands.release_stop()
        host.rig.advance(host.rig.now_s + bounce_ms / 1000)
    host.wait(0.06)
    assert host.last("STATUS").fields["stop_events"] == events + 3
    assert host.last("STATUS").fields["fault"] is FaultCode.STOP
    assert not host.rig.plant.torque


def test_a_stop_at_rest_latches_too_but_a_guard_opened_at_rest_does_not() -> None:
    host = ready_host()
    host.hands.open_guard()
    host.hands.close_guard()
    host.wait(0.06)
    assert host.last("STATUS").fields["fault"] is FaultCode.NONE
    host.hands.press_stop()
    host.wait(0.06)
    assert host.last("STATUS").fields["fault"] is FaultCode.STOP


def test_channels_that_disagree_are_a_fault_of_their_own() -> None:
    host = ready_host()
    host.ills.channels(True, False)
    host.wait(0.04)
    assert host.last("STATUS").fields["fault"] is FaultCode.STOP
    host.wait(0.02)
    assert host.last("STATUS").fields["fault"] is FaultCode.STOP_DISCREPANCY
    assert host.order("RESET") is Refusal.CAUSE_PRESENT


def test_a_hung_firmware_is_reset_by_the_watchdog() -> None:
    host = flicking()
    frozen_s = host.rig.now_s
    host.ills.freeze()
    host.wait(0.3)
    assert rest_after_s(host.rig, frozen_s) <= 0.101
    status = host.last("STATUS").fields
    assert (status["boot"], status["fault"]) == (2, FaultCode.WATCHDOG)
    assert host.order("RESET") is Refusal.NO_HANDSHAKE
    host.hello()
    assert host.order("RESET") is Refusal.ACCEPTED


def test_a_reboot_rests_at_once_forgets_all_and_counts_its_start() -> None:
    host = flicking()
    begun_s = host.rig.now_s
    host.ills.reboot()
    host.wait(0.2)
    assert rest_after_s(host.rig, begun_s) == 0.0
    status = host.last("STATUS").fields
    assert (status["boot"], status["state"], status["run"], status["start_presses"]) == (2, State.IDLE, 0, 0)
    assert host.hello()["boot"] == 2


def test_a_jammed_finger_never_pretends_to_be_free() -> None:
    host = flicking(0.08, hold_ms=60, ill="holds")
    host.wait(0.6)
    assert not host.rig.plant.torque
    assert host.rig.log.first("rest", 0.1) is None
    host.sample(False)
    assert host.order("UNCLAMP") is Refusal.NOT_AT_REST
    host.order("REST")
    assert host.finish()["outcome"] is Outcome.FAULTED
    host.ills.heal()
    host.order("REST")
    assert host.finish()["outcome"] is Outcome.DONE
    assert host.order("UNCLAMP") is Refusal.ACCEPTED


def test_a_failing_supply_is_a_fault_in_a_run_only() -> None:
    host = ready_host()
    host.ills.converter(supply_v=1.0)
    host.wait(0.06)
    status = host.last("STATUS").fields
    assert status["fault"] is FaultCode.NONE
    assert Inputs.UNIT_POWER_GOOD not in status["inputs"]
    host.ills.converter(supply_v=3.3)
    host.sample(True)
    host.ills.converter(sag_v_s=10.0)
    host.wait(0.12)
    assert host.last("STATUS").fields["fault"] is FaultCode.SUPPLY
