"""One chain of digests per station over its closed runs and audit entries: who changes, removes or inserts a row breaks it.

Each link is the SHA-256 of the link before it and of what it seals. Links are added in the transaction of what they seal. The chain tells
of changes; it cannot prevent that someone who owns the file makes all of it anew: note its end elsewhere now and then.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from sqlalchemy import Connection, Select, func, insert, select, update
from sqlalchemy.orm import Session

from db.base import to_us
from db.models import FlickBlock, GroupResult, Rig, Run, RunReason, Specification, StickResult, TraceBlock, Unit
from db.models_audit import ChainHead, ChainRow

NO_LINK: Final = "0" * 64  # before the first
BLOCKS: Final = {StickResult: "detail", FlickBlock: "data", TraceBlock: "data"}  # bytes that a digest of their own stands for
PARTS: Final = (RunReason, StickResult, GroupResult, FlickBlock, TraceBlock)


class Kind(StrEnum):
    """What a link seals. BEGIN: how many closed runs there were before the chain; its key is the highest number of them."""

    BEGIN = "begin"
    RUN = "run"
    AUDIT = "audit"


def digest_of(value: Any) -> str:
    """SHA-256 (hex) of a value as sorted compact JSON; instants as whole microseconds since 1970."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, default=_plain)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def link_of(before: str, position: int, kind: str, key: int, digest: str) -> str:
    """A link: the one before, and what stands in its own row."""
    return digest_of([before, position, kind, key, digest])


def seal_run(session: Session, station: str, number: int) -> None:
    """Add a run that was closed in this transaction."""
    digest = run_digest(session.connection(), number)
    assert digest is not None
    _append(session, station, Kind.RUN, number, digest)


def seal_entry(session: Session, station: str, number: int, row: Mapping[str, Any]) -> None:
    """Add an audit entry that was written in this transaction."""
    _append(session, station, Kind.AUDIT, number, entry_digest(number, row))


def entry_digest(number: int, row: Mapping[str, Any]) -> str:
    """Of every column of an audit entry."""
    return digest_of({**row, "number": number})


def run_digest(connection: Connection, number: int) -> str | None:
    """Of a run with everything it rests on: its row, unit, rig, specification, reasons, figures, and the digests of its blocks.

    None for a run that is not there.
    """
    head = connection.execute(_run(number)).mappings().one_or_none()
    if head is None:
        return None
    parts = {table.__tablename__: [list(row) for row in connection.execute(_part(table, number))] for table in PARTS}
    return digest_of({"run": dict(head), **parts})


def unsealed(connection: Connection, station: str) -> Sequence[int]:
    """Closed runs of a station that no link seals, by number."""
    sealed = select(ChainRow.key).where(ChainRow.station == station, ChainRow.kind == Kind.RUN.value)
    query = select(Run.number).where(Run.station == station, Run.verdict.is_not(None), Run.number.not_in(sealed))
    return connection.execute(query.order_by(Run.number)).scalars().all()


def begin_digest(station: str, highest: int, count: int) -> str:
    """What the first link of a chain seals."""
    return digest_of([station, highest, count])


def _append(session: Session, station: str, kind: Kind, key: int, digest: str) -> None:
    held = select(ChainHead.position, ChainHead.link).where(ChainHead.station == station).with_for_update()
    head = session.execute(held).one_or_none()
    position, link = _begin(session, station, key if kind is Kind.RUN else 0) if head is None else (head.position, head.link)
    position, link = _add(session, station, (position, link), kind, key, digest)
    session.execute(update(ChainHead).where(ChainHead.station == station).values(position=position, link=link))


def _begin(session: Session, station: str, but: int) -> tuple[int, str]:
    before = select(func.count(), func.max(Run.number)).where(Run.station == station, Run.verdict.is_not(None), Run.number != but)
    count, highest = session.execute(before).one()
    place = _add(session, station, (0, NO_LINK), Kind.BEGIN, highest or 0, begin_digest(station, highest or 0, count))
    session.execute(insert(ChainHead).values(station=station, position=place[0], link=place[1]))
    return place


def _add(session: Session, station: str, before: tuple[int, str], kind: Kind, key: int, digest: str) -> tuple[int, str]:
    position = before[0] + 1
    link = link_of(before[1], position, kind.value, key, digest)
    row = {"station": station, "position": position, "kind": kind.value, "key": key, "digest": digest, "link": link}
    session.execute(insert(ChainRow).values(row))
    return position, link


def _run(number: int) -> Select[Any]:
    rests_on = (Unit.serial, Rig.rig_id.label("rig_id"), Specification.digest.label("specification"))
    query = select(Run.__table__, *rests_on).join(Unit, Unit.id == Run.unit_key).join(Rig, Rig.id == Run.rig_key)
    return query.join(Specification, Specification.id == Run.specification_key).where(Run.number == number)


def _part(table: Any, number: int) -> Select[Any]:
    columns = [column for column in table.__table__.columns if column.name != BLOCKS.get(table)]
    return select(*columns).where(table.run_number == number).order_by(*table.__table__.primary_key.columns)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return to_us(value)
    raise TypeError(f"{type(value).__name__} has no place in a digest")
