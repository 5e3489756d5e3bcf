"""The outbox of a station: what its line database has yet to get, written in the transaction of what it tells of.

An entry names a thing, not its content: it is sent as it stands when it is sent. What changes again meanwhile moves to the end, so that
whatever an entry refers to stands before it. Nothing is put until somebody asks for a line (`keep_outbox`): a station alone pays nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, Select, delete, func, insert, literal, select, update
from sqlalchemy.orm import Session

from db.base import UtcTime
from db.engine import Database
from db.models import FittedPart, Run
from db.models_charts import Chart
from db.models_line import OutboxEntry, OutboxOrigin
from db.models_proof import ProcedureRecord
from db.models_rework import Advice, ReworkOrder
from station.ports.line import Waiting


class Kind(StrEnum):
    """What is sent as one. UNIT: the parts ever fitted in it; its runs are sent one by one. PROCEDURE: one that has ended."""

    RUN = "run"
    UNIT = "unit"
    ORDER = "order"
    ADVICE = "advice"
    PROCEDURE = "procedure"
    CHART = "chart"


CHANGING = (Kind.UNIT, Kind.ORDER, Kind.ADVICE, Kind.CHART)
COLUMNS = ("kind", "number", "put_at", "refusal")


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to send. place: in the order of sending."""

    place: int
    kind: Kind
    number: int


def put(session: Session, kind: Kind, number: int, at: datetime) -> None:
    """Have a thing sent as it is after this transaction. Nothing where no outbox is kept."""
    if kind in CHANGING:
        session.execute(delete(OutboxEntry).where(OutboxEntry.kind == kind.value, OutboxEntry.number == number))
    one = select(literal(kind.value), literal(number), literal(at, UtcTime()), literal("")).where(OutboxOrigin.keeps)
    session.execute(insert(OutboxEntry).from_select(COLUMNS, one))


def keep_outbox(database: Database, at: datetime) -> bool:
    """From now on keep what the line has yet to get, beginning with all that is there. False when it is kept already. Raises StoreError."""

    def work(session: Session, _again: bool) -> bool:
        begun = update(OutboxOrigin).where(~OutboxOrigin.keeps).values(keeps=True).returning(OutboxOrigin.id)
        if session.execute(begun).scalar_one_or_none() is None:
            return False
        for kind, numbers in _everything().items():
            some = numbers.subquery()
            columns = (literal(kind.value), some.c.number, literal(at, UtcTime()), literal(""))
            session.execute(insert(OutboxEntry).from_select(COLUMNS, select(*columns).order_by(some.c.number)))
        return True

    return database.write(work)


def identity(connection: Connection) -> str:
    """Which database this is: random, made once."""
    return connection.execute(select(OutboxOrigin.identity)).scalar_one()


def keeps(connection: Connection) -> bool:
    """Whether an outbox is kept."""
    return connection.execute(select(OutboxOrigin.keeps)).scalar_one()


def heads(connection: Connection, most: int) -> Sequence[Entry]:
    """What is to be sent next, in order."""
    query = select(OutboxEntry.id, OutboxEntry.kind, OutboxEntry.number).where(OutboxEntry.refusal == "").order_by(OutboxEntry.id)
    return [Entry(place, Kind(kind), number) for place, kind, number in connection.execute(query.limit(most))]


def waiting(connection: Connection) -> Waiting:
    """How much has not been sent."""
    count, oldest = connection.execute(select(func.count(), func.min(OutboxEntry.put_at))).one()
    refused, first = connection.execute(
        select(func.count(), func.min(OutboxEntry.id)).select_from(OutboxEntry).where(OutboxEntry.refusal > "")
    ).one()
    sentence = connection.execute(select(OutboxEntry.refusal).where(OutboxEntry.id == first)).scalar_one_or_none()
    return Waiting(count, oldest, refused, sentence or "")


def by_kind(connection: Connection) -> dict[str, int]:
    """How many wait of each kind."""
    query = select(OutboxEntry.kind, func.count().label("entries")).group_by(OutboxEntry.kind).order_by(OutboxEntry.kind)
    return {row.kind: row.entries for row in connection.execute(query)}


def settle(database: Database, sent: Sequence[int], refused: Mapping[int, str]) -> None:
    """Forget entries that the line has, by their places; keep aside those that it refused, each with its sentence. Raises StoreError."""

    def work(session: Session, _again: bool) -> None:
        if sent:
            session.execute(delete(OutboxEntry).where(OutboxEntry.id.in_(sent)))
        for place, sentence in refused.items():
            session.execute(update(OutboxEntry).where(OutboxEntry.id == place).values(refusal=sentence))

    if sent or refused:
        database.write(work)


def try_again(database: Database) -> None:
    """Let everything that was refused be sent once more, in its old place. Raises StoreError."""
    database.write(lambda session, _again: session.execute(update(OutboxEntry).where(OutboxEntry.refusal > "").values(refusal="")))


def _everything() -> dict[Kind, Select[Any]]:
    """Numbers of all that a line gets, in the order in which it is to get them: what others refer to first."""
    ended = select(ProcedureRecord.id.label("number")).where(ProcedureRecord.ended_at.is_not(None))
    return {
        Kind.PROCEDURE: ended,
        Kind.RUN: select(Run.number.label("number")).where(Run.verdict.is_not(None)),
        Kind.UNIT: select(FittedPart.unit_key.label("number")).distinct(),
        Kind.ADVICE: select(Advice.run_number.label("number")).distinct(),
        Kind.ORDER: select(ReworkOrder.id.label("number")),
        Kind.CHART: select(Chart.id.label("number")),
    }
