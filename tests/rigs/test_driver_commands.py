"""Numbered commands: done once whatever is lost, refused with a sentence, given up in time."""

import threading
from typing import Any

import pytest

from rigs.driver.commands import order_of
from rigs.driver.dialogue import RigDriver
from rigs.driver.pending import ANSWER_S, MARGIN_S
from rigs.driver.sentences import FAULTS, REFUSALS
from rigs.driver.session import HALT_AGAIN_S, HALT_MARGIN_S
from rigs.link import Received, encode
from rigs.link.messages import FaultCode, Group, LampCode, Outcome, Reference, Refusal
from station.errors import LinkLost, RigFault, RigRefused
from station.ports.rig import Command, Flick, Jog, Lamp, LampColour, Level, ReadLevel, ReadSupply, Reset, Sample, Unclamp
from station.quantities import GROUPS
from tests.rigs.scripted import HandClock, ScriptedRig, dropping, plain

FLICK = Flick(run_number=41, group="y-", hold_s=0.1, free_s=0.2, stick=1)
EVERY: list[Command] = [
    Sample(41, True),
    Sample(41, False),
    FLICK,
    Jog("x+", 4.0, 30.0),
    ReadSupply(),
    ReadLevel(Level.HALF),
    Unclamp(),
    Lamp(LampColour.BUSY),
    Reset(),
]
HALT_LIMIT_S = 0.1 + HALT_MARGIN_S


def connected() -> tuple[RigDriver, ScriptedRig, HandClock]:
    clock = HandClock()
    rig = ScriptedRig(clock)
    driver = RigDriver("north", rig, clock, nonce=lambda: 77)
    driver.connect()
    rig.heard.clear()
    return driver, rig, clock


def commands_heard(rig: ScriptedRig) -> list[Received]:
    return [one for one in rig.heard if one.name not in ("HELLO", "HEARTBEAT")]


@pytest.mark.parametrize(
    ("command", "name", "fields"),
    [
        (Sample(41, True, 2), "SAMPLE", {"run": 41, "stick": 2, "on": 1}),
        (Sample(41, False), "SAMPLE", {"run": 41, "stick": 0, "on": 0}),
        (FLICK, "FLICK", {"run": 41, "stick": 1, "group": Group.Y_MINUS, "hold_ms": 100, "free_ms": 200}),
        (Jog("x-", -12.5, 7.5), "JOG", {"stick": 0, "group": Group.X_MINUS, "angle": -125, "speed": 75}),
        (ReadSupply(), "READ_LEVEL", {"what": Reference.UNIT_SUPPLY}),
        (ReadLevel(Level.LOW), "READ_LEVEL", {"what": Reference.LOW}),
        (ReadLevel(Level.HALF_SOURCE), "READ_LEVEL", {"what": Reference.HALF_SOURCE}),
        (Unclamp(), "UNCLAMP", {}),
        (Lamp(LampColour.FAIL), "LAMP", {"lamp": LampCode.FAIL}),
        (Reset(), "RESET", {}),
    ],
)
def test_every_command_has_its_message(command: Command, name: str, fields: dict[str, Any]) -> None:
    driver, rig, _ = connected()
    driver.carry_out(command)
    assert commands_heard(rig) == [Received(name, {"command": 1, **fields})]


def test_words_of_the_port_and_values_of_the_link_agree() -> None:
    assert [LampCode[colour.name].name.lower() for colour in LampColour] == [colour.value for colour in LampColour]
    assert [order_of(Flick(1, group, 0.1, 0.1)).fields["group"] for group in GROUPS] == list(Group)
    assert [order_of(ReadLevel(level)).fields["what"] for level in Level] == list(Reference)[1:]


def test_done_gives_rig_time_samples_and_value() -> None:
    driver, rig, clock = connected()
    rig.value = 3_298_500
    begin_s = clock.now_s
    done = driver.carry_out(ReadSupply())
    assert done.value == pytest.approx(3.2985)
    assert done.begin_s == pytest.approx(begin_s)
    assert (done.first_sample, done.last_sample) == (0, 0)
    rig.reply = lambda name, fields: plain(name, {**fields, "first_sample": 120, "last_sample": 4119} if name == "DONE" else fields)
    done = driver.carry_out(FLICK)
    assert (done.first_sample, done.last_sample) == (120, 4119)
    assert done.end_s - done.begin_s == pytest.approx(0.4)


