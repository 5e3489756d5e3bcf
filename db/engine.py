"""Connections. The one module that knows what is particular to SQLite; PostgreSQL needs nothing of its own beyond its address.

SQLite: one writer that begins with BEGIN IMMEDIATE behind a lock of this process, so that writers queue here and not in SQLite's sleeping
busy handler; readers on connections that cannot write, with plain BEGIN; write-ahead log, every commit synced (FULL).
"""

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session
from sqlalchemy.pool import NullPool, QueuePool

from db.trouble import translated, worth_another_try
from station.errors import StoreError, StoreUnavailable, UsageError

BUSY_TIMEOUT_MS = 5000
"""Longest wait for another program's write. Chosen: longer than any transaction of ours by a factor of a hundred."""

LOCK_TIMEOUT_S = 15.0
"""Longest wait for another thread's write: it may itself wait twice for BUSY_TIMEOUT_MS."""

JOURNAL_LIMIT_BYTES = 64 * 1024 * 1024
"""The log file is cut to this after a checkpoint. Chosen: some hundred runs with traces."""

READERS = 8
"""Reading connections at once; further readers queue."""

T = TypeVar("T")


class Role(Enum):
    """What a connection is for: writing, reading, changing the schema, or looking at a file that may be anything."""

    WRITE = "write"
    READ = "read"
    MIGRATE = "migrate"
    LOOK = "look"


def parse_url(url: str) -> URL:
    """Address of a database: `sqlite:///file`, `postgresql://...`, or the bare name of a SQLite file. Raises UsageError."""
    try:
        parsed = make_url(url) if "://" in url else URL.create("sqlite", database=url)
    except ArgumentError as problem:
        raise UsageError(f"database: {url!r} is no address; expected sqlite:///FILE or postgresql://USER@HOST/NAME") from problem
    backend = parsed.get_backend_name()
    if backend not in ("sqlite", "postgresql"):
        raise UsageError(f"database: {backend!r} is not supported; expected sqlite:///FILE or postgresql://USER@HOST/NAME")
    if backend == "sqlite" and (parsed.database or ":memory:").startswith((":memory:", "file:")):
        raise UsageError("database: a station keeps its results in a file; expected sqlite:///FILE")
    return parsed.set(drivername="postgresql+psycopg") if parsed.drivername == "postgresql" else parsed


