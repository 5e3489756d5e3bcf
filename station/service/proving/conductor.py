"""Leads the procedures of one rig: which is open, which step comes next, what came of it. Lives in the rig's worker."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any

from station.errors import Busy, NotReady, UsageError
from station.ports import Clock
from station.ports.proof import ProcedureView, ProofBook, RigProof
from station.proof import Calibration, Kind, Opening, Outcome, Procedure, ReferenceCheck, Standing, Step, StepResult, Study
from station.records import Fitted, RigIdentity
from station.service.proving.course import STREAM_BASE, Concluding, Course, ProofBench, SpecificationOf
from station.service.proving.force import ProofFacts, calibration_problem, proof_of
from station.shifts import Shifts


def _nobody(_outcome: Outcome) -> None:
    """Where nobody wants to know."""


@dataclass(frozen=True, slots=True)
class Proving:
    """What the conductors of all rigs share. concluded: told of each outcome kept; must neither wait nor raise."""

    station: str
    book: ProofBook
    clock: Clock
    courses: Mapping[Kind, Course]
    specification_of: SpecificationOf
    fitted: Callable[[str], Mapping[str, Fitted]]
    shifts: Shifts = field(default_factory=Shifts)
    concluded: Callable[[Outcome], None] = _nobody

    def course(self, kind: Kind) -> Course:
        found = self.courses.get(kind)
        if found is None:
            raise UsageError(f"kind is {kind!r}; expected one of: {', '.join(self.courses)}")
        return found


@dataclass(frozen=True, slots=True)
class Asked:
    """A step somebody wants carried out. position: 0 for the next."""

    operator: str
    position: int = 0


class Conductor:
    """Of one rig. All verbs but `proof` and `view` belong to the worker's thread; those two read what it left."""

    def __init__(self, rig: str, around: Proving) -> None:
        self.asked: Asked | None = None
        self._rig = rig
        self._around = around
        self._facts = ProofFacts()
        self._identity: RigIdentity | None = None
        self._open: Procedure | None = None
        self._busy = False
        self._problem = ""
        self._progress = ""

    # --- what others may read

    def proof(self) -> RigProof:
        now = self._around.clock.utc()
        return proof_of(self._rig, self._facts, self._identity, now, self._around.shifts.began(now), self.number)

    @property
    def number(self) -> int:
        """Of the open procedure, 0 if none."""
        return self._open.number if self._open else 0

    @property
    def calibration_problem(self) -> str:
        return calibration_problem(self._rig, self._facts, self._identity, self._around.clock.utc())

    @property
    def calibration(self) -> Calibration | None:
        return self._facts.calibration

    @property
    def busy(self) -> bool:
        return self._busy

    def view(self, procedure: Procedure | None = None) -> ProcedureView:
        """Of a procedure as kept, or of the open one. Raises NotReady when none is open."""
        shown = procedure or self._need()
        mine = self._open is not None and shown.number == self._open.number
        steps = self._around.course(shown.opening.kind).steps(shown.opening.plan)
        following = next_step(steps, shown) if shown.standing is Standing.OPEN else None
        busy, problem, progress = (self._busy, self._problem, self._progress) if mine else (False, "", "")
        return ProcedureView(shown, steps, following, busy, problem, progress, {})

    def next(self, position: int = 0) -> Step | None:
        """The step that a start would carry out; None when all are done and only the conclusion failed. Raises NotReady, UsageError."""
        procedure = self._need()
        steps = self._around.course(procedure.opening.kind).steps(procedure.opening.plan)
        return _step_at(steps, procedure, position) if position else next_step(steps, procedure)

    def require(self, number: int, position: int = 0) -> None:
        """Raises NotFound, UsageError when this is not the open procedure, or has no such step to be done."""
        if number != self.number:
            shown = f"procedure {self.number} is" if self.number else "none is"
            raise NotReady(f"Procedure {number} is not open at rig {self._rig}: {shown}.")
        self.next(position)

    def line(self) -> str:
        """The open procedure in one line for people, "" when none is."""
        if self._open is None:
            return ""
        name = f"Procedure {self._open.number}, {str(self._open.opening.kind).replace('-', ' ')}"
        if self._busy:
            return f"{name}: {self._progress}. Keep hands out."
        following = self.next()
        if self._problem:
            return f"{name}: {self._problem}"
        return f"{name}: next is {following.title}; press start." if following else f"{name}: all steps are done; press start to conclude."

    def opener(self) -> str:
        """Who opened the procedure."""
        return self._need().opening.by

    # --- the worker's own

    def load(self, identity: RigIdentity) -> None:
        """Look up how this rig stands. Raises StoreError."""
        book = self._around.book
        self._identity = identity
        found = book.calibration_in_force(identity.rig_id, identity.emulated)
        self._facts = ProofFacts(
            calibration=found,
            flicks=book.flicks_since(found.name) if found else 0,
            units=tuple(book.reference_units(identity.rig_id, identity.emulated)),
            check=book.last_check(identity.rig_id, identity.emulated),
        )
        self._open = book.open_procedure(self._rig)

    def count(self, flicks: int) -> None:
        """Flicks of a run that has ended under the calibration in force."""
        self._facts = replace(self._facts, flicks=self._facts.flicks + flicks)

    def begin(self, kind: Kind, asked: Mapping[str, Any], operator: str) -> None:
        """Open a procedure. Raises Busy, UsageError, NotReady, StoreError."""
        if self._open is not None:
            raise Busy(f"Procedure {self._open.number} ({self._open.opening.kind}) of rig {self._rig} is open: finish or abandon it first.")
        if self._identity is None:
            raise NotReady(f"Rig {self._rig} is not linked: connect it first.")
        plan = self._around.course(kind).plan(asked, self._identity, self._around.specification_of)
        one = self._identity
        now = self._around.clock.utc()
        opening = Opening(kind, self._around.station, self._rig, one.rig_id, one.emulated, one.firmware, plan, operator, now)
        number = self._around.book.begin_procedure(opening)
        self._open, self._problem, self._progress = Procedure(number, opening, Standing.OPEN), "", ""

    def abandon(self, operator: str, cause: str) -> None:
        """Raises NotReady, StoreError."""
        procedure = self._need()
        self._around.book.end_procedure(procedure.number, f"{cause} ({operator})", self._around.clock.utc())
        self._open, self._problem = None, ""

    def carry_out(self, bench: Callable[[int, Callable[[str], None]], ProofBench], step: Step, by: str, tell: Callable[[], None]) -> None:
        """Do one step and keep what came of it; conclude after the last. bench: makes the hands, given stream number and `say`.

        Raises what the course raises; then nothing is kept and the step stands as it was. tell: called whenever the view changes.
        """
        procedure = self._need()
        course = self._around.course(procedure.opening.kind)

        def say(sentence: str) -> None:
            self._progress = sentence
            tell()

        self._busy, self._problem, self._progress = True, "", step.title
        tell()
        try:
            figures = course.perform(bench(STREAM_BASE + procedure.number, say), procedure, step)
            result = StepResult(step.position, step.name, figures, by, self._around.clock.utc())
            self._around.book.keep_step(procedure.number, result)
            self._open = with_result(procedure, result)
            self.conclude()
        finally:
            self._busy, self._progress = False, ""

    def failed(self, sentence: str) -> None:
        """Why the last try of a step came to nothing."""
        self._problem = sentence

    def conclude(self) -> None:
        """Once every step is done: keep what came of the procedure. Raises UsageError, StoreError; then it can be tried again."""
        procedure = self._need()
        course = self._around.course(procedure.opening.kind)
        if next_step(course.steps(procedure.opening.plan), procedure) is not None:
            return
        now: datetime = self._around.clock.utc()
        in_force = self._facts.calibration.name if self._facts.calibration and not self.calibration_problem else ""
        around = Concluding(now, in_force, self._facts.units, self._around.specification_of)
        kept = self._around.book.conclude(procedure.number, course.conclude(procedure, around), now)
        self._open = None
        if self._identity is not None:
            self.load(self._identity)
        self._around.concluded(kept)

    # --- inside

    def _need(self) -> Procedure:
        if self._open is None:
            raise NotReady(f"No procedure of rig {self._rig} is open: begin one.")
        return self._open


