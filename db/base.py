"""Column types and names shared by every table."""

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import JSON, BigInteger, Dialect, Integer, MetaData, String, TypeDecorator
from sqlalchemy.orm import DeclarativeBase

from station.errors import UsageError

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
"""Every constraint has a name from the first migration on, so that a later one can find and change it."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)

RUN_NUMBER_MAX = 2**32 - 1
"""The rig link carries the run number in four bytes."""

Key = BigInteger().with_variant(Integer, "sqlite")
"""A key the database counts up by itself; SQLite does so only for a column declared INTEGER."""

Json = JSON(none_as_null=True)

Bytewise = String().with_variant(String(collation="C"), "postgresql")
"""Text that every database orders by code point, so that a prefix is a range of an index and pages follow one order."""


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMES)


def to_us(at: datetime) -> int:
    """Whole microseconds since 1970-01-01T00:00:00Z. Raises UsageError for a time without a zone."""
    if at.tzinfo is None:
        raise UsageError(f"time {at.isoformat()} has no zone; expected UTC, as in 2026-11-25T07:30:00Z")
    return (at - EPOCH) // MICROSECOND


def from_us(us: int) -> datetime:
    """The UTC time of a count of microseconds since 1970."""
    return EPOCH + us * MICROSECOND


class UtcTime(TypeDecorator[datetime]):
    """An instant, kept as whole microseconds since 1970 UTC: exact, small, and ordered alike in every database."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:
        return None if value is None else to_us(value)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        return None if value is None else from_us(int(value))
