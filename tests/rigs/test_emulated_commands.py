"""The dialogue: handshake, numbered commands that are safe to repeat, refusals, input counters, sample numbers and ticks."""

import numpy as np
import pytest

from rigs.emulated.settings import RigSettings
from rigs.link import encode
from rigs.link.messages import NO_SAMPLE, FaultCode, Inputs, LampCode, Outcome, Refusal, State
from station.errors import ConfigurationError
from tests.rigs.emulated_host import Host, ready_host, rig_with


def test_the_handshake_tells_who_is_there() -> None:
    host = Host(rig_with(settings=RigSettings(rig_id="north", firmware="emulated-9", sample_rate_hz=4_800, bits=10, reference_v=3.0)))
    told = host.hello()
    assert told == {
        "protocol": 1,
        "nonce": 77,
        "rig_id": "north",
        "firmware": "emulated-9",
        "boot": 1,
        "tick_hz": 1_000_000,
        "sample_rate": 4_800,
        "bits": 10,
        "reference_uv": 3_000_000,
        "emulated": 1,
    }


def test_nothing_but_rest_is_accepted_before_the_handshake() -> None:
    host = Host(rig_with())
    assert host.order("LAMP", lamp=1) is Refusal.NO_HANDSHAKE
    assert host.order("RESET") is Refusal.NO_HANDSHAKE
    assert host.order("REST") is Refusal.ACCEPTED


def test_another_version_is_answered_and_not_served() -> None:
    host = Host(rig_with())
    host.ills.identity(protocol=9, rig_id="stranger")
    told = host.hello()
    assert (told["protocol"], told["nonce"]) == (9, 77)
    assert host.order("LAMP", lamp=1) is Refusal.NO_HANDSHAKE


def test_status_comes_every_50_ms_also_before_the_handshake() -> None:
    host = Host(rig_with())
    host.beating = False
    host.wait(1.0)
    ticks = np.array([one.fields["tick"] for one in host.of("STATUS")])
    assert np.diff(ticks) == pytest.approx(np.full(len(ticks) - 1, 50_001), abs=1)
    assert len(ticks) in (20, 21)


def test_a_repeated_command_is_answered_again_and_not_done_twice() -> None:
    host = ready_host()
    host.sample(True)
    host.flick()
    repeat = encode("FLICK", command=2, run=7, stick=0, group=0, hold_ms=60, free_ms=150)
    for _ in range(3):
        host.wait(0.05)
        host.rig.receive(repeat)
    done = host.finish()
    host.rig.receive(repeat)
    host.listen()
    assert host.rig.log.counts["flick"] == 1
    assert [one.fields["refusal"] for one in host.of("ACK") if one.fields["command"] == 2] == [Refusal.ACCEPTED] * 5
    assert [one.fields for one in host.of("DONE") if one.fields["command"] == 2] == [done, done]


def test_an_older_command_is_ignored_and_numbers_wrap() -> None:
    host = ready_host()
    for number in (65_534, 65_535, 0, 1):
        host.say("LAMP", command=number, lamp=number % 5)
    heard = len(host.heard)
    host.say("LAMP", command=65_535, lamp=0)
    assert len(host.heard) == heard
    assert host.rig.firmware.lamp is LampCode.BUSY


def test_a_refusal_is_repeated_too() -> None:
    host = ready_host()
    assert host.flick() is Refusal.WRONG_RUN
    host.say("SAMPLE", command=2, run=7, stick=0, on=1)
    host.say("FLICK", command=1, run=7, stick=0, group=0, hold_ms=60, free_ms=150)
    assert "flick" not in host.rig.log.counts


FLICK = {"run": 7, "stick": 0, "group": 0, "hold_ms": 60, "free_ms": 150}
JOG = {"stick": 0, "group": 0, "angle": 50, "speed": 600}


