"""Which revision of the schema a database has, and which one this program works with. Looking changes no byte."""

from importlib.resources import files
from pathlib import Path

from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import URL, Connection, inspect

from db.backup import newest_backup
from db.engine import Role, file_of, make_engine, parse_url, place_of
from db.trouble import translated
from station.errors import SchemaMismatch, StoreUnavailable

UPGRADE = "restpoint db upgrade"


def head(scripts: Path | None = None) -> str:
    """The revision this program works with."""
    return ScriptDirectory.from_config(script_config(scripts)).get_current_head() or ""


def revision(url: str) -> str:
    """Revision of the database as it is; "" for a server's database without any table.

    Raises StoreUnavailable when there is no database, it cannot be read, or it is not one of ours.
    """
    address = parse_url(url)
    _must_be_a_file(address)
    engine = make_engine(address, Role.LOOK)
    try:
        with translated(_place_with_backup(address)), engine.connect() as connection, connection.begin():
            return _revision(connection, place_of(address))
    finally:
        engine.dispose()


def require_current(url: str, scripts: Path | None = None) -> None:
    """Refuse a database of any other revision. Raises SchemaMismatch with the command to run, StoreUnavailable."""
    found, expected = revision(url), head(scripts)
    if found == expected:
        return
    place = place_of(parse_url(url))
    way = f"run `{UPGRADE}`" if knows(found, scripts) else f"a newer program made it: use that one (`{UPGRADE}` of this one cannot go back)"
    raise SchemaMismatch(
        f"database {place} has schema revision {found or 'none'}, this program works with {expected}: {way}",
        place=place,
        found=found,
        expected=expected,
    )


def knows(found: str, scripts: Path | None = None) -> bool:
    """Whether this program has the steps from `found` on."""
    try:
        return found == "" or ScriptDirectory.from_config(script_config(scripts)).get_revision(found) is not None
    except CommandError:
        return False


def script_config(scripts: Path | None = None) -> Config:
    """Alembic's configuration: the packaged migrations, or those in another folder."""
    config = Config()
    config.set_main_option("script_location", str(scripts or files("migrations")).replace("%", "%%"))
    return config


def _revision(connection: Connection, place: str) -> str:
    names = inspect(connection).get_table_names()
    if "alembic_version" in names:
        return MigrationContext.configure(connection).get_current_revision() or ""
    if names:
        what = "is not one of this program: it has tables but no schema revision; name another"
        raise StoreUnavailable(f"database {place} {what}", place=place, lasting=True)
    if connection.dialect.name == "sqlite":
        what = "is empty; it is left as it is: restore the newest backup, or remove it to begin anew"
        raise StoreUnavailable(f"database {place} {what}", place=place, lasting=True)
    return ""


def _must_be_a_file(address: URL) -> None:
    file = file_of(address)
    if file is None or file.is_file():
        return
    what = "is no file; name a file" if file.exists() else f"does not exist: run `{UPGRADE}` to make it"
    raise StoreUnavailable(f"database {file} {what}", place=str(file), lasting=True)


def _place_with_backup(address: URL) -> str:
    file = file_of(address)
    backup = newest_backup(file) if file else None
    return f"{place_of(address)} (newest backup: {backup})" if backup else place_of(address)
