"""`restpoint db outbox`: what the line database has yet to get."""

from pathlib import Path
from typing import Annotated

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json

ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file that names the database.")]
DatabaseUrl = Annotated[str, typer.Option("--database", metavar="URL", help="The database instead of the configured one: sqlite:///FILE.")]


def outbox(database: DatabaseUrl = "", config: ConfigFile = None, as_json: AsJson = False) -> None:
    """Say how much waits for the line database, since when, and what it refused. Changes nothing."""
    from api.config import load_config
    from db.engine import Database
    from db.migrate import require_current
    from db.outbox import by_kind, keeps, waiting

    url = database or load_config(config, {}).database_url
    require_current(url)
    place = Database(url)
    try:
        with place.read() as connection:
            kept, found, kinds = keeps(connection), waiting(connection), by_kind(connection)
    finally:
        place.close()
    oldest = found.oldest_at.isoformat().replace("+00:00", "Z") if found.oldest_at else None
    if as_json:
        more = {"waiting": found.count, "oldest_at": oldest, "kinds": kinds, "refused": found.refused, "refusal": found.refusal}
        emit_json({"format": "restpoint-outbox/1", "kept": kept, **more})
        return
    if not kept:
        emit("none: this station was never part of a line (station.line), so nothing is put down for one")
        return
    told = ", ".join(f"{count} of kind {kind}" for kind, count in kinds.items())
    emit(f"{found.count} records wait for the line{f' since {oldest}: {told}' if found.count else ''}")
    if found.refused:
        emit(f"  the line refused {found.refused} of them; the first: {found.refusal}")
