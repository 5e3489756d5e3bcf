"""What a unit report is made from; yield reports, failed units and calibrations have their words in station.yields and station.proof.

Texts come ready from whoever fills this in (figures rounded, reasons in sentences), so that paper and pages say the same.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from station.records import Floats


@dataclass(frozen=True, slots=True)
class Reason:
    """A reason of a verdict: its code, such as `snapback:x+`, and what it means in a sentence."""

    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run in the history of a unit. verdict: "" while it goes on. started_at: UTC."""

    number: int
    started_at: datetime
    rig: str
    specification: str
    operator: str
    emulated: bool
    verdict: str
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FigureCell:
    """One figure of one group or axis. uncertainty: expanded, k = 2, such as "± 0.12", "" when not known. note: more about it, or "".

    standing: how it stands against its limit, in a word. calls: a person should look.
    """

    value: str
    uncertainty: str = ""
    standing: str = ""
    calls: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure: its name, unit and limit in words, and a cell by group or by axis."""

    label: str
    unit: str
    limit: str
    cells: Mapping[str, FigureCell]


@dataclass(frozen=True, slots=True)
class GroupLine:
    """How a group stands."""

    group: str
    verdict: str
    flicks: int
    flicks_used: int


@dataclass(frozen=True, slots=True)
class StickTrace:
    """A whole recording. x_counts, y_counts: shape (n,), deflection from the run's rest; the first sample at t_first_s, then rate_hz."""

    rate_hz: float
    t_first_s: float
    x_counts: Floats
    y_counts: Floats


@dataclass(frozen=True, slots=True)
class FlickTrace:
    """One flick cut out: deflection in counts, held side positive, shape (m,), from t_first_s after its release, a sample each step_s."""

    group: str
    t_first_s: float
    step_s: float
    deflection_counts: Floats
    over_zone: bool = False


@dataclass(frozen=True, slots=True)
class StickReport:
    """What the newest run found of one stick. zone_counts: half width of the neutral zone. trace: None when none was kept.

    flicks: those to be drawn over each other, of each group at most a few.
    """

    stick: str
    verdict: str
    zone_counts: float
    groups: tuple[GroupLine, ...] = ()
    group_rows: tuple[FigureRow, ...] = ()
    axis_rows: tuple[FigureRow, ...] = ()
    trace: StickTrace | None = None
    flicks: tuple[FlickTrace, ...] = ()


@dataclass(frozen=True, slots=True)
class NewestRun:
    """The newest run with what it rests on. calibration: its name, "" when the run had none. fitted: by "stick axis", such as "0.47 µF"."""

    run: RunLine
    rig_id: str
    firmware: str
    software: str
    calibration: str
    explanation: str
    reasons: tuple[Reason, ...] = ()
    fitted: Mapping[str, str] = field(default_factory=dict)
    sticks: tuple[StickReport, ...] = ()


@dataclass(frozen=True, slots=True)
class AdviceLine:
    """Advice on one axis in short. fitted, recommended: as shown, such as "none" or "0.47 µF (474)"."""

    stick: str
    axis: str
    fitted: str
    recommended: str
    reason: str


@dataclass(frozen=True, slots=True)
class UnitReport:
    """A unit with its history. made_at, first_seen_at: UTC; zone: of printed times. runs: newest first. newest: None without a run.

    cautions: shown wherever there is advice.
    """

    serial: str
    product: str
    lot: str
    station: str
    zone: str
    made_at: datetime
    first_seen_at: datetime
    runs: tuple[RunLine, ...] = ()
    newest: NewestRun | None = None
    advice: tuple[AdviceLine, ...] = ()
    cautions: tuple[str, ...] = ()
