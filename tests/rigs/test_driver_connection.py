"""Connecting, supervising and losing a rig, by scripted bytes under a clock that only the reads move."""

import threading
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rigs.driver.dialogue import RigDriver
from rigs.driver.handshake import HELLO_TRIES, HELLO_WAIT_S
from rigs.driver.watch import UNHEARD_MAX
from rigs.link import encode
from rigs.link.messages import HEARTBEAT_PERIOD_S, PROTOCOL_VERSION, SILENCE_S, FaultCode, Inputs
from station.errors import LinkBad, LinkLost, RigFault, RigMismatch
from station.ports import Rig
from station.ports.rig import Flick, Lamp, LampColour, ReadSupply
from tests.rigs.scripted import HandClock, ScriptedRig, plain


def make(expect: str | None = "MG-01") -> tuple[RigDriver, ScriptedRig, HandClock]:
    clock = HandClock()
    rig = ScriptedRig(clock)
    return RigDriver("north", rig, clock, expect, nonce=lambda: 77), rig, clock


def poll_until(driver: RigDriver, clock: HandClock, seconds: float) -> None:
    end_s = clock.monotonic_s() + seconds
    while clock.monotonic_s() < end_s:
        driver.poll(end_s - clock.monotonic_s())


def test_the_driver_is_a_rig() -> None:
    rig: Rig = make()[0]
    assert rig.name == "north"


def test_connecting_tells_who_is_there_and_how_it_is() -> None:
    driver, rig, _ = make()
    identity = driver.connect()
    assert (identity.rig_id, identity.firmware, identity.boot, identity.emulated) == ("MG-01", "1.4.0", 6, True)
    assert (identity.sample_rate_hz, identity.bits, identity.tick_hz) == (10_000, 12, 1_000_000)
    assert identity.reference_v == pytest.approx(3.3)
    status = driver.poll(0.0)
    assert (status.state, status.fault, status.energised, status.boot) == ("IDLE", "", False, 6)
    assert status.inputs.clamp_closed
    assert status.inputs.guard_closed
    assert status.inputs.stop_good
    assert not status.inputs.start_down
    assert rig.names_heard() == ["HELLO"]


def test_nothing_is_commanded_before_the_handshake() -> None:
    """Opening may have reset the rig: for two seconds it hears nothing, and no command goes out meanwhile."""
    driver, rig, clock = make()
    rig.deaf = True
    rig.silent = True
    late = clock.now_s + 2.0

    def wake(max_bytes: int, wait_s: float) -> bytes:
        if clock.now_s >= late:
            rig.deaf = rig.silent = False
        return ScriptedRig.read(rig, max_bytes, wait_s)

    rig.read = wake  # type: ignore[method-assign]
    assert driver.connect().rig_id == "MG-01"
    assert set(rig.names_heard()) == {"HELLO"}
    assert clock.now_s < late + 2 * HELLO_WAIT_S


def test_an_answer_to_somebody_else_s_hello_is_not_ours() -> None:
    driver, rig, _ = make()
    rig.reply = lambda name, fields: plain(name, {**fields, "nonce": 78} if name == "IDENTITY" else fields)
    with pytest.raises(LinkBad, match="no answer"):
        driver.connect()
    assert not rig.is_open


def test_a_mute_port_is_a_lost_link_after_bounded_tries() -> None:
    driver, rig, clock = make()
    rig.silent = rig.deaf = True
    begin_s = clock.now_s
    with pytest.raises(LinkLost, match="nothing comes from scripted") as caught:
        driver.connect()
    assert clock.now_s - begin_s == pytest.approx(HELLO_TRIES * HELLO_WAIT_S)
    assert caught.value.facts["cause"] == "silent"
    assert not rig.is_open


def test_garbage_is_a_bad_link_after_bounded_tries() -> None:
    """A wrong rate: every byte arrives as another one."""
    driver, rig, clock = make()
    rig.reply = lambda name, fields: [bytes(byte ^ 0x5A for byte in encode(name, **fields))]
    begin_s = clock.now_s
    with pytest.raises(LinkBad, match="check the rate") as caught:
        driver.connect()
    assert clock.now_s - begin_s == pytest.approx(HELLO_TRIES * HELLO_WAIT_S)
    assert caught.value.facts["bytes"] > 0
    assert not rig.is_open
    assert set(rig.names_heard()) <= {"HELLO"}


def test_another_protocol_is_refused_and_both_versions_named() -> None:
    driver, rig, _ = make()
    rig.identity["protocol"] = 2
    with pytest.raises(RigMismatch, match=f"speaks protocol 2, this station speaks {PROTOCOL_VERSION}") as caught:
        driver.connect()
    assert caught.value.facts == {"rig_protocol": 2, "station_protocol": PROTOCOL_VERSION}
    assert not rig.is_open


