"""Tables of who did what, of the chain of digests that seals it together with the runs, and of answers kept for repeated requests.

Rows of audit_entries and of chain are only ever added: the database itself refuses to change or remove one.
"""

from datetime import datetime

from sqlalchemy import DDL, BigInteger, LargeBinary, SmallInteger, UniqueConstraint, event
from sqlalchemy.orm import Mapped, mapped_column

from db.base import Base, Json, Key, UtcTime


class AuditRow(Base):
    """Something that was asked for and done, or refused. status: of the answer. asked: the request's body as far as it is kept.

    before, after: SHA-256 of what it changed, as JSON; "" where nothing was looked at. left_out: refusals just before that were not kept.
    """

    __tablename__ = "audit_entries"
    __table_args__ = ({"sqlite_autoincrement": True},)

    number: Mapped[int] = mapped_column(Key, primary_key=True)
    station: Mapped[str]
    at: Mapped[datetime] = mapped_column(UtcTime)
    who: Mapped[str]
    role: Mapped[str]
    address: Mapped[str]
    what: Mapped[str]
    status: Mapped[int] = mapped_column(SmallInteger)
    asked: Mapped[str]
    before: Mapped[str]
    after: Mapped[str]
    left_out: Mapped[int]


class ChainRow(Base):
    """One link. kind and key: what it seals; digest: of that; link: of the link before and of this row."""

    __tablename__ = "chain"
    __table_args__ = (UniqueConstraint("station", "kind", "key"),)

    station: Mapped[str] = mapped_column(primary_key=True)
    position: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    kind: Mapped[str]
    key: Mapped[int] = mapped_column(BigInteger)
    digest: Mapped[str]
    link: Mapped[str]


class ChainHead(Base):
    """Where a station's chain ends: the row that whoever adds to it holds."""

    __tablename__ = "chain_heads"

    station: Mapped[str] = mapped_column(primary_key=True)
    position: Mapped[int] = mapped_column(BigInteger)
    link: Mapped[str]


class KeptAnswer(Base):
    """The answer to a request that came with a key. digest: SHA-256 of the request. status: null until it is answered."""

    __tablename__ = "kept_answers"

    who: Mapped[str] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    digest: Mapped[str]
    at: Mapped[datetime] = mapped_column(UtcTime, index=True)
    status: Mapped[int | None] = mapped_column(SmallInteger)
    headers: Mapped[list[list[str]]] = mapped_column(Json)
    body: Mapped[bytes] = mapped_column(LargeBinary)


def _ddl(statement: str) -> DDL:
    return DDL(statement)  # type: ignore[no-untyped-call]


def _only_added(table: str) -> tuple[list[DDL], list[DDL]]:
    """What makes a database refuse UPDATE and DELETE: for SQLite, for PostgreSQL."""
    said = f"'rows of {table} are only ever added'"
    file = [
        _ddl(f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, {said}); END")
        for verb in ("UPDATE", "DELETE")
    ]
    body = f"$$ BEGIN RAISE EXCEPTION {said}; END $$"
    server = [
        _ddl(f"CREATE FUNCTION {table}_only_added() RETURNS trigger LANGUAGE plpgsql AS {body}"),
        _ddl(
            f"CREATE TRIGGER {table}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_only_added()"
        ),
    ]
    return file, server


for _table in (AuditRow.__table__, ChainRow.__table__):
    _file, _server = _only_added(str(_table.name))  # type: ignore[attr-defined]
    for _dialect, _statements in (("sqlite", _file), ("postgresql", _server)):
        for _statement in _statements:
            event.listen(_table, "after_create", _statement.execute_if(dialect=_dialect))
