"""Everything that can be made to go wrong does go wrong, at the place it was asked for, and the log says so."""

import json
from typing import Any

import numpy as np
import pytest

from rigs.emulated.bench import plain_unit
from rigs.emulated.control import Control
from rigs.emulated.lane import FrameFault, Lane
from rigs.emulated.settings import RigSettings
from rigs.link import FrameReader, encode
from rigs.link.messages import Inputs, Outcome, Refusal
from station.errors import ConfigurationError, NotFound, NotReady, UsageError
from tests.rigs.emulated_host import Host, ready_host, rig_with


def numbered(count: int) -> list[bytes]:
    return [encode("HEARTBEAT", counter=number) for number in range(count)]


def carried(fault: FrameFault, frames: list[bytes]) -> tuple[list[int], FrameReader]:
    """Counters that a reader finds behind a lane with this fault, delays aside."""
    lane, reader = Lane(), FrameReader("host")
    lane.add(fault)
    line = b"".join(piece for frame in frames for _, piece in lane.carry(frame))
    return [message.fields["counter"] for message in reader.feed(line)], reader


@pytest.mark.parametrize(
    ("fault", "expected", "bad"),
    [
        (FrameFault("drop", k=1), [0, 2, 3], 0),
        (FrameFault("drop", k=1, frames=2), [0, 3], 0),
        (FrameFault("dup", k=2), [0, 1, 2, 2, 3], 0),
        (FrameFault("truncate", k=1, keep_bytes=3), [0, 3], 1),
        (FrameFault("insert", k=1, raw=b"\x05noise\x00"), [0, 1, 2, 3], 1),
        (FrameFault("delay", k=0, delay_s=0.1), [0, 1, 2, 3], 0),
    ],
)
def test_frame_faults_hit_the_frame_they_name(fault: FrameFault, expected: list[int], bad: int) -> None:
    found, reader = carried(fault, numbered(4))
    if fault.kind == "truncate":  # its zero byte is gone: it spoils the next one as well
        assert found in ([0, 2, 3], [0, 3])
    else:
        assert found == expected
    assert reader.bad_frames == bad


def test_every_flipped_bit_of_a_frame_is_a_bad_frame() -> None:
    frame = encode("HEARTBEAT", counter=513)
    for bit in range(8 * len(frame)):
        found, _ = carried(FrameFault("corrupt", bit=bit), [frame, b"\0"])
        assert found == []


def test_a_fault_can_wait_for_one_kind_of_message() -> None:
    host = ready_host()
    host.ills.frame("drop", name="DONE")
    host.order("READ_LEVEL", what=0)
    host.wait(0.1)
    assert not host.of("DONE")
    host.rig.receive(encode("READ_LEVEL", command=1, what=0))
    host.listen()
    assert host.last("DONE").fields["command"] == 1


def test_delayed_frames_come_late_and_out_of_order() -> None:
    host = ready_host()
    host.ills.frame("delay", name="ACK", delay_s=0.03)
    host.say("LAMP", command=1, lamp=1)
    assert not host.of("ACK")
    host.wait(0.04)
    assert [one.name for one in host.heard if one.name in ("ACK", "DONE")] == ["DONE", "ACK"]


def test_commands_can_be_lost_on_their_way() -> None:
    host = ready_host()
    host.ills.frame("drop", lane="from-host", name="FLICK")
    host.sample(True)
    host.say("FLICK", command=2, run=7, stick=0, group=0, hold_ms=60, free_ms=150)
    host.wait(0.05)
    assert "flick" not in host.rig.log.counts


def test_noise_between_frames_is_only_noise() -> None:
    host = ready_host()
    host.ills.say(noise_bytes=50_000, seed=3)
    host.wait(0.3)
    assert host.last("STATUS").fields["tick"] > 300_000
    host.rig.receive(np.random.default_rng(4).bytes(50_000) + b"\0")
    assert host.order("LAMP", lamp=1) is Refusal.ACCEPTED


def test_a_weak_servo_does_not_reach_or_let_go() -> None:
    host = ready_host()
    host.ills.servo(stroke=0.8)
    host.sample(True)
    host.flick()
    assert host.finish()["outcome"] is Outcome.DONE
    released = host.rig.log.last("released")
    assert released is not None
    held = host.codes()[600:1050, 0].mean() / 16 - 128  # 60 to 105 ms after the order, the rig's supply being within 0.1 % of 3.3 V
    assert held == pytest.approx(77.0 * (0.8 * 40 - 10.15) / 25, abs=0.5)
    assert released.data["thrown"] is True


def test_a_jammed_servo_moves_nothing() -> None:
    host = ready_host()
    host.ills.servo(ill="jammed")
    host.sample(True)
    host.flick()
    host.finish()
    assert np.ptp(host.codes()[:, 0].astype(int)) < 20
    assert "released" not in host.rig.log.counts


