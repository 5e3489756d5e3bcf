"""Tables that answer questions of yield: narrow rows beside the runs, kept in the transaction that closes a run (db.yield_keeping).

They say nothing that runs, their groups and their sticks do not say: db.yield_check compares. docs/decisions/0011 tells why they are here.
"""

from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Key, UtcTime
from db.models import Run, Specification, Unit

KEYS = ("emulated", "started_at", "run_number", "kind_key")
FAILED = sql("verdict = 'fail'")
STANDING = sql("newest AND verdict = 'fail'")


class YieldKind(Base):
    """Everything a report can be split or filtered by, once for the many runs that share it."""

    __tablename__ = "yield_kinds"
    __table_args__ = (
        UniqueConstraint("station", "product", "specification_key", "lot", "rig", "operator", "emulated", name="uq_yield_kinds_key"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    product: Mapped[str]
    specification_key: Mapped[int] = mapped_column(Key, ForeignKey(Specification.id))
    lot: Mapped[str]
    rig: Mapped[str]
    operator: Mapped[str]
    emulated: Mapped[bool]


class YieldRun(Base):
    """A closed run. first, newest: of its unit's decided runs, real and emulated ones apart.

    failed_groups, open_groups: of a failed run, the groups that failed and those that were not decided, as in "main x+,main y-".
    final_passed, final_groups: on the first decided run alone, of the newest one: whether it passed, and which groups it did not.
    """

    __tablename__ = "yield_runs"
    __table_args__ = (
        Index(None, "run_number", unique=True),
        Index(
            "ix_yield_runs_failed", *KEYS, "unit_key", "first", "failed_groups", "open_groups", sqlite_where=FAILED, postgresql_where=FAILED
        ),
        Index("ix_yield_runs_standing", *KEYS, sqlite_where=STANDING, postgresql_where=STANDING),
        {"sqlite_with_rowid": False},
    )

    emulated: Mapped[bool] = mapped_column(primary_key=True)
    started_at: Mapped[datetime] = mapped_column(UtcTime, primary_key=True)
    run_number: Mapped[int] = mapped_column(Key, ForeignKey(Run.number, ondelete="CASCADE"), primary_key=True)
    kind_key: Mapped[int] = mapped_column(Key, ForeignKey(YieldKind.id))
    unit_key: Mapped[int] = mapped_column(Key, ForeignKey(Unit.id))
    verdict: Mapped[str]
    first: Mapped[bool]
    newest: Mapped[bool]
    final_passed: Mapped[bool]
    failed_groups: Mapped[str]
    open_groups: Mapped[str]
    final_groups: Mapped[str]


class YieldFigure(Base):
    """Sums of one figure over the first decided runs of a kind that began on one UTC day. day: whole days since 1970.

    units: first runs with a value of it. total, squares: sum of the values and of their squares.
    """

    __tablename__ = "yield_figures"
    __table_args__ = ({"sqlite_with_rowid": False},)

    day: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind_key: Mapped[int] = mapped_column(Key, ForeignKey(YieldKind.id), primary_key=True, autoincrement=False)
    figure: Mapped[str] = mapped_column(primary_key=True)
    units: Mapped[int] = mapped_column(BigInteger)
    count: Mapped[int] = mapped_column(BigInteger)
    total: Mapped[float]
    squares: Mapped[float]
