"""The tables. What people ask for stands in columns; samples and figures flick by flick stand in blocks with their digest.

A run names everything it rests on: unit, specification revision, rig, firmware, calibration, software, emulated or not. Product, lot
and the rig's name are copied into the run: a unit may get a stick of another lot later, and lists by them stay quick.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, LargeBinary, SmallInteger, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.base import RUN_NUMBER_MAX, Base, Bytewise, Json, Key, UtcTime

VERDICTS = "verdict IN ('pass', 'fail', 'undecided', 'invalid')"


class Rig(Base):
    """One machine under one name at one station; another machine under the same name is another row. firmware, last_...: newest run's."""

    __tablename__ = "rigs"
    __table_args__ = (UniqueConstraint("station", "name", "rig_id", "emulated"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    name: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    firmware: Mapped[str]
    last_seen_at: Mapped[datetime] = mapped_column(UtcTime)
    last_run: Mapped[int | None] = mapped_column(BigInteger)


class Unit(Base):
    """One controller; product and lot as last given."""

    __tablename__ = "units"
    __table_args__ = (UniqueConstraint("serial"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    serial: Mapped[str] = mapped_column(Bytewise)
    product: Mapped[str]
    lot: Mapped[str]
    first_seen_at: Mapped[datetime] = mapped_column(UtcTime)


class Specification(Base):
    """A revision, never edited in place."""

    __tablename__ = "specifications"
    __table_args__ = (UniqueConstraint("name", "revision"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    name: Mapped[str]
    revision: Mapped[str]
    digest: Mapped[str]
    text: Mapped[str]
    created_at: Mapped[datetime] = mapped_column(UtcTime)


class Run(Base):
    """One test. Open while verdict and ended_at are null. reasons: as given; run_reasons holds the same for questions by reason.

    flicks: how often the finger moved, null while open and where it is not known.
    """

    __tablename__ = "runs"
    __table_args__ = (
        CheckConstraint(VERDICTS, name="verdict"),
        CheckConstraint("(verdict IS NULL) = (ended_at IS NULL)", name="ended"),
        CheckConstraint(f"number BETWEEN 1 AND {RUN_NUMBER_MAX}", name="number"),
        Index(None, "started_at", "number"),
        Index(None, "verdict", "started_at", "number"),
        Index(None, "unit_key", "started_at", "number"),
        Index(None, "rig", "started_at", "number"),
        Index(None, "product", "started_at", "number"),
        Index(None, "lot", "started_at", "number"),
        Index(None, "emulated", "started_at", "number"),
        Index(None, "calibration", "flicks"),
        {"sqlite_autoincrement": True},
    )

    number: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    rig: Mapped[str]
    rig_key: Mapped[int] = mapped_column(Key, ForeignKey("rigs.id"))
    unit_key: Mapped[int] = mapped_column(Key, ForeignKey("units.id"))
    specification_key: Mapped[int] = mapped_column(Key, ForeignKey("specifications.id"))
    product: Mapped[str]
    lot: Mapped[str]
    calibration: Mapped[str]
    software: Mapped[str]
    firmware: Mapped[str]
    boot: Mapped[int] = mapped_column(BigInteger)
    operator: Mapped[str]
    emulated: Mapped[bool]
    fitted: Mapped[dict[str, Any]] = mapped_column(Json)
    started_at: Mapped[datetime] = mapped_column(UtcTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcTime)
    verdict: Mapped[str | None]
    reasons: Mapped[list[str]] = mapped_column(Json)
    explanation: Mapped[str]
    evidence: Mapped[dict[str, Any]] = mapped_column(Json)
    timing: Mapped[dict[str, Any]] = mapped_column(Json)
    flicks: Mapped[int | None]


class RunReason(Base):
    """A reason of a run's verdict, one row each. stick: "" when it is the run's or the rig's own. part: group, axis or ""."""

    __tablename__ = "run_reasons"
    __table_args__ = (Index(None, "code", "started_at", "run_number"), {"sqlite_with_rowid": False})

    run_number: Mapped[int] = mapped_column(Key, ForeignKey("runs.number", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(SmallInteger, primary_key=True)
    stick: Mapped[str]
    code: Mapped[str]
    part: Mapped[str]
    started_at: Mapped[datetime] = mapped_column(UtcTime)


class StickResult(Base):
    """What was found of one stick. detail: the whole score but its flicks, packed JSON."""

    __tablename__ = "stick_results"
    __table_args__ = (CheckConstraint(VERDICTS, name="verdict"),)

    run_number: Mapped[int] = mapped_column(Key, ForeignKey("runs.number", ondelete="CASCADE"), primary_key=True)
    stick: Mapped[str] = mapped_column(primary_key=True)
    verdict: Mapped[str]
    rest_x_counts: Mapped[float | None]
    rest_y_counts: Mapped[float | None]
    noise_x_counts: Mapped[float | None]
    noise_y_counts: Mapped[float | None]
    supply_v: Mapped[float | None]
    codec: Mapped[str]
    detail: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class GroupResult(Base):
    """Figures of one group of one stick; null where not known.

    over_zone: flicks beyond the neutral zone. fitted_f: the part on the group's axis during the run.
    """

    __tablename__ = "group_results"
    __table_args__ = (CheckConstraint(VERDICTS, name="verdict"), {"sqlite_with_rowid": False})

    run_number: Mapped[int] = mapped_column(Key, ForeignKey("runs.number", ondelete="CASCADE"), primary_key=True)
    stick: Mapped[str] = mapped_column(primary_key=True)
    group_name: Mapped[str] = mapped_column(primary_key=True)
    verdict: Mapped[str]
    flicks: Mapped[int]
    flicks_used: Mapped[int]
    peak_mean_counts: Mapped[float | None]
    peak_sd_counts: Mapped[float | None]
    peak_max_counts: Mapped[float | None]
    peak_u_counts: Mapped[float | None]
    misread_mean: Mapped[float | None]
    misread_upper: Mapped[float | None]
    return_s: Mapped[float | None]
    settle_s: Mapped[float | None]
    reach_counts: Mapped[float | None]
    added_lag_s: Mapped[float | None]
    rest_shift_counts: Mapped[float | None]
    cross_axis_counts: Mapped[float | None]
    over_zone: Mapped[int | None]
    fitted_f: Mapped[float | None]
    accepted_by: Mapped[str]


class FlickBlock(Base):
    """Figures of all flicks of one stick, column by column, one block. columns: names in order; flags: one list of words per flick."""

    __tablename__ = "flick_blocks"

    run_number: Mapped[int] = mapped_column(Key, ForeignKey("runs.number", ondelete="CASCADE"), primary_key=True)
    stick: Mapped[str] = mapped_column(primary_key=True)
    flicks: Mapped[int]
    columns: Mapped[list[str]] = mapped_column(Json)
    flags: Mapped[list[list[str]]] = mapped_column(Json)
    codec: Mapped[str]
    data: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class TraceBlock(Base):
    """Samples of one stick: a part of a run that goes on (whole false), or all of them once it has ended.

    first_sample: index of the block's first sample in the run. commanded: [group, first sample] of every flick ordered.
    """

    __tablename__ = "trace_blocks"

    run_number: Mapped[int] = mapped_column(Key, ForeignKey("runs.number", ondelete="CASCADE"), primary_key=True)
    stick: Mapped[str] = mapped_column(primary_key=True)
    first_sample: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    whole: Mapped[bool]
    samples: Mapped[int] = mapped_column(BigInteger)
    rate_hz: Mapped[float]
    scale_v: Mapped[float]
    supply_v: Mapped[float]
    commanded: Mapped[list[list[Any]]] = mapped_column(Json)
    codec: Mapped[str]
    dtype: Mapped[str]
    shape: Mapped[list[int]] = mapped_column(Json)
    data: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class FittedPart(Base):
    """A capacitor put on an axis of a stick (0.0: taken off). The newest row of an axis tells what is fitted now."""

    __tablename__ = "fitted_parts"
    __table_args__ = (Index(None, "unit_key", "stick", "axis"), CheckConstraint("axis IN ('x', 'y')", name="axis"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    unit_key: Mapped[int] = mapped_column(Key, ForeignKey("units.id", ondelete="CASCADE"))
    stick: Mapped[str]
    axis: Mapped[str]
    farads: Mapped[float]
    fitted_by: Mapped[str]
    fitted_at: Mapped[datetime] = mapped_column(UtcTime)


class Monitor(Base):
    """State of a pooled monitor after the newest run, by specification label of one station."""

    __tablename__ = "monitors"

    station: Mapped[str] = mapped_column(primary_key=True)
    specification: Mapped[str] = mapped_column(primary_key=True)
    document: Mapped[dict[str, Any]] = mapped_column(Json)
    kept_at: Mapped[datetime] = mapped_column(UtcTime)
