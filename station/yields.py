"""Words of yield: what a report of many runs says. Pure data; the arithmetic stands in station.judge.yields, the questions in db.queries.

A *decided* run ended with pass or fail. Invalid runs, undecided runs and runs of emulated rigs are counted apart and are never yield,
unless emulated runs alone are asked for (a demo); a report never mixes the two.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum


class Split(StrEnum):
    """By what a report is divided into rows."""

    NONE = "none"
    DAY = "day"
    SHIFT = "shift"
    PRODUCT = "product"
    SPECIFICATION = "specification"
    LOT = "lot"
    RIG = "rig"
    GROUP = "group"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True)
class Asked:
    """Which runs a report is about. first_day, last_day: in the station's zone, both included, None open. "" and None: all."""

    first_day: date | None = None
    last_day: date | None = None
    product: str = ""
    specification: str = ""
    lot: str = ""
    rig: str = ""
    operator: str = ""
    station: str = ""
    emulated: bool = False
    split: Split = Split.DAY


@dataclass(frozen=True, slots=True)
class Share:
    """count of `of`, and the two-sided 95 % interval of the share behind it. value, low, high: None when of is 0."""

    count: int
    of: int
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class YieldRow:
    """One row, or the total. label: day as YYYY-MM-DD, "YYYY-MM-DD 06:00" for a shift, else the name; "" of the total.

    first_pass: units that passed at their first decided run, of all units with one. final: units whose newest decided run passed, of the
    same. rolled: product of the first-pass shares of all groups (a group counts as a step), with its interval; None without decided
    groups. runs = decided + undecided + invalid. links: query of the page with the runs behind each figure, by the figure's name.
    """

    label: str
    units: int
    first_pass: Share
    final: Share
    rolled: float | None
    rolled_low: float | None
    rolled_high: float | None
    runs: int
    decided: int
    undecided: int
    invalid: int
    retests: int
    scrapped: int
    links: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Cause:
    """One line of the ranking of causes, largest first. part: group, axis or "". runs: failed runs that name it. cumulative: share of
    all mentions up to and including this line."""

    code: str
    part: str
    lot: str
    runs: int
    units: int
    share: float
    cumulative: float
    link: str = ""


@dataclass(frozen=True, slots=True)
class CapabilityRow:
    """Capability of one figure of one product and lot ("" all): against one or both limits. None where it cannot be said."""

    product: str
    lot: str
    figure: str
    unit: str
    count: int
    mean: float
    sd: float
    lower: float | None
    upper: float | None
    cpk: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class ReworkLoop:
    """Orders begun among the runs asked for, by how they stand, and how many tries the closed ones took: {tries: orders}."""

    begun: int
    active: int
    closed: int
    scrapped: int
    withdrawn: int
    tries: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class YieldReport:
    """A whole report. made_at: UTC; zone: of days, shifts and printed times. emulated_runs: counted apart, when real ones were asked."""

    asked: Asked
    station: str
    zone: str
    made_at: datetime
    total: YieldRow
    rows: tuple[YieldRow, ...]
    causes: tuple[Cause, ...]
    capability: tuple[CapabilityRow, ...]
    rework: ReworkLoop
    emulated_runs: int


@dataclass(frozen=True, slots=True)
class FailedUnit:
    """One line of the list of failed units: a unit whose newest decided run failed."""

    serial: str
    product: str
    lot: str
    run: int
    ended_at: datetime
    station: str
    rig: str
    specification: str
    reasons: tuple[str, ...]
    order: int
    order_state: str