def test_another_rig_than_expected_is_refused() -> None:
    driver, rig, _ = make("MG-02")
    with pytest.raises(RigMismatch, match="'MG-01', expected 'MG-02'"):
        driver.connect()
    assert rig.names_heard() == ["HELLO"]
    assert make(None)[0].connect().rig_id == "MG-01"


@pytest.mark.parametrize(("field", "value"), [("bits", 7), ("bits", 13), ("sample_rate", 0), ("tick_hz", 39_999), ("reference_uv", 0)])
def test_an_identity_that_cannot_be_is_refused(field: str, value: int) -> None:
    driver, rig, _ = make()
    rig.identity[field] = value
    with pytest.raises(RigMismatch, match=field):
        driver.connect()


def test_heartbeats_go_out_from_polling_alone() -> None:
    driver, rig, clock = make()
    driver.connect()
    rig.heard.clear()
    clock.sleep(1.0)
    assert rig.heard == []
    begin_s = clock.now_s
    poll_until(driver, clock, 10.0)
    beats = [one.fields["counter"] for one in rig.heard if one.name == "HEARTBEAT"]
    assert beats == list(range(beats[0], beats[0] + len(beats)))
    assert len(beats) == pytest.approx((clock.now_s - begin_s) / HEARTBEAT_PERIOD_S, abs=2)


def test_heartbeats_go_on_while_a_command_is_carried_out() -> None:
    driver, rig, clock = make()
    rig.durations_s["FLICK"] = 0.9
    driver.connect()
    rig.heard.clear()
    begin_s = clock.now_s
    driver.carry_out(Flick(1, "x+", 0.2, 0.3))
    beats = sum(one.name == "HEARTBEAT" for one in rig.heard)
    assert beats == pytest.approx((clock.now_s - begin_s) / HEARTBEAT_PERIOD_S, abs=2)


def test_silence_is_a_lost_link_after_300_ms() -> None:
    driver, rig, clock = make()
    driver.connect()
    poll_until(driver, clock, 0.2)
    rig.silent = True
    last_s = heard_s(driver, clock)
    with pytest.raises(LinkLost, match="silent for 300 ms") as caught:
        poll_until(driver, clock, 1.0)
    assert clock.now_s - last_s == pytest.approx(SILENCE_S, abs=1e-6)
    assert caught.value.facts["cause"] == "silent"
    assert not rig.is_open


def heard_s(driver: RigDriver, clock: HandClock) -> float:
    """Host time of the last STATUS: the scripted rig's clock is the host's."""
    return driver.poll(0.0).tick_s


@pytest.mark.parametrize(("late_s", "lost"), [(SILENCE_S - 1e-6, False), (SILENCE_S, False), (SILENCE_S + 1e-6, True)])
def test_the_end_of_patience_is_exact(late_s: float, lost: bool) -> None:
    driver, rig, clock = make()
    driver.connect()
    rig.silent = True
    last_s = heard_s(driver, clock)
    at_s = last_s + late_s
    rig.say(rig.status_frame(at_s), at_s - clock.now_s)
    if lost:
        with pytest.raises(LinkLost):
            poll_until(driver, clock, 0.35)
    else:
        poll_until(driver, clock, at_s - clock.now_s + 0.1)


def test_a_stalled_station_does_not_blame_the_rig() -> None:
    """Nobody read for a second; what the rig said meanwhile waits in the buffer, a few bytes of it first."""
    driver, rig, clock = make()
    driver.connect()
    poll_until(driver, clock, 0.2)
    rig.silent = True
    clock.sleep(1.0)
    rig.say(b"\x07\x07")
    rig.say(encode("HEARTBEAT", counter=1)[:3])
    driver.poll(0.02)
    driver.poll(0.02)
    rig.silent = False
    poll_until(driver, clock, 0.5)


def test_a_restart_is_seen_by_the_boot_number() -> None:
    driver, rig, clock = make()
    driver.connect()
    rig.identity["boot"] = 7
    with pytest.raises(RigFault, match="has restarted") as caught:
        poll_until(driver, clock, 0.2)
    assert caught.value.facts == {"fault": "RESTART", "boot": 7}
    assert not rig.is_open
    with pytest.raises(LinkLost, match="has restarted"):
        driver.poll(0.0)
    assert driver.connect().boot == 7


