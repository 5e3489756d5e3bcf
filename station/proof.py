"""Words of proving the rig: procedures a person is led through, and what comes of them. Pure.

A procedure is a row of steps. Each step's result is kept as soon as it is there, so that a procedure goes on after a restart where it
stood; a step may be done again, then its newest result counts. When the last step is done the procedure is concluded: a calibration, the
values of a reference unit, a check against them, or a study comes of it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Final


class Kind(StrEnum):
    """Of a procedure."""

    CALIBRATION = "calibration"
    REFERENCE_VALUES = "reference-values"
    REFERENCE_CHECK = "reference-check"
    GAUGE_STUDY = "gauge-study"
    TYPE_1_STUDY = "type-1-study"


class Standing(StrEnum):
    """Of a procedure."""

    OPEN = "open"
    DONE = "done"
    ABANDONED = "abandoned"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. says: what the person does, in order. moves: the finger does. unit, operator: who is wanted, "" anybody."""

    position: int
    name: str
    title: str
    says: tuple[str, ...]
    moves: bool
    unit: str = ""
    operator: str = ""


@dataclass(frozen=True, slots=True)
class StepResult:
    """What came of a step. figures: JSON-ready."""

    position: int
    name: str
    figures: Mapping[str, Any]
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Opening:
    """What a procedure is begun with. plan: JSON-ready, by kind. rig: its name at the station."""

    kind: Kind
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    plan: Mapping[str, Any]
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Procedure:
    """As kept. results: the newest of each position, in the order of positions. cause: why it was abandoned."""

    number: int
    opening: Opening
    standing: Standing
    results: tuple[StepResult, ...] = ()
    ended_at: datetime | None = None
    cause: str = ""

    @property
    def done(self) -> frozenset[int]:
        return frozenset(result.position for result in self.results)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a calibration found. number: 0 until kept. problems: every figure outside its limits, one sentence each; accepted when none.

    document: all figures with their uncertainty and limits, JSON-ready (station.prove.calibration). It holds until valid_until and for
    flicks_max flicks, whatever comes first, for this rig with this firmware alone.
    """

    number: int
    procedure: int
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    problems: tuple[str, ...]
    document: Mapping[str, Any]
    made_by: str
    made_at: datetime
    valid_until: datetime
    flicks_max: int

    @property
    def accepted(self) -> bool:
        return not self.problems

    @property
    def name(self) -> str:
        """As runs name it."""
        return calibration_name(self.number)


def calibration_name(number: int) -> str:
    return f"C-{number}"


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """Of one figure of a reference unit: its value and how far a measurement may lie from it, both in the figure's own unit."""

    value: float
    limit: float


@dataclass(frozen=True, slots=True)
class ReferenceUnit:
    """A unit of known values. values: by stick, then group or axis, then figure. fitted and specification: as when they were found."""

    serial: str
    product: str
    rig_id: str
    emulated: bool
    values: Mapping[str, Mapping[str, Mapping[str, ReferenceValue]]]
    specification: str
    procedure: int
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Deviation:
    """One figure of a check. place: group or axis."""

    stick: str
    place: str
    figure: str
    measured: float
    reference: ReferenceValue

    @property
    def within(self) -> bool:
        """A figure that could not be measured is not within."""
        return abs(self.measured - self.reference.value) <= self.reference.limit


@dataclass(frozen=True, slots=True)
class ReferenceCheck:
    """A reference unit measured. number: 0 until kept."""

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
    deviations: tuple[Deviation, ...]
    by: str
    at: datetime

    @property
    def within(self) -> bool:
        return bool(self.deviations) and all(one.within for one in self.deviations)


@dataclass(frozen=True, slots=True)
class Study:
    """A gauge study or a type 1 study. number: 0 until kept. problems: why it is not accepted; accepted when none.

    peak_u_counts: standard uncertainty of a measured peak that it found, the figure a guard band is made of; NaN when it tells none.
    """

    number: int
    procedure: int
    kind: Kind
    station: str
    rig: str
    rig_id: str
    emulated: bool
    product: str
    specification: str
    problems: tuple[str, ...]
    document: Mapping[str, Any]
    peak_u_counts: float
    by: str
    at: datetime

    @property
    def accepted(self) -> bool:
        return not self.problems


Outcome = Calibration | ReferenceUnit | ReferenceCheck | Study


HEALTH: Final = (
    "push_latency_s",  # from the order of a flick until the stick moves, median
    "push_jitter_s",  # its standard deviation about the groups' own means
    "push_s",  # from 10 % to 90 % of reach on the way out, median: how fast the servo is
    "release_s",  # from the order until the release, median: worn fingers let go earlier
    "release_jitter_s",  # its standard deviation about the groups' own means
    "release_speed_share_s",  # largest speed of the return, shares of reach a second, median
    "noise_x_counts",
    "noise_y_counts",
)
"""Figures of a rig that every run tells by the way; columns of the table run_health. NaN (null in the table) where not known."""


@dataclass(frozen=True, slots=True)
class ChartKey:
    """Which chart. what: a line of the table of charts (station.prove.charted); rig, product, lot, figure: "" where it has none."""

    what: str
    rig: str = ""
    product: str = ""
    lot: str = ""
    figure: str = ""

    def __str__(self) -> str:
        return "/".join((self.what, self.rig, self.product, self.lot, self.figure))


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point. key: the run, check, day or lot it stands for. sample: the subgroup's values, or one value; of a share: (count, of)."""

    key: str
    at: datetime
    sample: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Baseline:
    """Limits frozen from a stated stretch of points. limits: JSON-ready (station.prove.charts). rules: which are looked for."""

    chart: ChartKey
    first: str
    last: str
    limits: Mapping[str, Any]
    rules: tuple[str, ...]
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that fired at a point, and the points it rests on."""

    chart: ChartKey
    point: str
    rule: str
    points: tuple[str, ...]
    sentence: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Note:
    """What a person found and did about a point."""

    chart: ChartKey
    point: str
    cause: str
    action: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class HealthRow:
    """Figures of proof.HEALTH of one closed run."""

    run_number: int
    at: datetime
    figures: Mapping[str, float] = field(default_factory=dict)