def next_step(steps: Sequence[Step], procedure: Procedure) -> Step | None:
    """The first step without a result."""
    return next((step for step in steps if step.position not in procedure.done), None)


def with_result(procedure: Procedure, result: StepResult) -> Procedure:
    """The procedure with a newer result of a position."""
    others = [one for one in procedure.results if one.position != result.position]
    return replace(procedure, results=tuple(sorted([*others, result], key=lambda one: one.position)))


def summary(outcome: Outcome) -> dict[str, Any]:
    """What came of a procedure, in short, JSON-ready."""
    if isinstance(outcome, Calibration | Study):
        kind = "calibration" if isinstance(outcome, Calibration) else str(outcome.kind)
        return {"kind": kind, "number": outcome.number, "accepted": outcome.accepted, "problems": list(outcome.problems)}
    if isinstance(outcome, ReferenceCheck):
        deviations = [{**asdict(one), "measured": _known(one.measured), "within": one.within} for one in outcome.deviations]
        return {"kind": "reference-check", "number": outcome.number, "accepted": outcome.within, "deviations": deviations}
    return {"kind": "reference-values", "serial": outcome.serial, "accepted": True}


def _known(value: float) -> float | None:
    """None for a figure that could not be measured: JSON has no word for it."""
    return value if math.isfinite(value) else None


def _step_at(steps: Sequence[Step], procedure: Procedure, position: int) -> Step:
    """Raises UsageError when there is none, or when one before it is not done yet."""
    found = next((step for step in steps if step.position == position), None)
    if found is None:
        raise UsageError(f"position is {position}; expected 1 to {len(steps)}")
    following = next_step(steps, procedure)
    if following is not None and position > following.position:
        raise UsageError(f"position is {position}; expected one that was done already, or the next, {following.position}")
    return found
