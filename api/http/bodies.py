"""What the API answers about runs and units, as pydantic models over the rows of the database's questions."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from api.http.instants import Instant


class _Body(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class UnitName(_Body):
    """Identity of a unit: serial number, product (name of the specification family), stick lot."""

    serial: str
    product: str
    lot: str


class RunBody(_Body):
    """A run in a list. verdict and ended_at are null while it goes on; reasons are `code`, `code:group` or `code:axis`."""

    number: int
    station: str
    rig: str
    rig_id: str
    unit: UnitName
    specification: str
    operator: str
    emulated: bool
    started_at: Instant
    ended_at: Instant | None
    verdict: str | None
    reasons: list[str]


class FittedBody(_Body):
    """Capacitance on each axis, farads."""

    x_f: float
    y_f: float


class StickBody(_Body):
    """What was found of one stick: figures and groups as the score gave them. samples_kept: 0 when no trace was kept."""

    stick: str
    verdict: str
    reasons: list[str]
    figures: Mapping[str, Any]
    groups: Mapping[str, Mapping[str, Any]]
    samples_kept: int


class RunDetailBody(_Body):
    """One run with everything it rests on."""

    run: RunBody
    specification_digest: str
    calibration: str
    software: str
    firmware: str
    boot: int
    fitted: Mapping[str, FittedBody]
    explanation: str
    evidence: Mapping[str, Any]
    timing: Mapping[str, Any]
    sticks: Mapping[str, StickBody]
    traces: Mapping[str, int] = Field(description="samples kept, by stick")


class RunPage(BaseModel):
    """Newest first. `next`: address of the page of older runs, null at the end; also in the Link header."""

    runs: list[RunBody]
    next: str | None


class FlicksBody(BaseModel):
    """Figures of every flick, column by column; null where not known. Names as in the catalogue of definitions."""

    run: int
    stick: str
    group: list[str]
    columns: dict[str, list[float | None]]
    flags: list[list[str]]


class CommandedBody(BaseModel):
    group: str
    t_s: float


class TraceBody(BaseModel):
    """Both axes, volts, as the smallest and largest sample of each of `points` equal stretches of time; t_s: where a stretch begins."""

    run: int
    stick: str
    rate_hz: float
    samples: int
    supply_v: float | None
    quantum_v: float
    from_s: float
    to_s: float
    t_s: list[float]
    x_min_v: list[float]
    x_max_v: list[float]
    y_min_v: list[float]
    y_max_v: list[float]
    commanded: list[CommandedBody]
    distrust: list[str]


class OverlaidFlick(BaseModel):
    """One flick of the overlay: deflection in counts from `t_first_s` after its release, a sample each `step_s`."""

    flick: int
    t_first_s: float
    step_s: float
    peak_counts: float | None
    over_zone: bool
    deflection_counts: list[float]


class OverlaidGroup(BaseModel):
    """`flicks` there are, of which the listed ones are drawn: those with the largest peaks, in the order they were made."""

    flicks: int
    drawn: list[OverlaidFlick]
    peaks_counts: list[float | None]


class OverlayBody(BaseModel):
    """Flicks laid over each other by group, held side positive, with the zone that the host ignores."""

    run: int
    stick: str
    neutral_zone_counts: float
    groups: dict[str, OverlaidGroup]


class UnitBody(_Body):
    """A unit in a list with its newest run."""

    unit: UnitName
    first_seen_at: Instant
    runs: int
    last_run: int | None
    last_verdict: str | None
    last_started_at: Instant | None


class UnitPage(BaseModel):
    """By serial number. `next` as for runs."""

    units: list[UnitBody]
    next: str | None


class FittedPartBody(_Body):
    """A capacitor put on an axis; 0.0: taken off."""

    stick: str
    axis: str
    farads: float
    by: str
    at: Instant


class UnitDetailBody(_Body):
    """A unit with its whole history, newest run first."""

    unit: UnitName
    first_seen_at: Instant
    runs: list[RunBody]
    fitted: Mapping[str, FittedBody]
    parts: list[FittedPartBody]


class SpecificationBody(_Body):
    """A revision of a specification; digest: SHA-256 of its values."""

    name: str
    revision: str
    label: str
    digest: str
    created_at: Instant


class SpecificationList(BaseModel):
    specifications: list[SpecificationBody]
