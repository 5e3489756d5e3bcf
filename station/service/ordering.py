"""What a run is ordered with: everything it rests on, looked up as it begins."""

from collections.abc import Callable
from dataclasses import dataclass

from station.ports import Clock, ResultSink
from station.proof import Kind
from station.records import RigIdentity, RigInputs, UnitIdentity
from station.service.continuing import groups_to_carry
from station.service.cycle import Proven, RunOrder
from station.service.events import EventRing
from station.service.proving.conductor import Conductor, Proving
from station.service.proving.guard import guard_band_of
from station.service.shelf import SpecificationShelf
from station.service.watchman import Watchman
from station.specification import Specification


def _nobody(_what: object) -> None:
    """Where nobody wants to know."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What all workers of a station share. run_ended: told the number of each run whose end is stored; must neither wait nor raise.

    alive: told a rig's name whenever its loop turns; the same holds for it.
    """

    station: str
    software: str
    clock: Clock
    sink: ResultSink
    shelf: SpecificationShelf
    events: EventRing
    watchman: Watchman
    proving: Proving
    run_ended: Callable[[int], None] = _nobody
    alive: Callable[[str], None] = _nobody


@dataclass(frozen=True, slots=True)
class Topic:
    """Which run: what is in the clamp of which rig, as the start was pressed."""

    rig_name: str
    identity: RigIdentity
    inputs: RigInputs
    unit: UnitIdentity
    operator: str
    specification: Specification


def order_of(around: Surroundings, topic: Topic, conductor: Conductor, unknown: str) -> RunOrder:
    """unknown: why it is not known how the rig is proven, "" when it is. Raises StoreError."""
    fitted, last = around.sink.fitted(topic.unit.serial), around.sink.last_run(topic.unit.serial)
    carried = groups_to_carry(last, topic.specification, fitted)
    return RunOrder(
        station=around.station,
        rig_name=topic.rig_name,
        identity=topic.identity,
        inputs=topic.inputs,
        unit=topic.unit,
        operator=topic.operator,
        specification=topic.specification,
        fitted=fitted,
        software=around.software,
        mode=around.watchman.mode(topic.specification),
        continues=last.number if last and carried else 0,
        carried=carried,
        proven=_proven(around, topic, conductor, unknown),
    )


def _proven(around: Surroundings, topic: Topic, conductor: Conductor, unknown: str) -> Proven:
    """How the rig is proven now, and the guard band that its studies ask for."""
    problem = unknown or conductor.calibration_problem
    calibration = None if problem else conductor.calibration
    study = around.proving.book.study_in_force(Kind.GAUGE_STUDY, topic.specification.name, topic.identity.emulated)
    counts, sentence = guard_band_of(study, topic.specification)
    return Proven(
        calibration=calibration.name if calibration else "",
        problem=problem,
        valid_until=calibration.valid_until if calibration else None,
        guard_band_counts=counts,
        guard_band_from=sentence,
    )