@pytest.mark.parametrize("command", EVERY, ids=lambda one: type(one).__name__)
@pytest.mark.parametrize("lost", [("ACK",), ("DONE",), ("ACK", "DONE")], ids="+".join)
@pytest.mark.parametrize("times", [1, 2])
def test_a_lost_answer_is_asked_for_again_and_nothing_is_done_twice(command: Command, lost: tuple[str, ...], times: int) -> None:
    driver, rig, _ = connected()
    rig.reply = dropping(*lost, times=times)
    driver.carry_out(command)
    name = order_of(command).message
    assert rig.actuations == {name: 1}
    assert {one.fields["command"] for one in commands_heard(rig)} == {1}


@pytest.mark.parametrize("times", [1, 2, 3])
def test_a_lost_command_is_sent_again_with_its_number(times: int) -> None:
    driver, rig, clock = connected()
    until_s = clock.now_s + (times - 1) * ANSWER_S + 0.05
    write = rig.write

    def lossy(data: bytes) -> None:
        if clock.now_s >= until_s or encode("HEARTBEAT", counter=1)[1] == data[1]:
            write(data)

    rig.write = lossy  # type: ignore[method-assign]
    driver.carry_out(FLICK)
    assert rig.actuations == {"FLICK": 1}
    assert driver.figures()["commands_sent_again"] == times


def test_each_command_has_its_own_number() -> None:
    driver, rig, _ = connected()
    for command in EVERY:
        driver.carry_out(command)
    assert [one.fields["command"] for one in commands_heard(rig)] == list(range(1, len(EVERY) + 1))


def test_numbers_wrap_and_go_on() -> None:
    driver, rig, _ = connected()
    assert driver._session is not None
    driver._session._number = 0xFFFE
    for _ in range(3):
        driver.carry_out(Lamp(LampColour.BUSY))
    assert [one.fields["command"] for one in commands_heard(rig)] == [0xFFFF, 0, 1]


def test_an_answer_to_another_command_is_ignored() -> None:
    driver, rig, clock = connected()
    rig.reply = lambda name, fields: plain(name, {**fields, "command": fields["command"] + 7} if name in ("ACK", "DONE") else fields)
    begin_s = clock.now_s
    with pytest.raises(LinkLost, match="did not end the flick y-") as caught:
        driver.carry_out(FLICK)
    assert caught.value.facts["cause"] == "no-answer"
    assert clock.now_s - begin_s == pytest.approx(order_of(FLICK).duration_s + MARGIN_S)
    assert rig.actuations == {"FLICK": 1}
    assert driver.figures()["answers_ignored"] > 0
    assert not rig.is_open


def test_answers_that_come_twice_are_ignored_the_second_time() -> None:
    driver, rig, _ = connected()
    rig.reply = lambda name, fields: plain(name, fields) * 2
    driver.carry_out(FLICK)
    driver.carry_out(ReadSupply())
    driver.poll(0.02)
    assert rig.actuations == {"FLICK": 1, "READ_LEVEL": 1}


@pytest.mark.parametrize(("late_ticks", "in_time"), [(-1, True), (0, True), (1, False)])
def test_the_deadline_of_done_is_exact_to_one_tick(late_ticks: int, in_time: bool) -> None:
    driver, rig, _ = connected()
    rig.delay_s = 0.0
    rig.durations_s["FLICK"] = order_of(FLICK).duration_s + MARGIN_S + late_ticks * 1e-6
    if in_time:
        driver.carry_out(FLICK)
    else:
        with pytest.raises(LinkLost):
            driver.carry_out(FLICK)
    assert rig.actuations == {"FLICK": 1}


@pytest.mark.parametrize("refusal", [one for one in Refusal if one not in (Refusal.ACCEPTED, Refusal.NO_HANDSHAKE)])
def test_a_refusal_is_told_in_a_sentence(refusal: Refusal) -> None:
    driver, rig, _ = connected()
    rig.refusals["FLICK"] = refusal
    with pytest.raises(RigRefused, match="rig north refused the flick y-: ") as caught:
        driver.carry_out(FLICK)
    assert caught.value.message.endswith(REFUSALS[refusal])
    assert caught.value.facts == {"refusal": refusal.name, "layer": "rig", "command": "FLICK"}
    assert driver.poll(0.0).state == "IDLE"  # the link is as good as before


def test_a_rig_that_knows_nothing_of_the_handshake_has_restarted() -> None:
    driver, rig, _ = connected()
    rig.refusals["FLICK"] = Refusal.NO_HANDSHAKE
    with pytest.raises(RigFault, match="has restarted"):
        driver.carry_out(FLICK)
    assert not rig.is_open