@pytest.mark.parametrize(
    ("name", "fields", "refusal"),
    [
        ("FLICK", FLICK | {"run": 8}, Refusal.WRONG_RUN),
        ("FLICK", FLICK | {"stick": 1}, Refusal.UNKNOWN_COMMAND),
        ("FLICK", FLICK | {"hold_ms": 29}, Refusal.TIME_RANGE),
        ("FLICK", FLICK | {"hold_ms": 201}, Refusal.TIME_RANGE),
        ("FLICK", FLICK | {"free_ms": 49}, Refusal.TIME_RANGE),
        ("FLICK", FLICK | {"free_ms": 301}, Refusal.TIME_RANGE),
        ("JOG", JOG | {"angle": 601}, Refusal.ANGLE_RANGE),
        ("JOG", JOG | {"angle": -601}, Refusal.ANGLE_RANGE),
        ("JOG", JOG | {"angle": 60}, Refusal.ANGLE_RANGE),
        ("JOG", JOG | {"speed": 0}, Refusal.TIME_RANGE),
        ("JOG", JOG | {"speed": 601}, Refusal.TIME_RANGE),
        ("JOG", JOG | {"speed": 100}, Refusal.TIME_RANGE),
        ("JOG", JOG | {"stick": 1}, Refusal.UNKNOWN_COMMAND),
        ("SAMPLE", {"run": 7, "stick": 1, "on": 1}, Refusal.UNKNOWN_COMMAND),
        ("UNCLAMP", {}, Refusal.BUSY),
    ],
)
def test_what_cannot_be_done_is_refused_while_sampling(name: str, fields: dict[str, int], refusal: Refusal) -> None:
    host = ready_host()
    host.sample(True)
    assert host.order(name, **fields) is refusal
    assert "energised" not in host.rig.log.counts


@pytest.mark.parametrize(
    ("deed", "refusal"), [("press_stop", Refusal.FAULT_LATCHED), ("open_guard", Refusal.GUARD_OPEN), ("unclamp", Refusal.CLAMP_OPEN)]
)
@pytest.mark.parametrize("name", ["FLICK", "JOG"])
def test_nothing_moves_without_stop_guard_and_clamp(deed: str, refusal: Refusal, name: str) -> None:
    host = ready_host()
    getattr(host.hands, deed)()
    assert host.order(name, **(FLICK if name == "FLICK" else JOG)) is refusal


def test_an_open_stop_after_a_restart_refuses_motion() -> None:
    host = ready_host()
    host.hands.press_stop()
    host.ills.reboot()
    host.wait(0.1)
    host.hello()
    assert host.flick() is Refusal.STOP_OPEN
    host.hands.release_stop()
    assert host.flick() is Refusal.STOP_OPEN  # the relay is down until it is armed
    assert host.order("RESET") is Refusal.ACCEPTED
    assert host.flick() is Refusal.WRONG_RUN


def test_one_thing_at_a_time_but_the_lamp() -> None:
    host = ready_host()
    host.sample(True)
    host.flick()
    assert host.order("READ_LEVEL", what=0) is Refusal.BUSY
    assert host.flick(1) is Refusal.BUSY
    assert host.order("SAMPLE", run=7, stick=0, on=0) is Refusal.BUSY
    assert host.order("RESET") is Refusal.BUSY
    assert host.order("LAMP", lamp=2) is Refusal.ACCEPTED


def test_rest_ends_a_flick_as_halted_and_a_hello_does_as_well() -> None:
    for ending in ("REST", "HELLO"):
        host = ready_host()
        host.sample(True)
        host.flick()
        host.wait(0.09)
        if ending == "REST":
            host.order("REST")
        else:
            host.hello()
        done = [one.fields for one in host.of("DONE") if one.fields["command"] == 2]
        assert [one["outcome"] for one in done] == [Outcome.HALTED]
        assert not host.rig.plant.torque
        host.wait(0.1)
        assert host.rig.plant.at_rest(host.rig.now_s)


