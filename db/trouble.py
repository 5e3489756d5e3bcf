"""Foreign errors of the database, translated at the seam by one table."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, IntegrityError, InterfaceError, OperationalError, SQLAlchemyError, StatementError
from sqlalchemy.exc import TimeoutError as NoConnection

from station.errors import RestpointError, StoreError, StoreUnavailable

SQLITE_TROUBLE: dict[str, str] = {
    "SQLITE_BUSY": "is locked by another program; end that program or wait, then try again",
    "SQLITE_LOCKED": "is locked by another connection; try again",
    "SQLITE_FULL": "cannot grow: the disk is full; free some space, then try again",
    "SQLITE_IOERR": "cannot be read or written: the disk reports an error; check the disk before going on",
    "SQLITE_READONLY": "cannot be written: the file or its folder is read-only for this user",
    "SQLITE_PERM": "cannot be opened: this user may not",
    "SQLITE_CANTOPEN": "cannot be opened: no such file or folder, or this user may not",
    "SQLITE_AUTH": "cannot be opened: this user may not",
    "SQLITE_CORRUPT": "is damaged; it is left as it is: put it aside and restore the newest backup",
    "SQLITE_NOTADB": "is not a database; it is left as it is: name another file or restore the newest backup",
    "SQLITE_FORMAT": "is not a database; it is left as it is: name another file or restore the newest backup",
    "SQLITE_NOLFS": "is too large for this file system",
    "SQLITE_PROTOCOL": "is locked in a way that does not end; end all programs that use it",
    "SQLITE_NOMEM": "cannot be used: this machine is out of memory",
    "SQLITE_INTERRUPT": "was asked to stop before it had answered",
}
"""Result codes of SQLite (sqlite.org/rescode.html, from memory) that say the database cannot be used now."""

LASTING = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_FORMAT", "SQLITE_READONLY", "SQLITE_PERM", "SQLITE_AUTH")
"""Codes that a second try on a new connection cannot cure."""


def sqlite_code(problem: BaseException) -> str:
    """Primary result code such as "SQLITE_IOERR"; "" for errors of other databases."""
    name: str = getattr(getattr(problem, "orig", None) or problem, "sqlite_errorname", "") or ""
    return "_".join(name.split("_")[:2])


def translate(problem: SQLAlchemyError | sqlite3.Error, place: str) -> StoreError:
    """The error of our tree that tells what happened to the database at `place`."""
    code = sqlite_code(problem)
    if code in SQLITE_TROUBLE:
        return StoreUnavailable(f"database {place} {SQLITE_TROUBLE[code]}", place=place, detail=code, lasting=code in LASTING)
    detail = _first_line(problem)
    if isinstance(problem, IntegrityError):
        return StoreError(f"database {place} refused a record: {detail}", place=place, detail=detail, lasting=False)
    if isinstance(problem, NoConnection):
        return StoreUnavailable(f"database {place} has no free connection; try again", place=place, detail="pool", lasting=False)
    if not code and isinstance(problem, OperationalError | InterfaceError):
        return StoreUnavailable(f"database {place} cannot be reached: {detail}", place=place, detail=detail, lasting=False)
    return StoreError(f"database {place} refused a statement: {detail}", place=place, detail=detail)


def worth_another_try(problem: StoreError) -> bool:
    """Whether the same transaction may succeed on a new connection."""
    return not problem.facts.get("lasting", True)


@contextmanager
def translated(place: str) -> Iterator[None]:
    """Let no foreign error of the database out of the block. A statement we wrote wrongly is no trouble of the database and passes."""
    try:
        yield
    except (DBAPIError, NoConnection, sqlite3.Error) as problem:
        raise translate(problem, place) from problem
    except StatementError as problem:  # a value that a column type of ours refuses
        if isinstance(problem.orig, RestpointError):
            raise problem.orig from None
        raise


def _first_line(problem: SQLAlchemyError | sqlite3.Error) -> str:
    cause = problem.orig if isinstance(problem, DBAPIError) else problem
    return (str(cause).strip().splitlines() or [type(problem).__name__])[0]