def test_every_refusal_and_fault_has_its_sentence() -> None:
    assert set(REFUSALS) == set(Refusal)
    assert set(FAULTS) == set(FaultCode)
    assert len(set(REFUSALS.values())) == len(Refusal)
    assert len(set(FAULTS.values())) == len(FaultCode)


@pytest.mark.parametrize("fault", [one for one in FaultCode if one])
def test_a_fault_ends_the_flick_with_its_name(fault: FaultCode) -> None:
    driver, rig, clock = connected()
    rig.say(encode("FAULT", fault=fault, tick=0, detail=0), 0.2)
    begin_s = clock.now_s
    with pytest.raises(RigFault) as caught:
        driver.carry_out(FLICK)
    assert caught.value.facts == {"fault": fault.name}
    assert caught.value.message.endswith(FAULTS[fault])
    assert clock.now_s - begin_s == pytest.approx(0.2)  # at once, not at the end of the flick


def test_a_fault_is_seen_in_status_when_its_own_frame_is_lost() -> None:
    driver, rig, _ = connected()
    rig.say(rig.status_frame(1000.1, fault=FaultCode.STOP, state=2), 0.1)
    with pytest.raises(RigFault) as caught:
        driver.carry_out(FLICK)
    assert caught.value.facts == {"fault": "STOP"}


def test_done_as_faulted_waits_for_the_name_of_the_fault() -> None:
    driver, rig, _ = connected()
    rig.outcomes["READ_LEVEL"] = Outcome.FAULTED
    rig.status.update(fault=FaultCode.SUPPLY, state=2)
    with pytest.raises(RigFault) as caught:
        driver.carry_out(ReadSupply())
    assert caught.value.facts == {"fault": "SUPPLY"}


def test_done_as_faulted_without_any_name_is_a_fault_all_the_same() -> None:
    driver, rig, _ = connected()
    rig.outcomes["READ_LEVEL"] = Outcome.FAULTED
    with pytest.raises(RigFault, match="did not name") as caught:
        driver.carry_out(ReadSupply())
    assert caught.value.facts == {"fault": ""}


def test_a_command_ended_by_rest_is_a_fault() -> None:
    driver, rig, _ = connected()
    rig.outcomes["FLICK"] = Outcome.HALTED
    with pytest.raises(RigFault, match="ended by an order to rest"):
        driver.carry_out(FLICK)


@pytest.mark.parametrize(
    ("command", "refusal"),
    [
        (Flick(1, "x+", 0.029, 0.2), "TIME_RANGE"),
        (Flick(1, "x+", 0.201, 0.2), "TIME_RANGE"),
        (Flick(1, "x+", 0.1, 0.049), "TIME_RANGE"),
        (Flick(1, "x+", 0.1, 0.301), "TIME_RANGE"),
        (Jog("x+", 60.1, 10.0), "ANGLE_RANGE"),
        (Jog("x+", -60.1, 10.0), "ANGLE_RANGE"),
        (Jog("x+", 1.0, 60.1), "ANGLE_RANGE"),
        (Jog("x+", 1.0, 0.0), "ANGLE_RANGE"),
    ],
)
def test_what_is_beyond_the_limits_is_never_sent(command: Command, refusal: str) -> None:
    driver, rig, _ = connected()
    with pytest.raises(RigRefused, match="expected") as caught:
        driver.carry_out(command)
    assert caught.value.facts == {"refusal": refusal, "layer": "driver"}
    assert commands_heard(rig) == []


@pytest.mark.parametrize("command", [Flick(1, "x+", 0.03, 0.05), Flick(1, "x+", 0.2, 0.3), Jog("x+", 60.0, 60.0), Jog("y-", -60.0, 0.1)])
def test_what_is_just_within_the_limits_is_sent(command: Command) -> None:
    driver, rig, _ = connected()
    driver.carry_out(command)
    assert len(commands_heard(rig)) == 1


def test_a_rig_lost_at_any_moment_of_a_flick_is_a_lost_link() -> None:
    for at_ms in range(0, 400, 7):
        driver, rig, clock = connected()
        rig.lost_at_s = clock.now_s + at_ms * 1e-3
        with pytest.raises(LinkLost):
            driver.carry_out(FLICK)
        driver.halt()
        assert not rig.is_open


def test_halt_orders_rest_at_once_and_believes_it_only_when_confirmed() -> None:
    driver, rig, clock = connected()
    begin_s = clock.now_s
    driver.halt()
    assert [one.name for one in rig.heard] == ["REST"]
    assert clock.now_s - begin_s < 0.01
    assert driver.halts_unconfirmed == 0