@pytest.mark.parametrize(("figures", "least_s", "most_s"), [({"slew_deg_s": 600.0}, 0.018, 0.024), ({}, 0.010, 0.014)])
def test_a_slow_servo_lets_go_later(figures: dict[str, float], least_s: float, most_s: float) -> None:
    host = ready_host()
    host.ills.servo(latency_s=0.005, **figures)
    host.sample(True)
    host.flick()
    host.finish()
    ordered, released = host.rig.log.last("ordered"), host.rig.log.last("released")
    assert ordered is not None
    assert released is not None
    assert least_s < released.time_s - ordered.time_s < most_s


def test_signal_ills_show_in_the_codes() -> None:
    def codes(ill: str, **figures: Any) -> np.ndarray:
        host = ready_host(settings=RigSettings(noise_v=0.0))
        host.ills.signal(ill, **figures)
        host.sample(True)
        host.wait(0.2)
        host.flick()
        host.finish()
        return host.codes().astype(int)

    assert set(codes("stuck", axis="x")[:, 0]) == {2048}
    assert set(codes("toggling", axis="y", level=0.25)[:, 1]) == {1024, 1025}
    assert codes("clipped", level=0.6)[:, 0].max() == 2457
    assert codes("open")[:, 0].max() <= 1
    assert np.ptp(codes("hum", level=0.02)[:2000, 0]) == pytest.approx(0.04 / 3.3 * 4096, abs=3)
    assert codes("noisy", level=0.01)[:2000, 0].std() == pytest.approx(0.01 / 3.3 * 4096, rel=0.1)
    assert (codes("spikes", level=0.5, rate_hz=100.0)[:2000, 0] > 2400).sum() in range(8, 40)
    assert codes("offset", axis="x", level=0.1)[:, 0].mean() > codes("offset", axis="y", level=0.1)[:, 0].mean() + 100


def test_the_former_stream_can_come_again() -> None:
    host = ready_host()
    host.sample(True)
    host.wait(0.1)
    host.sample(False)
    former = host.codes()
    host.ills.signal("replayed")
    host.heard.clear()
    host.sample(True, run=8)
    host.wait(0.1)
    assert (host.codes()[:900] == former[:900]).all()


def test_lost_conversions_show_in_the_ticks_and_can_be_hidden_in_the_count() -> None:
    host = ready_host()
    host.ills.converter(lost_at=1000, lost=3, repaid_at=2000)
    host.sample(True)
    host.wait(0.4)
    ended = host.sample(False)
    late = [round((fields["tick"] - host.of("SAMPLES")[0].fields["tick"]) / 100.002) - fields["first"] for fields, _ in host.blocks()]
    firsts = [fields["first"] for fields, _ in host.blocks()]
    assert {delay for first, delay in zip(firsts, late, strict=True) if 1000 <= first < 2000} == {3}
    assert {delay for first, delay in zip(firsts, late, strict=True) if first < 1000 or first >= 2000} == {0}
    assert ended["last_sample"] == pytest.approx(4000, abs=2)


def test_a_clock_that_is_off_counts_other_ticks_and_samples() -> None:
    host = ready_host()
    host.ills.clock(error=0.01)
    begun = host.sample(True)
    host.wait(1.0)
    ended = host.sample(False)
    assert ended["end"] - begun["begin"] == pytest.approx(1_010_000, abs=200)
    assert ended["last_sample"] == pytest.approx(10_100, abs=2)


def test_ticks_wrap_inside_a_stream() -> None:
    host = ready_host()
    host.ills.clock(tick_offset=2**32 - 400_000)
    host.sample(True)
    host.wait(1.0)
    ticks = np.array([fields["tick"] for fields, _ in host.blocks()])
    assert (np.diff(ticks) < 0).sum() == 1
    assert set(np.diff(ticks) % 2**32) <= {7500, 7501}


def test_an_input_bit_can_lie() -> None:
    host = ready_host()
    host.ills.input("GUARD_CLOSED", True)
    host.hands.open_guard()
    host.wait(0.06)
    assert Inputs.GUARD_CLOSED in host.last("STATUS").fields["inputs"]
    assert not host.rig.plant.chain.closed
    host.ills.input("GUARD_CLOSED")
    host.wait(0.06)
    assert Inputs.GUARD_CLOSED not in host.last("STATUS").fields["inputs"]


def test_wear_makes_the_finger_touch_later_and_let_go_earlier() -> None:
    host = ready_host()
    host.ills.servo(wear_deg=4.0, release_jitter_deg=0.0, latency_jitter_s=0.0)
    host.sample(True)
    host.flick()
    host.finish()
    ordered, released = host.rig.log.last("ordered"), host.rig.log.last("released")
    assert ordered is not None
    assert released is not None
    assert released.time_s - ordered.time_s == pytest.approx(0.006 + (48 - 4 + 0.15 - 40) / 1200, abs=1e-6)


def test_a_loose_clamp_scatters_the_moment_of_release() -> None:
    def spread_s(**figures: float) -> float:
        host = ready_host()
        host.ills.servo(**figures)
        host.sample(True)
        after = []
        for number in range(12):
            host.flick(number % 4)
            host.finish()
            ordered, released = host.rig.log.last("ordered"), host.rig.log.last("released")
            assert ordered is not None
            assert released is not None
            after.append(released.time_s - ordered.time_s)
        return float(np.std(after))

    assert spread_s(clamp_play_deg=2.0) > 3 * spread_s()


