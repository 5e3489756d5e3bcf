"""`restpoint db`: bring the database to the revision this program works with, check it, copy it while it is in use."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from api.cli.db_outbox import outbox
from api.cli.options import AsJson
from api.cli.output import Exit, emit, emit_json, say

ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file that names the database.")]
DatabaseUrl = Annotated[str, typer.Option("--database", metavar="URL", help="The database instead of the configured one: sqlite:///FILE.")]
Target = Annotated[Path | None, typer.Argument(metavar="[FILE]", help="The copy; left out: a dated file beside the database.")]


def upgrade(database: DatabaseUrl = "", config: ConfigFile = None, as_json: AsJson = False) -> None:
    """Bring the database to this program's revision, all or nothing; a copy of the old state is kept beside it."""
    from db.migrate import upgrade as bring_up

    done = bring_up(_url(database, config))
    if as_json:
        emit_json({"format": "restpoint-db/1", "before": done.before, "after": done.after, "backup": done.backup and str(done.backup)})
    elif done.before == done.after:
        emit(f"good: the database has revision {done.after} already")
    else:
        emit(f"done: the database came from revision {done.before or 'none'} to {done.after}")
        if done.backup:
            emit(f"  the state before is kept in {done.backup}")


def check(database: DatabaseUrl = "", config: ConfigFile = None, as_json: AsJson = False) -> None:
    """Read the whole database and say whether it is sound and of the right revision. Changes nothing."""
    from db.backup import problems_in
    from db.engine import file_of, parse_url
    from db.migrate import head, require_current, revision

    url = _url(database, config)
    found = revision(url)
    file = file_of(parse_url(url))
    problems = problems_in(file) if file else []
    if as_json:
        emit_json({"format": "restpoint-db/1", "revision": found, "expected": head(), "problems": problems})
        raise typer.Exit(Exit.REFUSED if problems or found != head() else Exit.DONE)
    require_current(url)
    if problems:
        for problem in problems:
            say(f"restpoint: database: {problem}")
        raise typer.Exit(Exit.REFUSED)
    emit(f"good: the database is sound and has revision {found}")


def backup(target: Target = None, database: DatabaseUrl = "", config: ConfigFile = None, as_json: AsJson = False) -> None:
    """Copy the database while it is in use; the copy is checked before it gets its name."""
    from db.backup import copy_database
    from db.engine import file_of, parse_url
    from db.migrate import revision
    from station.errors import UsageError

    url = _url(database, config)
    file = file_of(parse_url(url))
    if file is None:
        raise UsageError("database: a server makes its own backups; expected sqlite:///FILE (for PostgreSQL use pg_dump)")
    found = revision(url)
    made = copy_database(file, target or file.with_name(f"{file.name}.{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.backup"))
    if as_json:
        emit_json({"format": "restpoint-db/1", "revision": found, "backup": str(made), "bytes": made.stat().st_size})
    else:
        emit(f"done: {made}, {made.stat().st_size} bytes, revision {found}, sound")


def _url(database: str, config: Path | None) -> str:
    if database:
        return database
    from api.config import load_config

    return load_config(config, {}).database_url


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="The database: upgrade, check, backup, outbox.", no_args_is_help=True)
    for command in (upgrade, check, backup, outbox):
        group.command()(command)
    app.add_typer(group, name="db")
