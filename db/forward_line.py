"""The line database as a station writes it: records that come from one station, several in one transaction, each once by its key.

One transaction at a time, whichever station it is of: units are shared, and two that take them in another order would lock each other out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Engine, exists, inspect, select, text
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.orm import Session

from db.engine import Role, make_engine, parse_url, place_of
from db.forward_apply import take
from db.forward_records import Record
from db.line_numbers import NUMBERS_MAX, PLACES_MAX
from db.models import Run
from db.models_line import LineRecord, LineStation, OutboxOrigin
from db.outbox import CHANGING
from db.revisions import head
from db.trouble import translated
from station.errors import SchemaMismatch, StoreError
from station.ports.line import Waiting

SERVER_LIMITS: Final = ("lock_timeout = '20s'", "statement_timeout = '60s'", "idle_in_transaction_session_timeout = '30s'")
"""A station that vanished in mid-transaction lets the others go on after this. Chosen: a batch takes well under a second."""

CLIENT_LIMITS: Final = {"connect_timeout": "5", "tcp_user_timeout": "20000", "keepalives_idle": "10"}
"""How long the station's side waits for a silent server (libpq's words: s, ms, s). Chosen: longer than a busy server's pause."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Who sends: a station by its name, and its database by what it was given when it was made."""

    name: str
    identity: str


class LineDatabase:
    """Used by one thread at a time. Opens nothing until something is sent."""

    def __init__(self, url: str) -> None:
        address = parse_url(url)
        self.place = place_of(address)
        self._engine: Engine = make_engine(
            address if address.get_backend_name() == "sqlite" else address.update_query_dict(CLIENT_LIMITS), Role.WRITE
        )
        self._revision = head()

    def take(self, origin: Origin, records: Sequence[Record], waiting: Waiting, at: datetime) -> dict[int, str]:
        """Write records in their order, or find that they are there; say which were refused and why, by their index among them.

        waiting: what the station had to send before this. Raises StoreError when nothing was written at all: StoreUnavailable when the
        line is away, SchemaMismatch when it has another revision.
        """
        try:
            with translated(self.place), Session(self._engine, expire_on_commit=False) as session, session.begin():
                self._begin(session)
                station = self._station(session, origin, at)
                refused = {index: why for index, one in enumerate(records) if (why := self._one(session, station.id, one, at))}
                station.name, station.heard_at = origin.name, at
                station.waiting = waiting.count - len(records) + len(refused)
                station.refused = waiting.refused + len(refused)
            return refused
        except StoreError:
            self._engine.dispose()
            raise

    def close(self) -> None:
        self._engine.dispose()

    def _begin(self, session: Session) -> None:
        connection = session.connection()
        if connection.dialect.name == "postgresql":
            for limit in SERVER_LIMITS:
                session.execute(text(f"SET LOCAL {limit}"))
        found = ""
        if inspect(connection).has_table("alembic_version"):
            found = str(session.scalar(text("SELECT version_num FROM alembic_version")) or "")
        if found != self._revision:
            raise SchemaMismatch(
                f"line database {self.place} has schema revision {found or 'none'}, this station sends {self._revision}: nothing is sent; "
                "run `restpoint db upgrade --database URL` of the newer program for both",
                place=self.place,
                found=found,
                expected=self._revision,
            )
        if connection.dialect.name == "postgresql":
            session.execute(text("LOCK TABLE line_stations IN EXCLUSIVE MODE"))

    def _station(self, session: Session, origin: Origin, at: datetime) -> LineStation:
        """The station's row; a new one is given the next place. Raises StoreError when it may not join."""
        known = session.scalar(select(LineStation).filter_by(identity=origin.identity))
        named = session.scalar(select(LineStation).filter_by(name=origin.name))
        if named is not None and named is not known:
            raise self._refusal(
                f"knows a station {origin.name} with another database: two stations have one name, or this one was set up anew; "
                "expected a name of its own (station.name) for each database"
            )
        if known is not None:
            return known
        self._require_line(session, origin)
        place = max(session.scalars(select(LineStation.id)).all(), default=0) + 1
        if place > PLACES_MAX:
            raise self._refusal(f"has {PLACES_MAX} stations: no place is left")
        made = LineStation(id=place, name=origin.name, identity=origin.identity, joined_at=at, heard_at=at, waiting=0, refused=0)
        session.add(made)
        session.flush()
        return made

    def _require_line(self, session: Session, origin: Origin) -> None:
        if session.scalar(select(OutboxOrigin.identity)) == origin.identity:
            raise self._refusal("is the station's own; expected one that the line has to itself")
        if session.scalar(select(exists().where(Run.number < NUMBERS_MAX))):
            raise self._refusal("is the database of a station, with runs of its own; expected one that the line has to itself")

    def _one(self, session: Session, place: int, record: Record, at: datetime) -> str:
        """Why a record was refused, "" when it is on the line now."""
        try:
            with translated(self.place), session.begin_nested():
                _take_once(session, place, record, at)
        except StoreError as problem:
            if not (problem.facts.get("refused") or isinstance(problem.__cause__, IntegrityError | DataError)):
                raise
            return f"{record.kind} {record.number}: {problem.message}"
        return ""

    def _refusal(self, what: str) -> StoreError:
        return StoreError(f"line database {self.place} {what}: nothing is sent", place=self.place, lasting=True)


def _take_once(session: Session, place: int, record: Record, at: datetime) -> None:
    digest = record.sha256()
    key: dict[str, Any] = {"station_key": place, "kind": record.kind.value, "number": record.number}
    known = session.get(LineRecord, (place, record.kind.value, record.number))
    if known is not None and known.sha256 == digest:
        return
    if known is not None and record.kind not in CHANGING:
        raise StoreError(
            f"it is on the line already with other content (came {known.came_at.isoformat()}); expected the same: was this station's "
            "database restored from a backup, so that it gave its numbers out again?",
            refused=True,
        )
    take(session, place, record, again=known is not None)
    if known is None:
        session.add(LineRecord(**key, sha256=digest, came_at=at))
    else:
        known.sha256, known.came_at = digest, at
    session.flush()