def test_heal_takes_every_law_away() -> None:
    host = ready_host()
    host.ills.servo(stroke=0.5)
    host.ills.converter(noise_v=0.1)
    host.ills.signal("open")
    host.ills.clock(error=0.1)
    host.ills.identity(rig_id="other")
    host.ills.frame("drop", frames=1000)
    host.ills.heal()
    healthy = ready_host().rig.plant
    plant = host.rig.plant
    assert (plant.mechanism.law, plant.sampler.law, plant.sampler.signals) == (healthy.mechanism.law, healthy.sampler.law, ())
    assert host.hello()["rig_id"] == "rig-1"


CONTROL_ERRORS = [
    ({"do": "fly"}, UsageError, "do is 'fly'"),
    ({"do": "servo", "strike": 1.0}, ConfigurationError, "strike"),
    ({"do": "servo", "stroke": "much"}, ConfigurationError, "float"),
    ({"do": "servo", "ill": "tired"}, ConfigurationError, "jammed"),
    ({"do": "clamp", "serial": "DN2-99999"}, NotFound, "DN2-99999"),
    ({"do": "clamp", "serial": 7}, UsageError, "serial"),
    ({"do": "clamp", "colour": 7}, UsageError, "colour"),
    ({"do": "press_start", "duration_s": 0.0}, ConfigurationError, "duration_s"),
    ({"do": "press_start", "after_s": -1}, ConfigurationError, "after_s"),
    ({"do": "frame", "kind": "bend"}, ConfigurationError, "bend"),
    ({"do": "frame", "kind": "drop", "name": "SHOUT"}, ConfigurationError, "SHOUT"),
    ({"do": "frame", "kind": "drop", "lane": "up"}, ConfigurationError, "to-host"),
    ({"do": "say", "raw_hex": "xyz"}, ConfigurationError, "raw_hex"),
    ({"do": "signal", "ill": "sad"}, ConfigurationError, "sad"),
    ({"do": "input", "bit": "HAT"}, ConfigurationError, "CLAMP_CLOSED"),
    ({"do": "unplug"}, NotReady, "cable"),
    ({"do": "unit", "serial": "DN2-00001", "axis": "z"}, ConfigurationError, "axis"),
    ({"do": "unit", "serial": "DN2-00001", "axis": "x", "mood": 1.0}, ConfigurationError, "mood"),
    ({"do": "fit", "serial": "DN2-00001", "stick": "main", "axis": "x", "capacitance_f": 1.0}, ConfigurationError, "capacitance_f"),
    ({"do": "fit", "serial": "DN2-00001", "stick": "left", "axis": "x", "capacitance_f": 1e-7}, ConfigurationError, "left"),
]


@pytest.mark.parametrize(("request_", "error", "names"), CONTROL_ERRORS, ids=[json.dumps(one[0])[:60] for one in CONTROL_ERRORS])
def test_a_request_that_cannot_be_names_what_is_wrong(request_: dict[str, Any], error: type[Exception], names: str) -> None:
    control = Control(rig_with())
    with pytest.raises(error, match=names):
        control.do(request_)
    reply = json.loads(control.answer(json.dumps(request_).encode()))
    assert reply["ok"] is False
    assert names in reply["error"]


@pytest.mark.parametrize("line", [b"", b"{", b"[]", b"3", b"\xff\xfe"])
def test_a_line_that_is_no_request_is_answered(line: bytes) -> None:
    assert json.loads(Control(rig_with()).answer(line))["ok"] is False


def test_deeds_can_be_planned_and_their_failure_is_logged() -> None:
    rig = rig_with()
    control = Control(rig)
    assert control.do({"do": "clamp", "after_s": 0.5}) is None
    control.do({"do": "clamp", "after_s": 0.6})
    rig.advance(0.49)
    assert not rig.plant.panel.clamp_closed
    rig.advance(1.0)
    assert control.do({"do": "state"})["unit"]["serial"] == "DN2-00001"
    assert [one["why"] for one in control.do({"do": "log", "kind": "refused"})] == [
        "the clamp is closed on DN2-00001; the rig opens it (UNCLAMP), or open it by hand"
    ]


def test_a_person_keeps_hands_out_of_a_closed_guard() -> None:
    host = Host(rig_with([plain_unit("DN2-00001"), plain_unit("DN2-00002")]))
    host.hands.close_guard()
    with pytest.raises(NotReady, match="guard"):
        host.hands.clamp()
    host.hands.open_guard()
    assert host.hands.clamp()["serial"] == "DN2-00001"
    with pytest.raises(NotReady, match="in the clamp"):
        host.hands.fit("DN2-00001", "main", "x", 1e-7)
    host.hands.fit("DN2-00002", "main", "x", 1e-7)
    assert host.rig.bench.unit("DN2-00002").sticks["main"].x.capacitance_f == 1e-7
