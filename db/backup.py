"""Copies of a SQLite database, made while it is in use."""

import sqlite3
from contextlib import closing
from pathlib import Path

from station.errors import StoreError, StoreUnavailable


def copy_database(source: Path, target: Path) -> Path:
    """Copy one consistent state of `source`, with every result that was safe when the copy began; checked before it gets its name.

    Writers go on meanwhile. Raises StoreUnavailable when the source is damaged or the target cannot be written, StoreError when it exists.
    """
    if target.exists():
        raise StoreError(f"backup {target} exists already; name another file", place=str(target))
    half = target.with_name(target.name + ".part")
    try:
        half.unlink(missing_ok=True)
        with closing(_open_for_reading(source)) as origin, closing(sqlite3.connect(half)) as copy:
            origin.backup(copy)  # all pages in one step: one state, and no restart when somebody writes
            copy.execute("PRAGMA journal_mode = DELETE").close()  # the copy is one file, complete in itself
        _check(half)
        half.rename(target)
    except sqlite3.Error as problem:
        raise StoreUnavailable(f"backup of {source} to {target} failed: {problem}", place=str(source), lasting=True) from problem
    except OSError as problem:
        raise StoreUnavailable(f"backup {target} cannot be written: {problem.strerror}", place=str(target), lasting=True) from problem
    finally:
        half.unlink(missing_ok=True)
    return target


def newest_backup(file: Path) -> Path | None:
    """The newest backup made beside the database by an upgrade or by the backup command without a name."""
    found = sorted(file.parent.glob(f"{file.name}.*.backup"), key=lambda one: (one.stat().st_mtime_ns, one.name))
    return found[-1] if found else None


def problems_in(file: Path, most: int = 20) -> list[str]:
    """What an integrity check finds wrong, a line each; empty for a sound file. Reads the whole file."""
    try:
        with closing(_open_for_reading(file)) as connection:
            lines = [str(row[0]) for row in connection.execute(f"PRAGMA integrity_check({int(most)})")]
            broken = [f"row {row[1]} of {row[0]} refers to nothing in {row[2]}" for row in connection.execute("PRAGMA foreign_key_check")]
    except sqlite3.Error as problem:
        return [str(problem)]
    return [line for line in lines if line != "ok"] + broken[:most]


def _open_for_reading(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)


def _check(file: Path) -> None:
    problems = problems_in(file)
    if problems:
        raise StoreUnavailable(f"backup {file.name} is not sound: {problems[0]}", place=str(file), lasting=True)
