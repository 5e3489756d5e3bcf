"""Calibrations of emulated rigs in virtual time, through the real driver and the real link; and one that is simply there."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from rigs.emulated.settings import RigSettings
from rigs.emulated.twin import Twin, twin
from station.proof import Calibration, Kind, Procedure
from station.prove.calibration_limits import CalibrationLimits
from station.service.proving.calibrating import CalibrationCourse
from station.service.proving.calibrating_whole import opening_of
from station.service.proving.calibrating_whole import perform_all as perform_opened
from station.service.proving.course import STREAM_BASE, Concluding, Course, ProofBench


@dataclass(slots=True)
class Proven:
    """An emulated rig with one good unit clamped, guard closed, linked; and the hands of a procedure at it. said: progress lines."""

    twin: Twin
    bench: ProofBench
    said: list[str]


def virtual_rig(seed: int = 7, settings: RigSettings | None = None, **figures: Any) -> Proven:
    """figures: of rigs.emulated.units.AxisProperties, to overrule on both axes what the character "good" drew."""
    made, said = twin("rig-1", seed, settings, **figures), list[str]()
    bench = ProofBench(made.driver, made.clock, made.identity, STREAM_BASE + 1, lambda product: None, lambda serial: {}, said.append)
    return Proven(made, bench, said)


def perform_all(course: Course, bench: ProofBench, plan: Mapping[str, Any], kind: Kind = Kind.CALIBRATION) -> Procedure:
    """A course run outside the worker, every step done. plan: what is asked; the rest has its default."""
    return perform_opened(course, bench, opening_of(course, bench, kind, plan, "mossgate-1", "tester"))


def calibrate(proven: Proven, limits: CalibrationLimits | None = None, **asked: Any) -> Calibration:
    course = CalibrationCourse(limits)
    procedure = perform_all(course, proven.bench, asked)
    return course.conclude(procedure, concluding(proven.twin.clock.utc()))


def concluding(at: datetime) -> Concluding:
    return Concluding(at, "", (), lambda product: None)


@lru_cache(maxsize=1)
def _made() -> Calibration:
    return calibrate(virtual_rig())


def accepted_calibration(rig_id: str = "rig-1", firmware: str = "emulated-1.0", at: datetime | None = None, **changes: Any) -> Calibration:
    """A real calibration of a healthy emulated rig, as if of this rig at this time; made once per process, in 2 s of CPU time.

    changes: further fields of station.proof.Calibration.
    """
    made = _made()
    assert made.accepted, made.problems
    when = at or made.made_at
    valid_until = when + timedelta(days=CalibrationLimits().valid_days)
    return replace(made, rig_id=rig_id, firmware=firmware, made_at=when, valid_until=valid_until, **changes)