@pytest.mark.parametrize("press_ms", [1, 150])
def test_edge_counters_miss_no_press(press_ms: int) -> None:
    host = ready_host()
    before = host.last("STATUS").fields["start_presses"]
    seen = len(host.of("STATUS"))
    host.hands.press_start(press_ms / 1000)
    host.wait(0.2)
    news = [one.fields for one in host.of("STATUS")[seen:]]
    assert news[-1]["start_presses"] == before + 1
    assert [Inputs.START_DOWN in one["inputs"] for one in news][:1] == [True]
    assert Inputs.START_DOWN not in news[-1]["inputs"]


def test_counters_wrap_at_256() -> None:
    host = ready_host()
    for _ in range(300):
        host.hands.press_start(0.001)
        host.rig.advance(host.rig.now_s + 0.002)
        host.listen()
    assert host.last("STATUS").fields["start_presses"] == 300 % 256


def test_samples_are_numbered_timed_and_complete() -> None:
    host = ready_host()
    begun = host.sample(True)
    first, second = host.carry_out("FLICK", **FLICK), host.carry_out("FLICK", **FLICK | {"group": 3})
    ended = host.sample(False)
    next_number = 0
    for fields, codes in host.blocks():
        assert (fields["first"], fields["run"], fields["stick"]) == (next_number, 7, 0)
        assert abs(fields["tick"] - begun["begin"] - 100 * next_number) <= 1
        next_number += len(codes)
    assert (ended["first_sample"], ended["last_sample"]) == (0, next_number - 1)
    for done in (first, second):
        assert 0 <= 100 * done["first_sample"] - (done["begin"] - begun["begin"]) < 101
        assert 0 <= (done["end"] - begun["begin"]) - 100 * done["last_sample"] < 101
    assert second["begin"] - first["end"] < 60_000
    assert first["end"] - first["begin"] == pytest.approx(330_000, abs=20)


def test_a_flick_s_samples_come_before_its_done() -> None:
    host = ready_host()
    host.sample(True)
    done = host.carry_out("FLICK", **FLICK)
    position = [one.name for one in host.heard].index("DONE", len(host.heard) - 5)
    last = [one for one in host.heard[:position] if one.name == "SAMPLES"][-1]
    assert last.fields["first"] + len(last.tail) // 3 - 1 == done["last_sample"]


def test_without_a_stream_there_are_no_sample_numbers() -> None:
    done = ready_host().carry_out("READ_LEVEL", what=0)
    assert (done["first_sample"], done["last_sample"]) == (NO_SAMPLE, NO_SAMPLE)


def test_a_stream_nobody_listens_to_ends() -> None:
    host = ready_host()
    host.sample(True)
    host.beating = False
    host.wait(1.2)
    assert host.last("STATUS").fields["run"] == 0
    assert host.last("STATUS").fields["fault"] is FaultCode.NONE


def test_bytes_that_nobody_takes_are_an_overrun() -> None:
    host = ready_host()
    host.sample(True)
    for _ in range(20):
        host.rig.receive(encode("HEARTBEAT", counter=1))
        host.rig.advance(host.rig.now_s + 0.05)
    assert host.rig.waiting_bytes <= host.rig.settings.tx_limit_bytes
    host.listen()
    host.wait(0.1)
    assert host.last("STATUS").fields["fault"] is FaultCode.OVERRUN


def test_jog_goes_out_step_by_step_and_must_be_renewed() -> None:
    host = ready_host()
    for angle in range(50, 351, 50):
        host.carry_out("JOG", **JOG | {"angle": angle})
    assert host.last("STATUS").fields["state"] is State.MOVING
    assert host.rig.plant.mechanism.paths[0].state(host.rig.now_s)[0] == pytest.approx(77.0, abs=1.0)
    assert host.order("JOG", **JOG | {"group": 2}) is Refusal.NOT_AT_REST
    assert host.flick() is Refusal.WRONG_RUN
    assert host.order("UNCLAMP") is Refusal.NOT_AT_REST
    host.wait(0.6)
    assert host.last("STATUS").fields["fault"] is FaultCode.ENERGISED_TOO_LONG
    assert host.rig.plant.at_rest(host.rig.now_s)


