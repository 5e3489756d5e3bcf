"""Courses carried out on an emulated rig over its real bytes, in virtual time, without worker or database."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rigs.driver.dialogue import RigDriver
from rigs.emulated.bench import Bench
from rigs.emulated.hands import Hands
from rigs.emulated.ills import Ills
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import EmulatedUnit, StickProperties
from rigs.emulated.virtual import LoopbackTransport, VirtualClock
from station.ports import Unclamp
from station.proof import Kind, Opening, Outcome, Procedure, ReferenceUnit, Standing, StepResult
from station.records import Fitted, RigIdentity
from station.service.proving.conductor import next_step, with_result
from station.service.proving.course import STREAM_BASE, Concluding, Course, ProofBench
from station.service.proving.measuring import measure_unit, wanted_of
from station.specification import Specification

SETTLE_S = 0.1  # virtual; a few status frames, so that the driver knows the inputs


def unit(serial: str, **figures: Any) -> EmulatedUnit:
    """One unit whose two axes have the same hidden figures; defaults are a good one's."""
    axis = {**figures}
    made = EmulatedUnit(serial, "dunlin-2", "ML-2607", "made", {"main": StickProperties()})
    for name in ("x", "y"):
        made.change("main", name, axis)
    return made


@dataclass(slots=True)
class ProvingRig:
    """An emulated rig, whose units lie on its bench, and who works at it. lives: how often the host began anew."""

    rig: EmulatedRig
    clock: VirtualClock
    specification: Specification
    fitted: dict[str, dict[str, Fitted]] = field(default_factory=dict)
    units: list[ReferenceUnit] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    driver: RigDriver = field(init=False)
    identity: RigIdentity = field(init=False)
    ills: Ills = field(init=False)

    def __post_init__(self) -> None:
        self.begin_life()

    def begin_life(self) -> None:
        """The host starts anew: nothing is known but what was written down."""
        cable = LoopbackTransport(self.rig, self.clock)
        self.driver = RigDriver("rig-1", cable, self.clock)
        self.ills = Ills(self.rig, cable)
        self.identity = self.driver.connect()
        self.wait()

    def wait(self, seconds: float = SETTLE_S) -> None:
        until_s = self.clock.monotonic_s() + seconds
        while self.clock.monotonic_s() < until_s:
            self.driver.poll(0.02)

    def clamp(self, serial: str) -> None:
        """What a step says: unit out, unit in, guard closed."""
        hands = Hands(self.rig)
        hands.open_guard()
        self.wait()
        hands.unclamp()
        hands.clamp(serial)
        hands.close_guard()
        self.wait()

    def bench(self, number: int = 1) -> ProofBench:
        return ProofBench(
            self.driver, self.clock, self.identity, STREAM_BASE + number, self.specification_of, self.fitted_of, self.said.append
        )

    def specification_of(self, product: str) -> Specification | None:
        return self.specification if product == self.specification.name else None

    def fitted_of(self, serial: str) -> Mapping[str, Fitted]:
        return self.fitted.get(serial, {})

    def units_of(self, rig_id: str, emulated: bool) -> list[ReferenceUnit]:
        return [one for one in self.units if (one.rig_id, one.emulated) == (rig_id, emulated)]

    def measure(self, serial: str, flicks: int = 8) -> dict[str, Any]:
        """One measurement of a unit, freshly clamped."""
        self.clamp(serial)
        found = measure_unit(self.bench(), wanted_of(self.bench(), serial, self.specification.name, flicks))
        self.driver.halt()
        self.driver.carry_out(Unclamp())
        return found

    def begin(self, course: Course, kind: Kind, asked: Mapping[str, Any], number: int = 1) -> Procedure:
        plan = json_copy(course.plan(asked, self.identity, self.specification_of))
        one = self.identity
        opening = Opening(kind, "mossgate-1", "rig-1", one.rig_id, one.emulated, one.firmware, plan, "Anna", self.clock.utc())
        return Procedure(number, opening, Standing.OPEN)

    def go_on(self, course: Course, procedure: Procedure, steps: int = 1000) -> Procedure:
        """Carry out the next so many steps; results as a database would give them back."""
        for _ in range(steps):
            step = next_step(course.steps(procedure.opening.plan), procedure)
            if step is None:
                break
            self.clamp(step.unit)
            figures = course.perform(self.bench(procedure.number), procedure, step)
            self.driver.halt()
            self.driver.carry_out(Unclamp())
            by = step.operator or procedure.opening.by
            procedure = with_result(procedure, StepResult(step.position, step.name, json_copy(figures), by, self.clock.utc()))
        return procedure

    def around(self) -> Concluding:
        return Concluding(self.clock.utc(), "C-1", tuple(self.units), self.specification_of)

    def conclude(self, course: Course, procedure: Procedure) -> Outcome:
        outcome = course.conclude(procedure, self.around())
        if isinstance(outcome, ReferenceUnit):
            self.units = [one for one in self.units if one.serial != outcome.serial] + [outcome]
        return outcome

    def carry_through(self, course: Course, kind: Kind, asked: Mapping[str, Any], number: int = 1) -> Outcome:
        return self.conclude(course, self.go_on(course, self.begin(course, kind, asked, number)))


def proving_rig(specification: Specification, units: list[EmulatedUnit], seed: int = 7, settings: RigSettings | None = None) -> ProvingRig:
    return ProvingRig(EmulatedRig(seed, Bench(units, seed), settings), VirtualClock(), specification)


def json_copy(document: Mapping[str, Any]) -> dict[str, Any]:
    """Through JSON and back: raises for NaN and for what is not JSON-ready."""
    copied: dict[str, Any] = json.loads(json.dumps(document, allow_nan=False))
    return copied
