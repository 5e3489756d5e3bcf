"""What questions about rework answer: plain frozen data. Times are UTC; None means not yet, or not known."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from station.records import UnitIdentity
from station.rework import PartRecord


@dataclass(frozen=True, slots=True)
class OrderFilter:
    """Which orders; None asks for all. state: one of station.rework.State, "active" for those that are not ended, or "all"."""

    state: str = "active"
    product: str | None = None
    lot: str | None = None
    serial_prefix: str | None = None


@dataclass(frozen=True, slots=True)
class OrderRow:
    """An order in a list. advice, retest_check: of its newest try. advice_run: the run that the newest try's advice is from."""

    order: int
    station: str
    unit: UnitIdentity
    emulated: bool
    specification: str
    failing_run: int
    reasons: tuple[str, ...]
    state: str
    tries: int
    tries_max: int
    advice: str
    advice_run: int
    retest_check: str
    note: str
    opened_at: datetime
    changed_at: datetime
    closed_at: datetime | None
    closed_by: str
    closing: str


@dataclass(frozen=True, slots=True)
class TryRow:
    """One try of an order, with what the technician was told, what was fitted, and what the retest shows."""

    number: int
    advice_run: int
    advice: str
    advice_sentence: str
    advice_at: datetime | None
    steps: tuple[Mapping[str, Any], ...]
    parts: tuple[PartRecord, ...]
    retest_run: int | None
    retest_verdict: str | None
    retest_check: str
    check_sentence: str
    findings: Mapping[str, Mapping[str, Any]]
    outcome: str


@dataclass(frozen=True, slots=True)
class OrderDetail:
    """An order whole; tries oldest first."""

    order: OrderRow
    tries: tuple[TryRow, ...]


@dataclass(frozen=True, slots=True)
class LedgerFilter:
    """Which entries of the ledger; None asks for all."""

    product: str | None = None
    lot: str | None = None
    emulated: bool | None = None


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """Prediction and outcome of one axis of a retest. residual_counts: measured less predicted mean peak."""

    entry: int
    order: int
    try_number: int
    unit: UnitIdentity
    emulated: bool
    stick: str
    axis: str
    retest_run: int
    capacitance_f: float
    predicted_counts: float | None
    measured_counts: float | None
    finding: str
    source: str
    document: Mapping[str, Any]
    at: datetime

    @property
    def residual_counts(self) -> float | None:
        """None when either figure is not known."""
        if self.predicted_counts is None or self.measured_counts is None:
            return None
        return self.measured_counts - self.predicted_counts


@dataclass(frozen=True, slots=True)
class StoredAdvice:
    """Advice documents of one run, by stick, as kept when they were made."""

    run: int
    unit: UnitIdentity
    made_at: datetime
    sticks: Mapping[str, Mapping[str, Any]]
