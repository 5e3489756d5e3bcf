"""Tables of a line of stations: what a station has yet to send, and, on the line's side, who sends and what came.

Every database has all of them: a station's own has an outbox, a line database has stations and records. docs/decisions/0012 tells more.
"""

from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, SmallInteger, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Key, UtcTime


class OutboxOrigin(Base):
    """One row: which database this is, and whether it keeps an outbox. identity: random, made with the table."""

    __tablename__ = "outbox_origin"

    id: Mapped[int] = mapped_column(SmallInteger, primary_key=True, autoincrement=False)
    identity: Mapped[str]
    keeps: Mapped[bool]


class OutboxEntry(Base):
    """Something to be sent as it will be when it is sent: its kind and its own number. id: place in the order of sending.

    What changes again before it was sent has one entry, the newest. refusal: why the line did not take it, "" while it waits.
    """

    __tablename__ = "outbox"
    __table_args__ = (
        UniqueConstraint("kind", "number"),
        Index(None, "refusal", "id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str]
    number: Mapped[int] = mapped_column(BigInteger)
    put_at: Mapped[datetime] = mapped_column(UtcTime)
    refusal: Mapped[str]


class LineStation(Base):
    """A station of the line, known by its database. id: its place, which leads all its numbers here.

    waiting, refused: what it had yet to send when last heard.
    """

    __tablename__ = "line_stations"
    __table_args__ = (UniqueConstraint("name"), UniqueConstraint("identity"), {"sqlite_autoincrement": True})

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    name: Mapped[str]
    identity: Mapped[str]
    joined_at: Mapped[datetime] = mapped_column(UtcTime)
    heard_at: Mapped[datetime] = mapped_column(UtcTime)
    waiting: Mapped[int] = mapped_column(BigInteger)
    refused: Mapped[int] = mapped_column(BigInteger)


class LineRecord(Base):
    """Something that came from a station: once, whatever happens. sha256: of its content in the station's own numbers."""

    __tablename__ = "line_records"
    __table_args__ = ({"sqlite_with_rowid": False},)

    station_key: Mapped[int] = mapped_column(Key, ForeignKey("line_stations.id"), primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    sha256: Mapped[str]
    came_at: Mapped[datetime] = mapped_column(UtcTime)
