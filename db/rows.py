"""What questions to the database answer: plain frozen data. Times are UTC; `None` means open or not known."""

import base64
import binascii
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, Self, TypeVar

from db.base import from_us, to_us
from station.errors import UsageError
from station.records import Fitted, UnitIdentity

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where a page of runs ended; the next one goes on with older runs."""

    started_at: datetime
    number: int

    def encode(self) -> str:
        """Opaque text for an address."""
        return base64.urlsafe_b64encode(f"{to_us(self.started_at)}.{self.number}".encode()).decode().rstrip("=")

    @classmethod
    def decode(cls, text: str) -> Self:
        """Raises UsageError for anything `encode` did not make."""
        try:
            plain = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True).decode("ascii")
            at, _, number = plain.partition(".")
            return cls(from_us(int(at)), int(number))
        except (binascii.Error, ValueError, OverflowError) as problem:
            raise UsageError(f"page cursor is {text!r}; expected one as given with the page before") from problem


@dataclass(frozen=True, slots=True)
class Page(Generic[T]):
    """Some rows in order. next: where to go on, None at the end."""

    items: tuple[T, ...]
    next: str | None


@dataclass(frozen=True, slots=True)
class RunFilter:
    """Which runs; None asks for all. since <= started_at < until. verdict: "open" for runs that go on. reason: its code, or code:part."""

    since: datetime | None = None
    until: datetime | None = None
    station: str | None = None
    product: str | None = None
    lot: str | None = None
    rig: str | None = None
    verdict: str | None = None
    reason: str | None = None
    serial_prefix: str | None = None
    emulated: bool | None = None


@dataclass(frozen=True, slots=True)
class RunRow:
    """A run in a list. verdict and ended_at are None while it goes on. specification: its label."""

    number: int
    station: str
    rig: str
    rig_id: str
    unit: UnitIdentity
    specification: str
    operator: str
    emulated: bool
    started_at: datetime
    ended_at: datetime | None
    verdict: str | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GroupRow:
    """Figures of one group as kept in columns; over_zone: flicks beyond the zone; fitted_f: the part on its axis during the run."""

    stick: str
    group: str
    verdict: str
    flicks: int
    flicks_used: int
    peak_mean_counts: float | None
    peak_sd_counts: float | None
    peak_max_counts: float | None
    peak_u_counts: float | None
    misread_mean: float | None
    misread_upper: float | None
    return_s: float | None
    settle_s: float | None
    reach_counts: float | None
    added_lag_s: float | None
    rest_shift_counts: float | None
    cross_axis_counts: float | None
    over_zone: int | None
    fitted_f: float | None
    accepted_by: str


@dataclass(frozen=True, slots=True)
class StickDetail:
    """What was found of one stick. figures and groups: as the score gave them, JSON-ready. samples_kept: 0 when no trace was kept."""

    stick: str
    verdict: str
    reasons: tuple[str, ...]
    figures: Mapping[str, Any]
    groups: Mapping[str, Mapping[str, Any]]
    rows: tuple[GroupRow, ...]
    samples_kept: int


@dataclass(frozen=True, slots=True)
class RunDetail:
    """One run with everything it rests on. traces: samples kept by stick, also of sticks without a score."""

    run: RunRow
    specification_digest: str
    calibration: str
    software: str
    firmware: str
    boot: int
    fitted: Mapping[str, Fitted]
    explanation: str
    evidence: Mapping[str, Any]
    timing: Mapping[str, Any]
    sticks: Mapping[str, StickDetail]
    traces: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class UnitRow:
    """A unit in a list with its newest run; runs: how many it had."""

    unit: UnitIdentity
    first_seen_at: datetime
    runs: int
    last_run: int | None
    last_verdict: str | None
    last_started_at: datetime | None


@dataclass(frozen=True, slots=True)
class FittedRow:
    """A capacitor that was put on an axis (0.0: taken off)."""

    stick: str
    axis: str
    farads: float
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class UnitDetail:
    """A unit with its whole history, newest run first, parts in the order they were fitted."""

    unit: UnitIdentity
    first_seen_at: datetime
    runs: tuple[RunRow, ...]
    fitted: Mapping[str, Fitted]
    parts: tuple[FittedRow, ...]


@dataclass(frozen=True, slots=True)
class RigRow:
    """A rig that ran here. firmware and last_seen_at: of its newest run."""

    station: str
    name: str
    rig_id: str
    emulated: bool
    firmware: str
    last_seen_at: datetime
    last_run: int | None


@dataclass(frozen=True, slots=True)
class SpecificationRow:
    name: str
    revision: str
    digest: str
    created_at: datetime

    @property
    def label(self) -> str:
        return f"{self.name} {self.revision}"


@dataclass(frozen=True, slots=True)
class Counts:
    """Runs of a time span by verdict ("open" for those that go on), and the number of different units in them."""

    runs: Mapping[str, int]
    units: int


@dataclass(frozen=True, slots=True)
class CountsSince:
    """Real and emulated rigs apart: what is emulated never counts as yield. reasons: (code:part, runs), most frequent first, real rigs."""

    since: datetime
    real: Counts
    emulated: Counts
    reasons: tuple[tuple[str, int], ...]
    emulated_reasons: tuple[tuple[str, int], ...]
