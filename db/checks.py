"""What must be the same after a change of the schema as before."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, func, inspect, select, table

from station.errors import StoreError


@dataclass(frozen=True, slots=True)
class Census:
    """rows: how many each table has. counters: highest key ever given out, by table, where the database keeps it beside the rows."""

    rows: Mapping[str, int]
    counters: Mapping[str, int]


def census(connection: Connection) -> Census:
    """Count everything. Reads every table."""
    names = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
    rows = {name: connection.execute(select(func.count()).select_from(table(name))).scalar_one() for name in names}
    return Census(rows, _counters(connection))


def require_nothing_lost(before: Census, connection: Connection, place: str) -> None:
    """Raises StoreError when rows or counters are gone, or a row refers to nothing; the caller's transaction must then be undone."""
    after = census(connection)
    for name, count in before.rows.items():
        if after.rows.get(name, 0) != count:
            raise _refusal(place, f"table {name} had {count} rows and would have {after.rows.get(name, 0)}")
    for name, highest in before.counters.items():
        if after.counters.get(name, 0) < highest:
            raise _refusal(place, f"table {name} would give out numbers up to {highest} again (rebuild it with sqlite_autoincrement)")
    broken = _broken_reference(connection)
    if broken:
        raise _refusal(place, broken)


def _counters(connection: Connection) -> dict[str, int]:
    if connection.dialect.name != "sqlite":
        return {}  # a server's sequences do not hang on the table's rows
    if connection.exec_driver_sql("SELECT count(*) FROM sqlite_master WHERE name = 'sqlite_sequence'").scalar_one() == 0:
        return {}
    return {name: int(highest) for name, highest in connection.exec_driver_sql("SELECT name, seq FROM sqlite_sequence").all()}


def _broken_reference(connection: Connection) -> str:
    if connection.dialect.name != "sqlite":
        return ""  # a server checks by itself
    found = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    return f"a row of {found[0]} would refer to nothing in {found[2]}" if found else ""


def _refusal(place: str, what: str) -> StoreError:
    return StoreError(f"database {place} could not be upgraded: {what}; it stays as it was", place=place, lasting=True)
