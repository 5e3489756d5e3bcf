"""What the API answers about what came of procedures: calibrations, reference units and checks, studies. Pydantic models."""

from collections.abc import Mapping
from typing import Any, Self

from pydantic import BaseModel, ConfigDict

from api.http.instants import Instant
from db.rows_proof import CalibrationRow
from station.proof import Calibration, Deviation, ReferenceCheck, calibration_name


class _Body(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class CalibrationBody(BaseModel):
    """A calibration. accepted: no figure was outside its limits, `problems` is empty. name: as runs name it."""

    number: int
    name: str
    procedure: int
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    accepted: bool
    problems: list[str]
    by: str
    at: Instant
    valid_until: Instant
    flicks_max: int

    @classmethod
    def of(cls, one: Calibration | CalibrationRow, **more: Any) -> Self:
        """Body of a calibration; more: what only this model has."""
        by, at = (one.made_by, one.made_at) if isinstance(one, Calibration) else (one.by, one.at)
        names = ("number", "procedure", "station", "rig", "rig_id", "emulated", "firmware", "accepted", "valid_until", "flicks_max")
        same = {name: getattr(one, name) for name in names}
        return cls(**same, name=calibration_name(one.number), problems=list(one.problems), by=by, at=at, **more)


class CalibrationRowBody(CalibrationBody):
    """A calibration in a list. flicks: of the runs that name it."""

    flicks: int


class CalibrationDetailBody(CalibrationBody):
    """A calibration whole. document: every figure with its uncertainty and limits."""

    document: Mapping[str, Any]


class CalibrationPage(BaseModel):
    """Newest first. `next`: address of the next page, null at the end; also in the Link header."""

    calibrations: list[CalibrationRowBody]
    next: str | None


class DeviationBody(BaseModel):
    """One figure of a check. place: group or axis. measured: null when it could not be measured. limit: how far from value it may lie."""

    stick: str
    place: str
    figure: str
    measured: float | None
    value: float
    limit: float
    within: bool

    @classmethod
    def of(cls, one: Deviation) -> Self:
        """Body of a deviation."""
        same = {name: getattr(one, name) for name in ("stick", "place", "figure", "measured", "within")}
        return cls(**same, value=one.reference.value, limit=one.reference.limit)


class CheckBody(BaseModel):
    """A reference unit measured. within: every figure lies within its limit. calibration: name of the one in force then, "" if none."""

    number: int
    procedure: int
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    calibration: str
    serial: str
    product: str
    within: bool
    deviations: list[DeviationBody]
    by: str
    at: Instant

    @classmethod
    def of(cls, check: ReferenceCheck) -> Self:
        """Body of a check."""
        same = {name: getattr(check, name) for name in cls.model_fields if name != "deviations"}
        return cls(**same, deviations=[DeviationBody.of(one) for one in check.deviations])


class CheckPage(BaseModel):
    """Newest first. `next` as for calibrations."""

    checks: list[CheckBody]
    next: str | None


class ReferenceValueBody(_Body):
    """value, and how far a measurement may lie from it, in the figure's own unit."""

    value: float
    limit: float


class ReferenceUnitBody(_Body):
    """A unit of known values, by stick, then group or axis, then figure. The newest of a serial number counts."""

    serial: str
    product: str
    rig_id: str
    emulated: bool
    values: Mapping[str, Mapping[str, Mapping[str, ReferenceValueBody]]]
    specification: str
    procedure: int
    by: str
    at: Instant


class ReferenceUnitPage(BaseModel):
    """All values ever found, newest first. `next` as for calibrations."""

    units: list[ReferenceUnitBody]
    next: str | None


class StudyBody(_Body):
    """A study. peak_u_counts: standard uncertainty of a measured peak that it found, null when it tells none."""

    number: int
    procedure: int
    kind: str
    station: str
    rig: str
    rig_id: str
    emulated: bool
    product: str
    specification: str
    accepted: bool
    problems: list[str]
    peak_u_counts: float | None
    by: str
    at: Instant


class StudyDetailBody(StudyBody):
    """A study whole. document: all its figures."""

    document: Mapping[str, Any]


class StudyPage(BaseModel):
    """Newest first. `next` as for calibrations."""

    studies: list[StudyBody]
    next: str | None