def test_a_rig_that_sends_but_does_not_hear_is_lost() -> None:
    driver, rig, clock = make()
    driver.connect()
    poll_until(driver, clock, 0.2)
    rig.deaf = True
    begin_s = clock.now_s
    with pytest.raises(LinkLost, match="does not hear") as caught:
        poll_until(driver, clock, 2.0)
    assert caught.value.facts["cause"] == "deaf"
    assert clock.now_s - begin_s <= (UNHEARD_MAX + 2) * HEARTBEAT_PERIOD_S


def test_an_echo_left_from_an_earlier_dialogue_does_no_harm() -> None:
    driver, rig, clock = make()
    rig._beat = 40_000
    driver.connect()
    poll_until(driver, clock, 1.0)


def test_unplugging_closes_the_port_and_connecting_again_uses_the_same_name() -> None:
    driver, rig, clock = make()
    driver.connect()
    rig.lost_at_s = clock.now_s + 0.03
    with pytest.raises(LinkLost, match="rig north: port scripted was lost"):
        poll_until(driver, clock, 0.2)
    assert not rig.is_open
    for call in CALLS.values():
        with pytest.raises(LinkLost, match="port scripted was lost"):
            call(driver)
    driver.halt()
    rig.lost_at_s = None
    assert driver.connect().boot == 6
    assert rig.openings == 2


CALLS: dict[str, Callable[[RigDriver], Any]] = {
    "poll": lambda driver: driver.poll(0.0),
    "carry_out": lambda driver: driver.carry_out(ReadSupply()),
}


def test_before_connecting_there_is_nothing() -> None:
    driver, rig, _ = make()
    for call in CALLS.values():
        with pytest.raises(LinkLost, match="not connected"):
            call(driver)
    driver.halt()
    assert driver.take_samples().codes.shape == (0, 2)
    assert driver.clock_ratio is None
    assert driver.figures() == {}
    driver.close()
    driver.close()
    assert rig.openings == 0


def test_inputs_and_edges_are_passed_on() -> None:
    driver, rig, clock = make()
    rig.status["start_presses"] = 254
    driver.connect()
    rig.status.update(inputs=Inputs.START_DOWN, start_presses=1, stop_events=3, fault=FaultCode.STOP, state=2)
    poll_until(driver, clock, 0.1)
    status = driver.poll(0.0)
    assert status.inputs.start_presses == 257  # counts on over the wrap
    assert status.inputs.stop_events == 3
    assert status.inputs.start_down
    assert not status.inputs.clamp_closed
    assert (status.state, status.fault) == ("FAULT", "STOP")


def test_bursts_of_noise_between_frames_are_counted_and_survived() -> None:
    """A burst costs the frame it runs into; twenty of half a kilobyte, one in 70 ms, leave enough of the rig's words."""
    driver, rig, clock = make()
    driver.connect()
    noise = np.random.default_rng(8).integers(0, 256, (20, 500), dtype=np.uint8)
    for number, burst in enumerate(noise):
        rig.say(burst.tobytes(), number * 0.07)
    poll_until(driver, clock, 1.5)
    assert driver.poll(0.0).state == "IDLE"
    assert driver.figures()["bad_frames"] > 20


def test_the_rig_clock_may_wrap() -> None:
    driver, rig, clock = make()
    rig.tick_offset = (1 << 32) - rig.ticks(clock.now_s + 0.5)
    driver.connect()
    poll_until(driver, clock, 0.2)
    before_s = driver.poll(0.0).tick_s
    poll_until(driver, clock, 1.0)
    assert driver.poll(0.0).tick_s - before_s == pytest.approx(1.0, abs=0.06)


def test_only_the_owner_may_call() -> None:
    driver, _, _ = make()
    driver.connect()
    mistakes: list[BaseException] = []

    def trespass() -> None:
        for call in (*CALLS.values(), RigDriver.halt, RigDriver.take_samples, RigDriver.close, RigDriver.connect):
            try:
                call(driver)
            except RuntimeError as problem:
                mistakes.append(problem)

    other = threading.Thread(target=trespass)
    other.start()
    other.join()
    assert len(mistakes) == 6
    driver.close()


def test_after_closing_another_thread_may_own_it() -> None:
    driver, _, _ = make()
    driver.connect()
    driver.close()
    names: list[str] = []
    other = threading.Thread(target=lambda: names.append(driver.connect().rig_id))
    other.start()
    other.join()
    assert names == ["MG-01"]


def test_a_lamp_is_no_reason_to_stop_polling_for_faults() -> None:
    driver, rig, _ = make()
    rig.status.update(fault=FaultCode.GUARD, state=2)
    driver.connect()
    driver.carry_out(Lamp(LampColour.ATTENTION))
    assert driver.poll(0.0).fault == "GUARD"
