"""What keeps a run from starting, and what people are told."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from station.records import LastRun, RigInputs, UnitIdentity, Verdict
from station.service.readiness import AfterRun, Bench, missing, way_on
from tests.station.service.words import INPUTS, STATUS

UNIT = UnitIdentity("D2-000101", "dunlin-2", "ML-2607")
NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def bench(inputs: RigInputs = INPUTS, fault: str = "", unit: UnitIdentity | None = UNIT, spec: str = "dunlin-2 A") -> Bench:
    return Bench(replace(STATUS, inputs=inputs, fault=fault), unit, spec, None)


def test_nothing_missing() -> None:
    assert missing(bench()) == ()


@pytest.mark.parametrize(
    ("one", "word"),
    [
        (bench(replace(INPUTS, stop_good=False)), "Emergency stop"),
        (bench(fault="GUARD"), "fault GUARD"),
        (bench(replace(INPUTS, clamp_closed=False)), "Clamp is open"),
        (bench(replace(INPUTS, guard_closed=False)), "Guard is open"),
        (bench(unit=None), "scan the unit"),
        (bench(spec=""), "No specification"),
        (replace(bench(), store_problem="Run 3 is not stored yet"), "not stored"),
    ],
)
def test_each_missing_thing_is_named_alone(one: Bench, word: str) -> None:
    found = missing(one)
    assert len(found) == 1
    assert word in found[0]


def test_another_serial_wants_the_clamp_and_guard_seen_open() -> None:
    found = missing(replace(bench(), after=AfterRun("D2-000100", INPUTS)))
    assert len(found) == 2
    assert "D2-000100" in found[0]
    opened = replace(INPUTS, clamp_openings=4, guard_openings=3)
    assert missing(replace(bench(opened), after=AfterRun("D2-000100", INPUTS))) == ()


def test_guard_and_clamp_that_were_open_when_the_run_ended_have_been_seen_open() -> None:
    ended = replace(INPUTS, guard_closed=False, clamp_closed=False)
    assert missing(replace(bench(), after=AfterRun("D2-000100", ended))) == ()


def test_the_same_serial_may_go_on_at_once() -> None:
    assert missing(replace(bench(), after=AfterRun(UNIT.serial, INPUTS))) == ()


def test_way_on() -> None:
    assert way_on(None) == ""
    assert way_on(LastRun(4, Verdict.PASS, (), (), NOW)) == ""
    assert "main y+" in way_on(LastRun(4, Verdict.UNDECIDED, ("snapback:y+",), ("main y+",), NOW))
    assert "rig-link" in way_on(LastRun(4, Verdict.INVALID, ("rig-link",), (), NOW))
    assert "did not end" in way_on(LastRun(4, None, (), (), None))
