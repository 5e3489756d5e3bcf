"""Times at the door: RFC 3339, UTC, `Z`, milliseconds."""

from datetime import UTC, datetime
from typing import Annotated

from pydantic import PlainSerializer, WithJsonSchema


def rfc3339(at: datetime) -> str:
    """2026-11-25T07:30:00.000Z; a time without zone is taken as UTC, as the database keeps it."""
    aware = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return aware.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


Instant = Annotated[datetime, PlainSerializer(rfc3339, return_type=str), WithJsonSchema({"type": "string", "format": "date-time"})]
