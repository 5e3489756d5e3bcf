"""Tables of the rework loop: which runs were followed up, orders and their tries, advice, the ledger, and what it taught."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, ForeignKeyConstraint, Index, LargeBinary, SmallInteger, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Bytewise, Json, Key, UtcTime
from db.models import Run, Specification, Unit

STATES = "state IN ('open', 'fitted', 'retested', 'closed', 'scrapped', 'withdrawn')"
ENDED = "(closed_at IS NULL) = (state IN ('open', 'fitted', 'retested'))"
COMPUTED = "('waiting', 'pending', 'made', 'failed')"
ONE_ORDER = sql("closed_at IS NULL")


class FollowedRun(Base):
    """A closed run whose meaning for the rework of its unit has been settled. order_key: the order it concerns, null if none."""

    __tablename__ = "followed_runs"

    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number, ondelete="CASCADE"), primary_key=True, autoincrement=False)
    meaning: Mapped[str]
    order_key: Mapped[int | None] = mapped_column(Key, ForeignKey("rework_orders.id"))


class ReworkOrder(Base):
    """A failed unit's way back. Product, lot and serial are copied, so that lists by them stay quick. tries: number of the newest one.

    note: what was last said of it, such as why a run left it as it is. closing: why it ended.
    """

    __tablename__ = "rework_orders"
    __table_args__ = (
        CheckConstraint(STATES, name="state"),
        CheckConstraint(ENDED, name="ended"),
        Index("uq_rework_orders_station_unit_key", "station", "unit_key", unique=True, sqlite_where=ONE_ORDER, postgresql_where=ONE_ORDER),
        Index(None, "state", "id"),
        Index(None, "product", "id"),
        Index(None, "lot", "id"),
        Index(None, "serial", "id"),
        Index(None, "failing_run", "state", "tries"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    unit_key: Mapped[int] = mapped_column(Key, ForeignKey(Unit.id))
    serial: Mapped[str] = mapped_column(Bytewise)
    product: Mapped[str]
    lot: Mapped[str]
    emulated: Mapped[bool]
    specification_key: Mapped[int] = mapped_column(Key, ForeignKey(Specification.id))
    failing_run: Mapped[int] = mapped_column(Key, ForeignKey(Run.number))
    state: Mapped[str]
    tries: Mapped[int] = mapped_column(SmallInteger)
    tries_max: Mapped[int] = mapped_column(SmallInteger)
    note: Mapped[str]
    opened_at: Mapped[datetime] = mapped_column(UtcTime)
    changed_at: Mapped[datetime] = mapped_column(UtcTime)
    closed_at: Mapped[datetime | None] = mapped_column(UtcTime)
    closed_by: Mapped[str]
    closing: Mapped[str]


class ReworkTry(Base):
    """One try of an order: advice from a run, parts, retest, what the retest shows.

    advice, retest_check: waiting, pending, made or failed; the sentences say why they failed. steps: what the technician was told.
    findings: of the check, by "stick axis".
    """

    __tablename__ = "rework_tries"
    __table_args__ = (
        CheckConstraint(f"advice IN {COMPUTED}", name="advice"),
        CheckConstraint(f"retest_check IN {COMPUTED}", name="retest_check"),
        Index(None, "advice"),
        Index(None, "retest_check"),
    )

    order_key: Mapped[int] = mapped_column(Key, ForeignKey("rework_orders.id", ondelete="CASCADE"), primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(SmallInteger, primary_key=True, autoincrement=False)
    advice_run: Mapped[int] = mapped_column(Key, ForeignKey(Run.number))
    advice: Mapped[str]
    advice_sentence: Mapped[str]
    advice_at: Mapped[datetime | None] = mapped_column(UtcTime)
    steps: Mapped[list[dict[str, Any]]] = mapped_column(Json)
    retest_run: Mapped[int | None] = mapped_column(Key, ForeignKey(Run.number))
    retest_check: Mapped[str]
    check_sentence: Mapped[str]
    findings: Mapped[dict[str, Any]] = mapped_column(Json)
    outcome: Mapped[str]


class ReworkPart(Base):
    """The part that a try put on an axis, and what was typed or scanned."""

    __tablename__ = "rework_parts"
    __table_args__ = (
        CheckConstraint("axis IN ('x', 'y')", name="axis"),
        ForeignKeyConstraint(["order_key", "try_number"], ["rework_tries.order_key", "rework_tries.number"], ondelete="CASCADE"),
    )

    order_key: Mapped[int] = mapped_column(Key, primary_key=True, autoincrement=False)
    try_number: Mapped[int] = mapped_column(SmallInteger, primary_key=True, autoincrement=False)
    stick: Mapped[str] = mapped_column(primary_key=True)
    axis: Mapped[str] = mapped_column(primary_key=True)
    farads: Mapped[float]
    text: Mapped[str]
    fitted_by: Mapped[str]
    fitted_at: Mapped[datetime] = mapped_column(UtcTime)


class Advice(Base):
    """The advice document of one stick of a run, packed JSON. source: whose figure of the source resistance it used."""

    __tablename__ = "advices"

    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number, ondelete="CASCADE"), primary_key=True, autoincrement=False)
    stick: Mapped[str] = mapped_column(primary_key=True)
    source: Mapped[str]
    software: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    codec: Mapped[str]
    document: Mapped[bytes] = mapped_column(LargeBinary)
    sha256: Mapped[str]


class LedgerEntry(Base):
    """Prediction and outcome of one axis of a retest. document: the whole comparison."""

    __tablename__ = "ledger"
    __table_args__ = (
        UniqueConstraint("order_key", "try_number", "stick", "axis"),
        Index(None, "product", "lot", "emulated", "id"),
        Index(None, "lot", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    order_key: Mapped[int] = mapped_column(Key, ForeignKey("rework_orders.id"))
    try_number: Mapped[int] = mapped_column(SmallInteger)
    stick: Mapped[str]
    axis: Mapped[str]
    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number))
    product: Mapped[str]
    lot: Mapped[str]
    emulated: Mapped[bool]
    farads: Mapped[float]
    predicted_counts: Mapped[float | None]
    measured_counts: Mapped[float | None]
    finding: Mapped[str]
    source: Mapped[str]
    document: Mapped[dict[str, Any]] = mapped_column(Json)
    made_at: Mapped[datetime] = mapped_column(UtcTime)


class SourceEstimate(Base):
    """A version of a lot's effective source resistance, or of a whole product's. last_entry: the newest ledger entry that it knows."""

    __tablename__ = "source_estimates"
    __table_args__ = (CheckConstraint("scope IN ('lot', 'product')", name="scope"),)

    product: Mapped[str] = mapped_column(primary_key=True)
    scope: Mapped[str] = mapped_column(primary_key=True)
    lot: Mapped[str] = mapped_column(primary_key=True)
    emulated: Mapped[bool] = mapped_column(primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    last_entry: Mapped[int] = mapped_column(BigInteger)
    digest: Mapped[str]
    name: Mapped[str]
    retests: Mapped[int]
    ohm: Mapped[float]
    tolerance: Mapped[float]
    used: Mapped[bool]
    document: Mapped[dict[str, Any]] = mapped_column(Json)
    made_at: Mapped[datetime] = mapped_column(UtcTime)
