"""How a database comes to its schema: by the packaged migrations, and in no other way."""

import os
import sqlite3
import threading
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from alembic import command
from alembic.util import CommandError
from sqlalchemy import URL, Connection

from db.backup import copy_database
from db.checks import census, require_nothing_lost
from db.engine import Role, file_of, make_engine, parse_url, place_of
from db.revisions import head, knows, require_current, revision, script_config
from db.trouble import translated
from station.errors import StoreError, StoreUnavailable

__all__ = ["Upgraded", "create_or_require", "head", "require_current", "revision", "upgrade"]

_ONE_AT_A_TIME = threading.Lock()
"""Alembic hands the running step its connection by way of a global: two threads would share one."""


@dataclass(frozen=True, slots=True)
class Upgraded:
    """What an upgrade did. before is "" for a new database; backup is None when there was nothing to keep."""

    before: str
    after: str
    backup: Path | None


def create_or_require(url: str) -> None:
    """Make the database at a first start; afterwards accept only the current revision.

    What exists is never overwritten. Raises SchemaMismatch, StoreUnavailable.
    """
    address = parse_url(url)
    file = file_of(address)
    if file is not None and not file.exists():
        _create(file)
    elif file is None and revision(url) == "":
        _migrate(address, None)
    require_current(url)


def upgrade(url: str, scripts: Path | None = None) -> Upgraded:
    """Bring a database to the current revision, all or nothing, after a copy beside it when it is a file. Makes one that does not exist.

    Raises SchemaMismatch for a revision unknown to this program, StoreError when rows would be lost or a step fails (the database stays
    as it was), StoreUnavailable.
    """
    address = parse_url(url)
    file = file_of(address)
    if file is not None and not file.exists():
        _create(file, scripts)
        return Upgraded("", head(scripts), None)
    before, after = revision(url), head(scripts)
    if before == after:
        return Upgraded(before, after, None)
    if not knows(before, scripts):
        require_current(url, scripts)
    backup = copy_database(file, _backup_name(file, before)) if file else None
    _migrate(address, scripts)
    return Upgraded(before, after, backup)


def _create(file: Path, scripts: Path | None = None) -> None:
    """Build the new file under another name and give it its own only when it is complete: a crash leaves no half database."""
    fresh = file.with_name(f"{file.name}.{os.getpid()}-{os.urandom(4).hex()}.new")
    try:
        if not file.parent.is_dir():
            file.parent.mkdir(parents=True, exist_ok=True)
        _migrate(URL.create("sqlite", database=str(fresh)), scripts)
        _fold(fresh)
        _give_name(fresh, file)
    except OSError as problem:
        raise StoreUnavailable(f"database {file} cannot be made: {problem.strerror}", place=str(file), lasting=True) from problem
    finally:
        if file.parent.is_dir():
            for leftover in (fresh, Path(f"{fresh}-wal"), Path(f"{fresh}-shm")):
                leftover.unlink(missing_ok=True)


def _fold(file: Path) -> None:
    """Bring everything from the log into the file itself."""
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()


def _give_name(fresh: Path, file: Path) -> None:
    """A name that was taken meanwhile means that another process was first: its database stands."""
    try:
        os.link(fresh, file)  # unlike a renaming it never replaces
    except FileExistsError:
        return
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _migrate(address: URL, scripts: Path | None) -> None:
    """All steps, and the checks after them, in one transaction, with foreign keys off since before it began."""
    engine = make_engine(address, Role.MIGRATE)
    place = place_of(address)
    try:
        with translated(place), engine.connect() as connection, connection.begin():
            before = census(connection)
            _run_scripts(connection, scripts, place)
            require_nothing_lost(before, connection, place)
    finally:
        engine.dispose()


def _run_scripts(connection: Connection, scripts: Path | None, place: str) -> None:
    config = script_config(scripts)
    config.attributes["connection"] = connection
    try:
        with _ONE_AT_A_TIME:
            command.upgrade(config, "head")
    except CommandError as problem:
        raise StoreError(f"database {place} could not be upgraded: {problem}", place=place, lasting=True) from problem


def _backup_name(file: Path, before: str) -> Path:
    return file.with_name(f"{file.name}.{before}.{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.backup")