def file_of(url: URL) -> Path | None:
    """The file of a SQLite address, None for a server."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def place_of(url: URL) -> str:
    """How messages name the database: its file, or its address without the password."""
    file = file_of(url)
    return str(file) if file else url.render_as_string(hide_password=True)


def make_engine(url: URL, role: Role) -> Engine:
    """Engine for one kind of use. Nothing is opened yet."""
    if url.get_backend_name() == "sqlite":
        return _sqlite_engine(url, role)
    if role in (Role.MIGRATE, Role.LOOK):
        return create_engine(url, poolclass=NullPool)
    options = "-c default_transaction_read_only=on" if role is Role.READ else ""
    return create_engine(url, poolclass=QueuePool, pool_size=READERS, pool_pre_ping=True, connect_args={"options": options})


def _sqlite_engine(url: URL, role: Role) -> Engine:
    if role is Role.LOOK:
        address = URL.create("sqlite", database=Path(url.database or "").resolve().as_uri(), query={"mode": "ro", "uri": "true"})
        engine = create_engine(address, poolclass=NullPool)
    elif role is Role.MIGRATE:
        engine = create_engine(url, poolclass=NullPool)
    else:
        size = 1 if role is Role.WRITE else READERS
        engine = create_engine(url, poolclass=QueuePool, pool_size=size, max_overflow=0, pool_timeout=LOCK_TIMEOUT_S)
    begin = "BEGIN IMMEDIATE" if role in (Role.WRITE, Role.MIGRATE) else "BEGIN"

    def on_connect(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # the driver opens no transaction of its own; the begin hook does
        for statement in _pragmas(role):
            connection.execute(statement).close()

    def on_begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    event.listen(engine, "connect", on_connect)
    event.listen(engine, "begin", on_begin)
    return engine


def _pragmas(role: Role) -> tuple[str, ...]:
    common = (f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}",)
    if role is Role.LOOK:
        return common
    keys = "OFF" if role is Role.MIGRATE else "ON"  # a table rebuilt under ON would take its children along
    durable = ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL", f"PRAGMA foreign_keys = {keys}")
    limit = (f"PRAGMA journal_size_limit = {JOURNAL_LIMIT_BYTES}",)
    return common + durable + limit + (("PRAGMA query_only = ON",) if role is Role.READ else ())


class Database:
    """One database: a writer for one transaction at a time, readers beside it. Safe to use from any thread."""

    def __init__(self, url: str) -> None:
        self.url = parse_url(url)
        self.place = place_of(self.url)
        self.file = file_of(self.url)
        self.writer = make_engine(self.url, Role.WRITE)
        self.reader = make_engine(self.url, Role.READ)
        self._turn: threading.Lock | None = threading.Lock() if self.file else None

    def write(self, work: Callable[[Session, bool], T]) -> T:
        """Do `work` in one transaction; safe on disk when this returns.

        Tried once more on a new connection when the database could not be used; `work` is told so by its second argument, since the first
        try may have been committed without our hearing of it. Raises StoreUnavailable, StoreError, and whatever `work` raises.
        """
        try:
            return self._transaction(work, False)
        except StoreError as problem:
            if not worth_another_try(problem):
                raise
        self.writer.dispose()
        return self._transaction(work, True)

    def _transaction(self, work: Callable[[Session, bool], T], again: bool) -> T:
        with self._my_turn(), translated(self.place), Session(self.writer, expire_on_commit=False) as session, session.begin():
            return work(session, again)

    @contextmanager
    def _my_turn(self) -> Iterator[None]:
        if self._turn is not None and not self._turn.acquire(timeout=LOCK_TIMEOUT_S):
            raise StoreUnavailable(f"database {self.place} was busy for {LOCK_TIMEOUT_S:g} s; try again", place=self.place, lasting=True)
        try:
            yield
        finally:
            if self._turn is not None:
                self._turn.release()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A short read-only transaction that sees one state of the database. Raises StoreUnavailable, StoreError."""
        with translated(self.place), self.reader.connect() as connection, connection.begin():
            yield connection

    def check_durable(self) -> None:
        """Make sure that a commit reaches the disk. Raises StoreUnavailable when the file system cannot give the log we need."""
        if self.file is None:
            return
        with self._my_turn(), translated(self.place), self.writer.connect() as connection:
            mode = str(connection.exec_driver_sql("PRAGMA journal_mode").scalar_one())
            level = int(connection.exec_driver_sql("PRAGMA synchronous").scalar_one())
        if (mode, level) != ("wal", 2):
            raise StoreUnavailable(
                f"database {self.place} cannot keep results safely here: journal {mode}, synchronous {level}; expected wal, 2. "
                "Keep it on a local disk",
                place=self.place,
            )

    def tidy(self) -> bool:
        """Fold the write-ahead log into the file and cut it to nothing, for an idle moment. False when a reader stood in the way."""
        if self.file is None:
            return True
        with self._my_turn(), translated(self.place), self.writer.connect() as connection:
            raw = connection.connection.driver_connection
            if not isinstance(raw, sqlite3.Connection):
                return True
            raw.execute("PRAGMA busy_timeout = 0").close()  # nobody waits for a checkpoint
            try:
                blocked, _, _ = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            finally:
                raw.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}").close()
        return not blocked

    def log_bytes(self) -> int:
        """Size of the write-ahead log, 0 where there is none."""
        log = Path(f"{self.file}-wal") if self.file else None
        return log.stat().st_size if log is not None and log.exists() else 0

    def close(self) -> None:
        """Give all connections back. Idempotent."""
        with self._turn or nullcontext():
            self.writer.dispose()
        self.reader.dispose()
