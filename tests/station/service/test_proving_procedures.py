"""A procedure at the rig: start carries steps out, a restart changes nothing, what went wrong is told and can be done again."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from station.errors import Busy, NotReady, UsageError
from station.ports import Flick, Sample
from station.proof import Calibration, Kind, Outcome, Procedure, Standing, Step
from station.records import RigIdentity
from station.service.proving.conductor import Asked, Conductor
from station.service.proving.course import Concluding, ProofBench, SpecificationOf
from station.specification import Specification
from tests.station.service.books import calibration_there
from tests.station.service.virtual import VirtualStation, virtual_station


class TwoFlicks:
    """A course that flicks x+ in its first step and y- in its second."""

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        if "wrong" in asked:
            raise UsageError(f"wrong is {asked['wrong']!r}; expected nothing")
        return {"hold_s": 0.06, **asked}

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return (
            Step(1, "one", "Flick x+", ("Close the guard.",), True),
            Step(2, "two", "Flick y-", ("Clamp DN2-1 again.",), True, unit="DN2-1"),
            Step(3, "two", "Flick y- again", ("Clamp DN2-1 again.",), True, unit="DN2-1"),
        )

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        bench.rig.carry_out(Sample(bench.stream, True))
        bench.say("flicking")
        done = bench.rig.carry_out(Flick(bench.stream, "x+" if step.position == 1 else "y-", procedure.opening.plan["hold_s"], 0.15))
        bench.rig.carry_out(Sample(bench.stream, False))
        return {"seconds": done.end_s - done.begin_s}

    def conclude(self, procedure: Procedure, around: Concluding) -> Outcome:
        opening = procedure.opening
        return calibration_there(opening.rig_id, opening.firmware, around.at, procedure=procedure.number, document={"said": "made"})


@pytest.fixture
def station(tmp_path: Path, dunlin: Specification, spec_text: str) -> Iterator[VirtualStation]:
    made = virtual_station(tmp_path, dunlin, spec_text, calibrated=False, courses=lambda _book: {Kind.CALIBRATION: TwoFlicks()})
    yield made
    made.close()


def begin(station: VirtualStation, **plan: Any) -> None:
    station.worker.do_begin(Kind.CALIBRATION, plan, "Ada")
    station.turn()


def press(station: VirtualStation) -> None:
    station.hands.press_start()
    station.turn(20)


def clamp(station: VirtualStation) -> None:
    station.hands.open_guard()
    station.turn()
    if station.rig.plant.panel.clamp_closed:
        station.hands.unclamp()
        station.turn()
    station.hands.clamp()
    station.hands.close_guard()
    station.turn()


def done(station: VirtualStation) -> frozenset[int]:
    return station.book.procedure(1).done


def test_start_carries_out_step_after_step_and_the_outcome_is_in_force(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    assert station.worker.view().state == "procedure"
    assert "next is Flick x+; press start" in station.worker.view().sentence
    for wanted in ({1}, {1, 2}):
        press(station)
        assert done(station) == wanted
        clamp(station)
    press(station)
    kept = station.book.procedure(1)
    assert kept.standing is Standing.DONE
    assert [result.by for result in kept.results] == ["Ada"] * 3
    made = station.worker.conductor.calibration
    assert isinstance(made, Calibration)
    assert made.document == {"said": "made"}
    assert station.worker.view().state != "procedure"
    assert station.rig.log.counts["energised"] == station.rig.log.counts["de-energised"] == 3


def test_without_a_calibration_no_run_starts_and_says_why(station: VirtualStation) -> None:
    station.load()
    station.hands.press_start()
    station.turn(10)
    assert station.queries.runs().items == ()
    assert "no accepted calibration" in station.notices()[-1]


def test_an_open_guard_keeps_the_finger_still_and_the_step_undone(station: VirtualStation) -> None:
    begin(station)
    press(station)
    view = station.worker.conductor.view()
    assert done(station) == frozenset()
    assert "Clamp is open" in view.problem
    assert "Clamp is open" in station.worker.view().sentence


def test_the_same_unit_is_not_measured_twice_without_opening_the_clamp(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    press(station)
    press(station)
    assert done(station) == {1, 2}
    station.hands.close_guard()
    press(station)
    assert done(station) == {1, 2}


def test_a_new_life_goes_on_where_the_old_one_stood(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    press(station)
    fresh = Conductor("rig-1", station.worker.conductor._around)
    assert fresh.number == 0
    fresh.load(station.worker.rig.connect())
    following = fresh.next()
    assert following is not None
    assert following.position == 2


def test_a_stop_during_a_step_is_told_and_the_step_done_again(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    station.rig.at(station.rig.now_s + 0.25, station.hands.press_stop)
    press(station)
    assert done(station) == frozenset()
    assert "stop" in station.worker.conductor.view().problem
    station.hands.release_stop()
    station.turn()
    station.worker.do_reset()
    press(station)
    assert done(station) == {1}


def test_a_lost_link_ends_the_step_and_leaves_the_procedure_open(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    station.rig.at(station.rig.now_s + 0.3, station.ills.unplug)
    press(station)
    assert done(station) == frozenset()
    station.ills.replug()
    station.turn(100)
    assert station.worker.view().state == "fault"  # the dead-man has brought the finger to rest
    station.worker.do_reset()
    station.turn()
    assert station.worker.view().state == "procedure"


def test_a_step_done_before_may_be_done_again(station: VirtualStation) -> None:
    begin(station)
    clamp(station)
    press(station)
    station.worker.do_go_on(1, Asked("Bo", 1))
    station.turn()
    assert [result.by for result in station.book.procedure(1).results] == ["Bo"]


@pytest.mark.parametrize(("number", "position"), [(2, 0), (1, 3), (1, 9)])
def test_what_cannot_be_asked_is_refused(station: VirtualStation, number: int, position: int) -> None:
    begin(station)
    with pytest.raises((NotReady, UsageError)):
        station.worker.do_go_on(number, Asked("Bo", position))


def test_one_procedure_at_a_time_and_no_plan_that_cannot_be(station: VirtualStation) -> None:
    with pytest.raises(UsageError, match="wrong is 1"):
        begin(station, wrong=1)
    begin(station)
    with pytest.raises(Busy, match="Procedure 1"):
        begin(station)
    station.worker.do_abandon(1, "Ada", "no time")
    assert station.book.procedure(1).cause == "no time (Ada)"
    begin(station)
    assert station.worker.conductor.number == 2
