"""From an uncalibrated rig to a pass that names its calibration: everything through the worker, its start button and the real link."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.proof import Calibration, Kind, ReferenceCheck, Standing
from station.prove.calibration_limits import CalibrationLimits
from station.records import Verdict
from station.service.proving.courses import all_courses
from station.specification import Specification, parse_specification
from tests.station.service.virtual import VirtualStation, one_unit, virtual_station


@pytest.fixture
def station(tmp_path: Path, short: Specification, spec_text: str) -> Iterator[VirtualStation]:
    made = virtual_station(
        tmp_path, short, spec_text, one_unit(), calibrated=False, courses=lambda book: all_courses(CalibrationLimits(), book)
    )
    yield made
    made.close()


def lead(station: VirtualStation, kind: Kind, **plan: object) -> None:
    """What a person does: begin, then unit in where one is wanted, guard closed, start, until it is done."""
    station.worker.do_begin(kind, plan, "Ada")
    number = station.worker.conductor.number
    if not station.rig.plant.panel.clamp_closed:
        station.load("DN2-00001")
    for _ in range(60):
        if station.book.procedure(number).standing is not Standing.OPEN:
            return
        step = station.worker.conductor.next()
        if step is not None and step.unit:
            station.load("DN2-00001")
        station.hands.press_start()
        station.turn(20)
        assert not station.worker.conductor.number or not station.worker.conductor.view().problem, station.worker.conductor.view().problem
    raise AssertionError("it did not end")


def test_calibrate_then_pass_then_a_reference_that_drifts_stops_testing(station: VirtualStation) -> None:
    lead(station, Kind.CALIBRATION)
    made = station.worker.conductor.calibration
    assert isinstance(made, Calibration)
    assert made.problems == ()
    view = station.test("DN2-00001")
    assert view.verdict == Verdict.PASS, (view.reasons, view.sentence)
    assert station.queries.run(view.last_run).calibration == made.name

    lead(station, Kind.REFERENCE_VALUES, serial="DN2-00001", product="dunlin-2", repeats=3)
    assert "is due" in " ".join(station.worker.conductor.proof().blocks)
    lead(station, Kind.REFERENCE_CHECK)
    assert station.worker.conductor.proof().blocks == ()

    station.ills.converter(gain_error=0.0, offset_v=0.05)  # four counts of rest
    lead(station, Kind.REFERENCE_CHECK)
    check = station.worker.conductor.proof().last_check
    assert isinstance(check, ReferenceCheck)
    assert not check.within
    station.load("DN2-00001")
    assert "off" in " ".join(station.worker.view().not_ready)
    station.ills.heal()
    lead(station, Kind.REFERENCE_CHECK)
    assert station.worker.conductor.proof().blocks == ()


def test_a_trial_run_without_calibration_is_invalid_and_says_why(tmp_path: Path, spec_text: str) -> None:
    text = spec_text.replace("flicks_max", "trial_runs = true\nflicks_max")
    made = virtual_station(tmp_path, parse_specification(text), text, one_unit(), calibrated=False)
    try:
        view = made.test()
        assert (view.verdict, view.reasons) == ("invalid", ("rig-calibration",))
        assert "no accepted calibration" in view.sentence
    finally:
        made.close()
