"""Proving the rig: the book in which procedures and their outcomes stand, and what the doors may ask for. Every verb is one transaction."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from station.proof import (
    Baseline,
    Calibration,
    ChartKey,
    ChartPoint,
    HealthRow,
    Kind,
    Note,
    Opening,
    Outcome,
    Procedure,
    ReferenceCheck,
    ReferenceUnit,
    Signal,
    Step,
    StepResult,
    Study,
)


class ProofBook(Protocol):
    """What the service keeps of this station's rigs. Raises StoreError."""

    def begin_procedure(self, opening: Opening) -> int:
        """The new procedure's number. Raises Busy when one of this rig name is open."""
        ...

    def keep_step(self, number: int, result: StepResult) -> None:
        """Keep what came of a step; of a position kept before the older result stays on record. Raises NotFound, NotReady."""
        ...

    def end_procedure(self, number: int, cause: str, at: datetime) -> None:
        """Abandon an open procedure. Raises NotFound, NotReady when it has ended."""
        ...

    def procedure(self, number: int) -> Procedure:
        """Raises NotFound."""
        ...

    def open_procedure(self, rig: str) -> Procedure | None:
        """The open one of a rig by the name it has at this station."""
        ...

    def conclude(self, number: int, outcome: Outcome, at: datetime) -> Outcome:
        """Keep what came of a procedure and end it, in one transaction; the outcome with its number. Raises NotFound, NotReady."""
        ...

    def outcome(self, number: int) -> Outcome:
        """What came of a procedure that is done. Raises NotFound, NotReady when it is not done."""
        ...

    def calibration_in_force(self, rig_id: str, emulated: bool) -> Calibration | None:
        """The newest accepted one of a rig, however old."""
        ...

    def calibration(self, number: int) -> Calibration:
        """Raises NotFound."""
        ...

    def flicks_since(self, calibration: str) -> int:
        """Flicks of all closed runs that name this calibration."""
        ...

    def reference_units(self, rig_id: str, emulated: bool) -> Sequence[ReferenceUnit]:
        """Newest values of each, by serial."""
        ...

    def last_check(self, rig_id: str, emulated: bool) -> ReferenceCheck | None: ...

    def study_in_force(self, kind: Kind, product: str, emulated: bool) -> Study | None:
        """The newest accepted one of a product at this station."""
        ...

    def studies(self, product: str, emulated: bool) -> Sequence[Study]:
        """All, newest first."""
        ...

    def charts_of_run(self, run_number: int) -> Sequence[ChartKey]:
        """The charts on which a closed run is, or adds to, a point."""
        ...

    def chart_points(self, chart: ChartKey, newest: int) -> Sequence[ChartPoint]:
        """Oldest first; invalid runs, and runs of emulated rigs among real ones, are on none."""
        ...

    def chart_keys(self, rig: str) -> Sequence[ChartKey]:
        """Charts of a rig, "" all of the station, that have a point."""
        ...

    def baseline(self, chart: ChartKey) -> Baseline | None:
        """The newest."""
        ...

    def keep_baseline(self, baseline: Baseline) -> None: ...

    def signals(self, chart: ChartKey, newest: int) -> Sequence[Signal]:
        """Newest first."""
        ...

    def keep_signals(self, signals: Sequence[Signal]) -> Sequence[Signal]:
        """Those that were not kept before (same chart, point and rule are the same signal)."""
        ...

    def notes(self, chart: ChartKey) -> Sequence[Note]:
        """Oldest first."""
        ...

    def keep_note(self, note: Note) -> None: ...

    def health(self, rig_id: str, emulated: bool, newest: int) -> Sequence[HealthRow]:
        """Of a rig's closed runs that were not invalid, oldest first."""
        ...


@dataclass(frozen=True, slots=True)
class ProcedureView:
    """A procedure as shown: its steps, which comes next (None when all are done or it has ended), and what goes on.

    busy: a step is being carried out now. problem: why the last try of a step failed, "" if it did not. outcome: JSON-ready, once done.
    """

    procedure: Procedure
    steps: tuple[Step, ...]
    next: Step | None
    busy: bool
    problem: str
    progress: str
    outcome: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RigProof:
    """How well a rig is proven, for people. blocks: why no run may start; warns: what will be due soon; sentences of what to do.

    calibration: None without one in force. flicks_left, days_left: until it expires. procedure: number of the open one, 0 if none.
    """

    rig: str
    calibration: Calibration | None
    valid: bool
    flicks_left: int
    days_left: float
    last_check: ReferenceCheck | None
    reference_due: bool
    blocks: tuple[str, ...]
    warns: tuple[str, ...]
    procedure: int


class ProofDesk(Protocol):
    """What the doors may ask. Raises NotFound, NotReady, Busy, UsageError, StoreError, RigError subclasses never."""

    def state(self, rig: str) -> RigProof: ...

    def begin(self, rig: str, kind: Kind, plan: Mapping[str, Any], operator: str) -> ProcedureView:
        """Open a procedure; moves nothing. plan: by kind; what is left out has its default."""
        ...

    def procedure(self, number: int) -> ProcedureView: ...

    def go_on(self, number: int, operator: str, position: int = 0) -> ProcedureView:
        """Carry out the next step, or that of a position again. Returns at once; the rig's start button does the same."""
        ...

    def abandon(self, number: int, operator: str, cause: str) -> ProcedureView: ...

    def chart(self, chart: ChartKey, newest: int = 100) -> Mapping[str, Any]:
        """Points, centre and limits, signals and notes, JSON-ready."""
        ...

    def charts(self, rig: str) -> Sequence[ChartKey]: ...

    def freeze(self, chart: ChartKey, first: str, last: str, rules: Sequence[str], operator: str) -> Mapping[str, Any]:
        """Freeze limits from the points first to last."""
        ...

    def note(self, chart: ChartKey, point: str, cause: str, action: str, operator: str) -> None: ...

    def banners(self) -> Sequence[str]:
        """Sentences that want a person: signals without a note, failed references, calibrations near their end."""
        ...

    def wear(self, rig: str) -> Mapping[str, Any]:
        """Trend of every health figure with forecast and interval, JSON-ready."""
        ...

    def budget(self, rig: str, product: str) -> Mapping[str, Any]:
        """Uncertainty budget of peak and added lag, JSON-ready. Raises NotFound without a calibration in force."""
        ...
