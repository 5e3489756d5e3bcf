"""Tables of proving the rig: procedures and their steps, what came of them, and what every run tells of its rig."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, LargeBinary, SmallInteger, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Bytewise, Json, Key, UtcTime
from db.models import Rig, Run

KINDS = "kind IN ('calibration', 'reference-values', 'reference-check', 'gauge-study', 'type-1-study')"
STUDY_KINDS = "kind IN ('gauge-study', 'type-1-study')"
OPEN = sql("standing = 'open'")


class ProcedureRecord(Base):
    """A procedure. rig: its name at the station. cause: why it was abandoned. outcome: number of what came of it, null until done."""

    __tablename__ = "procedures"
    __table_args__ = (
        CheckConstraint(KINDS, name="kind"),
        CheckConstraint("standing IN ('open', 'done', 'abandoned')", name="standing"),
        CheckConstraint("(ended_at IS NULL) = (standing = 'open')", name="ended"),
        CheckConstraint("(outcome IS NULL) = (standing <> 'done')", name="outcome"),
        Index("uq_procedures_station_rig", "station", "rig", unique=True, sqlite_where=OPEN, postgresql_where=OPEN),
        Index(None, "kind", "id"),
        Index(None, "rig", "id"),
        Index(None, "standing", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    rig: Mapped[str]
    kind: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    firmware: Mapped[str]
    plan: Mapped[dict[str, Any]] = mapped_column(Json)
    opened_by: Mapped[str]
    opened_at: Mapped[datetime] = mapped_column(UtcTime)
    standing: Mapped[str]
    ended_at: Mapped[datetime | None] = mapped_column(UtcTime)
    cause: Mapped[str]
    outcome: Mapped[int | None] = mapped_column(BigInteger)


class ProcedureStep(Base):
    """One try of a step, never changed; the newest attempt of a position counts. figures: packed JSON."""

    __tablename__ = "procedure_steps"

    procedure_key: Mapped[int] = mapped_column(Key, ForeignKey("procedures.id", ondelete="CASCADE"), primary_key=True, autoincrement=False)
    position: Mapped[int] = mapped_column(SmallInteger, primary_key=True, autoincrement=False)
    attempt: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str]
    kept_by: Mapped[str]
    kept_at: Mapped[datetime] = mapped_column(UtcTime)
    codec: Mapped[str]
    figures: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class CalibrationRecord(Base):
    """A calibration; its id is the number that runs name. document: packed JSON."""

    __tablename__ = "calibrations"
    __table_args__ = (
        UniqueConstraint("procedure_key"),
        Index(None, "station", "rig_id", "emulated", "accepted", "id"),
        Index(None, "rig", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    procedure_key: Mapped[int] = mapped_column(Key, ForeignKey("procedures.id"))
    station: Mapped[str]
    rig: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    firmware: Mapped[str]
    accepted: Mapped[bool]
    problems: Mapped[list[str]] = mapped_column(Json)
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    valid_until: Mapped[datetime] = mapped_column(UtcTime)
    flicks_max: Mapped[int] = mapped_column(BigInteger)
    codec: Mapped[str]
    document: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class ReferenceUnitRecord(Base):
    """Values of a reference unit as found once; the newest row of a serial counts. known: stick, place, figure: [value, limit]."""

    __tablename__ = "reference_units"
    __table_args__ = (
        UniqueConstraint("procedure_key"),
        Index(None, "station", "rig_id", "emulated", "serial", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    procedure_key: Mapped[int] = mapped_column(Key, ForeignKey("procedures.id"))
    station: Mapped[str]
    serial: Mapped[str] = mapped_column(Bytewise)
    product: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    known: Mapped[dict[str, dict[str, dict[str, list[float]]]]] = mapped_column(Json)
    specification: Mapped[str]
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)


class ReferenceCheckRecord(Base):
    """A reference unit measured. deviations: [stick, place, figure, measured, reference, allowed] each, as in reference_deviations."""

    __tablename__ = "reference_checks"
    __table_args__ = (
        UniqueConstraint("procedure_key"),
        Index(None, "station", "rig_id", "emulated", "id"),
        Index(None, "rig", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    procedure_key: Mapped[int] = mapped_column(Key, ForeignKey("procedures.id"))
    station: Mapped[str]
    rig: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    firmware: Mapped[str]
    calibration: Mapped[str]
    serial: Mapped[str] = mapped_column(Bytewise)
    product: Mapped[str]
    deviations: Mapped[list[list[Any]]] = mapped_column(Json)
    within: Mapped[bool]
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)


class ReferenceDeviation(Base):
    """One figure of a check, for a chart. measured: null when it could not be measured."""

    __tablename__ = "reference_deviations"
    __table_args__ = ({"sqlite_with_rowid": False},)

    check_key: Mapped[int] = mapped_column(
        Key, ForeignKey("reference_checks.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    )
    stick: Mapped[str] = mapped_column(primary_key=True)
    place: Mapped[str] = mapped_column(primary_key=True)
    figure: Mapped[str] = mapped_column(primary_key=True)
    measured: Mapped[float | None]
    reference: Mapped[float]
    allowed: Mapped[float]


class StudyRecord(Base):
    """A gauge study or a type 1 study. document: packed JSON. peak_u_counts: null when it tells none."""

    __tablename__ = "studies"
    __table_args__ = (
        CheckConstraint(STUDY_KINDS, name="kind"),
        UniqueConstraint("procedure_key"),
        Index(None, "station", "product", "emulated", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    procedure_key: Mapped[int] = mapped_column(Key, ForeignKey("procedures.id"))
    kind: Mapped[str]
    station: Mapped[str]
    rig: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]
    product: Mapped[str]
    specification: Mapped[str]
    accepted: Mapped[bool]
    problems: Mapped[list[str]] = mapped_column(Json)
    peak_u_counts: Mapped[float | None]
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    codec: Mapped[str]
    document: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class RunHealth(Base):
    """Figures of a rig that a closed run tells by the way; null where not known. invalid: whether the run was, then it is on no chart."""

    __tablename__ = "run_health"
    __table_args__ = (Index(None, "rig_key", "invalid", "started_at"),)

    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number, ondelete="CASCADE"), primary_key=True, autoincrement=False)
    rig_key: Mapped[int] = mapped_column(Key, ForeignKey(Rig.id))
    invalid: Mapped[bool]
    started_at: Mapped[datetime] = mapped_column(UtcTime)
    push_latency_s: Mapped[float | None]
    push_jitter_s: Mapped[float | None]
    push_s: Mapped[float | None]
    release_s: Mapped[float | None]
    release_jitter_s: Mapped[float | None]
    release_speed_share_s: Mapped[float | None]
    noise_x_counts: Mapped[float | None]
    noise_y_counts: Mapped[float | None]
