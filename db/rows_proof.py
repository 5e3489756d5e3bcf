"""What questions about proving answer: plain frozen data. Times are UTC."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from station.proof import Kind, Note, Signal, Standing


@dataclass(frozen=True, slots=True)
class ProcedureFilter:
    """Which procedures; None asks for all. rig: its name at a station."""

    station: str | None = None
    rig: str | None = None
    kind: Kind | None = None
    standing: Standing | None = None


@dataclass(frozen=True, slots=True)
class ProofFilter:
    """Which outcomes; None asks for all. product: of reference units, checks and studies; accepted: of calibrations, checks and studies."""

    station: str | None = None
    rig: str | None = None
    product: str | None = None
    emulated: bool | None = None
    accepted: bool | None = None


@dataclass(frozen=True, slots=True)
class ProcedureRow:
    """A procedure in a list. steps_done: positions with a result. outcome: number of what came of it, None until done."""

    number: int
    station: str
    rig: str
    rig_id: str
    emulated: bool
    kind: Kind
    firmware: str
    standing: Standing
    by: str
    at: datetime
    ended_at: datetime | None
    cause: str
    steps_done: int
    outcome: int | None


@dataclass(frozen=True, slots=True)
class StepRow:
    """One try of a step, also one that a newer try has replaced."""

    position: int
    attempt: int
    name: str
    figures: Mapping[str, Any]
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """A calibration in a list, without its document. flicks: of the runs that name it."""

    number: int
    procedure: int
    station: str
    rig: str
    rig_id: str
    emulated: bool
    firmware: str
    accepted: bool
    problems: tuple[str, ...]
    by: str
    at: datetime
    valid_until: datetime
    flicks_max: int
    flicks: int


@dataclass(frozen=True, slots=True)
class StudyRow:
    """A study in a list, without its document. peak_u_counts: NaN when it tells none."""

    number: int
    procedure: int
    kind: Kind
    station: str
    rig: str
    rig_id: str
    emulated: bool
    product: str
    specification: str
    accepted: bool
    problems: tuple[str, ...]
    peak_u_counts: float
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class SignalRow:
    """A signal in a list. rig_id, emulated: whose points the chart showed then."""

    number: int
    station: str
    rig_id: str
    emulated: bool
    signal: Signal


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A note in a list."""

    number: int
    station: str
    rig_id: str
    emulated: bool
    note: Note
