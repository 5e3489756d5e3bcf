"""A desk of proving that does what it is told: two steps a procedure, one chart, figures with a hole in them."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from station.errors import Busy, NotFound, RestpointError, UsageError
from station.ports.proof import ProcedureView, RigProof
from station.proof import (
    Baseline,
    Calibration,
    ChartKey,
    ChartPoint,
    Deviation,
    HealthRow,
    Kind,
    Note,
    Opening,
    Procedure,
    ReferenceCheck,
    ReferenceValue,
    Signal,
    Standing,
    Step,
    StepResult,
)
from station.prove import charted
from station.prove.budget_point import OperatingPoint
from station.prove.budget_sources import BudgetInputs, budget_document
from station.prove.wear import HealthLimit, wear
from tests.api.fakes import RIG

AT = datetime(2026, 11, 24, 7, 30, tzinfo=UTC)
STEPS = (
    Step(1, "voltage-low", "Low reference voltage", ("Finger's supply off.", "Connect 0.5 V to both probes."), False),
    Step(2, "flicks", "Flicks", ("Put unit DN-REF in.", "Close clamp and guard."), True, "DN-REF", "ann"),
)
CHART = ChartKey("reference", "a", "dunlin-2", "", "main x+ peak_counts")
NAN = float("nan")
CALIBRATION = Calibration(
    3, 9, "mossgate-1", "a", RIG.rig_id, True, RIG.firmware, (), {"gain": {"value": 1.0}}, "ann", AT, AT + timedelta(days=90), 1000
)
CHECK = ReferenceCheck(
    4,
    10,
    "mossgate-1",
    "a",
    RIG.rig_id,
    True,
    RIG.firmware,
    "C-3",
    "DN-REF",
    "dunlin-2",
    (
        Deviation("main", "x+", "peak_counts", 18.5, ReferenceValue(18.0, 1.0)),
        Deviation("main", "y+", "peak_counts", NAN, ReferenceValue(17.0, 1.0)),
    ),
    "ann",
    AT,
)
POINTS = [ChartPoint(f"check {number}", AT + timedelta(hours=8 * number), (18.0 + 0.1 * (number % 3),)) for number in range(1, 31)]
SIGNALS = [Signal(CHART, "check 30", "one-side", ("check 29", "check 30"), "Reference unit: check 30 is on one side.", AT)]
HEALTH_ROWS = [  # a push latency that rises by 10 microseconds a run, on a steady rig
    HealthRow(number, AT - timedelta(minutes=300 - number), {"push_latency_s": 0.012 + 1e-5 * number + 1e-5 * (number * 7 % 11)})
    for number in range(300)
]
POINT = OperatingPoint(8, 3.3, 3.3, 128.0, 77.0, 22.0, 0.006, 8000.0, 10_000.0, 0.0, 1e7, 4.7e-7)
BUDGET = BudgetInputs(POINT, 0.004, 0.001, 0.002, 0.001, 0.001, 1e-4, 3.3 / 4096, 0.3, 0.25, 0.6, 10, 0.2, 0.1, 3e-5)
OUTCOME = {"kind": "calibration", "number": 1, "accepted": True, "problems": []}


@dataclass
class FakeProof:
    """Implements station.ports.proof.ProofDesk for the rigs `names`; what was asked of it is written down in `asked`.

    looks: how often a procedure is seen busy before a step is done; it begins after it was asked for, as a worker does. failing: why the
    next step asked for comes to nothing, "" if it does not. outcome: what comes of a procedure.
    """

    names: Sequence[str] = ("a",)
    asked: list[tuple[Any, ...]] = field(default_factory=list)
    looks: int = 2
    failing: str = ""
    trouble: RestpointError | None = None
    outcome: Mapping[str, Any] = field(default_factory=lambda: dict(OUTCOME))
    calibration: Calibration | None = CALIBRATION
    notes: list[Note] = field(default_factory=list)
    baseline: Baseline | None = None

    def __post_init__(self) -> None:
        self._views: dict[int, ProcedureView] = {}
        self._left: dict[int, tuple[Step, str, int]] = {}
        self._lock = threading.Lock()

    def state(self, rig: str) -> RigProof:
        self._known(rig)
        number = next((n for n, one in self._views.items() if one.procedure.standing is Standing.OPEN), 0)
        valid = self.calibration is not None
        blocks = ("Reference unit DN-REF is off: find the cause, then measure it again.",)
        return RigProof(rig, self.calibration, valid, 800 * valid, 12.5 * valid, CHECK, True, blocks, ("Soon due.",), number)

    def begin(self, rig: str, kind: Kind, plan: Mapping[str, Any], operator: str) -> ProcedureView:
        self._note("begin", rig, kind, dict(plan), operator)
        self._known(rig)
        if "surprise" in plan:
            raise UsageError(f"plan: surprise is {plan['surprise']!r}; expected no such key")
        if self.state(rig).procedure:
            raise Busy(f"Procedure {self.state(rig).procedure} of rig {rig} is open: finish or abandon it first.")
        number = len(self._views) + 1
        opening = Opening(kind, "mossgate-1", rig, RIG.rig_id, True, RIG.firmware, plan, operator, AT)
        self._views[number] = ProcedureView(Procedure(number, opening, Standing.OPEN), STEPS, STEPS[0], False, "", "", {})
        return self._views[number]

    def procedure(self, number: int) -> ProcedureView:
        with self._lock:
            self._view(number)
            if number in self._left:
                self._look(number)
            return self._views[number]

    def go_on(self, number: int, operator: str, position: int = 0) -> ProcedureView:
        self._note("go_on", number, operator, position)
        view = self._view(number)
        if number in self._left:
            raise Busy(f"Procedure {number}: step {view.progress!r} is being carried out; wait for its end.")
        step = STEPS[position - 1] if position else view.next
        assert step is not None
        self._left[number] = (step, operator, self.looks)
        return view

    def abandon(self, number: int, operator: str, cause: str) -> ProcedureView:
        self._note("abandon", number, operator, cause)
        view = self._view(number)
        ended = replace(view.procedure, standing=Standing.ABANDONED, ended_at=AT, cause=f"{cause} ({operator})")
        self._views[number] = replace(view, procedure=ended, next=None)
        return self._views[number]

    def chart(self, chart: ChartKey, newest: int = 100) -> Mapping[str, Any]:
        self._note("chart", chart, newest)
        if chart != CHART:
            raise NotFound(f"chart {chart} has no point")
        return charted.document(chart, POINTS[-newest:], self.baseline, SIGNALS, self.notes)

    def charts(self, rig: str) -> Sequence[ChartKey]:
        return [CHART] if rig == CHART.rig else []

    def freeze(self, chart: ChartKey, first: str, last: str, rules: Sequence[str], operator: str) -> Mapping[str, Any]:
        self._note("freeze", chart, first, last, tuple(rules), operator)
        limits = charted.frozen(chart, charted.stretch(POINTS, first, last))
        self.baseline = Baseline(chart, first, last, limits, charted.rules_of(chart, rules), operator, AT)
        return charted.document(chart, POINTS, self.baseline, SIGNALS, self.notes)

    def note(self, chart: ChartKey, point: str, cause: str, action: str, operator: str) -> None:
        self._note("note", chart, point, cause, action, operator)
        self.notes.append(Note(chart, point, cause, action, operator, AT))

    def banners(self) -> Sequence[str]:
        return ["Reference unit DN-REF is off."]

    def wear(self, rig: str) -> Mapping[str, Any]:
        self._known(rig)
        return wear(HEALTH_ROWS, {"push_latency_s": HealthLimit(high=0.02)}, AT)

    def budget(self, rig: str, product: str) -> Mapping[str, Any]:
        self._known(rig)
        if product != "dunlin-2":
            raise NotFound(f"product is {product!r}; expected one with a specification here")
        return budget_document(BUDGET)

    # --- inside

    def _view(self, number: int) -> ProcedureView:
        if number not in self._views:
            raise NotFound(f"procedure {number} does not exist")
        return self._views[number]

    def _look(self, number: int) -> None:
        step, operator, left = self._left[number]
        view = self._views[number]
        if left > 0:
            self._left[number] = (step, operator, left - 1)
            self._views[number] = replace(view, busy=True, problem="", progress=f"{step.title}: {self.looks - left + 1} of {self.looks}")
            return
        del self._left[number]
        if self.failing:
            self._views[number] = replace(view, busy=False, progress="", problem=self.failing)
            self.failing = ""
        else:
            self._views[number] = self._done(replace(view, busy=False, progress=""), step, operator)

    def _done(self, view: ProcedureView, step: Step, operator: str) -> ProcedureView:
        results = {one.position: one for one in view.procedure.results}
        results[step.position] = StepResult(step.position, step.name, {"mean_v": 0.5, "sd_v": NAN}, operator, AT)
        kept = replace(view.procedure, results=tuple(results[position] for position in sorted(results)))
        following = next((one for one in STEPS if one.position not in results), None)
        if following is None:
            kept = replace(kept, standing=Standing.DONE, ended_at=AT)
        return replace(view, procedure=kept, next=following, outcome={} if following else dict(self.outcome))

    def _known(self, rig: str) -> None:
        if rig not in self.names:
            raise NotFound(f"rig is {rig!r}; expected one of: {', '.join(self.names)}")

    def _note(self, *what: Any) -> None:
        self.asked.append(what)
        if self.trouble is not None:
            raise self.trouble