def test_jog_back_leads_the_stick_home_and_gives_the_finger_rest() -> None:
    host = ready_host()
    for angle in (*range(50, 301, 50), *range(250, -1, -50)):
        host.carry_out("JOG", **JOG | {"angle": angle})
    assert host.rig.plant.at_rest(host.rig.now_s)
    assert abs(host.rig.plant.mechanism.paths[0].state(host.rig.now_s)[0]) <= 0.16  # its own dry friction


def test_jog_past_the_release_point_lets_the_stick_go() -> None:
    host = ready_host()
    for angle in range(50, 551, 50):
        host.carry_out("JOG", **JOG | {"angle": angle})
    released = host.rig.log.last("released")
    assert released is not None
    assert released.data["held_counts"] == pytest.approx(77.0, abs=0.01)
    assert not host.rig.plant.mechanism.held


def test_a_jogged_stick_lets_go_at_one_angle_however_small_the_steps() -> None:
    """One push has one release angle: drawn anew at every step, the earliest of many would be met."""
    found = []
    for seed in range(12):
        host = ready_host(seed=seed)
        host.ills.servo(release_jitter_deg=1.0)
        for angle in (*range(50, 451, 50), *range(452, 520, 2)):
            host.carry_out("JOG", **JOG | {"angle": angle})
            if host.rig.log.last("released") is not None:
                found.append(angle / 10)
                break
    assert len(found) == 12
    assert np.mean(found) == pytest.approx(48.15 + 0.1, abs=0.6)  # twice the standard error; the earliest of 17 draws is 1.8 below


def test_a_finger_that_comes_back_from_beyond_the_gate_leaves_the_stick_there_until_it_is_back_at_the_gate() -> None:
    host = ready_host()
    for angle in (*range(50, 451, 50), 430, 400, 370):
        host.carry_out("JOG", **JOG | {"angle": angle})
    path = host.rig.plant.mechanism.paths[0]
    assert path.state(host.rig.now_s)[0] == pytest.approx(77.0, abs=1e-9)
    host.carry_out("JOG", **JOG | {"angle": 330})
    assert path.state(host.rig.now_s)[0] == pytest.approx(77.0 / 25 * (33.0 + 0.15 - 10.0), abs=1e-6)  # play taken up the other way


def test_a_jog_ends_de_energised_at_home_and_past_the_release_the_folded_finger_comes_home_by_jogs() -> None:
    host = ready_host()
    for angle in (*range(50, 501, 50), *range(450, -1, -50)):
        host.carry_out("JOG", **JOG | {"angle": angle})
    host.wait(0.6)  # no fault for being energised too long
    assert host.last("STATUS").fields["state"] is State.IDLE
    assert host.rig.plant.at_rest(host.rig.now_s)
    assert host.rig.log.counts["released"] == 1


def test_steps_are_counted_from_the_last_order_also_where_the_servo_falls_short() -> None:
    host = ready_host()
    host.ills.servo(stroke=0.8)
    for angle in range(50, 301, 50):
        host.carry_out("JOG", **JOG | {"angle": angle})
    assert host.rig.plant.mechanism.fingers[0].angle(host.rig.now_s) == pytest.approx(24.0)
    assert host.order("JOG", **JOG | {"angle": 351}) is Refusal.ANGLE_RANGE


@pytest.mark.parametrize(
    "figures", [{"sample_rate_hz": 100}, {"bits": 13}, {"rig_id": ""}, {"rig_id": "x" * 17}, {"firmware": "ü"}, {"sticks": 0}]
)
def test_a_rig_the_link_cannot_describe_is_refused(figures: dict[str, object]) -> None:
    with pytest.raises(ConfigurationError, match=next(iter(figures))):
        RigSettings(**figures)  # type: ignore[arg-type]
