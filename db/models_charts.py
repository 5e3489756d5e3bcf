"""Tables of control charts: the order of units in product and lot, and what was said of charts and their points."""

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Json, Key, UtcTime
from db.models import Run, Unit


class FirstRun(Base):
    """The first decided run of a unit at a station, and its place among those of its product and of its lot there.

    Places count from 1 in the order of closing and never change, so that a point made of so many units in a row stays what it was.
    continues: the run whose passed groups this one stands on, 0 for a whole test.
    """

    __tablename__ = "first_runs"
    __table_args__ = (
        UniqueConstraint("station", "unit_key", "emulated"),
        UniqueConstraint("station", "product", "emulated", "place_in_product", name="uq_first_runs_place_in_product"),
        UniqueConstraint("station", "product", "lot", "emulated", "place_in_lot", name="uq_first_runs_place_in_lot"),
    )

    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number, ondelete="CASCADE"), primary_key=True, autoincrement=False)
    unit_key: Mapped[int] = mapped_column(Key, ForeignKey(Unit.id))
    station: Mapped[str]
    product: Mapped[str]
    lot: Mapped[str]
    emulated: Mapped[bool]
    failed: Mapped[bool]
    continues: Mapped[int] = mapped_column(BigInteger)
    ended_at: Mapped[datetime] = mapped_column(UtcTime)
    place_in_product: Mapped[int] = mapped_column(BigInteger)
    place_in_lot: Mapped[int] = mapped_column(BigInteger)


class UnitCount(Base):
    """How many places of a product, or of one of its lots, are taken."""

    __tablename__ = "unit_counts"
    __table_args__ = (CheckConstraint("scope IN ('lot', 'product')", name="scope"),)

    station: Mapped[str] = mapped_column(primary_key=True)
    product: Mapped[str] = mapped_column(primary_key=True)
    scope: Mapped[str] = mapped_column(primary_key=True)
    lot: Mapped[str] = mapped_column(primary_key=True)
    emulated: Mapped[bool] = mapped_column(primary_key=True)
    units: Mapped[int] = mapped_column(BigInteger)


class Chart(Base):
    """A chart of which something was said. rig_id, emulated: whose points it showed then; another machine's are another row."""

    __tablename__ = "charts"
    __table_args__ = (UniqueConstraint("station", "what", "rig", "product", "lot", "figure", "rig_id", "emulated", name="uq_charts_key"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    what: Mapped[str]
    rig: Mapped[str]
    product: Mapped[str]
    lot: Mapped[str]
    figure: Mapped[str]
    rig_id: Mapped[str]
    emulated: Mapped[bool]


class ChartBaseline(Base):
    """Limits frozen from the points first to last. The newest row of a chart counts; none is changed."""

    __tablename__ = "chart_baselines"
    __table_args__ = (Index(None, "chart_key", "id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    chart_key: Mapped[int] = mapped_column(Key, ForeignKey("charts.id"))
    first: Mapped[str]
    last: Mapped[str]
    limits: Mapped[dict[str, Any]] = mapped_column(Json)
    rules: Mapped[list[str]] = mapped_column(Json)
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)


class ChartSignal(Base):
    """A rule that fired at a point, once."""

    __tablename__ = "chart_signals"
    __table_args__ = (UniqueConstraint("chart_key", "point", "rule"), Index(None, "chart_key", "id"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    chart_key: Mapped[int] = mapped_column(Key, ForeignKey("charts.id"))
    point: Mapped[str]
    rule: Mapped[str]
    points: Mapped[list[str]] = mapped_column(Json)
    sentence: Mapped[str]
    seen_at: Mapped[datetime] = mapped_column(UtcTime)


class ChartNote(Base):
    """What a person found and did about a point; none is changed."""

    __tablename__ = "chart_notes"
    __table_args__ = (Index(None, "chart_key", "point", "id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    chart_key: Mapped[int] = mapped_column(Key, ForeignKey("charts.id"))
    point: Mapped[str]
    cause: Mapped[str]
    action: Mapped[str]
    made_by: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(UtcTime)
