"""`restpoint config check`: says whether a configuration would start, and with what values."""

from pathlib import Path
from typing import Annotated

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json

ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file.")]


def check(config: ConfigFile = None, as_json: AsJson = False) -> None:
    """Read the configuration and every file it names; open no port and move nothing."""
    from api.config import load_config, resolved
    from api.http.access import read_tokens, require_tokens_for
    from api.root import read_specifications

    settings = load_config(config, {})
    tokens = read_tokens(resolved(config, settings.web.tokens)) if settings.web.tokens else ()
    require_tokens_for(settings.web.host, tokens)
    found = [one.label for one, _ in read_specifications(settings, config)]
    if as_json:
        emit_json({"format": "restpoint-config/1", "config": settings.model_dump(mode="json"), "specifications": found})
        return
    emit(f"good: station {settings.station.name}, {len(settings.rigs)} rigs, database {settings.database_url}")
    for rig in settings.rigs:
        emit(f"  rig {rig.name} at {rig.port}{', id ' + rig.rig_id if rig.rig_id else ''}")
    emit(f"  specifications: {', '.join(found) or 'none'}")


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="The station's configuration.", no_args_is_help=True)
    group.command("check")(check)
    app.add_typer(group, name="config")
