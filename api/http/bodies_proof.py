"""What the API answers about proving a rig, procedures and charts, and what it is told, as pydantic models."""

from collections.abc import Mapping, Sequence
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field

from api.http.bodies_proof_kept import CalibrationBody, CheckBody
from api.http.instants import Instant
from api.http.proof import KEY_FORM, chart_text
from db.rows_proof import ProcedureRow
from station.ports.proof import ProcedureView, RigProof
from station.proof import ChartKey, Kind


class _Body(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class RigProofBody(_Body):
    """How well a rig is proven. blocks: why no run may start; warns: what will be due soon; sentences of what to do.

    calibration: null without one in force. flicks_left, days_left: until it expires. procedure: number of the open one, 0 if none.
    """

    rig: str
    valid: bool
    calibration: CalibrationBody | None
    flicks_left: int
    days_left: float
    last_check: CheckBody | None
    reference_due: bool
    blocks: list[str]
    warns: list[str]
    procedure: int

    @classmethod
    def of(cls, state: RigProof) -> Self:
        """Body of what the desk says."""
        same = {name: getattr(state, name) for name in cls.model_fields if name not in ("calibration", "last_check")}
        calibration = None if state.calibration is None else CalibrationBody.of(state.calibration)
        return cls(**same, calibration=calibration, last_check=None if state.last_check is None else CheckBody.of(state.last_check))


class Beginning(_Asked):
    """Which procedure to begin. plan: by kind; what is left out has its default."""

    kind: Kind
    plan: dict[str, Any] = {}
    operator: str = Field("", max_length=60, description="who carries it out; the name of the token when left out")


class GoingOn(_Asked):
    """Which step to carry out."""

    position: int = Field(0, ge=0, le=100_000, description="0: the next one; else that step, once more if it was done")
    operator: str = Field("", max_length=60, description="who is at the rig; whom the step asks for, or who began, when left out")


class Abandoning(_Asked):
    """Who abandons a procedure, and why."""

    cause: str = Field(min_length=1, max_length=400)
    operator: str = Field("", max_length=60, description="the name of the token when left out")


class StepBody(BaseModel):
    """One thing to do. says: what the person does, in order. moves: the finger does. unit, operator: who is wanted, "" anybody.

    done_at: when its newest result was kept, null while there is none; done_by: by whom.
    """

    position: int
    name: str
    title: str
    says: list[str]
    moves: bool
    unit: str
    operator: str
    done_at: Instant | None
    done_by: str


class StepResultBody(_Body):
    """What came of a step."""

    position: int
    name: str
    figures: Mapping[str, Any]
    by: str
    at: Instant


class ProcedureBody(_Body):
    """A procedure in a list. standing: open, done or abandoned. cause: why it was abandoned."""

    number: int
    kind: Kind
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    standing: str
    begun_by: str
    begun_at: Instant
    ended_at: Instant | None
    cause: str


class ProcedureRowBody(ProcedureBody):
    """steps_done: positions with a result. outcome_number: of the calibration, check or study that came of it, null until done."""

    steps_done: int
    outcome_number: int | None

    @classmethod
    def of(cls, row: ProcedureRow) -> Self:
        """Body of a row."""
        names = ("number", "kind", "station", "rig", "rig_id", "emulated", "firmware", "standing", "ended_at", "cause", "steps_done")
        same = {name: getattr(row, name) for name in names}
        return cls(**same, begun_by=row.by, begun_at=row.at, outcome_number=row.outcome)


class ProcedurePage(BaseModel):
    """Newest first. `next`: address of the next page, null at the end; also in the Link header."""

    procedures: list[ProcedureRowBody]
    next: str | None


class ProcedureViewBody(ProcedureBody):
    """A procedure as it stands. next: position of the step that comes next, null when all are done or it has ended.

    busy: a step is being carried out now, `progress` says how far. problem: why the last try of a step failed. outcome: once done.
    cautions: to be heeded before every step.
    """

    plan: Mapping[str, Any]
    steps: list[StepBody]
    next: int | None
    busy: bool
    problem: str
    progress: str
    outcome: Mapping[str, Any]
    cautions: list[str]

    @classmethod
    def of(cls, view: ProcedureView, cautions: Sequence[str]) -> Self:
        """Body of a view of the desk."""
        one, opening = view.procedure, view.procedure.opening
        same = {name: getattr(opening, name) for name in ("kind", "station", "rig", "rig_id", "emulated", "firmware", "plan")}
        return cls(
            **same,
            number=one.number,
            standing=one.standing,
            begun_by=opening.by,
            begun_at=opening.at,
            ended_at=one.ended_at,
            cause=one.cause,
            steps=_steps(view),
            next=view.next.position if view.next else None,
            busy=view.busy,
            problem=view.problem,
            progress=view.progress,
            outcome=view.outcome,
            cautions=list(cautions),
        )


def _steps(view: ProcedureView) -> list[StepBody]:
    results = {result.position: result for result in view.procedure.results}
    names = ("position", "name", "title", "says", "moves", "unit", "operator")
    bodies = []
    for step in view.steps:
        result = results.get(step.position)
        same = {name: getattr(step, name) for name in names}
        bodies.append(StepBody(**same, done_at=result.at if result else None, done_by=result.by if result else ""))
    return bodies


class ChartName(BaseModel):
    """A chart. key: the chart in one word, to ask for it. rig, product, lot, figure: "" where it has none."""

    key: str
    what: str
    rig: str
    product: str
    lot: str
    figure: str

    @classmethod
    def of(cls, key: ChartKey) -> Self:
        """Body of a chart's key."""
        return cls(key=chart_text(key), what=key.what, rig=key.rig, product=key.product, lot=key.lot, figure=key.figure)


class ChartList(BaseModel):
    charts: list[ChartName]


class Freezing(_Asked):
    """From which points limits are frozen, and which run rules are looked for."""

    key: str = Field(min_length=1, max_length=300, description=f"{KEY_FORM}, as the list of charts gives it")
    first: str = Field(min_length=1, max_length=100, description="point the baseline begins with")
    last: str = Field(min_length=1, max_length=100, description="point it ends with")
    rules: list[str] = Field([], max_length=20, description="names of run rules; when left out, those the station uses for this chart")
    operator: str = Field("", max_length=60, description="the name of the token when left out")


class Noting(_Asked):
    """What was found and done about a point."""

    key: str = Field(min_length=1, max_length=300, description=f"{KEY_FORM}, as the list of charts gives it")
    point: str = Field(min_length=1, max_length=100)
    cause: str = Field(min_length=1, max_length=400)
    action: str = Field("", max_length=400)
    operator: str = Field("", max_length=60, description="the name of the token when left out")


class BannerList(BaseModel):
    """Sentences that want a person."""

    banners: list[str]