@pytest.mark.parametrize("times", [1, 2, 5])
def test_halt_is_repeated_until_confirmed_and_without_heartbeats(times: int) -> None:
    driver, rig, clock = connected()
    rig.reply = dropping("ACK", "DONE", times=times)
    begin_s = clock.now_s
    driver.halt()
    assert {one.name for one in rig.heard} == {"REST"}
    assert rig.actuations == {"REST": 1}
    assert clock.now_s - begin_s < times * HALT_AGAIN_S + 0.11
    assert driver.halts_unconfirmed == 0


def test_halt_is_bounded_and_never_raises() -> None:
    driver, rig, clock = connected()
    rig.reply = dropping("ACK", "DONE", times=10**6)
    begin_s = clock.now_s
    driver.halt()
    assert clock.now_s - begin_s == pytest.approx(HALT_LIMIT_S)
    assert driver.halts_unconfirmed == 1
    with pytest.raises(LinkLost, match="did not end the rest"):
        driver.poll(0.0)
    driver.halt()


def test_halt_works_with_a_fault_latched_and_during_a_restart() -> None:
    driver, rig, _ = connected()
    rig.status.update(fault=FaultCode.GUARD, state=2)
    driver.halt()
    assert driver.halts_unconfirmed == 0
    rig.reply = dropping("DONE", "ACK", times=2)
    rig.identity["boot"] = 7
    driver.halt()
    assert driver.halts_unconfirmed == 1
    with pytest.raises(LinkLost, match="has restarted"):
        driver.poll(0.0)


def test_a_halt_asked_for_by_another_thread_ends_the_flick_within_a_turn() -> None:
    driver, rig, clock = connected()
    read = rig.read
    asked_s: list[float] = []

    def ask_on_the_way(max_bytes: int, wait_s: float) -> bytes:
        if not asked_s and clock.now_s >= 1000.2:
            other = threading.Thread(target=driver.request_halt)
            other.start()
            other.join()
            asked_s.append(clock.now_s)
        return read(max_bytes, wait_s)

    rig.read = ask_on_the_way  # type: ignore[method-assign]
    with pytest.raises(RigFault, match="ended by an order to rest") as caught:
        driver.carry_out(FLICK)
    assert caught.value.facts == {"fault": "HALTED"}
    assert clock.now_s - asked_s[0] <= 0.03
    assert [one.name for one in commands_heard(rig)] == ["FLICK", "REST"]
    driver.carry_out(FLICK)  # asked once, obeyed once


def test_a_halt_asked_for_between_commands_is_obeyed_by_the_next_poll() -> None:
    driver, rig, _ = connected()
    driver.request_halt()
    driver.poll(0.05)
    assert [one.name for one in commands_heard(rig)] == ["REST"]
    driver.request_halt()
    with pytest.raises(RigFault):
        driver.carry_out(FLICK)
    assert rig.actuations == {"REST": 2}  # the flick was never sent


@pytest.mark.parametrize("command", [FLICK, Jog("x+", 4.0, 30.0)])
def test_a_halt_obeyed_while_the_owner_waits_is_not_forgotten_by_its_next_movement(command: Command) -> None:
    """Else whoever polls between two movements would move on though rest was ordered."""
    driver, rig, _ = connected()
    driver.carry_out(Sample(41, True, 1))
    driver.request_halt()
    driver.poll(0.02)
    driver.carry_out(ReadSupply())  # moves nothing
    rig.heard.clear()
    with pytest.raises(RigFault, match="ended by an order to rest") as caught:
        driver.carry_out(command)
    assert caught.value.facts == {"fault": "HALTED"}
    assert commands_heard(rig) == []
    driver.carry_out(command)  # told once; a person has started anew


def test_a_halt_of_an_idle_rig_does_not_end_the_next_run() -> None:
    driver, rig, _ = connected()
    driver.request_halt()
    driver.poll(0.02)
    driver.carry_out(Sample(41, True, 1))
    driver.carry_out(FLICK)
    assert rig.actuations == {"REST": 1, "SAMPLE": 1, "FLICK": 1}


def test_no_read_is_longer_than_a_halt_may_wait() -> None:
    driver, _, clock = connected()
    longest_s = 0.0
    for _ in range(200):
        begin_s = clock.now_s
        driver.poll(1.0)
        longest_s = max(longest_s, clock.now_s - begin_s)
    assert longest_s <= 0.02 + 1e-9
