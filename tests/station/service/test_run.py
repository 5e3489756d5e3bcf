"""Whole runs over the real bytes in virtual time: verdicts, what interrupts them, and what is written down."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rigs.emulated.settings import RigSettings
from rigs.emulated.stick import damping_for
from rigs.emulated.units import AxisProperties, StickProperties
from rigs.replayed.csv_recording import read_recording
from station.errors import RigRefused, StoreUnavailable
from station.judge.score import score_document, score_recording
from station.ports import Jog
from station.records import Verdict
from station.specification import Specification
from tests.station.service.virtual import VirtualStation, one_unit, virtual_station, with_sticks

EXPECTED = {
    "good": ("pass", set()),
    "snapback-x": ("fail", {"snapback:x+", "snapback:x-"}),
    "snapback-y": ("fail", {"snapback:y+", "snapback:y-"}),
    "snapback-both": ("fail", {"snapback:x+", "snapback:x-", "snapback:y+", "snapback:y-"}),
    "dead-channel": ("fail", {"dead-channel:x"}),
    "short-reach": ("fail", {"short-reach:x+", "short-reach:x-"}),
    "off-centre": ("fail", {"off-centre:y"}),
    "swapped-axes": ("fail", {"swapped-axes"}),
}


def test_units_of_the_demo_bench_get_their_own_reasons(bench: VirtualStation) -> None:
    seen = set()
    for _ in range(9):
        view = bench.test()
        character = bench.rig.bench.unit(bench.told("run-ended")[-1].data["unit"]).character
        verdict, reasons = EXPECTED[character]
        assert view.verdict == verdict, character
        assert set(view.reasons) <= reasons, character
        assert bool(view.reasons) == bool(reasons), character
        seen.add(character)
    assert {"good", "snapback-x", "dead-channel", "off-centre"} <= seen


def test_a_good_unit_passes_in_few_flicks_and_is_written_down(bench: VirtualStation) -> None:
    view = bench.test()
    assert view.verdict == "pass"
    detail = bench.queries.run(view.last_run)
    assert detail.run.verdict == "pass"
    assert detail.run.unit.serial == "DN2-04101"
    groups = detail.sticks["main"].rows
    assert [one.group for one in groups] == ["x+", "x-", "y+", "y-"]
    assert all(8 <= one.flicks_used <= 60 for one in groups)
    flicks = bench.queries.flicks(view.last_run)
    assert len(flicks) == sum(one.flicks for one in groups)
    assert detail.evidence["sticks"][0]["samples_received"] == detail.evidence["sticks"][0]["samples_expected"]
    assert not bench.rig.plant.panel.clamp_closed  # unclamped at the end
    assert bench.rig.firmware.lamp.name == "PASS"


def test_the_order_is_interleaved(bench: VirtualStation) -> None:
    bench.test()
    order = [event.data["group"] for event in bench.told("flick")]
    for start in range(0, 32, 4):
        assert sorted(order[start : start + 4]) == ["x+", "x-", "y+", "y-"]
    assert order[0] != order[4]


@pytest.mark.parametrize("zeta_ring", [(0.40, 55.0), (0.55, 75.0)])
def test_overshoot_of_the_stick_comes_back_through_the_whole_chain(
    tmp_path: Path, short: Specification, spec_text: str, zeta_ring: tuple[float, float]
) -> None:
    """Second-order step response: overshoot exp(-pi zeta / sqrt(1 - zeta^2)) (textbook; Ogata, Nise; from memory, closed form)."""
    zeta, ring_hz = zeta_ring
    still = AxisProperties(
        damping_plus=zeta, damping_minus=zeta, ring_hz=ring_hz, damping_spread=0.0, ring_spread=0.0,
        friction_counts=0.0, stiction_counts=0.0, friction_spread=0.0, warm_up=0.0, rough_counts=0.0,
    )  # fmt: skip
    station = virtual_station(tmp_path, short, spec_text, one_unit(StickProperties(x=still, y=still)))
    station.test("DN2-00001")
    flicks = station.queries.flicks(1)
    share = np.mean(flicks.columns["peak_counts"]) / np.mean(flicks.columns["reach_counts"])
    station.close()
    expected = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))
    assert share == pytest.approx(expected, abs=0.0012)  # 0.1 counts of 77: the accuracy promised for a group
    assert damping_for(expected) == pytest.approx(zeta, abs=1e-6)


def test_the_stored_recording_scores_the_same_again_and_so_does_its_export(
    bench: VirtualStation, short: Specification, tmp_path: Path
) -> None:
    view = bench.test("DN2-04102")
    stored = bench.queries.recording(view.last_run)
    flicks = bench.queries.flicks(view.last_run)
    again = score_recording(stored, short)
    assert again.verdict is Verdict.FAIL
    for name, column in flicks.columns.items():
        np.testing.assert_array_equal(column, again.flicks.columns[name], name)
    exported = tmp_path / "run.csv"
    with exported.open("w", encoding="ascii") as out:
        out.write("t_s,x_v,y_v\n")
        for index, (x_v, y_v) in enumerate(zip(stored.x_v.tolist(), stored.y_v.tolist(), strict=True)):
            out.write(f"{index / stored.rate_hz:.6f},{x_v!r},{y_v!r}\n")
    from_file = score_document(score_recording(read_recording(exported, supply_v=stored.supply_v), short), short)
    first = score_document(again, short)
    assert from_file["verdict"] == first["verdict"]
    for name, group in first["groups"].items():
        assert from_file["groups"][name]["peak_counts"] == pytest.approx(group["peak_counts"], abs=1e-6)


def test_two_sticks_are_tested_in_one_run(tmp_path: Path, spec_text: str) -> None:
    text, specification = with_sticks(spec_text, ("left", "right"))
    station = virtual_station(tmp_path, specification, text, one_unit(sticks=("left", "right")), RigSettings(sticks=2))
    view = station.test("DN2-00001")
    detail = station.queries.run(view.last_run)
    station.close()
    assert view.verdict == "pass"
    assert set(detail.sticks) == {"left", "right"}
    assert all(len(stick.rows) == 4 for stick in detail.sticks.values())


def ended_by(bench: VirtualStation, deed: Any, after_s: float = 3.0) -> Any:
    """A run into which something happens; the run as stored."""
    bench.load()
    bench.rig.at(bench.rig.now_s + after_s, deed)
    view = bench.run()
    assert view.verdict == "invalid"
    return bench.queries.run(view.last_run)


@pytest.mark.parametrize(
    ("deed", "reason"),
    [("press_stop", "rig-stop"), ("open_guard", "rig-guard"), ("unclamp", "rig-clamp")],
)
@pytest.mark.parametrize("after_s", [0.3, 1.9, 2.2, 3.31])
def test_safety_inputs_end_a_run_as_invalid(bench: VirtualStation, deed: str, reason: str, after_s: float) -> None:
    detail = ended_by(bench, getattr(bench.hands, deed), after_s)
    assert detail.run.reasons == (reason,)
    assert not bench.rig.plant.torque


def test_nothing_starts_by_itself_after_the_stop(bench: VirtualStation) -> None:
    ended_by(bench, bench.hands.press_stop)
    strokes = bench.rig.log.counts.get("energised", 0)
    bench.hands.release_stop()
    bench.turn(50)
    assert bench.worker.view().state == "fault"
    bench.worker.do_reset()
    bench.turn(50)
    assert bench.rig.log.counts.get("energised", 0) == strokes
    assert bench.worker.view().state in ("empty", "not-ready", "ended", "ready")


def test_a_pulled_cable_is_told_and_wants_a_deliberate_start(bench: VirtualStation) -> None:
    bench.load()
    bench.rig.at(bench.rig.now_s + 3.0, bench.cable.unplug)
    view = bench.run()
    assert view.verdict == "invalid"
    assert view.reasons == ("rig-link",)
    view = bench.turn(20)
    assert view.state == "unlinked"
    assert "start again" in view.sentence
    assert not bench.rig.plant.torque  # by the rig's own dead-man
    bench.cable.replug()
    bench.clock.sleep(6.0)
    view = bench.turn(30)
    assert view.state != "unlinked"
    assert view.run_number == 0
    assert len(bench.told("run-started")) == 1


def test_a_rig_that_restarts_in_a_run(bench: VirtualStation) -> None:
    detail = ended_by(bench, bench.rig.reboot)
    assert detail.run.reasons == ("rig-link",)


def test_halt_ends_a_run_at_once(bench: VirtualStation) -> None:
    detail = ended_by(bench, bench.worker.rig.request_halt)
    assert detail.run.reasons == ("interrupted",)
    assert bench.rig.plant.at_rest(bench.rig.now_s)


def test_start_without_a_unit_moves_nothing_and_says_why(bench: VirtualStation) -> None:
    bench.hands.press_start()
    bench.turn(20)
    assert bench.told("run-started") == []
    assert "scan the unit" in bench.notices()[-1]


def test_a_held_start_button_starts_once(bench: VirtualStation) -> None:
    bench.load()
    bench.hands.press_start(50.0)
    bench.turn(60)
    assert len(bench.told("run-started")) == 1


def test_nothing_moves_before_the_beginning_is_recorded(bench: VirtualStation, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_opening: object) -> int:
        raise StoreUnavailable("database results.db cannot grow: the disk is full")

    bench.load()
    monkeypatch.setattr(bench.store, "open_run", full)
    bench.hands.press_start()
    bench.turn(30)
    assert "disk is full" in bench.notices()[-1]
    assert bench.rig.log.counts.get("energised", 0) == 0


def test_a_result_that_cannot_be_stored_is_kept_until_it_can(bench: VirtualStation, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[int] = []
    whole = bench.store.close_run

    def flaky(number: int, closing: Any) -> None:
        tries.append(number)
        if len(tries) < 3:
            raise StoreUnavailable("database results.db is locked by another program")
        whole(number, closing)

    monkeypatch.setattr(bench.store, "close_run", flaky)
    bench.test()
    bench.load()
    assert any("not stored yet" in sentence for sentence in bench.worker.view().not_ready)
    for _ in range(4):
        bench.clock.sleep(1.1)
        bench.turn(2)
    assert tries == [1, 1, 1]
    assert bench.queries.run(1).run.verdict == "pass"
    assert bench.worker.view().not_ready == ()


def test_the_finger_is_moved_only_with_clamp_and_guard_closed(bench: VirtualStation) -> None:
    with pytest.raises(RigRefused, match=r"guard|clamp"):
        bench.worker.rig.carry_out(Jog("x+", 1.0, 10.0))


def test_overhead_of_the_host_is_small(bench: VirtualStation) -> None:
    """In virtual time only waiting counts: what the run waits for beside the rig's own motion and the rest before the first flick."""
    view = bench.test()
    timing = bench.queries.run(view.last_run).timing
    assert timing["wall_s"] - timing["motion_s"] - timing["settling_s"] < 0.03 * timing["wall_s"], timing
